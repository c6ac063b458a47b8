//! Two instances for one home: one commands, the other only watches.
//!
//! Each instance that commands publishes a retained sign of life. Whoever starts listens first; whoever hears another's
//! fresh sign watches, and takes over when it has been silent for a while. Between two that both command, the one that
//! began later gives way. Pure: time comes in, signs come in, the role comes out.

use overspill_rules::input::Role;
use overspill_rules::time::{Moment, Span, WallTime};
use serde::{Deserialize, Serialize};

/// How often a commanding instance gives its sign.
pub(super) const BEAT_EVERY: Span = Span::seconds(5);

/// Without a sign for this long the other is gone.
pub(super) const GONE_AFTER: Span = Span::seconds(20);

/// How long a starting instance listens before it commands.
pub(super) const LISTEN_FOR: Span = Span::seconds(2);

/// A sign of life, as published.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Beat {
    /// The instance: a random word, new at each start.
    pub id: String,
    /// When it began to command, by its wall clock.
    pub since: WallTime,
    /// When this sign was given, by its wall clock.
    pub at: WallTime,
}

/// Decides the role of this instance.
#[derive(Debug, Clone)]
pub struct Duty {
    id: String,
    began: WallTime,
    /// The end of the listening; `None` before the first connection.
    listens_until: Option<Moment>,
    listen_for: Span,
    other_heard: Option<Moment>,
    role: Role,
    last_beat: Option<Moment>,
}

impl Duty {
    /// An instance called `id` that begins at `began` and listens for `listen_for` before it commands.
    pub fn new(id: String, began: WallTime, listen_for: Span) -> Duty {
        Duty {
            id,
            began,
            listens_until: None,
            listen_for,
            other_heard: None,
            role: Role::Watch,
            last_beat: None,
        }
    }

    /// Connected and subscribed: from here on another's sign would be heard.
    pub fn subscribed(&mut self, now: Moment) {
        self.listens_until.get_or_insert(now + self.listen_for);
    }

    /// A sign was heard. A retained one counts only while its own time is fresh.
    pub fn heard(&mut self, now: Moment, wall: WallTime, beat: &Beat) {
        let age = wall - beat.at;
        if beat.id == self.id || age > GONE_AFTER {
            return;
        }
        let other_is_elder = (beat.since, &beat.id) < (self.began, &self.id);
        if self.role == Role::Watch || other_is_elder {
            self.other_heard = Some(now);
        }
    }

    /// The other said good-bye, or died.
    pub fn other_left(&mut self) {
        self.other_heard = None;
    }

    /// The role now.
    pub fn role(&mut self, now: Moment) -> Role {
        let listening = self.listens_until.is_none_or(|until| now < until);
        let other_lives = self.other_heard.is_some_and(|at| now - at < GONE_AFTER);
        self.role = if listening || other_lives { Role::Watch } else { Role::Command };
        self.role
    }

    /// Whether another instance has been heard of late.
    pub fn hears_another(&self, now: Moment) -> bool {
        self.other_heard.is_some_and(|at| now - at < GONE_AFTER)
    }

    /// The sign to give now, where one is due.
    pub fn beat(&mut self, now: Moment, wall: WallTime) -> Option<Beat> {
        let due = self.last_beat.is_none_or(|at| now - at >= BEAT_EVERY);
        if self.role != Role::Command || !due {
            return None;
        }
        self.last_beat = Some(now);
        Some(Beat { id: self.id.clone(), since: self.began, at: wall })
    }

    /// The next moment at which the role may change or a sign is due.
    pub fn next(&self, now: Moment) -> Moment {
        let ends = [
            self.listens_until,
            self.other_heard.map(|at| at + GONE_AFTER),
            self.last_beat.map(|at| at + BEAT_EVERY),
        ];
        ends.into_iter().flatten().filter(|at| *at > now).min().unwrap_or(now + BEAT_EVERY)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    fn at(seconds: i64) -> (Moment, WallTime) {
        (Moment(seconds * 1000), WallTime(1_000_000 + seconds * 1000))
    }

    fn duty(id: &str, began_s: i64) -> Duty {
        Duty::new(id.to_owned(), at(began_s).1, LISTEN_FOR)
    }

    #[test]
    fn alone_it_listens_and_then_commands() {
        let mut duty = duty("a", 0);
        assert_eq!(duty.role(at(60).0), Role::Watch, "not before it could hear another");
        duty.subscribed(at(60).0);
        assert_eq!(duty.role(at(61).0), Role::Watch);
        assert_eq!(duty.role(at(62).0), Role::Command);
    }

    #[test]
    fn the_second_watches_and_takes_over_when_the_first_falls_silent() {
        let (mut first, mut second) = (duty("a", 0), duty("b", 100));
        first.subscribed(at(0).0);
        assert_eq!(first.role(at(10).0), Role::Command);
        second.subscribed(at(100).0);
        for s in (100..200).step_by(5) {
            let (now, wall) = at(s);
            assert_eq!(first.role(now), Role::Command);
            let beat = first.beat(now, wall).unwrap();
            second.heard(now, wall, &beat);
            assert_eq!(second.role(now), Role::Watch);
        }
        assert_eq!(second.role(at(210).0), Role::Watch);
        assert_eq!(second.role(at(216).0), Role::Command);
    }

    #[test]
    fn of_two_that_command_the_later_gives_way() {
        let (mut elder, mut younger) = (duty("z", 0), duty("a", 50));
        for duty in [&mut elder, &mut younger] {
            duty.subscribed(at(50).0);
            assert_eq!(duty.role(at(60).0), Role::Command);
        }
        let (now, wall) = at(60);
        let (from_elder, from_younger) = (elder.beat(now, wall).unwrap(), younger.beat(now, wall).unwrap());
        elder.heard(now, wall, &from_younger);
        younger.heard(now, wall, &from_elder);
        assert_eq!((elder.role(at(61).0), younger.role(at(61).0)), (Role::Command, Role::Watch));
    }

    #[test]
    fn an_old_retained_sign_counts_for_nothing() {
        let mut duty = duty("b", 1000);
        duty.subscribed(at(1000).0);
        let old = Beat { id: "a".to_owned(), since: at(0).1, at: at(900).1 };
        duty.heard(at(1000).0, at(1000).1, &old);
        assert_eq!(duty.role(at(1003).0), Role::Command);
    }
}
