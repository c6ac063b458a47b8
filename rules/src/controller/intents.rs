//! From what rules and people ask to what is meant for each load, with the bounds that come before any sharing.

use super::Controller;
use super::rules::Said;
use crate::home::{Fallback, Load, LoadId};
use crate::input::Role;
use crate::output::{Asked, Limit};
use crate::request::Request;
use crate::script::Reads;
use crate::sharing::Intent;

/// What is meant for one load, and in whose words.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Meant {
    pub(super) intent: Intent,
    /// The rule whose request holds.
    pub(super) rule: Option<String>,
    pub(super) request: Option<Request>,
    pub(super) reason: String,
    /// What has already overruled the request.
    pub(super) limit: Option<Limit>,
}

/// Who wins for a load among rules and people, before bounds.
struct Winner {
    meant: Meant,
    /// Nothing but the clock and the load itself was read: it may go on while the grid is unknown.
    reads_clock_only: bool,
    person: bool,
}

impl Controller {
    /// What is meant for every load.
    pub(super) fn meanings(&mut self) -> Vec<Meant> {
        let mut blind_left_a = self.home.blind_a.map(|a| [a; 3]);
        let order = self.order.clone();
        let mut meant: Vec<Option<Meant>> = vec![None; self.states.len()];
        for i in order {
            let winner = self.winner(i);
            meant[i] = Some(self.bounded(i, winner, &mut blind_left_a));
        }
        meant.into_iter().flatten().collect()
    }

    /// What every rule asks of load `i`, highest rank first.
    pub(super) fn asked_of(&self, i: usize) -> Vec<Asked> {
        let id = LoadId(i as u16);
        let mut all = Vec::new();
        for rule in self.rules.running() {
            if let Said::Asks { requests, .. } = &rule.said {
                let mine = requests.iter().filter(|(load, _, _)| *load == id);
                all.extend(mine.map(|(load, request, reason)| Asked {
                    rule: rule.name.clone(),
                    load: *load,
                    request: *request,
                    reason: reason.clone(),
                }));
            }
        }
        all
    }

    /// What the rule in force for load `i` has read.
    pub(super) fn reads_behind(&self, rule: &str) -> Option<&Reads> {
        self.rules.running().iter().find(|r| r.name == rule).and_then(|r| match &r.said {
            Said::Asks { reads, .. } => Some(reads),
            _ => None,
        })
    }

    fn winner(&self, i: usize) -> Winner {
        if let Some(held) = self.overrides.active(i) {
            return self.override_wins(i, held.on, held.watts, held.by.as_deref());
        }
        let id = LoadId(i as u16);
        for rule in self.rules.running().iter().filter(|r| r.loads.contains(&id)) {
            match &rule.said {
                Said::Asks { requests, reads } => {
                    if let Some((_, request, reason)) = requests.iter().find(|(load, _, _)| *load == id) {
                        let mut meant = self.requested(i, *request);
                        meant.rule = Some(rule.name.clone());
                        meant.reason.clone_from(reason);
                        return Winner { meant, reads_clock_only: clock_only(reads, id), person: false };
                    }
                }
                Said::Waits { why } => return self.falls_back(i, &rule.name, why.clone(), Limit::Stale),
                Said::Fails { suspended, .. } => {
                    let what = if *suspended { "is suspended" } else { "failed" };
                    let why = format!("rule {} {what}", rule.name);
                    return self.falls_back(i, &rule.name, why, Limit::Rule);
                }
            }
        }
        let meant = Meant {
            intent: Intent::Off { person: false },
            rule: None,
            request: None,
            reason: "no rule asks for it".to_owned(),
            limit: None,
        };
        Winner { meant, reads_clock_only: false, person: false }
    }

