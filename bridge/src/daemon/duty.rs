//! Two instances for one home: one commands, the other only watches.
//!
//! Each instance that commands publishes a retained sign of life. Whoever starts listens first; whoever hears another's
//! sign watches, and takes over when it said good-bye or has been silent for a while. Between two that both command, the
//! one that began later gives way. Signs are never judged by wall clocks: those of two small computers may be years
//! apart. Pure: time comes in, signs come in, the role comes out.

use overspill_rules::input::Role;
use overspill_rules::time::{Moment, Span, WallTime};
use serde::{Deserialize, Serialize};

/// Without a sign for this long the other is gone.
pub(super) const GONE_AFTER: Span = Span::seconds(20);

/// Signs that fall into the time after which a silent instance is gone: lost ones must not end its duty.
const SIGNS_UNTIL_GONE: i64 = 4;

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
    gone_after: Span,
    /// Until when another instance is taken to live.
    other_until: Option<Moment>,
    role: Role,
    last_beat: Option<Moment>,
}

impl Duty {
    /// An instance called `id` that begins at `began` and listens for `listen_for` before it commands. Another one is
    /// gone when it was silent for `gone_after`, which must be the same for all instances of a home.
    pub fn new(id: String, began: WallTime, listen_for: Span, gone_after: Span) -> Duty {
        Duty {
            id,
            began,
            listens_until: None,
            listen_for,
            gone_after,
            other_until: None,
            role: Role::Watch,
            last_beat: None,
        }
    }

    /// Connected and subscribed: from here on another's sign would be heard.
    pub fn subscribed(&mut self, now: Moment) {
        self.listens_until.get_or_insert(now + self.listen_for);
    }

    /// A sign was heard. A retained one says only that there was an instance: the next sign tells whether it lives.
    pub fn heard(&mut self, now: Moment, beat: &Beat, retained: bool) {
        let other_is_elder = (beat.since, &beat.id) < (self.began, &self.id);
        if beat.id == self.id || (self.role == Role::Command && !other_is_elder) {
            return;
        }
        let until = now + if retained { self.next_sign_within() } else { self.gone_after };
        self.other_until = self.other_until.max(Some(until));
    }

    /// The other said good-bye.
    pub fn other_left(&mut self) {
        self.other_until = None;
    }

    /// Some instance died. It need not be the one that commands: that one's next sign tells.
    pub fn one_died(&mut self, now: Moment) {
        let until = now + self.next_sign_within();
        self.other_until = self.other_until.map(|at| at.min(until));
        // If it is this one that commands, others wait for its sign.
        self.last_beat = None;
    }

    /// The role now.
    pub fn role(&mut self, now: Moment) -> Role {
        let listening = self.listens_until.is_none_or(|until| now < until);
        let watches = listening || self.hears_another(now);
        self.role = if watches { Role::Watch } else { Role::Command };
        self.role
    }

    /// Whether another instance is taken to live.
    pub fn hears_another(&self, now: Moment) -> bool {
        self.other_until.is_some_and(|until| now < until)
    }

    /// The sign to give now, where one is due.
    pub fn beat(&mut self, now: Moment, wall: WallTime) -> Option<Beat> {
        let due = self.last_beat.is_none_or(|at| now - at >= self.beat_every());
        if self.role != Role::Command || !due {
            return None;
        }
        self.last_beat = Some(now);
        Some(Beat { id: self.id.clone(), since: self.began, at: wall })
    }

    /// The next moment at which the role may change or a sign is due; `now` where one is due already.
    pub fn next(&self, now: Moment) -> Moment {
        let sign = match (self.role, self.last_beat) {
            (Role::Watch, _) => None,
            (Role::Command, None) => Some(now),
            (Role::Command, Some(at)) => Some(now.max(at + self.beat_every())),
        };
        let changes = [self.listens_until, self.other_until].into_iter().flatten().filter(|at| *at > now);
        changes.chain(sign).min().unwrap_or(now + self.gone_after)
    }

