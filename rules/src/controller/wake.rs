//! When the controller next wants to be woken.

use super::Controller;
use crate::limits;
use crate::time::{Moment, Span};

impl Controller {
    /// The next moment at which something may change by the passing of time alone.
    pub(super) fn next_wake(&self) -> Moment {
        let mut due = self.due.clone();
        due.push(self.now + limits::DECIDE_EVERY);
        due.extend(self.overrides.next_end());
        due.extend(self.settings.next_end());
        due.extend(self.clock.until_next(self.now, Span::minutes(5)));
        due.extend(self.stale_moments());
        due.extend(self.states.iter().filter_map(|s| s.yields_until));
        due.extend(self.restart_until);
        due.into_iter().filter(|at| *at > self.now).min().unwrap_or(self.now + limits::DECIDE_EVERY)
    }

    /// The fallback comes at exactly the moment at which a reading goes stale.
    fn stale_moments(&self) -> impl Iterator<Item = Moment> + '_ {
        let points = self.home.points.iter().zip(&self.meters).filter_map(|(p, m)| m.stale_at(p));
        let inputs = self.home.inputs.iter().zip(&self.inputs).filter_map(|(i, s)| s.stale_at(i.stale_after));
        points.chain(inputs)
    }
}