    fn override_wins(&self, i: usize, on: bool, watts: Option<f64>, by: Option<&str>) -> Winner {
        let who = by.map_or_else(|| "by hand".to_owned(), |b| format!("by {b}"));
        let load = &self.home.loads[i];
        let volts = self.scene().volts_of(load);
        // The volts move: what was its floor when the person asked may be a little less than that now.
        let asked = watts.map_or(load.ceiling_w(volts), |w| self.at_volts_now(load, w));
        let watts = asked.max(load.floor_w(volts));
        let intent = match on {
            true => Intent::Fixed { watts, person: true },
            false => Intent::Off { person: true },
        };
        let word = if on { "on" } else { "off" };
        let meant = Meant {
            intent,
            rule: None,
            request: None,
            reason: format!("switched {word} {who}"),
            limit: None,
        };
        Winner { meant, reads_clock_only: false, person: true }
    }

    /// An override's amount at the volts of now: a charge point's is written down at nominal volts.
    fn at_volts_now(&self, load: &Load, watts: f64) -> f64 {
        let factor = self.scene().volts_of(load) / self.home.supply.volts;
        if load.is_charge_point() { watts * factor } else { watts }
    }

    fn falls_back(&self, i: usize, rule: &str, why: String, limit: Limit) -> Winner {
        let mut meant = self.fallback(i, why, limit);
        meant.rule = Some(rule.to_owned());
        Winner { meant, reads_clock_only: false, person: false }
    }

    /// The load's fallback, and why.
    fn fallback(&self, i: usize, reason: String, limit: Limit) -> Meant {
        let load = &self.home.loads[i];
        let amount = match load.fallback {
            // Nothing switches on what is too hot, and what is switched off for it is not left to itself.
            _ if self.hinders(i, load).is_some() => Some(0.0),
            Fallback::Off => Some(0.0),
            Fallback::Watts { watts } => Some(watts),
            Fallback::Amps { amps } => Some(amps * load.watts_per_amp(self.scene().volts_of(load))),
            Fallback::Release => None,
        };
        Meant { intent: Intent::Fallback(amount), rule: None, request: None, reason, limit: Some(limit) }
    }

    fn requested(&self, i: usize, request: Request) -> Meant {
        let load = &self.home.loads[i];
        let volts = self.scene().volts_of(load);
        let fixed = |watts: f64| Intent::Fixed { watts, person: false };
        let intent = match request {
            Request::TakeSpare(terms) => Intent::Spare(terms),
            Request::Run => fixed(load.ceiling_w(volts)),
            Request::RunAtW(watts) => fixed(watts),
            Request::RunAtA(amps) => fixed(amps * load.watts_per_amp(volts)),
            Request::Stop => Intent::Off { person: false },
        };
        Meant { intent, rule: None, request: Some(request), reason: String::new(), limit: None }
    }

    /// Applies the bounds that do not depend on sharing: they can only lower or stop.
    fn bounded(&self, i: usize, winner: Winner, blind_left_a: &mut Option<[f64; 3]>) -> Meant {
        let load = &self.home.loads[i];
        let meant = winner.meant;
        if let Some(by) = &self.out_of_service[i] {
            return blocked(meant, format!("out of service, says {by}"), Limit::OutOfService);
        }
        if self.role == Role::Watch {
            return blocked(meant, "this instance only watches".to_owned(), Limit::Watching);
        }
        let off_by_person = winner.person && matches!(meant.intent, Intent::Off { .. });
        if self.stopping && !off_by_person {
            return Meant {
                rule: meant.rule,
                ..self.fallback(i, "the program ends".to_owned(), Limit::Stale)
            };
        }
        if self.states[i].yields_until.is_some_and(|until| self.now < until) {
            return Meant {
                intent: Intent::Fallback(None),
                reason: "somebody else runs it".to_owned(),
                limit: Some(Limit::Yielded),
                ..meant
            };
        }
        if off_by_person || matches!(meant.intent, Intent::Fallback(_)) {
            return meant;
        }
        if let Some(why) = self.grid_unknown() {
            if let Some(meant) = self.blind(i, &meant, winner.reads_clock_only, blind_left_a) {
                return meant;
            }
            let rule = meant.rule.clone();
            return Meant { rule, request: meant.request, ..self.fallback(i, why, Limit::Stale) };
        }
        if matches!(meant.intent, Intent::Off { .. }) {
            return meant;
        }
        if let Some((why, limit)) = self.hinders(i, load) {
            return blocked(meant, why, limit);
        }
        if matches!(meant.intent, Intent::Spare(_))
            && let Some((why, limit)) = self.no_spare_for(i)
        {
            return Meant {
                rule: meant.rule.clone(),
                request: meant.request,
                ..self.fallback(i, why, limit)
            };
        }
        meant
    }

