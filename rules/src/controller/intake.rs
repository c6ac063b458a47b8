//! What each input changes before the next decision.

use std::sync::Arc;

use super::Controller;
use crate::home::{InputId, LoadId};
use crate::input::{About, Input, OtherReading, Reading, Role};
use crate::limits;
use crate::output::{Output, Record, Severity};
use crate::reading::{Arrival, Taken, implausible, own_time};
use crate::script::Known;
use crate::tariff::{Price, Side};
use crate::time::{Moment, Span};

/// The state of another input.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct InputState {
    value: Option<(Moment, f64)>,
    clock_told: bool,
}

impl InputState {
    /// Its value while fresh, with its age.
    pub(super) fn known(&self, now: Moment, stale_after: Span) -> Known {
        let Some((at, value)) = self.value else { return Known::NEVER };
        let age = now - at;
        Known { value: (age < stale_after).then_some(value), age: Some(age) }
    }

    /// When it goes stale, if nothing comes before.
    pub(super) fn stale_at(&self, stale_after: Span) -> Option<Moment> {
        self.value.map(|(at, _)| at + stale_after)
    }
}

impl Controller {
    pub(super) fn take(&mut self, input: Input) {
        match input {
            Input::Reading(reading) => self.take_reading(&reading),
            Input::Other(reading) => self.take_other(&reading),
            Input::LoadState { load, plugged, ready } => self.take_load_state(load, plugged, ready),
            Input::Unreadable { about, why, person } => self.take_unreadable(about, &why, person),
            Input::Override(request) => self.take_override(request),
            Input::Setting(request) => self.take_setting(request),
            Input::Prices { side, prices } => self.take_prices(side, &prices),
            Input::OutOfService { load, out, by } => self.take_out_of_service(load, out, by),
            Input::Rules(set) => self.take_rules(&set),
            Input::ClockSet { offset_ms, believed } => self.take_clock(offset_ms, believed),
            Input::Role(role) => self.take_role(role),
            Input::Island(island) => self.take_island(island),
            Input::Reconnected => self.states.iter_mut().for_each(|s| s.sent_at = None),
            Input::Stopping => self.stopping = true,
            Input::Wake => {}
        }
    }

    fn arrival(&self) -> Arrival {
        Arrival { now: self.now, wall: self.clock.believed_wall(self.now) }
    }

    fn take_reading(&mut self, reading: &Reading) {
        let i = usize::from(reading.point.0);
        if i >= self.meters.len() {
            return;
        }
        let (home, arrival) = (self.home.clone(), self.arrival());
        let point = &home.points[i];
        let (taken, clock_off) = self.meters[i].take(point, arrival, reading, home.supply.volts);
        if clock_off {
            self.tell_clock_off(About::Point(reading.point), &point.id);
        }
        match taken {
            Taken::Power => {
                let new_reading = self.parts.reported(reading.point, self.now, &home, &self.meters);
                self.new_reading |= new_reading;
                self.new_balance = true;
                self.account_for(reading.point);
            }
            Taken::Aside => self.account_for(reading.point),
            Taken::Refused(why) => {
                let refused = self.meters[i].refused;
                let text = format!("point {}: {why}; {refused} refused since the start", point.id);
                self.tell(Severity::Warning, "implausible", About::Point(reading.point), text);
            }
            Taken::Old => {}
        }
    }

    fn tell_clock_off(&mut self, about: About, id: &str) {
        let text = format!(
            "{id}: the time that its device gives is more than 5 minutes off; the time of arrival is used instead. \
             Set the device's clock, or leave out its time_pointer"
        );
        self.tell(Severity::Warning, "device_clock", about, text);
    }

    fn take_other(&mut self, reading: &OtherReading) {
        let i = usize::from(reading.input.0);
        let (Some(described), Some(state)) = (self.home.inputs.get(i), self.inputs.get(i).copied()) else {
            return;
        };
        let about = About::Input(InputId(i as u16));
        let (id, value) = (described.id.clone(), reading.value * described.scale);
        let refused = if value.is_finite() {
            implausible(described.plausible, value, described.unit.as_deref().unwrap_or(""))
        } else {
            Some("the value is not a finite number".to_owned())
        };
        if let Some(why) = refused {
            self.tell(Severity::Warning, "implausible", about, format!("input {id}: {why}"));
            return;
        }
        let (own, clock_off) = own_time(self.arrival(), reading.device_time, reading.retained, Span::ZERO);
        if clock_off && !state.clock_told {
            self.inputs[i].clock_told = true;
            self.tell_clock_off(about, &id);
        }
        if let Some(own) = own.filter(|own| state.value.is_none_or(|(t, _)| *own >= t)) {
            self.inputs[i].value = Some((own, value));
        }
    }

    fn take_load_state(&mut self, load: LoadId, plugged: Option<bool>, ready: Option<bool>) {
        if let Some(state) = self.states.get_mut(usize::from(load.0)) {
            state.plugged = plugged.or(state.plugged);
            state.ready = ready.or(state.ready);
        }
    }

    /// A device may go on for ever and is told of once an hour; a person gets an answer each time.
    fn take_unreadable(&mut self, about: About, why: &str, person: bool) {
        let text = format!("{}: {why}", self.name_of(&about));
        if person {
            self.tell_now(Severity::Warning, "unreadable", about, text);
        } else {
            self.tell(Severity::Warning, "unreadable", about, text);
        }
    }

    /// Nobody told when the other instance last switched a load: on taking over, all of them rest first.
    fn take_role(&mut self, role: Role) {
        let takes_over = self.role == Role::Watch && role == Role::Command;
        self.role = role;
        if takes_over {
            let now = self.now;
            self.states.iter_mut().filter(|s| !s.on).for_each(|s| s.off_since = Some(now));
        }
    }

    fn take_out_of_service(&mut self, load: LoadId, out: bool, by: String) {
        let i = usize::from(load.0);
        if i >= self.states.len() {
            return;
        }
        let name = self.home.loads[i].name.clone();
        if by.trim().is_empty() {
            let text = format!("{name}: a name is needed to take it out of service or put it back");
            self.tell_now(Severity::Warning, "out_of_service_refused", About::Load(load), text);
            return;
        }
        let text = if out {
            format!(
                "{name} was taken out of service by {by}: it is not switched on until a named person puts it back. \
                 This is no isolation: before work on it, isolate, lock off and prove dead"
            )
        } else {
            format!("{name} was put back into service by {by}")
        };
        self.out_of_service[i] = out.then_some(by.clone());
        self.give(Output::Record(Record::OutOfService { load, by: out.then_some(by) }));
        self.tell_now(Severity::Info, "out_of_service", About::Load(load), text);
    }

    fn take_prices(&mut self, side: Side, list: &[Price]) {
        let oldest = self.clock.believed_wall(self.now).map(|wall| wall + Span(-limits::PRICES_BACK.0));
        let series = Arc::make_mut(&mut self.prices).of_mut(side);
        series.take(list);
        if let Some(oldest) = oldest {
            series.forget_before(oldest);
        }
    }

    fn take_clock(&mut self, offset_ms: i64, believed: bool) {
        self.accounts.clock_is_set(self.clock.calendar(), offset_ms);
        self.clock.set(offset_ms, believed);
        if believed {
            self.place_kept_times();
            self.overrides.place(self.now, &self.clock);
            self.settings.place(self.now, &self.clock);
        }
    }

    fn take_island(&mut self, island: bool) {
        if self.island && !island {
            self.begin_restart();
        }
        self.island = island;
    }
}
