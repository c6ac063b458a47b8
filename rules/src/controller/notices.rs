//! Notices: each thing is told once, and again only after a while.

use std::collections::BTreeMap;

use super::Controller;
use crate::input::About;
use crate::output::{Notice, Output, Severity};
use crate::time::{Moment, Span};

/// The same thing is not told again before this.
const TELL_AGAIN: Span = Span::hours(1);

/// Kinds of things told of late are forgotten beyond this number, oldest name first.
const TOLD_AT_MOST: usize = 512;

/// When what was last told.
#[derive(Debug, Clone, Default)]
pub(super) struct Notices {
    told: BTreeMap<(&'static str, About), Moment>,
}

impl Notices {
    fn is_due(&mut self, code: &'static str, about: &About, now: Moment) -> bool {
        let key = (code, about.clone());
        if self.told.get(&key).is_some_and(|at| now - *at < TELL_AGAIN) {
            return false;
        }
        if self.told.len() >= TOLD_AT_MOST {
            self.told.pop_first();
        }
        self.told.insert(key, now);
        true
    }
}

impl Controller {
    /// Tells something that may come again and again; only once an hour.
    pub(super) fn tell(&mut self, severity: Severity, code: &'static str, about: About, text: String) {
        if self.notices.is_due(code, &about, self.now) {
            self.tell_now(severity, code, about, text);
        }
    }

    /// Tells something that happens once, or that answers a person.
    pub(super) fn tell_now(&mut self, severity: Severity, code: &'static str, about: About, text: String) {
        let at = self.clock.wall(self.now);
        self.give(Output::Notice(Notice { at, severity, code: code.to_owned(), text, about }));
    }
}
