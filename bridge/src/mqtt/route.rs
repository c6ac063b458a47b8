//! The way out: whether messages can be sent, and which are on their way.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use super::NotSent;
use super::bounds::{ANSWERED_WITHIN, PAYLOAD_BYTES};
use super::wire::{Answer, Letter, Outlet};

/// Bytes of a packet that are not payload: fixed header, the topic's length, number, expiry and their lengths.
const PACKET_OVERHEAD: usize = 32;

/// Shared by the handles, which send, and the task, which opens and closes it.
#[derive(Default)]
pub(super) struct Route {
    state: Mutex<State>,
}

#[derive(Default)]
enum State {
    #[default]
    Closed,
    Open(Way),
    /// Last words are on their way, nothing else is taken.
    Closing(Way),
    /// For good.
    Over {
        /// Whether the server has the last words.
        said: bool,
    },
}

struct Way {
    outlet: Outlet,
    /// The largest packet that the server takes.
    packet_bytes: Option<u32>,
    /// What was handed over and not written yet, in order.
    waiting: VecDeque<Sent>,
    /// What was written and not acknowledged yet.
    flying: BTreeMap<u16, Sent>,
}

struct Sent {
    topic: String,
    at: Instant,
}

impl Route {
    fn state(&self) -> MutexGuard<'_, State> {
        // A panic while holding the lock leaves nothing half done here.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Opens the way for one connection.
    pub(super) fn open(&self, outlet: Outlet, packet_bytes: Option<u32>) {
        let way = Way { outlet, packet_bytes, waiting: VecDeque::new(), flying: BTreeMap::new() };
        *self.state() = State::Open(way);
    }

    /// The connection is over, and with it everything on its way.
    pub(super) fn close(&self) {
        let mut state = self.state();
        *state = match *state {
            State::Closed | State::Open(_) => State::Closed,
            State::Closing(_) => State::Over { said: false },
            State::Over { said } => State::Over { said },
        };
    }

    /// We took leave: the server has everything.
    pub(super) fn finish(&self) {
        *self.state() = State::Over { said: true };
    }

    /// Whether this was the last connection.
    pub(super) fn is_over(&self) -> bool {
        matches!(*self.state(), State::Over { .. })
    }

    pub(super) fn is_said(&self) -> bool {
        matches!(*self.state(), State::Over { said: true })
    }

    pub(super) fn is_open(&self) -> bool {
        matches!(*self.state(), State::Open(_))
    }

    pub(super) fn send(&self, letter: Letter<'_>) -> Result<(), NotSent> {
        match &mut *self.state() {
            State::Closed => Err(NotSent::NotConnected),
            State::Closing(_) | State::Over { .. } => Err(NotSent::Closing),
            State::Open(way) => way.send(letter),
        }
    }

    /// Sends the last words, after which nothing else is taken. With none, or none that can be sent, says good-bye.
    pub(super) fn send_last(&self, letters: Vec<Letter<'_>>) -> Result<(), NotSent> {
        let mut state = self.state();
        let mut way = match std::mem::take(&mut *state) {
            State::Open(way) => way,
            State::Closed => {
                *state = State::Over { said: false };
                return Err(NotSent::NotConnected);
            }
            closing_or_over => {
                *state = closing_or_over;
                return Err(NotSent::Closing);
            }
        };
        let sent = letters.into_iter().try_for_each(|letter| way.send(letter));
        if way.is_clear() {
            way.outlet.goodbye();
        }
        *state = State::Closing(way);
        sent
    }

    /// A message was written to the connection. Number 0 is never acknowledged.
    pub(super) fn written(&self, id: u16) {
        if let State::Open(way) | State::Closing(way) = &mut *self.state()
            && let Some(sent) = way.waiting.pop_front()
            && id != 0
        {
            way.flying.insert(id, sent);
        }
    }

    /// The server answered. Gives topic and reason where it refused.
    pub(super) fn answered(&self, id: u16, answer: Answer) -> Option<(String, &'static str)> {
        let (State::Open(way) | State::Closing(way)) = &mut *self.state() else { return None };
        let sent = way.flying.remove(&id)?;
        answer.err().map(|why| (sent.topic, why))
    }

    /// Says good-bye once the last words are through.
    pub(super) fn goodbye_if_said(&self) {
        if let State::Closing(way) = &*self.state()
            && way.is_clear()
        {
            way.outlet.goodbye();
        }
    }
}

impl Way {
    fn is_clear(&self) -> bool {
        self.waiting.is_empty() && self.flying.is_empty()
    }

    fn send(&mut self, letter: Letter<'_>) -> Result<(), NotSent> {
        check(&letter, self.packet_bytes)?;
        let sent = Sent { topic: letter.topic.to_owned(), at: Instant::now() };
        if self.is_unanswered(sent.at) {
            return Err(NotSent::Unanswered);
        }
        self.outlet.publish(letter)?;
        self.waiting.push_back(sent);
        Ok(())
    }

    fn is_unanswered(&self, now: Instant) -> bool {
        let late = |sent: &Sent| now.saturating_duration_since(sent.at) > ANSWERED_WITHIN;
        self.waiting.front().is_some_and(late) || self.flying.values().any(late)
    }
}

/// What the server would have to end the connection for is not sent.
fn check(letter: &Letter<'_>, packet_bytes: Option<u32>) -> Result<(), NotSent> {
    let topic = letter.topic;
    if topic.is_empty() || topic.len() > usize::from(u16::MAX) || topic.contains(['+', '#', '\0']) {
        return Err(NotSent::BadTopic { topic: topic.to_owned() });
    }
    let bytes = letter.payload.len();
    let by_server = packet_bytes
        .and_then(|limit| usize::try_from(limit).ok())
        .map_or(usize::MAX, |limit| limit.saturating_sub(topic.len() + PACKET_OVERHEAD));
    let most = by_server.min(PAYLOAD_BYTES);
    if bytes > most {
        return Err(NotSent::TooLarge { topic: topic.to_owned(), bytes, most });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mqtt::Qos;

    fn letter(topic: &str, bytes: usize) -> Letter<'_> {
        Letter { topic, payload: vec![0; bytes], qos: Qos::AtLeastOnce, retained: false, expiry: None }
    }

    #[test]
    fn nothing_is_taken_while_closed() {
        let route = Route::default();
        assert_eq!(route.send(letter("a", 1)), Err(NotSent::NotConnected));
        assert_eq!(route.send_last(vec![letter("a", 1)]), Err(NotSent::NotConnected));
    }

    #[test]
    fn what_the_server_would_hang_up_for_is_not_sent() {
        assert!(check(&letter("a/b", PAYLOAD_BYTES), None).is_ok());
        assert!(matches!(check(&letter("a/b", PAYLOAD_BYTES + 1), None), Err(NotSent::TooLarge { .. })));
        assert!(matches!(check(&letter("a/b", 100), Some(120)), Err(NotSent::TooLarge { .. })));
        for topic in ["", "a/+", "a/#", "a\0b"] {
            assert!(matches!(check(&letter(topic, 1), None), Err(NotSent::BadTopic { .. })), "{topic}");
        }
    }
}
