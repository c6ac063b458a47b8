//! The beginning: what is known again after a restart.

use super::Controller;
use crate::home::LoadId;
use crate::kept::Kept;
use crate::limits;
use crate::loads::Learnt;
use crate::time::{Span, WallTime};

/// Loads start one after another for this long after power or the program returned.
const RESTART_LASTS: Span = Span::minutes(10);

impl Controller {
    pub(super) fn remember(&mut self, kept: Kept) {
        for i in 0..self.states.len() {
            let id = self.home.loads[i].id.clone();
            if let Some(ratio) = kept.ratios.get(&id) {
                self.states[i].learnt = Learnt::kept(*ratio);
            }
            self.out_of_service[i] = kept.out_of_service.get(&id).cloned();
            if let Some(log) = kept.logs.get(&id) {
                self.accounts.restore_log(LoadId(i as u16), log.clone());
            }
            if let Some(held) = kept.overrides.get(&id) {
                self.overrides.restore(i, held.clone());
            }
            self.states[i].was_off_since = kept.off_since.get(&id).copied();
            self.states[i].was_left_on = kept.left_on.contains(&id);
        }
        for (i, setting) in self.home.settings.iter().enumerate() {
            if let Some(held) = kept.settings.get(&setting.id) {
                self.settings.restore(i, setting, held.clone());
            }
        }
        self.overrides.restore_ids(kept.override_ids);
        self.rules.remember(kept.memory);
    }

    /// The first input has come: time begins.
    pub(super) fn begin(&mut self) {
        self.begin_restart();
        for state in &mut self.states {
            // A load that was on when the program ended is switched off by this start. One that went off earlier may
            // have done so only just now, until the wall clock tells.
            let may_be_just_off = state.was_left_on || state.was_off_since.is_some();
            state.off_since = may_be_just_off.then_some(self.now);
        }
    }

    /// Power has returned: loads start one after another.
    pub(super) fn begin_restart(&mut self) {
        self.restart_until = (self.home.restart_gap > Span::ZERO).then_some(self.now + RESTART_LASTS);
    }

    /// The wall clock is known: what was kept by wall time gets its place on the monotonic time line.
    pub(super) fn place_kept_times(&mut self) {
        let (now, clock) = (self.now, self.clock);
        for state in &mut self.states {
            let Some(wall) = state.was_off_since.take() else { continue };
            let off = clock.moment(wall).unwrap_or(now).min(now);
            let off = off.max(now - Span::hours(24 * 365));
            let off_in_this_run = state.was_left_on || state.on_since.is_some();
            let known = state.off_since.filter(|_| off_in_this_run);
            state.off_since = Some(known.map_or(off, |known| known.max(off)));
        }
    }

    /// What must be known again after a restart.
    pub fn kept(&self) -> Kept {
        let mut kept = Kept { memory: self.rules.kept_memory(), ..Kept::default() };
        for (i, state) in self.states.iter().enumerate() {
            let id = self.home.loads[i].id.clone();
            kept.ratios.insert(id.clone(), state.learnt.ratio);
            if let Some(by) = &self.out_of_service[i] {
                kept.out_of_service.insert(id.clone(), by.clone());
            }
            if let Some(held) = self.overrides.held(i) {
                kept.overrides.insert(id.clone(), held.clone());
            }
            let off_at = state.off_since.map(|at| self.clock.believed_wall(at));
            if let Some(Some(wall)) = off_at {
                kept.off_since.insert(id.clone(), WallTime(wall.0));
            }
            // Where nobody can say when it went off, it rests from the next start on.
            if state.on || off_at == Some(None) {
                kept.left_on.insert(id.clone());
            }
            kept.logs.insert(id, self.accounts.log(LoadId(i as u16)));
        }
        for (i, setting) in self.home.settings.iter().enumerate() {
            if let Some(held) = self.settings.held(i) {
                kept.settings.insert(setting.id.clone(), held.clone());
            }
        }
        kept.override_ids = self.overrides.ids(limits::OVERRIDE_IDS);
        kept
    }
}
