//! What waits to be forwarded to another database, and how far that has come.
//!
//! The journal itself is the queue: a cursor says up to which stamp everything has arrived. Nothing is copied, so an
//! outage of any length costs neither memory nor disk. Reading is in pages of bounded size.
//!
//! The cursor may lag behind what has arrived (it is saved now and then, to spare the disk), never run ahead: after a
//! kill some points are sent again, and since they carry their time that changes nothing.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use overspill_rules::output::BalanceValues;
use overspill_rules::time::WallTime;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, TransactionBehavior, params};

use super::error::{StoreError, at};
use super::reader::{StoreReader, TickEntries};
use super::righted::Corrections;
pub use super::righted::Righted;

/// Stamps in a page at most.
const PAGE_TICKS: usize = 250;

/// Half hours in a page at most.
const PAGE_ENERGY: i64 = 500;

/// How long to wait for another program that holds SQLite's lock.
const BUSY_FOR: Duration = Duration::from_secs(5);

/// One thing to forward.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Its stamp; of energy, the start of its half hour.
    pub at: WallTime,
    /// What it is.
    pub what: What,
}

/// What can be forwarded.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// A number as received.
    Sample {
        /// `point.<id>`, `point.<id>.<quantity>` or `input.<id>`.
        series: String,
        /// The number.
        value: f64,
        /// How it was to be understood then: the definition in the journal, JSON.
        definition: Option<Arc<str>>,
        /// What was found wrong with it since, and the definition of the point whose number it truly was.
        righted: Option<(Righted, Option<Arc<str>>)>,
    },
    /// A power balance.
    Balance {
        /// 0 for the whole home, else 1 to 3.
        phase: u8,
        /// In watts.
        values: BalanceValues,
    },
    /// A load's set-point.
    Setpoint {
        /// The load.
        load: String,
        /// In watts.
        watts: f64,
    },
    /// A decision whether a load should run.
    Switched {
        /// The load.
        load: String,
        /// Whether it should run.
        on: bool,
    },
    /// Energy of a half hour.
    Energy {
        /// As in the table `energy`.
        flow: String,
        /// In kilowatt-hours.
        kwh: f64,
        /// Seconds of it for which there was data.
        covered_s: f64,
    },
}

/// How far forwarding has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Place {
    tick: i64,
    at: Option<i64>,
    energy: i64,
    /// The span that is forwarded again, and up to which stamp.
    again: Option<(i64, i64)>,
}

impl Place {
    /// The wall time up to which everything was forwarded.
    pub fn at(&self) -> Option<WallTime> {
        self.at.map(WallTime)
    }
}

/// What comes next.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// In the order of their stamps within each part (new, energy, again).
    pub entries: Vec<Entry>,
    /// Where forwarding stands once all of it has arrived.
    pub then: Place,
    /// Whether there is nothing more at present.
    pub last: bool,
    /// The newest stamp of the journal that has its time.
    pub newest: Option<WallTime>,
}

/// A line that was refused by itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// The point, as it was sent.
    pub line: String,
    /// Why, in the words of the other database.
    pub reason: String,
}

/// The store, opened for forwarding beside the thread that records.
pub struct Outbox {
    reader: StoreReader,
    conn: Connection,
    path: PathBuf,
    target: String,
}

impl Outbox {
    /// Opens the store at `path`, which must be there and up to date, for forwarding to `target`. What was never
    /// forwarded to this target is forwarded from the beginning.
    ///
    /// # Errors
    /// When it can't be read and written.
    pub fn open(path: &Path, target: &str) -> Result<(Outbox, Place), StoreError> {
        let reader = StoreReader::open_read_only(path)?;
        let mut conn = Connection::open(path).map_err(at(path))?;
        conn.busy_timeout(BUSY_FOR).map_err(at(path))?;
        conn.pragma_update(None, "synchronous", "FULL").map_err(at(path))?;
        let place = begin(&mut conn, target).map_err(at(path))?;
        Ok((Outbox { reader, conn, path: path.to_owned(), target: target.to_owned() }, place))
    }

