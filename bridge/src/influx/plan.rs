//! What to do next with what waits to be forwarded. No clock, no socket, no file: time is an argument, so that a year
//! of trouble is tested in a second.
//!
//! The plan holds one page of lines at a time, cut into pieces. The first piece is sent; the answer says what becomes of
//! it. Only when every line of a page was accepted or set aside may the cursor move past it.

use std::collections::VecDeque;
use std::ops::Range;

use overspill_rules::time::{Moment, Span};

use super::answer::{Answer, Trouble};
use crate::mqtt::BackOff;

/// Lines sent together at most. 2,000 lines are about 150 kB.
pub const BATCH_LINES: usize = 2_000;

/// Refused lines that wait for proof, at most. When that many are refused without one accepted, it is the database
/// that refuses everything, not the lines that are bad.
pub const SUSPECTS: usize = 100;

/// After so many accepted batches a batch that had to be made smaller is doubled again.
const GROWS_AFTER: u32 = 32;

/// The pause after an answer that will not change by itself: wrong token, wrong bucket.
pub const SLOW: Span = Span::minutes(5);

/// The shortest pause when the database asks for less.
const BUSY: Span = Span::seconds(5);

/// A longer `Retry-After` is not believed.
pub const LONGEST_WAIT: Span = Span::hours(1);

/// What to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Next {
    /// Get the next page and hand it to [`Plan::page`].
    Read,
    /// Send these lines and hand the answer to [`Plan::answered`].
    Send(String),
    /// Nothing before this moment.
    Wait(Moment),
    /// The page is done: the cursor may move past it, and these lines are set aside. Then call [`Plan::committed`].
    Commit(Vec<SetAside>),
    /// Go back to the last committed place; nothing since then counts. Then call [`Plan::rewound`].
    Rewind,
}

/// A line that the database refused by itself, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct SetAside {
    pub(super) line: String,
    pub(super) reason: String,
}

/// The plan.
#[derive(Debug)]
pub(super) struct Plan {
    lines: Vec<String>,
    /// Parts of the page that are not settled, in order. `None` when there is no page.
    pieces: Option<VecDeque<Range<usize>>>,
    batch_lines: usize,
    accepted_in_a_row: u32,
    /// Refused by themselves. They are asked for once more when the database has accepted another line.
    suspects: Vec<SetAside>,
    /// Those to be asked for once more now; one that is refused again is to blame and set aside.
    again: VecDeque<SetAside>,
    aside: Vec<SetAside>,
    not_before: Option<Moment>,
    rewind: bool,
    trouble: Option<Trouble>,
    back_off: BackOff,
}

impl Plan {
    pub(super) fn new(back_off: BackOff) -> Plan {
        Plan {
            lines: Vec::new(),
            pieces: None,
            batch_lines: BATCH_LINES,
            accepted_in_a_row: 0,
            suspects: Vec::new(),
            again: VecDeque::new(),
            aside: Vec::new(),
            not_before: None,
            rewind: false,
            trouble: None,
            back_off,
        }
    }

    /// What stands in the way at present.
    pub(super) fn trouble(&self) -> Option<&Trouble> {
        self.trouble.as_ref()
    }

    /// What to do now.
    pub(super) fn next(&self, now: Moment) -> Next {
        if self.rewind {
            return Next::Rewind;
        }
        if let Some(until) = self.not_before.filter(|until| *until > now) {
            return Next::Wait(until);
        }
        if let Some(suspect) = self.again.front() {
            return Next::Send(suspect.line.clone());
        }
        match &self.pieces {
            None => Next::Read,
            Some(pieces) => match pieces.front() {
                Some(piece) => Next::Send(self.text(piece)),
                // Lines that wait for proof hold the cursor back; the next page brings the proof.
                None if !self.suspects.is_empty() => Next::Read,
                None => Next::Commit(self.aside.clone()),
            },
        }
    }

    fn text(&self, piece: &Range<usize>) -> String {
        self.lines.get(piece.clone()).unwrap_or_default().join("\n")
    }

    /// Takes the next page. An empty one is done at once.
    pub(super) fn page(&mut self, lines: Vec<String>) {
        let starts = (0..lines.len()).step_by(self.batch_lines);
        let pieces = starts.map(|start| start..(start + self.batch_lines).min(lines.len()));
        self.pieces = Some(pieces.collect());
        self.lines = lines;
    }

