//! One entry after the other into its table.

use overspill_rules::input::{Input, OtherReading, Reading, RuleSet, RuleSource};
use overspill_rules::limits::OVERRIDE_IDS;
use overspill_rules::output::{
    BalanceReport, BalanceValues, Decision, EnergyRow, Notice, Output, Record, Severity,
};
use overspill_rules::script::LoadMark;
use overspill_rules::time::{Span, WallTime};
use rusqlite::{Connection, OptionalExtension, Params, params};
use serde::Serialize;
use serde_json::{Value, json};

use super::began::BEGAN;
use super::db::Cursor;
use super::entry::{Row, Stamp, State};
use super::names::{Names, Source};
use super::shadow;

/// Marks of a load reach back 48 hours; one more hour keeps the mark before the oldest question.
const MARKS_FOR: Span = Span::hours(49);

/// One transaction under way.
pub(super) struct Writing<'a> {
    pub(super) conn: &'a Connection,
    pub(super) names: &'a Names,
    pub(super) run: i64,
    pub(super) cursor: &'a mut Cursor,
}

/// A part of a half hour of energy.
struct Part {
    kwh: Option<f64>,
    covered_s: Option<f64>,
    /// The greatest reading in watts, and milliseconds after the start of the half hour.
    peak: Option<(f64, i64)>,
}