    /// The page that follows `place`.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn page(&self, place: Place) -> Result<Page, StoreError> {
        let mut page = Page { entries: Vec::new(), then: place, last: true, newest: place.at() };
        let Some(front) = self.front()? else { return Ok(page) };
        page.newest = front.at.map(WallTime).or(page.newest);
        let known = self.sql(Known::read)?;
        self.new_entries(&front, &known, &mut page)?;
        self.sql(|conn| energy(conn, &mut page))?;
        self.again(&front, &known, &mut page)?;
        Ok(page)
    }

    /// The newest stamp of the journal, where its time is known.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn newest(&self) -> Result<Option<WallTime>, StoreError> {
        Ok(self.front()?.and_then(|front| front.at).map(WallTime))
    }

    /// How far can be read at present. The newest stamp of the run at work may still be growing, others may share its
    /// time, and its stamps without a time wait for it. An import is a run of its own, whole at once; its moments are
    /// wall times, so its offset is 0.
    fn front(&self) -> Result<Option<Front>, StoreError> {
        let run = "SELECT max(id) FROM run WHERE offset_ms IS NOT 0";
        let growing = "SELECT id, at FROM tick WHERE run = ?1 ORDER BY id DESC LIMIT 1";
        let newest = "SELECT id, at FROM tick ORDER BY id DESC LIMIT 1";
        self.sql(|c| {
            let read = |r: &Row<'_>| Ok((r.get(0)?, r.get(1)?));
            let run = c.prepare_cached(run)?.query_row([], |r| r.get::<_, Option<i64>>(0))?.unwrap_or(0);
            let newest: Option<(i64, Option<i64>)> =
                c.prepare_cached(newest)?.query_row([], read).optional()?;
            let growing: Option<(i64, Option<i64>)> =
                c.prepare_cached(growing)?.query_row([run], read).optional()?;
            let last = growing.or(newest.map(|(id, _)| (id + 1, None)));
            Ok(last.map(|(before, at)| Front { run, before, at }))
        })
    }

    /// What was recorded since.
    fn new_entries(&self, front: &Front, known: &Known, page: &mut Page) -> Result<(), StoreError> {
        let (ticks, more) = self.ticks(page.then.tick, front)?;
        page.last &= !more;
        let Some(last) = ticks.last() else { return Ok(()) };
        let switched = self.sql(|conn| switched(conn, page.then.tick, last.tick))?;
        page.then.tick = last.tick;
        page.then.at = last.at.map(|w| w.0).or(page.then.at);
        add_ticks(ticks, switched, known, &mut page.entries);
        Ok(())
    }

    /// Stamps after number `from` that can be forwarded, all that share a time together, and whether there are more.
    fn ticks(&self, from: i64, front: &Front) -> Result<(Vec<TickEntries>, bool), StoreError> {
        let mut limit = PAGE_TICKS;
        loop {
            let mut ticks = self.reader.after(from, limit)?;
            let full = ticks.len() >= limit;
            let whole = ticks.iter().take_while(|t| t.tick < front.before && !front.waits(t)).count();
            let more = full && whole == ticks.len();
            ticks.truncate(whole);
            if more || ticks.last().is_some_and(|t| t.at.map(|w| w.0) == front.at) {
                drop_last_stamp(&mut ticks);
            }
            // A page with nothing but one stamp is a flood; it must be seen whole.
            if !ticks.is_empty() || !more {
                return Ok((ticks, more));
            }
            limit *= 2;
        }
    }

    /// What is to be forwarded again.
    fn again(&self, front: &Front, known: &Known, page: &mut Page) -> Result<(), StoreError> {
        let (id, done) = page.then.again.unwrap_or((0, 0));
        let sql = "SELECT id, start, until, done, last FROM forward_again
                   WHERE id > ?1 OR (id = ?1 AND last > ?2) ORDER BY id LIMIT 1";
        let found = self.sql(|c| c.prepare_cached(sql)?.query_row([id, done], again).optional())?;
        let Some(again) = found else { return Ok(()) };
        let from = if again.id == id { done } else { again.done };
        let (mut ticks, _) = self.ticks(from, front)?;
        let then = ticks.last().map_or(again.last, |t| t.tick);
        ticks.retain(|t| t.at.is_some_and(|at| at >= again.start && at < again.until));
        let mut switched = self.sql(|conn| switched(conn, from, then))?;
        for entries in switched.values_mut() {
            entries.retain(|e| e.at >= again.start && e.at < again.until);
        }
        add_ticks(ticks, switched, known, &mut page.entries);
        page.then.again = Some((again.id, then));
        page.last = false;
        Ok(())
    }

    /// Saves that everything before `place` has arrived, except what was refused.
    ///
    /// # Errors
    /// When the file can't be written; nothing is saved then.
    pub fn save(&mut self, place: Place, refused: &[Refused], now: WallTime) -> Result<(), StoreError> {
        let path = self.path.clone();
        self.save_all(place, refused, now).map_err(at(&path))
    }

    fn save_all(&mut self, place: Place, refused: &[Refused], now: WallTime) -> rusqlite::Result<()> {
        let change = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        change.execute("UPDATE outbox SET tick = ?1, at = ?2", params![place.tick, place.at])?;
        change.execute("DELETE FROM energy_to_forward WHERE number <= ?1", [place.energy])?;
        if let Some((id, done)) = place.again {
            change.execute("UPDATE forward_again SET done = ?2 WHERE id = ?1", [id, done])?;
            change
                .execute("DELETE FROM forward_again WHERE id < ?1 OR (id = ?1 AND last <= ?2)", [id, done])?;
        }
        for one in refused {
            change.execute(
                "INSERT INTO set_aside (at, target, line, reason) VALUES (?1, ?2, ?3, ?4)",
                params![now.0, self.target, one.line, one.reason],
            )?;
        }
        change.commit()
    }

    /// How many points have been set aside, ever.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn set_aside(&self) -> Result<u64, StoreError> {
        let count: i64 = self.sql(|c| c.query_row("SELECT count(*) FROM set_aside", [], |r| r.get(0)))?;
        Ok(u64::try_from(count).unwrap_or(0))
    }

    fn sql<T>(&self, read: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, StoreError> {
        read(&self.conn).map_err(at(&self.path))
    }
}

