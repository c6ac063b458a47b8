//! What a load does now, what limits it, and when that may change: in words, and with the figures behind them.

use overspill_rules::home::{Home, Kind, Load, LoadId};
use overspill_rules::limits::MODULATED_GRAIN_W;
use overspill_rules::output::{DrawSource, Limit, LoadReport};
use overspill_rules::request::Request;
use overspill_rules::time::{Span, WallTime};
use serde::Serialize;
use utoipa::ToSchema;

use super::bounds::{Bound, bounds};
use crate::daemon::Facts;
use crate::web::speech::{self, sentence, watts};

/// One load: its figures as the home publishes them, and the same in words.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct LoadNow {
    /// The home file's name for it.
    pub(crate) id: String,
    /// The name people use.
    pub(crate) name: String,
    /// `charge-point`, `modulated` or `switch`.
    pub(crate) kind: &'static str,
    /// When it was decided.
    pub(crate) at: Option<String>,
    /// Whether it should run; null before the first decision.
    pub(crate) on: Option<bool>,
    /// Set-point in watts.
    pub(crate) setpoint_w: Option<f64>,
    /// Set-point in amps, of charge points.
    pub(crate) setpoint_a: Option<f64>,
    /// What it draws, in watts.
    pub(crate) draw_w: Option<f64>,
    /// `meter` or `estimate`.
    pub(crate) draw_source: Option<&'static str>,
    /// The rule whose request holds.
    pub(crate) rule: Option<String>,
    /// Why, in words.
    pub(crate) reason: Option<String>,
    /// What keeps it from what was asked, as a stable word.
    pub(crate) limited_by: Option<&'static str>,
    /// Until when that holds it at least.
    pub(crate) waits_until: Option<String>,
    /// When a person's override ends.
    pub(crate) override_until: Option<String>,
    /// Who took it out of service.
    pub(crate) out_of_service: Option<String>,
    /// What it is told to do, in a sentence.
    pub(crate) does: String,
    /// What it draws, in a sentence.
    pub(crate) draws: String,
    /// What limits it, in a sentence.
    pub(crate) held: Option<String>,
    /// When that may change, in a sentence.
    pub(crate) may_change: Option<String>,
    /// What the home file allows it.
    pub(crate) bounds: Vec<Bound>,
}

/// All loads, in turn.
pub(crate) fn all(home: &Home, facts: &Facts, now: WallTime) -> Vec<LoadNow> {
    home.loads_by_turn().into_iter().map(|id| one(home, facts, id, now)).collect()
}

/// One load.
pub(crate) fn one(home: &Home, facts: &Facts, id: LoadId, now: WallTime) -> LoadNow {
    let load = home.load(id);
    let report = facts.loads.get(usize::from(id.0)).and_then(|l| l.report.as_ref());
    let told = Told { home, facts, load, now };
    LoadNow {
        id: load.id.clone(),
        name: load.name.clone(),
        kind: kind_word(&load.kind),
        at: report.and_then(|r| r.at).map(WallTime::to_rfc3339),
        on: report.map(|r| r.on),
        setpoint_w: report.map(|r| r.setpoint_w),
        setpoint_a: report.and_then(|r| r.setpoint_a),
        draw_w: report.and_then(|r| r.draw_w),
        draw_source: report.map(|r| source_word(r.draw_source)),
        rule: report.and_then(|r| r.rule.clone()),
        reason: report.map(|r| r.reason.clone()),
        limited_by: report.and_then(|r| r.limited_by).map(Limit::word),
        waits_until: report.and_then(|r| r.waits_until).map(WallTime::to_rfc3339),
        override_until: report.and_then(|r| r.override_until).map(WallTime::to_rfc3339),
        out_of_service: report.and_then(|r| r.out_of_service.clone()),
        does: report.map_or("Nothing has been decided yet.".to_owned(), |r| told.does(r)),
        draws: report.map_or(String::new(), |r| told.draws(r)),
        held: report.and_then(|r| told.held(r)),
        may_change: report.and_then(|r| told.may_change(r)),
        bounds: bounds(home, load),
    }
}

fn kind_word(kind: &Kind) -> &'static str {
    match kind {
        Kind::ChargePoint { .. } => "charge-point",
        Kind::Modulated { .. } => "modulated",
        Kind::Switch { .. } => "switch",
    }
}

fn source_word(source: DrawSource) -> &'static str {
    match source {
        DrawSource::Meter => "meter",
        DrawSource::Estimate => "estimate",
    }
}

struct Told<'a> {
    home: &'a Home,
    facts: &'a Facts,
    load: &'a Load,
    now: WallTime,
}

