//! What is given out about the balance and the loads.

use super::Controller;
use super::intents::Meant;
use super::words;
use crate::balance::Reported;
use crate::home::SettingValue;
use crate::input::About;
use crate::output::{BalanceReport, Decision, DrawSource, Limit, LoadReport, Output, Record, Seen};
use crate::script::BALANCE_NAMES;
use crate::sharing::{Allotment, Intent};

/// What makes a decision another one: request, winner, limiter, on or off. Words and watts alone do not.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct DecisionKey {
    on: bool,
    rule: Option<String>,
    asks: &'static str,
    limit: Option<Limit>,
}

impl Controller {
    /// What is known of the balance now.
    pub(super) fn known_balance(&self) -> Reported {
        self.parts.report(&self.home, &self.meters, self.now, self.shares.as_ref())
    }

    pub(super) fn report_balance(&mut self, known: &Reported) {
        if std::mem::take(&mut self.new_balance) {
            let at = known.oldest.and_then(|t| self.clock.wall(t));
            let flows = known.report.total.grid_w.map(|_| self.flows.clone());
            self.give(Output::Balance(BalanceReport { at, flows, ..known.report.clone() }));
        }
    }

    pub(super) fn report_load(&mut self, i: usize, meant: &Meant, got: &Allotment) {
        let (load, state) = (&self.home.loads[i], &self.states[i]);
        let limit = meant.limit.or(got.limit);
        let held = self.overrides.active(i);
        let report = LoadReport {
            load: state.id,
            at: self.clock.wall(self.now),
            on: state.on,
            setpoint_w: state.setpoint_w,
            setpoint_a: load.is_charge_point().then_some(state.setpoint_a),
            draw_w: self.draw_known(i),
            draw_source: if self.meter_of[i].is_some() { DrawSource::Meter } else { DrawSource::Estimate },
            rule: meant.rule.clone(),
            reason: words::reason(&meant.reason, limit, state.on),
            limited_by: limit,
            waits_until: limit.filter(|l| l.is_a_wait()).and(got.wake).and_then(|at| self.clock.wall(at)),
            override_until: held.map(|h| h.until),
            out_of_service: self.out_of_service[i].clone(),
        };
        let asks = words::asks(&meant.intent, meant.request.as_ref());
        let same = |told: &DecisionKey| {
            told.on == state.on && told.rule == meant.rule && told.asks == asks && told.limit == limit
        };
        if !self.told[i].decision.as_ref().is_some_and(same) {
            self.told[i].decision = Some(DecisionKey { on: state.on, rule: meant.rule.clone(), asks, limit });
            let decision = self.decision(i, meant, &report);
            self.give(Output::Record(Record::Decision(Box::new(decision))));
        }
        if !self.told[i].report.as_ref().is_some_and(|told| report.same_but_when(told)) {
            self.told[i].report = Some(report.clone());
            self.give(Output::Load(report));
        }
    }

    fn decision(&self, i: usize, meant: &Meant, report: &LoadReport) -> Decision {
        Decision {
            load: report.load,
            at: report.at,
            on: report.on,
            setpoint_w: report.setpoint_w,
            rule: report.rule.clone(),
            reason: report.reason.clone(),
            limited_by: report.limited_by,
            requests: self.asked_of(i),
            readings: self.seen(meant),
        }
    }

    /// The readings on which a decision rests: the grid's, spare power, and what the winning rule read.
    fn seen(&self, meant: &Meant) -> Vec<Seen> {
        let view = self.seen_balance();
        let reads = meant.rule.as_deref().and_then(|rule| self.reads_behind(rule));
        let spare = matches!(meant.intent, Intent::Spare(_));
        let wanted = |n: usize| {
            n == 0 || (spare && BALANCE_NAMES[n] == "spare_w") || reads.is_some_and(|r| r.balance[n])
        };
        let mut seen: Vec<Seen> =
            view.into_iter().enumerate().filter(|(n, _)| wanted(*n)).map(|(_, s)| s).collect();
        let Some(reads) = reads else { return seen };
        for id in &reads.points {
            let (point, meter) = (self.home.point(*id), &self.meters[usize::from(id.0)]);
            let value = meter.power(self.now, point).map(|(_, w)| w);
            let age = meter.newest().map(|(own, _)| self.now - own);
            seen.push(Seen { name: point.id.clone(), value, age });
        }
        for id in &reads.settings {
            let value = match self.settings.value(&self.home, *id) {
                SettingValue::Number(number) => Some(*number),
                SettingValue::Flag(flag) => Some(f64::from(u8::from(*flag))),
                // A decision's chain is of numbers; the journal has what the person said.
                SettingValue::Text(_) => continue,
            };
            seen.push(Seen { name: self.home.setting(*id).id.clone(), value, age: None });
        }
        for id in &reads.inputs {
            let described = self.home.input(*id);
            let known = self.inputs[usize::from(id.0)].known(self.now, described.stale_after);
            seen.push(Seen { name: described.id.clone(), value: known.value, age: known.age });
        }
        seen
    }

    fn seen_balance(&self) -> Vec<Seen> {
        let values = self.known_balance().report.total;
        let age = self.parts.grid_group().age(self.now, &self.meters);
        let values = [
            values.grid_w,
            values.solar_w,
            values.battery_w,
            values.house_w,
            values.import_w,
            values.export_w,
            values.loads_w,
            values.base_w,
            values.spare_w,
        ];
        let named = BALANCE_NAMES.iter().zip(values);
        named.map(|(name, value)| Seen { name: (*name).to_owned(), value, age }).collect()
    }

    /// What something is called, in words.
    pub(super) fn name_of(&self, about: &About) -> String {
        match about {
            About::Point(id) => format!("point {}", self.home.point(*id).id),
            About::Input(id) => format!("input {}", self.home.input(*id).id),
            About::Load(id) => self.home.load(*id).name.clone(),
            About::Setting(id) => self.home.setting(*id).name.clone(),
            About::Rule(name) => format!("rule {name}"),
            About::Home => "the home".to_owned(),
        }
    }
}