impl Writing<'_> {
    pub(super) fn row(&mut self, row: &Row) -> rusqlite::Result<()> {
        match row {
            Row::Input(stamp, Input::Reading(reading)) => self.reading(*stamp, reading),
            Row::Input(stamp, Input::Other(reading)) => self.other(*stamp, reading),
            Row::Input(stamp, input) => self.other_input(*stamp, input),
            Row::Output(stamp, Output::Balance(balance)) => self.balance(*stamp, balance),
            Row::Output(stamp, Output::Notice(notice)) => self.notice(*stamp, notice),
            Row::Output(stamp, Output::Record(record)) => self.record(*stamp, record),
            Row::Output(..) => Ok(()),
            Row::Began(stamp, told) => {
                let tick = self.tick(*stamp)?;
                self.event(tick, BEGAN, Some(told.clone()))
            }
            Row::Lost(entries) => match self.cursor.tick {
                Some(tick) => self.event(tick, "lost", Some(json!({ "entries": entries }))),
                None => Ok(()),
            },
        }
    }

    fn exec(&self, sql: &str, params: impl Params) -> rusqlite::Result<()> {
        self.conn.prepare_cached(sql)?.execute(params).map(|_| ())
    }

    /// The tick of this stamp; a new row when the stamp is new.
    fn tick(&mut self, stamp: Stamp) -> rusqlite::Result<i64> {
        let key = (stamp.moment.0, stamp.batch);
        if let (Some(tick), true) = (self.cursor.tick, self.cursor.stamp == Some(key)) {
            return Ok(tick);
        }
        self.exec(
            "INSERT INTO tick (run, moment, at) VALUES (?1, ?2, ?3)",
            params![self.run, stamp.moment.0, stamp.wall.map(|w| w.0)],
        )?;
        let tick = self.conn.last_insert_rowid();
        self.cursor.stamp = Some(key);
        self.cursor.tick = Some(tick);
        self.cursor.n = 0;
        Ok(tick)
    }

    fn next_n(&mut self) -> i64 {
        self.cursor.n += 1;
        self.cursor.n - 1
    }

    fn reading(&mut self, stamp: Stamp, r: &Reading) -> rusqlite::Result<()> {
        let series = self.series(Source::Point(r.point, r.extra))?;
        self.sample(stamp, series, r.value, r.device_time, r.retained)
    }

    fn other(&mut self, stamp: Stamp, r: &OtherReading) -> rusqlite::Result<()> {
        let series = self.series(Source::Input(r.input))?;
        self.sample(stamp, series, r.value, r.device_time, r.retained)
    }

    fn sample(
        &mut self,
        stamp: Stamp,
        series: i64,
        value: f64,
        device: Option<WallTime>,
        retained: bool,
    ) -> rusqlite::Result<()> {
        let tick = self.tick(stamp)?;
        let n = self.next_n();
        self.exec(
            "INSERT INTO sample VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            params![tick, n, series, value, device.map(|w| w.0), retained],
        )
    }

    fn series(&mut self, source: Source) -> rusqlite::Result<i64> {
        if let Some(id) = self.cursor.series.get(&source) {
            return Ok(*id);
        }
        let name = match source {
            Source::Point(point, extra) => self.names.point_series(point, extra),
            Source::Input(input) => self.names.input_series(input),
        };
        self.exec("INSERT OR IGNORE INTO series (name) VALUES (?1)", [&name])?;
        let id = self.conn.query_row("SELECT id FROM series WHERE name = ?1", [&name], |r| r.get(0))?;
        self.cursor.series.insert(source, id);
        Ok(id)
    }

    fn other_input(&mut self, stamp: Stamp, input: &Input) -> rusqlite::Result<()> {
        let tick = self.tick(stamp)?;
        if let Input::Rules(rules) = input {
            let json = self.rule_set(rules)?;
            return self.event(tick, "rules", Some(json));
        }
        let (kind, json) = split(self.named(input));
        self.event(tick, &kind, json)?;
        match input {
            Input::ClockSet { offset_ms, believed: true } => self.date(*offset_ms),
            Input::ClockSet { offset_ms, believed: false } => {
                self.cursor.unbelieved_offset_ms = *offset_ms;
                self.cursor.dated_by_ms = None;
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn event(&mut self, tick: i64, kind: &str, json: Option<Value>) -> rusqlite::Result<()> {
        let n = self.next_n();
        let json = json.map(|j| j.to_string());
        self.exec("INSERT INTO event VALUES (?1, ?2, ?3, ?4)", params![tick, n, kind, json])
    }

    /// JSON with names where the core has places.
    fn named(&self, what: &impl Serialize) -> Value {
        // These types have nothing that JSON can't say, so there is no error to report.
        let mut json = serde_json::to_value(what).unwrap_or(Value::Null);
        self.names.name_places(&mut json);
        json
    }

    /// The wall clock can be believed: what this run recorded before gets its time.
    fn date(&mut self, offset_ms: i64) -> rusqlite::Result<()> {
        self.exec("UPDATE run SET offset_ms = ?2 WHERE id = ?1", [self.run, offset_ms])?;
        self.exec("UPDATE tick SET at = moment + ?2 WHERE run = ?1 AND at IS NULL", [self.run, offset_ms])?;
        let shift_ms = offset_ms.saturating_sub(self.cursor.unbelieved_offset_ms);
        self.cursor.dated_by_ms = Some(shift_ms);
        let undated = {
            let mut query = self.conn.prepare_cached(
                "SELECT flow, start, kwh, covered_s, peak_w, peak_ms FROM energy WHERE run = ?1 AND clock = 1",
            )?;
            let rows = query.query_map([self.run], |r| {
                let peak = r.get::<_, Option<f64>>(4)?.zip(r.get(5)?);
                Ok((r.get(0)?, r.get(1)?, Part { kwh: r.get(2)?, covered_s: r.get(3)?, peak }))
            })?;
            rows.collect::<rusqlite::Result<Vec<(String, i64, Part)>>>()?
        };
        for (flow, start, part) in undated {
            self.part(&flow, nearest_half_hour(start.saturating_add(shift_ms)), 2, part)?;
        }
        self.exec("DELETE FROM energy WHERE run = ?1 AND clock = 1", [self.run])
    }

    fn rule_set(&self, rules: &RuleSet) -> rusqlite::Result<Value> {
        let texts = |list: &[RuleSource]| {
            let each = list.iter().map(|r| Ok(json!({ "name": r.name, "text": self.rule_text(&r.text)? })));
            each.collect::<rusqlite::Result<Vec<_>>>()
        };
        Ok(json!({ "rules": texts(&rules.rules)?, "library": texts(&rules.library)? }))
    }

    fn rule_text(&self, text: &str) -> rusqlite::Result<i64> {
        self.exec("INSERT OR IGNORE INTO rule_text (text) VALUES (?1)", [text])?;
        self.conn.query_row("SELECT id FROM rule_text WHERE text = ?1", [text], |r| r.get(0))
    }

    fn balance(&mut self, stamp: Stamp, balance: &BalanceReport) -> rusqlite::Result<()> {
        let tick = self.tick(stamp)?;
        let oldest = balance.at.map(|w| w.0);
        for (phase, values) in std::iter::once(&balance.total).chain(&balance.phases).enumerate() {
            let BalanceValues { grid_w, solar_w, battery_w, house_w, .. } = values;
            let BalanceValues { import_w, export_w, loads_w, base_w, spare_w, .. } = values;
            self.exec(
                "INSERT OR REPLACE INTO balance VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
                params![
                    tick,
                    phase as i64,
                    oldest,
                    grid_w,
                    solar_w,
                    battery_w,
                    house_w,
                    import_w,
                    export_w,
                    loads_w,
                    base_w,
                    spare_w
                ],
            )?;
        }
        Ok(())
    }

    fn notice(&mut self, stamp: Stamp, notice: &Notice) -> rusqlite::Result<()> {
        let tick = self.tick(stamp)?;
        self.exec(
            "INSERT INTO notice (tick, severity, code, text, about) VALUES (?1, ?2, ?3, ?4, ?5)",
            params![
                tick,
                severity(notice.severity),
                notice.code,
                notice.text,
                self.names.about(&notice.about)
            ],
        )
    }

    fn record(&mut self, stamp: Stamp, record: &Record) -> rusqlite::Result<()> {
        match record {
            Record::Setpoint { load, watts } => {
                let tick = self.tick(stamp)?;
                let load = self.names.load(*load);
                self.exec("INSERT OR REPLACE INTO setpoint VALUES (?1, ?2, ?3)", params![tick, load, watts])
            }
            Record::Decision(decision) => self.decision(stamp, decision),
            Record::Energy(energy) => self.energy(energy),
            Record::LoadMark { load, mark } => self.load_mark(&self.names.load(*load), mark),
            // State, which went another way: see `State::take`.
            Record::Memory { .. }
            | Record::Learnt { .. }
            | Record::Override { .. }
            | Record::Setting { .. }
            | Record::OutOfService { .. }
            | Record::OverrideId(_) => Ok(()),
        }
    }

    fn decision(&mut self, stamp: Stamp, d: &Decision) -> rusqlite::Result<()> {
        let tick = self.tick(stamp)?;
        let load = self.names.load(d.load);
        let (requests, readings) = (self.named(&d.requests).to_string(), self.named(&d.readings).to_string());
        self.exec(
            "INSERT INTO decision (tick, load, is_on, setpoint_w, rule, reason, limited_by, requests, readings)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            params![
                tick, load, d.on, d.setpoint_w, d.rule, d.reason, d.limited_by.map(|l| l.word()), requests, readings
            ],
        )?;
        self.exec(
            "INSERT INTO switched VALUES (?1, ?2, CASE WHEN ?2 THEN ?3 END)
             ON CONFLICT (load) DO UPDATE SET is_on = ?2, tick = ?3 WHERE is_on <> ?2",
            params![load, d.on, tick],
        )
    }

    /// Each row is a part of its half hour (a clock that is set, or a restart, splits one): parts add up.
    fn energy(&mut self, e: &EnergyRow) -> rusqlite::Result<()> {
        let (clock, start) = match (e.provisional, self.cursor.dated_by_ms) {
            (false, _) => (0, e.start.0),
            (true, None) => (1, e.start.0),
            // Closed by the very input that set the clock.
            (true, Some(shift_ms)) => (2, nearest_half_hour(e.start.0.saturating_add(shift_ms))),
        };
        let flow = self.names.flow(e.flow);
        let peak = e.peak.map(|peak| (peak.watts, (peak.at - e.start).0));
        self.part(&flow, start, clock, Part { kwh: Some(e.kwh), covered_s: Some(e.covered_s), peak })
    }

    fn part(&mut self, flow: &str, start: i64, clock: i64, part: Part) -> rusqlite::Result<()> {
        self.cursor.touched.insert((flow.to_owned(), start));
        let (peak_w, peak_ms) = part.peak.unzip();
        self.exec(
            "INSERT INTO energy VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT (flow, start, run, clock)
             DO UPDATE SET kwh = kwh + excluded.kwh, covered_s = covered_s + excluded.covered_s,
                 peak_ms = CASE WHEN excluded.peak_w <= peak_w OR excluded.peak_w IS NULL
                                THEN peak_ms ELSE excluded.peak_ms END,
                 peak_w = coalesce(max(peak_w, excluded.peak_w), peak_w, excluded.peak_w)",
            params![flow, start, self.run, clock, part.kwh, part.covered_s, peak_w, peak_ms],
        )
    }

    /// A mark later than the newest comes from a clock that was put back since.
    fn load_mark(&self, load: &str, mark: &LoadMark) -> rusqlite::Result<()> {
        self.exec(
            "INSERT OR REPLACE INTO load_mark VALUES (?1, ?2, ?3, ?4)",
            params![load, mark.at.0, mark.energy_kwh, mark.run_time.0],
        )?;
        let oldest = mark.at + Span(-MARKS_FOR.0);
        self.exec(
            "DELETE FROM load_mark WHERE load = ?1 AND (at < ?2 OR at > ?3)",
            params![load, oldest.0, mark.at.0],
        )
    }

    pub(super) fn state(&self, state: &State) -> rusqlite::Result<()> {
        for (load, ratio) in &state.ratios {
            self.exec(
                "INSERT OR REPLACE INTO load_ratio VALUES (?1, ?2)",
                params![self.names.load(*load), ratio],
            )?;
        }
        for (rule, memory) in &state.memory {
            let row = params![rule, memory.version, memory.json];
            self.exec("INSERT OR REPLACE INTO rule_memory VALUES (?1, ?2, ?3)", row)?;
        }
        for (load, held) in &state.overrides {
            let load = self.names.load(*load);
            match held {
                Some(h) => self.exec(
                    "INSERT OR REPLACE INTO held_override VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![load, h.on, h.watts, h.until.0, h.by],
                )?,
                None => self.exec("DELETE FROM held_override WHERE load = ?1", [load])?,
            }
        }
        for (setting, held) in &state.settings {
            let setting = self.names.setting(*setting);
            match held {
                Some(h) => {
                    let value = json!(h.value).to_string();
                    self.exec(
                        "INSERT OR REPLACE INTO held_setting VALUES (?1, ?2, ?3, ?4)",
                        params![setting, value, h.until.map(|w| w.0), h.by],
                    )?
                }
                None => self.exec("DELETE FROM held_setting WHERE setting = ?1", [setting])?,
            }
        }
        for (load, by) in &state.out_of_service {
            let load = self.names.load(*load);
            match by {
                Some(by) => {
                    self.exec("INSERT OR REPLACE INTO out_of_service VALUES (?1, ?2)", [&load, by])?
                }
                None => self.exec("DELETE FROM out_of_service WHERE load = ?1", [load])?,
            }
        }
        self.override_ids(state)?;
        shadow::write(self.conn, &state.shadows)?;
        self.good_rules(state.good_rules.as_ref())
    }

    fn override_ids(&self, state: &State) -> rusqlite::Result<()> {
        for id in &state.override_ids {
            self.exec("INSERT OR REPLACE INTO override_id (id) VALUES (?1)", [id])?;
        }
        if state.override_ids.is_empty() {
            return Ok(());
        }
        self.exec(
            "DELETE FROM override_id WHERE seq NOT IN (SELECT seq FROM override_id ORDER BY seq DESC LIMIT ?1)",
            [OVERRIDE_IDS as i64],
        )
    }

    fn good_rules(&self, rules: Option<&RuleSet>) -> rusqlite::Result<()> {
        let Some(rules) = rules else { return Ok(()) };
        let json = self.rule_set(rules)?.to_string();
        let known: Option<String> =
            self.conn.query_row("SELECT json FROM good_rules", [], |r| r.get(0)).optional()?;
        if known.as_ref() == Some(&json) {
            return Ok(());
        }
        self.exec("INSERT OR REPLACE INTO good_rules VALUES (1, ?1)", [json])
    }
}

/// The name of a variant and what it holds.
fn split(value: Value) -> (String, Option<Value>) {
    match value {
        Value::Object(map) if map.len() == 1 => {
            map.into_iter().next().map_or((String::new(), None), |(kind, body)| (kind, Some(body)))
        }
        Value::String(kind) => (kind, None),
        other => (String::new(), Some(other)),
    }
}

/// A half hour of a wrong clock lies across two of the right one; it goes to the nearer.
fn nearest_half_hour(ms: i64) -> i64 {
    const HALF_HOUR: i64 = 1_800_000;
    ms.saturating_add(HALF_HOUR / 2).div_euclid(HALF_HOUR) * HALF_HOUR
}

fn severity(severity: Severity) -> &'static str {
    match severity {
        Severity::Info => "info",
        Severity::Warning => "warning",
        Severity::Problem => "problem",
    }
}
