//! What people make of the home's settings: taken or refused, and returned to the default in time.

use super::Controller;
use super::clock::Clock;
use crate::home::{Home, Setting, SettingId, SettingValue};
use crate::input::{About, End, SettingRequest};
use crate::limits;
use crate::output::{HeldSetting, Output, Record, SettingReport, Severity};
use crate::time::{Moment, Span, WallTime};

/// What was made of each setting.
#[derive(Debug, Clone)]
pub(super) struct Settings {
    slots: Vec<Option<Slot>>,
    told: Vec<Option<SettingReport>>,
}

#[derive(Debug, Clone)]
struct Slot {
    held: HeldSetting,
    ends: Ends,
}

/// When a setting returns to its default.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ends {
    Never,
    At(Moment),
    /// It is from before a restart: the wall clock must be known first.
    WhenClockSays(WallTime),
}

impl Settings {
    pub(super) fn new(settings: usize) -> Settings {
        Settings { slots: vec![None; settings], told: vec![None; settings] }
    }

    /// Takes over what was kept; a value that the home file no longer allows is left out.
    pub(super) fn restore(&mut self, i: usize, setting: &Setting, held: HeldSetting) {
        if setting.check(&held.value).is_ok() {
            let ends = held.until.map_or(Ends::Never, Ends::WhenClockSays);
            self.slots[i] = Some(Slot { held, ends });
        }
    }

    /// The wall clock is believed: settings from before a restart get their end.
    pub(super) fn place(&mut self, now: Moment, clock: &Clock) {
        for slot in self.slots.iter_mut().flatten() {
            if let Ends::WhenClockSays(wall) = slot.ends {
                slot.ends = Ends::At(clock.moment(wall).unwrap_or(now));
            }
        }
    }

    pub(super) fn held(&self, i: usize) -> Option<&HeldSetting> {
        self.slots[i].as_ref().map(|s| &s.held)
    }

    /// What every setting is now, in the home's order.
    pub(super) fn values(&self, home: &Home) -> Vec<SettingValue> {
        let held = self.slots.iter().map(|s| s.as_ref().map(|s| &s.held.value));
        home.settings.iter().zip(held).map(|(s, held)| held.unwrap_or(&s.default).clone()).collect()
    }

    /// What one setting is now.
    pub(super) fn value<'a>(&'a self, home: &'a Home, id: SettingId) -> &'a SettingValue {
        self.held(usize::from(id.0)).map_or(&home.setting(id).default, |h| &h.value)
    }

    pub(super) fn next_end(&self) -> Option<Moment> {
        let ends = self.slots.iter().flatten().filter_map(|s| match s.ends {
            Ends::At(at) => Some(at),
            Ends::Never | Ends::WhenClockSays(_) => None,
        });
        ends.min()
    }

    fn ended(&mut self, now: Moment) -> Vec<usize> {
        let over = |s: &Slot| matches!(s.ends, Ends::At(end) if now >= end);
        let ended: Vec<usize> =
            (0..self.slots.len()).filter(|i| self.slots[*i].as_ref().is_some_and(over)).collect();
        ended.iter().for_each(|i| self.slots[*i] = None);
        ended
    }
}

impl Controller {
    pub(super) fn take_setting(&mut self, request: SettingRequest) {
        let id = request.setting;
        let Some(setting) = self.home.settings.get(usize::from(id.0)) else { return };
        let (name, takes) = (setting.name.clone(), setting.takes.to_string());
        match self.checked_setting(setting, &request) {
            Ok(slot) => {
                let held = slot.as_ref().map(|s| s.held.clone());
                self.settings.slots[usize::from(id.0)] = slot;
                self.give(Output::Record(Record::Setting { setting: id, held }));
            }
            Err(why) => {
                // A value of another kind says itself what is taken.
                let more = if why.contains(&takes) { String::new() } else { format!(". It takes {takes}") };
                let text = format!("{name}: the setting was not changed: {why}{more}");
                self.tell_now(Severity::Warning, "setting_refused", About::Setting(id), text);
            }
        }
    }

    /// What to hold; `None` where the setting returns to its default.
    fn checked_setting(&self, setting: &Setting, request: &SettingRequest) -> Result<Option<Slot>, String> {
        if request.retained {
            return Err(
                "it was a retained message, so nobody knows when it was meant; send it without retain".into(),
            );
        }
        let Some(value) = &request.value else { return Ok(None) };
        setting.check(value)?;
        let ends = self.setting_end(request.end.or(setting.expires_after.map(End::For)))?;
        let until = ends.map(|at| self.clock.wall(at).unwrap_or(WallTime(at.0)));
        let held = HeldSetting { value: value.clone(), until, by: request.by.clone() };
        Ok(Some(Slot { held, ends: ends.map_or(Ends::Never, Ends::At) }))
    }

    fn setting_end(&self, end: Option<End>) -> Result<Option<Moment>, String> {
        let ends = match end {
            None => return Ok(None),
            Some(End::For(span)) => self.now + span,
            Some(End::Until(wall)) => self
                .clock
                .moment(wall)
                .ok_or("the clock is not set yet, so a time of day can't be used; say \"for\"")?,
        };
        if ends - self.now <= Span::ZERO {
            return Err("its end is already past".into());
        }
        if ends - self.now > limits::SETTING_LONGEST {
            return Err(format!("it would last longer than {}", limits::SETTING_LONGEST));
        }
        Ok(Some(ends))
    }

    /// Settings whose time is over return to their default, and what changed is given out.
    pub(super) fn keep_settings(&mut self) {
        for i in self.settings.ended(self.now) {
            self.give(Output::Record(Record::Setting { setting: SettingId(i as u16), held: None }));
        }
        for i in 0..self.home.settings.len() {
            let report = self.setting_report(i);
            let told = self.settings.told[i].as_ref();
            if !told.is_some_and(|t| SettingReport { at: t.at, ..report.clone() } == *t) {
                self.settings.told[i] = Some(report.clone());
                self.give(Output::Setting(report));
            }
        }
    }

    fn setting_report(&self, i: usize) -> SettingReport {
        let (setting, held) = (&self.home.settings[i], self.settings.held(i));
        SettingReport {
            setting: SettingId(i as u16),
            at: self.clock.wall(self.now),
            value: held.map_or(&setting.default, |h| &h.value).clone(),
            default: setting.default.clone(),
            until: held.and_then(|h| h.until),
            by: held.and_then(|h| h.by.clone()),
        }
    }
}
