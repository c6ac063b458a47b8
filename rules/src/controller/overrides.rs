//! What people want of loads: taken or refused, and always ended.

use std::collections::VecDeque;

use super::Controller;
use super::clock::Clock;
use crate::home::Load;
use crate::input::{About, Amount, End, OverrideRequest, Want};
use crate::limits;
use crate::output::{HeldOverride, Output, Record, Severity};
use crate::time::{Moment, WallTime};

/// The overrides that hold, and the ids already taken.
#[derive(Debug, Clone)]
pub(super) struct Overrides {
    slots: Vec<Option<Slot>>,
    ids: VecDeque<String>,
}

#[derive(Debug, Clone)]
struct Slot {
    held: HeldOverride,
    /// When it ends; `None` for one from before a restart, until the wall clock is known.
    ends: Option<Moment>,
}

impl Overrides {
    pub(super) fn new(loads: usize) -> Overrides {
        Overrides { slots: vec![None; loads], ids: VecDeque::new() }
    }

    pub(super) fn restore(&mut self, i: usize, held: HeldOverride) {
        self.slots[i] = Some(Slot { held, ends: None });
    }

    pub(super) fn restore_ids(&mut self, ids: Vec<String>) {
        self.ids = ids.into();
    }

    pub(super) fn ids(&self, most: usize) -> Vec<String> {
        self.ids.iter().rev().take(most).rev().cloned().collect()
    }

    /// The wall clock is believed: overrides from before a restart get their end.
    pub(super) fn place(&mut self, now: Moment, clock: &Clock) {
        for slot in self.slots.iter_mut().flatten().filter(|s| s.ends.is_none()) {
            let latest = now + limits::OVERRIDE_LONGEST;
            slot.ends = Some(clock.moment(slot.held.until).unwrap_or(now).min(latest));
        }
    }

    /// The override that holds for load `i`. One from before a restart waits for the wall clock.
    pub(super) fn held(&self, i: usize) -> Option<&HeldOverride> {
        self.slots[i].as_ref().map(|s| &s.held)
    }

    pub(super) fn active(&self, i: usize) -> Option<&HeldOverride> {
        self.slots[i].as_ref().filter(|s| s.ends.is_some()).map(|s| &s.held)
    }

    pub(super) fn next_end(&self) -> Option<Moment> {
        self.slots.iter().flatten().filter_map(|s| s.ends).min()
    }

    fn ended(&mut self, now: Moment) -> Vec<usize> {
        let over = |s: &Slot| s.ends.is_some_and(|end| now >= end);
        let ended: Vec<usize> =
            (0..self.slots.len()).filter(|i| self.slots[*i].as_ref().is_some_and(over)).collect();
        ended.iter().for_each(|i| self.slots[*i] = None);
        ended
    }

    fn remember_id(&mut self, id: String) {
        if self.ids.len() == limits::OVERRIDE_IDS {
            self.ids.pop_front();
        }
        self.ids.push_back(id);
    }
}

impl Controller {
    pub(super) fn take_override(&mut self, request: OverrideRequest) {
        let i = usize::from(request.load.0);
        let Some(load) = self.home.loads.get(i) else { return };
        let name = load.name.clone();
        match self.checked(load, &request) {
            Ok(slot) => {
                if let Some(id) = request.id {
                    self.overrides.remember_id(id.clone());
                    self.give(Output::Record(Record::OverrideId(id)));
                }
                let held = slot.as_ref().map(|s| s.held.clone());
                self.overrides.slots[i] = slot;
                self.give(Output::Record(Record::Override { load: request.load, held }));
            }
            Err(why) => {
                let text = format!("{name}: the override was refused: {why}");
                self.tell_now(Severity::Warning, "override_refused", About::Load(request.load), text);
            }
        }
    }

    /// The override to hold; `None` where the rules shall decide again.
    fn checked(&self, load: &Load, request: &OverrideRequest) -> Result<Option<Slot>, String> {
        if request.retained {
            return Err(
                "it was a retained message, so nobody knows when it was meant; send it without retain".into(),
            );
        }
        if let Some(id) = &request.id
            && self.overrides.ids.contains(id)
        {
            return Err(format!("the id `{id}` was used before"));
        }
        let on = match request.want {
            Want::Auto => return Ok(None),
            Want::On => true,
            Want::Off => false,
        };
        let watts = request.amount.map(|a| self.amount_w(load, a)).transpose()?;
        let ends = self.end_of(request.end)?;
        let until = self.clock.wall(ends).unwrap_or(WallTime(ends.0));
        let held = HeldOverride { on, watts: watts.filter(|_| on), until, by: request.by.clone() };
        Ok(Some(Slot { held, ends: Some(ends) }))
    }

    fn amount_w(&self, load: &Load, amount: Amount) -> Result<f64, String> {
        let volts = self.scene().volts_of(load);
        let (watts, text) = match amount {
            Amount::Watts(w) => (w, format!("{w} W")),
            Amount::Amps(_) if !load.is_charge_point() => {
                return Err("amps are for charge points; give watts".into());
            }
            Amount::Amps(a) => (a * load.watts_per_amp(volts), format!("{a} A")),
        };
        let ceiling = load.ceiling_w(volts);
        // Half a step of grace: the volts move, and 32 A stay 32 A.
        if !watts.is_finite() || watts < 0.0 || watts > ceiling * 1.001 {
            return Err(format!("{text} is above its ceiling, or no amount; at most {ceiling:.0} W"));
        }
        let least = load.floor_w(volts).max(limits::MODULATED_GRAIN_W);
        if watts < least * 0.999 {
            return Err(format!("{text} is below its floor of {least:.0} W; to stop it ask for \"off\""));
        }
        // A charge point keeps whole amps, whatever the volts do later: they are written down at nominal volts.
        let amps = (watts / load.watts_per_amp(volts) + 1e-6).floor();
        let nominal_w = amps * load.watts_per_amp(self.home.supply.volts);
        Ok(if load.is_charge_point() { nominal_w } else { watts })
    }

    fn end_of(&self, end: Option<End>) -> Result<Moment, String> {
        let ends = match end.unwrap_or(End::For(limits::OVERRIDE_DEFAULT)) {
            End::For(span) => self.now + span,
            End::Until(wall) => self
                .clock
                .moment(wall)
                .ok_or("the clock is not set yet, so a time of day can't be used; say \"for\"")?,
        };
        if ends <= self.now {
            return Err("its end is already past".into());
        }
        if ends - self.now > limits::OVERRIDE_LONGEST {
            return Err("it would last longer than 24 h".into());
        }
        Ok(ends)
    }

    pub(super) fn end_overrides(&mut self) {
        for i in self.overrides.ended(self.now) {
            let load = self.states[i].id;
            self.give(Output::Record(Record::Override { load, held: None }));
        }
    }
}