/// Has everything from `from` to just before `to` forwarded again: what is known of it has changed, or it was added.
/// Does nothing while nothing was ever forwarded. To be called in the transaction that changes it.
///
/// # Errors
/// When the file can't be written.
pub fn forward_again(conn: &Connection, from: WallTime, to: WallTime) -> rusqlite::Result<()> {
    let forwards: bool =
        conn.query_row("SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'outbox')", [], |r| {
            r.get(0)
        })?;
    if !forwards || from >= to {
        return Ok(());
    }
    conn.execute(
        "INSERT INTO forward_again (start, until, done, last)
         SELECT ?1, ?2, min(first) - 1, max(last) FROM (
             SELECT min(id) AS first, max(id) AS last FROM tick WHERE at >= ?1 AND at < ?2
             UNION ALL SELECT min(first_tick), max(last_tick) FROM stretch WHERE last_at >= ?1 AND first_at < ?2)
         HAVING max(last) IS NOT NULL",
        params![from.0, to.0],
    )?;
    conn.execute(
        "INSERT OR REPLACE INTO energy_to_forward (flow, start)
         SELECT DISTINCT flow, start FROM energy WHERE start >= ?1 AND start < ?2",
        params![from.0, to.0],
    )?;
    Ok(())
}

/// The saved place for this target; another target begins at the beginning.
fn begin(conn: &mut Connection, target: &str) -> rusqlite::Result<Place> {
    let change = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    change.execute_batch(include_str!("outbox.sql"))?;
    let saved = change
        .query_row("SELECT tick, at FROM outbox WHERE target = ?1", [target], |r| {
            Ok(Place { tick: r.get(0)?, at: r.get(1)?, ..Place::default() })
        })
        .optional()?;
    if saved.is_none() {
        begin_anew(&change, target)?;
    }
    change.commit()?;
    Ok(saved.unwrap_or_default())
}

fn begin_anew(change: &Transaction<'_>, target: &str) -> rusqlite::Result<()> {
    change.execute(
        "INSERT OR REPLACE INTO outbox (only, version, target, tick, at) VALUES (1, 1, ?1, 0, NULL)",
        [target],
    )?;
    change.execute("DELETE FROM forward_again", [])?;
    change.execute("DELETE FROM energy_to_forward", [])?;
    change.execute(
        "INSERT INTO energy_to_forward (flow, start) SELECT DISTINCT flow, start FROM energy ORDER BY start",
        [],
    )?;
    Ok(())
}

/// Takes the last stamp away, with all that share its time.
fn drop_last_stamp(ticks: &mut Vec<TickEntries>) {
    let Some(last) = ticks.last().and_then(|t| t.at) else { return };
    while ticks.last().is_some_and(|t| t.at == Some(last)) {
        ticks.pop();
    }
}

/// How far can be read.
struct Front {
    /// The run at work.
    run: i64,
    /// Only stamps before this number are whole.
    before: i64,
    /// The time of the stamp with that number.
    at: Option<i64>,
}

impl Front {
    /// A stamp without its time waits while its run is at work, which may find it out. That of a former run never will.
    fn waits(&self, tick: &TickEntries) -> bool {
        tick.at.is_none() && tick.run >= self.run
    }
}

/// A span that is forwarded again: stamps after number `done` up to `last`, as far as their time is in it.
struct Again {
    id: i64,
    start: WallTime,
    until: WallTime,
    done: i64,
    last: i64,
}

fn again(r: &Row<'_>) -> rusqlite::Result<Again> {
    let (start, until) = (WallTime(r.get(1)?), WallTime(r.get(2)?));
    Ok(Again { id: r.get(0)?, start, until, done: r.get(3)?, last: r.get(4)? })
}

type Switched = BTreeMap<i64, Vec<Entry>>;