impl Told<'_> {
    fn does(&self, report: &LoadReport) -> String {
        let told = crate::words::told(report, &self.load.kind);
        let why = match (&report.rule, report.reason.is_empty()) {
            (_, true) => String::new(),
            (Some(rule), false) => format!(": {} (rule {rule})", report.reason),
            (None, false) => format!(": {}", report.reason),
        };
        sentence(&format!("{told}{why}"))
    }

    fn draws(&self, report: &LoadReport) -> String {
        match (report.draw_w, report.draw_source) {
            (None, _) => "What it draws is not known.".to_owned(),
            (Some(w), DrawSource::Meter) => format!("It draws {}, by its own meter.", watts(w)),
            (Some(w), DrawSource::Estimate) => {
                format!("It draws about {}, estimated by the grid's answer to its steps.", watts(w))
            }
        }
    }

    fn held(&self, report: &LoadReport) -> Option<String> {
        let load = self.load;
        Some(match report.limited_by? {
            // The reason says that it takes no more than is spare.
            Limit::Spare if report.on => return None,
            Limit::Spare => "Not enough power is spare for it.".to_owned(),
            Limit::StartWait => {
                format!("Enough is spare; it starts once that has lasted {}.", load.start_after)
            }
            Limit::Turn => "Loads whose turn comes first take what is spare.".to_owned(),
            Limit::MinOff => format!("After each run it rests for at least {}.", load.min_off),
            Limit::MinOn => format!("Once on, it stays on for at least {}.", load.min_on),
            Limit::Supply => {
                format!("The supply's rating of {} A holds it down.", self.home.supply.rating_a)
            }
            Limit::Circuit => match load.circuit.map(|id| self.home.circuit(id)) {
                Some(circuit) => {
                    format!("The rating of circuit {} ({} A) holds it down.", circuit.id, circuit.rating_a)
                }
                None => "Its circuit's rating holds it down.".to_owned(),
            },
            Limit::Stale => "A reading that it depends on is missing or too old, so it has its fallback.".to_owned(),
            Limit::Rule => "Its rule failed or is suspended, so it has its fallback.".to_owned(),
            Limit::TakesNothing => "It took nothing although it might: it is full, or switched off at itself.".to_owned(),
            Limit::NoAnswer => {
                "The grid reading did not follow when it was switched. Is it counted by that clamp, and does the clamp \
                 sit the right way round?"
                    .to_owned()
            }
            Limit::Island => "A backup supply feeds the home; nothing is started by itself then.".to_owned(),
            Limit::Clock => "The clock of this computer is not set yet.".to_owned(),
            Limit::Restart => "After power came back loads start one after another.".to_owned(),
            Limit::TooHot => "It is hot enough, or its temperature is not known.".to_owned(),
            Limit::NotReady => "Nothing is plugged in, or it is not ready to take power.".to_owned(),
            Limit::OutOfService => "It is out of service.".to_owned(),
            Limit::Watching => "This instance only watches: another commands this home, or it has only just started and \
                                listens whether one does."
                .to_owned(),
            Limit::Yielded => "Somebody moved it otherwise, and it is left to them for a while.".to_owned(),
        })
    }

    /// A time only where the controller tells one; else what it waits for.
    fn may_change(&self, report: &LoadReport) -> Option<String> {
        if report.out_of_service.is_some() {
            return Some("This stays so until a named person puts it back into service.".to_owned());
        }
        let Some(end) = report.override_until else { return self.waits_for(report) };
        let ends = format!("The override ends at {}; then the rules decide again.", self.time(end));
        Some(match self.waits_for(report) {
            Some(wait) => format!("{wait} {ends}"),
            None => ends,
        })
    }

    fn waits_for(&self, report: &LoadReport) -> Option<String> {
        let until = report.waits_until.map(|until| self.time(until));
        Some(match (report.limited_by?, until) {
            (Limit::StartWait, Some(time)) => format!("It starts about {time} if the sun holds."),
            (Limit::MinOff, Some(time)) => format!("It may start again from {time}."),
            (Limit::MinOn, Some(time)) => format!("It stays on until {time} at least."),
            (Limit::TakesNothing | Limit::NoAnswer, Some(time)) => format!("It is tried again about {time}."),
            (_, Some(time)) => format!("This may change from {time}."),
            (Limit::Spare, None) if !report.on => self.needs(report),
            (Limit::Turn, None) => "It waits until those leave enough over.".to_owned(),
            (Limit::Stale, None) => "It waits for a fresh reading.".to_owned(),
            (Limit::Rule, None) => "It waits until the rule is mended.".to_owned(),
            (Limit::Supply | Limit::Circuit, None) => {
                "It waits until the current has been lower for a minute.".to_owned()
            }
            (Limit::Island, None) => "It waits until the grid is back.".to_owned(),
            (Limit::Clock, None) => "It waits until the clock is set.".to_owned(),
            (Limit::TooHot, None) => "It waits until it has cooled down.".to_owned(),
            (Limit::NotReady, None) => "It waits until something is plugged in and ready.".to_owned(),
            _ => return None,
        })
    }

    /// What must be spare before it starts.
    fn needs(&self, report: &LoadReport) -> String {
        let floor_w = self.load.floor_w(self.home.supply.volts).max(MODULATED_GRAIN_W);
        let terms = report.rule.as_ref().and_then(|rule| {
            let asked = &self.facts.rules.get(rule)?.requests;
            asked.iter().find(|a| a.load == report.load).map(|a| a.request)
        });
        let (least_w, from_grid_w, keep_w) = match terms {
            Some(Request::TakeSpare(t)) => {
                (t.at_least_w.unwrap_or(0.0).max(floor_w), t.grid_up_to_w, t.keep_w)
            }
            _ => (floor_w, 0.0, 0.0),
        };
        let needed_w = (least_w - from_grid_w).max(0.0) + keep_w;
        let lasting = match self.load.start_after {
            Span::ZERO => String::new(),
            after => format!(" for {after}"),
        };
        format!("It waits until {} are spare{lasting}, when its turn comes.", watts(needed_w))
    }

    fn time(&self, at: WallTime) -> String {
        speech::time(at, self.now, &self.home.timezone)
    }
}
