//! The points judged from the journal alone: its readings are put into slots and handed to the core, a part of a day at a
//! time, so that a year takes no more room than a day.

mod text;

use std::cell::RefCell;

use overspill_rules::commission::Clamp;
use overspill_rules::commission::passive::{Held, Need, PassiveReport, Proven, Slots, Watch, supposed};
use overspill_rules::home::{CountedBy, Home, PointId};
use overspill_rules::time::{Span, WallTime};
use serde_json::{Value, json};

use crate::history::{PutRight, Retelling, Told, Which};
use crate::store::{StoreError, StoreReader};

pub use text::text;

/// A reading's own time may lie so far before its arrival.
const OWN_TIME_BACK: Span = Span::minutes(20);

/// A reading stands at most so many of its point's intervals.
const INTERVALS: f64 = 2.5;

/// The usual interval of a point of which the home file does not say it.
const USUAL: Span = Span::seconds(10);

/// Judges the points of `home` by what the journal holds of `span`. What was recorded as it happened is read as the home
/// file says today, so that a home file that was put right since is judged as it is now. `seen` hears how far it has come.
///
/// # Errors
/// When the journal can't be read.
pub fn judge(
    journal: &StoreReader,
    home: &Home,
    span: (WallTime, WallTime),
    mut seen: impl FnMut(WallTime),
) -> Result<PassiveReport, StoreError> {
    let retelling = Retelling::open_as_of_today(journal, home)?;
    let right = PutRight::new(retelling.corrections()?.iter(), &retelling.all);
    let rhythm = Rhythm::of(home, &retelling, span);
    let watch = Watch::new(home, rhythm.slot);
    let places: Vec<Option<usize>> = retelling
        .all
        .points
        .iter()
        .map(|p| home.point_named(&p.id))
        .map(|id| watch.site().clamps.iter().position(|c| Some(c.point) == id))
        .collect();
    let stands = watch.site().clamps.iter().map(|c| rhythm.stands(home, c)).collect();
    let taking = RefCell::new(Taking {
        slots: Slots::new(rhythm.slot, stands),
        watch,
        driven: Driven::new(journal, home, span.0),
        failed: None,
    });
    retelling.tell(
        span,
        Which::All,
        &right,
        |told| {
            if let Told::Power { point: PointId(i), at, watts } = told
                && let Some(place) = places.get(usize::from(i)).copied().flatten()
                && at >= span.0
                && at < span.1
            {
                taking.borrow_mut().slots.put(place, at, watts);
            }
        },
        |at| {
            taking.borrow_mut().give(at + Span(-OWN_TIME_BACK.0), rhythm.slot);
            seen(at);
        },
    )?;
    let mut taking = taking.into_inner();
    taking.give(span.1, rhythm.slot);
    match taking.failed {
        Some(why) => Err(why),
        None => Ok(taking.watch.report()),
    }
}

/// How often points report.
struct Rhythm {
    slot: Span,
    imported: Vec<Option<Span>>,
}

impl Rhythm {
    fn of(home: &Home, retelling: &Retelling<'_>, span: (WallTime, WallTime)) -> Rhythm {
        let stands = |id: &str| retelling.import_stands(&format!("point.{id}"), span);
        let imported: Vec<Option<Span>> = home.points.iter().map(|p| stands(&p.id)).collect();
        let usual = home.points.iter().zip(&imported);
        let slowest = usual.map(|(p, imported)| imported.or(p.interval).unwrap_or(USUAL)).max();
        Rhythm { slot: Slots::length(slowest.unwrap_or(USUAL)), imported }
    }

    fn stands(&self, home: &Home, clamp: &Clamp) -> Span {
        let point = home.point(clamp.point);
        let usual = point.interval.unwrap_or(USUAL).times(INTERVALS).max(point.stale_after);
        self.imported.get(usize::from(clamp.point.0)).copied().flatten().map_or(usual, |i| i.max(usual))
    }
}

struct Taking<'a> {
    slots: Slots,
    watch: Watch,
    driven: Driven<'a>,
    failed: Option<StoreError>,
}

impl Taking<'_> {
    fn give(&mut self, to: WallTime, slot: Span) {
        if let Err(why) = self.driven.read(to) {
            self.failed.get_or_insert(why);
        }
        let (watch, driven) = (&mut self.watch, &mut self.driven);
        self.slots.give(to, |at, watts| watch.take(at, watts, driven.is_driven(at, at + slot)));
    }
}