    /// Takes the answer to the piece that was sent last.
    pub(super) fn answered(&mut self, now: Moment, answer: Answer) {
        if answer != Answer::Accepted {
            self.accepted_in_a_row = 0;
        }
        match answer {
            Answer::Accepted => self.accepted(),
            Answer::Malformed(_) | Answer::TooLarge(_) if !self.again.is_empty() => {
                self.aside.extend(self.again.pop_front());
            }
            Answer::Malformed(why) => self.malformed(now, why),
            Answer::TooLarge(why) => self.too_large(now, why),
            Answer::Trouble(trouble) => {
                let pause = self.pause(&trouble);
                self.wait(now, trouble, pause);
            }
        }
    }

    fn accepted(&mut self) {
        if self.again.pop_front().is_none() {
            self.done_with_first();
        }
        self.again.extend(self.suspects.drain(..));
        self.trouble = None;
        self.back_off.reset();
        self.accepted_in_a_row += 1;
        if self.accepted_in_a_row >= GROWS_AFTER {
            self.accepted_in_a_row = 0;
            self.batch_lines = (self.batch_lines * 2).min(BATCH_LINES);
        }
    }

    /// Halves the piece until the offending line is alone.
    fn malformed(&mut self, now: Moment, why: String) {
        if !self.halve_first() {
            self.suspect(now, why);
        }
    }

    fn too_large(&mut self, now: Moment, why: String) {
        let lines = self.first().map_or(1, Range::len);
        if !self.halve_first() {
            self.suspect(now, why);
            return;
        }
        self.batch_lines = (lines / 2).max(1);
    }

    fn suspect(&mut self, now: Moment, reason: String) {
        let Some(piece) = self.done_with_first() else { return };
        if self.suspects.len() >= SUSPECTS {
            let pause = Span(self.jittered(SLOW));
            self.wait(now, Trouble::RefusesAll(reason), pause);
            self.rewind = true;
            return;
        }
        self.suspects.push(SetAside { line: self.text(&piece), reason });
    }

    fn wait(&mut self, now: Moment, trouble: Trouble, pause: Span) {
        self.trouble = Some(trouble);
        self.not_before = Some(now + pause);
    }

    fn pause(&mut self, trouble: &Trouble) -> Span {
        let doubling = self.doubling();
        match trouble {
            Trouble::Away(_) => doubling,
            Trouble::Busy { after, .. } => match after {
                Some(after) => (*after).clamp(Span::ZERO, LONGEST_WAIT).max(doubling.min(BUSY)),
                None => doubling.max(BUSY),
            },
            Trouble::Denied(_) | Trouble::NotFound(_) | Trouble::Strange(_) | Trouble::RefusesAll(_) => {
                Span(self.jittered(SLOW))
            }
        }
    }

    fn doubling(&mut self) -> Span {
        Span(i64::try_from(self.back_off.pause().as_millis()).unwrap_or(SLOW.0))
    }

    fn jittered(&mut self, span: Span) -> i64 {
        (span.0 as f64 * self.back_off.jitter()) as i64
    }

    fn first(&self) -> Option<&Range<usize>> {
        self.pieces.as_ref().and_then(VecDeque::front)
    }

    fn done_with_first(&mut self) -> Option<Range<usize>> {
        self.pieces.as_mut().and_then(VecDeque::pop_front)
    }

    /// Cuts the first piece in two; not when it is a single line.
    fn halve_first(&mut self) -> bool {
        let Some(pieces) = &mut self.pieces else { return true };
        let Some(Range { start, end }) = pieces.pop_front() else { return true };
        if end - start <= 1 {
            pieces.push_front(start..end);
            return false;
        }
        let middle = start + (end - start) / 2;
        pieces.push_front(middle..end);
        pieces.push_front(start..middle);
        true
    }

    /// The cursor has moved past the page.
    pub(super) fn committed(&mut self) {
        self.forget_page();
    }

    /// Reading goes on from the last committed place.
    pub(super) fn rewound(&mut self) {
        self.rewind = false;
        self.suspects.clear();
        self.again.clear();
        self.forget_page();
    }

    fn forget_page(&mut self) {
        self.aside.clear();
        self.lines.clear();
        self.pieces = None;
    }
}