/// Decisions of dated stamps after `from` up to `last`.
fn switched(conn: &Connection, from: i64, last: i64) -> rusqlite::Result<Switched> {
    let mut query = conn.prepare_cached(
        "SELECT tick, at, load, is_on FROM decision JOIN tick ON tick.id = decision.tick
         WHERE tick > ?1 AND tick <= ?2 AND at IS NOT NULL ORDER BY tick, decision.id",
    )?;
    let mut rows = query.query([from, last])?;
    let mut found = Switched::new();
    while let Some(r) = rows.next()? {
        let what = What::Switched { load: r.get(2)?, on: r.get(3)? };
        found.entry(r.get(0)?).or_default().push(Entry { at: WallTime(r.get(1)?), what });
    }
    Ok(found)
}

fn add_ticks(ticks: Vec<TickEntries>, mut switched: Switched, known: &Known, entries: &mut Vec<Entry>) {
    for tick in ticks {
        let later = switched.split_off(&(tick.tick + 1));
        entries.extend(std::mem::replace(&mut switched, later).into_values().flatten());
        let Some(at) = tick.at else { continue };
        for (series, sample) in tick.samples {
            let Some(value) = sample.value else { continue };
            let definition = known.definitions.of(&series, tick.run);
            let righted = known.corrections.of(&series, at).map(|right| {
                let definition = known.definitions.of(&format!("point.{}", right.point), tick.run);
                (right, definition)
            });
            let series = series.to_string();
            entries.push(Entry { at, what: What::Sample { series, value, definition, righted } });
        }
        let balance = tick.balance.into_iter();
        entries.extend(balance.map(|(phase, values)| Entry { at, what: What::Balance { phase, values } }));
        let setpoints = tick.setpoints.into_iter();
        entries.extend(setpoints.map(|(load, watts)| {
            let load = load.to_string();
            Entry { at, what: What::Setpoint { load, watts } }
        }));
    }
}

fn energy(conn: &Connection, page: &mut Page) -> rusqlite::Result<()> {
    let mut marked = conn.prepare_cached(
        "SELECT number, flow, start FROM energy_to_forward WHERE number > ?1 ORDER BY number LIMIT ?2",
    )?;
    let mut known =
        conn.prepare_cached("SELECT kwh, covered_s FROM half_hour WHERE flow = ?1 AND start = ?2")?;
    let mut rows = marked.query([page.then.energy, PAGE_ENERGY])?;
    let mut count = 0;
    while let Some(r) = rows.next()? {
        let (flow, start): (String, i64) = (r.get(1)?, r.get(2)?);
        page.then.energy = r.get(0)?;
        count += 1;
        let found = known.query_row(params![flow, start], |r| Ok((r.get(0)?, r.get(1)?))).optional()?;
        // One that is not there has no date yet; it is marked again when it gets one.
        if let Some((Some(kwh), covered_s)) = found {
            let covered_s: Option<f64> = covered_s;
            let what = What::Energy { flow, kwh, covered_s: covered_s.unwrap_or(0.0) };
            page.entries.push(Entry { at: WallTime(start), what });
        }
    }
    page.last &= count < PAGE_ENERGY;
    Ok(())
}

/// What numbers mean.
struct Known {
    definitions: Definitions,
    corrections: Corrections,
}

impl Known {
    fn read(conn: &Connection) -> rusqlite::Result<Known> {
        Ok(Known { definitions: Definitions::read(conn)?, corrections: Corrections::read(conn)? })
    }
}

/// How numbers were to be understood, from which run on.
struct Definitions(BTreeMap<String, BTreeMap<i64, Arc<str>>>);

impl Definitions {
    fn read(conn: &Connection) -> rusqlite::Result<Definitions> {
        let mut query = conn.prepare_cached("SELECT name, run, json FROM definition")?;
        let mut rows = query.query([])?;
        let mut all: BTreeMap<String, BTreeMap<i64, Arc<str>>> = BTreeMap::new();
        while let Some(r) = rows.next()? {
            let json: String = r.get(2)?;
            all.entry(r.get(0)?).or_default().insert(r.get(1)?, Arc::from(json));
        }
        Ok(Definitions(all))
    }

    /// The definition of a series, which is its point's or input's.
    fn of(&self, series: &str, run: i64) -> Option<Arc<str>> {
        let owner = match series.strip_prefix("point.").and_then(|rest| rest.split_once('.')) {
            Some((point, _)) => format!("point.{point}"),
            None => series.to_owned(),
        };
        let runs = self.0.get(&owner)?;
        let held = runs.range(..=run).next_back().or_else(|| runs.iter().next());
        held.map(|(_, json)| Arc::clone(json))
    }
}