/// Loads that the program drives and no point measures: they follow the sun, and would be taken for the house.
struct Driven<'a> {
    journal: &'a StoreReader,
    loads: Vec<Unseen>,
    read_to: WallTime,
}

struct Unseen {
    id: String,
    /// Set-points with the time from which each holds; the first one held before.
    from: Vec<(WallTime, f64)>,
}

impl Driven<'_> {
    fn new<'a>(journal: &'a StoreReader, home: &Home, from: WallTime) -> Driven<'a> {
        let unseen = home.loads.iter().enumerate().filter(|(i, load)| {
            let id = overspill_rules::home::LoadId(*i as u16);
            load.counted_by != CountedBy::Nothing && home.meter_of(id).is_none()
        });
        let loads = unseen.map(|(_, load)| Unseen { id: load.id.clone(), from: Vec::new() });
        Driven { journal, loads: loads.collect(), read_to: from }
    }

    /// Reads on, and lets go what is over.
    fn read(&mut self, to: WallTime) -> Result<(), StoreError> {
        if to <= self.read_to {
            return Ok(());
        }
        for load in &mut self.loads {
            let keep = load.from.len().saturating_sub(1);
            load.from.drain(..keep);
            let new = self.journal.setpoints(&load.id, self.read_to, to)?;
            load.from.extend(new.into_iter().map(|s| (s.at, s.watts)));
        }
        self.read_to = to;
        Ok(())
    }

    fn is_driven(&self, from: WallTime, to: WallTime) -> bool {
        self.loads.iter().any(|load| {
            let first = load.from.partition_point(|(at, _)| *at <= from).saturating_sub(1);
            let during = load.from.iter().skip(first).take_while(|(at, _)| *at < to);
            during.into_iter().any(|(_, watts)| *watts > 0.0)
        })
    }
}

/// The report as JSON. `held` is `good`, `wrong` or `open`.
pub fn json(home: &Home, report: &PassiveReport) -> Value {
    let id = |point: PointId| home.point(point).id.clone();
    let points = report.findings.iter().map(|finding| {
        let fits: Vec<Value> = match &finding.held {
            Held::Good => Vec::new(),
            Held::Wrong(open) | Held::Open(open) => {
                open.iter().map(|s| json!(s.causes.iter().map(|c| c.what()).collect::<Vec<_>>())).collect()
            }
        };
        json!({
            "point": id(finding.point),
            "known_s": finding.known.as_seconds(),
            "held": finding.held.word(),
            "fits": fits,
            "proven": finding.proven.iter().map(|p| proven(home, p)).collect::<Vec<_>>(),
        })
    });
    let answers = report.answers.iter().map(|a| {
        json!({ "of": id(a.of), "seen_in": id(a.seen_in), "w_per_w": a.slope.0, "at_least": a.slope.1,
                "at_most": a.slope.2, "steps": a.steps })
    });
    let explanations = report.explanations.iter().map(|all| {
        json!(all.iter().map(|(point, suspect)| supposed(home, *point, suspect)).collect::<Vec<_>>())
    });
    json!({
        "from": report.span.map(|s| s.0.to_rfc3339()),
        "to": report.span.map(|s| s.1.to_rfc3339()),
        "slot_s": report.slot.as_seconds(),
        "dark_s": report.dark.map(Span::as_seconds),
        "verdict": verdict(report),
        "points": points.collect::<Vec<_>>(),
        "explanations": explanations.collect::<Vec<_>>(),
        "answers": answers.collect::<Vec<_>>(),
        "below_zero_s": report.below_zero.0.as_seconds(),
        "needs": report.needs.iter().map(|need: &Need| need.words(home)).collect::<Vec<_>>(),
    })
}

fn proven(home: &Home, proven: &Proven) -> Value {
    match proven {
        Proven::Direction => json!("direction"),
        Proven::Conductor => json!("conductor"),
        Proven::ScaleWith { point, ratio, steps } => {
            json!({ "scale_with": home.point(*point).id, "at_least": ratio.0, "at_most": ratio.1, "steps": steps })
        }
    }
}

/// `wrong`, `good` or `open`, for all points together.
pub fn verdict(report: &PassiveReport) -> &'static str {
    match (report.is_wrong(), report.is_good()) {
        (true, _) => "wrong",
        (false, true) => "good",
        (false, false) => "open",
    }
}