    /// What is wrong with the load itself, so that it may not run.
    fn hinders(&self, i: usize, load: &Load) -> Option<(String, Limit)> {
        if self.states[i].not_ready() {
            let why = if self.states[i].plugged == Some(false) {
                "nothing is plugged in"
            } else {
                "it is not ready"
            };
            return Some((why.to_owned(), Limit::NotReady));
        }
        let hot = load.too_hot?;
        let input = self.home.input(hot.input);
        match self.inputs[usize::from(hot.input.0)].known(self.now, input.stale_after).value {
            Some(value) if value > hot.above => {
                Some((format!("{} is {value:.1}, above {}", input.id, hot.above), Limit::TooHot))
            }
            Some(_) => None,
            None => Some((format!("{} is not known", input.id), Limit::TooHot)),
        }
    }

    /// Why spare power can't be given to load `i`.
    fn no_spare_for(&self, i: usize) -> Option<(String, Limit)> {
        if self.spare_stopped {
            let why = "the grid reading moves the wrong way: the clamp seems to be reversed";
            return Some((why.to_owned(), Limit::NoAnswer));
        }
        if self.states[i].answer.stopped {
            let why = "the grid reading does not follow what it draws";
            return Some((why.to_owned(), Limit::NoAnswer));
        }
        let draws = self.draws();
        if !draws.counts(self.states[i].id) && !draws.is_metered(self.states[i].id) {
            let why = "no clamp counts it and it has no meter of its own";
            return Some((why.to_owned(), Limit::Spare));
        }
        if !draws.meter_is_fresh(self.states[i].id) {
            return Some(("its own meter is silent".to_owned(), Limit::Stale));
        }
        if self.shares.is_some_and(|s| s.spare.is_none()) {
            let battery = self.home.battery.is_some() || self.parts.battery.exists();
            let why = if battery { "the battery's power" } else { "a meter that sees export" };
            return Some((format!("spare power is not known without {why}"), Limit::Stale));
        }
        if self.parts.battery.exists()
            && self.parts.battery.value(self.now, &self.home, &self.meters).is_none()
        {
            return Some(("no battery reading".to_owned(), Limit::Stale));
        }
        None
    }

    /// Goes on under the home's blind ceiling, where the request read only the clock.
    fn blind(
        &self,
        i: usize,
        meant: &Meant,
        reads_clock_only: bool,
        left_a: &mut Option<[f64; 3]>,
    ) -> Option<Meant> {
        let Intent::Fixed { watts, person: false } = meant.intent else { return None };
        let left = left_a.as_mut().filter(|_| reads_clock_only)?;
        let load = &self.home.loads[i];
        if self.hinders(i, load).is_some() {
            return None;
        }
        let volts = self.scene().volts_of(load);
        let room_a = load.phase_indices().map(|p| left[p]).fold(f64::INFINITY, f64::min);
        let ratio = self.states[i].learnt.ratio.max(1.0);
        let fits = load.quantised(watts.min(room_a * load.watts_per_amp(volts) / ratio), volts);
        if fits <= 0.0 {
            return None;
        }
        load.phase_indices().for_each(|p| left[p] -= fits * ratio / load.watts_per_amp(volts));
        let limit = (fits < watts).then_some(Limit::Stale);
        Some(Meant { intent: Intent::Fixed { watts: fits, person: false }, limit, ..meant.clone() })
    }
}

fn blocked(meant: Meant, reason: String, limit: Limit) -> Meant {
    Meant { intent: Intent::Blocked, reason, limit: Some(limit), ..meant }
}

/// Whether a rule read nothing but the clock and the load for which it asks.
fn clock_only(reads: &Reads, load: LoadId) -> bool {
    let reads_balance = reads.balance.iter().any(|read| *read);
    !reads_balance
        && reads.points.is_empty()
        && reads.inputs.is_empty()
        && reads.loads.iter().all(|l| *l == load)
}