    /// How often a commanding instance gives its sign.
    fn beat_every(&self) -> Span {
        Span(self.gone_after.0 / SIGNS_UNTIL_GONE)
    }

    /// One sign and some time for its way.
    fn next_sign_within(&self) -> Span {
        self.beat_every().times(1.5)
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
        Duty::new(id.to_owned(), at(began_s).1, LISTEN_FOR, GONE_AFTER)
    }

    /// The first commands, the second has heard it.
    fn first_and_second() -> (Duty, Duty) {
        let (mut first, mut second) = (duty("a", 0), duty("b", 100));
        first.subscribed(at(0).0);
        assert_eq!(first.role(at(10).0), Role::Command);
        second.subscribed(at(100).0);
        let (now, wall) = at(100);
        let beat = first.beat(now, wall).unwrap();
        second.heard(now, &beat, false);
        (first, second)
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
        let (mut first, mut second) = first_and_second();
        for s in (105..200).step_by(5) {
            let (now, wall) = at(s);
            assert_eq!(first.role(now), Role::Command);
            second.heard(now, &first.beat(now, wall).unwrap(), false);
            assert_eq!(second.role(now), Role::Watch);
        }
        assert_eq!(second.role(at(210).0), Role::Watch);
        assert_eq!(second.role(at(216).0), Role::Command);
    }

    #[test]
    fn a_sign_that_is_due_is_not_put_off_by_looking() {
        let mut duty = duty("a", 0);
        duty.subscribed(at(0).0);
        assert_eq!(duty.next(at(1).0), at(2).0, "the end of the listening");
        assert_eq!(duty.role(at(2).0), Role::Command);
        assert_eq!((duty.next(at(2).0), duty.next(at(3).0)), (at(2).0, at(3).0), "at once");
        duty.beat(at(3).0, at(3).1).unwrap();
        assert_eq!((duty.next(at(4).0), duty.next(at(9).0)), (at(8).0, at(9).0));
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
        elder.heard(now, &from_younger, false);
        younger.heard(now, &from_elder, false);
        assert_eq!((elder.role(at(61).0), younger.role(at(61).0)), (Role::Command, Role::Watch));
    }

    #[test]
    fn a_retained_sign_is_believed_until_the_next_should_have_come() {
        let mut duty = duty("b", 1000);
        duty.subscribed(at(1000).0);
        let kept = Beat { id: "a".to_owned(), since: at(0).1, at: at(900).1 };
        duty.heard(at(1000).0, &kept, true);
        assert_eq!(duty.role(at(1007).0), Role::Watch, "whatever its time: clocks differ");
        assert_eq!(duty.role(at(1008).0), Role::Command);
    }

    #[test]
    fn a_sign_counts_whatever_the_clocks_say() {
        let mut duty = duty("b", 1000);
        duty.subscribed(at(1000).0);
        let from_1970 = Beat { id: "a".to_owned(), since: WallTime(0), at: WallTime(0) };
        duty.heard(at(1001).0, &from_1970, false);
        assert_eq!(duty.role(at(1020).0), Role::Watch);
    }

    #[test]
    fn the_second_takes_over_at_once_after_a_good_bye_and_soon_after_a_death() {
        let (_, mut second) = first_and_second();
        second.other_left();
        assert_eq!(second.role(at(102).0), Role::Command);

        let (_, mut second) = first_and_second();
        second.one_died(at(103).0);
        assert_eq!(second.role(at(104).0), Role::Watch, "it may have been a third");
        assert_eq!(second.role(at(111).0), Role::Command);
    }

    #[test]
    fn when_another_watcher_died_the_first_shows_at_once_that_it_lives() {
        let (mut first, mut second) = first_and_second();
        let (now, wall) = at(102);
        first.one_died(now);
        second.one_died(now);
        assert_eq!(first.role(now), Role::Command);
        second.heard(now, &first.beat(now, wall).unwrap(), false);
        assert_eq!(second.role(at(121).0), Role::Watch);
    }
}
