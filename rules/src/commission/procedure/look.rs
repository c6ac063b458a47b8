//! What a page shows besides what is asked: how every point reads, and the way to any step.

use crate::home::PointId;
use crate::time::{Span, WallTime};

use super::super::Sample;
use super::{Procedure, Step};

/// A point as it reads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look<'a> {
    /// Which.
    pub point: PointId,
    /// Readings taken lately, the newest last.
    pub lately: &'a [Sample],
    /// Whether the newest is older than its home file allows, or there is none.
    pub is_old: bool,
    /// Why the last message was refused, where it was.
    pub refused: Option<&'a str>,
}

impl Procedure {
    /// How every point read within this time.
    pub fn looks(&self, lately: Span) -> impl Iterator<Item = Look<'_>> + '_ {
        let from = WallTime(self.world.now.0 - lately.0);
        (0..self.world.home.points.len()).map(move |i| {
            let point = PointId(i as u16);
            Look {
                point,
                lately: self.world.between(point, from, WallTime(i64::MAX)),
                is_old: self.world.fresh(point).is_none(),
                refused: self.world.refused.get(i).and_then(Option::as_deref),
            }
        })
    }

    /// Whether the daemon commands the loads; `None` while nothing is known.
    pub fn is_commanded(&self) -> Option<bool> {
        self.world.commander.map(|(_, up)| up)
    }

    /// The step at work, or the next; `None` at the end.
    pub fn step(&self) -> Option<&Step> {
        self.steps.get(self.at)
    }

    /// Leaves the step at work, and does this one next, even if it was good before or the work had ended; a step with a
    /// caution only after the cautions were acknowledged.
    ///
    /// # Errors
    /// When there is no such step: the ids that there are.
    pub fn turn_to(&mut self, now: WallTime, id: &str) -> Result<(), String> {
        self.world.now = self.world.now.max(now);
        let at = self.place(id)?;
        self.restart();
        (self.asked, self.stopped, self.only) = (false, false, None);
        self.at = self.guarded(at);
        self.anew = true;
        Ok(())
    }
}
