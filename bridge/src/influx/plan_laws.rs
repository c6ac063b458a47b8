//! The plan against a database of every temper, in virtual time.
#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::BTreeSet;

use overspill_rules::time::{Moment, Span};
use proptest::prelude::*;

use super::answer::{Answer, Trouble, sorted};
use super::plan::{BATCH_LINES, LONGEST_WAIT, Next, Plan, SLOW, SUSPECTS};
use crate::mqtt::{BackOff, Retry};

/// What a database does to one request.
#[derive(Debug, Clone, Copy)]
enum Mood {
    /// Answers by what was sent.
    Fair,
    /// Takes it, and the answer is cut.
    Cut,
    Status(u16),
    RetryAfter(u16, u32),
}

struct Database {
    moods: Vec<Mood>,
    most_lines: usize,
    /// Calls everything malformed.
    refuses_all: bool,
    /// Keeps the good lines of a batch although it refuses the batch.
    keeps_the_good: bool,
    has: BTreeSet<String>,
    requests: usize,
}

impl Database {
    fn new(moods: Vec<Mood>) -> Database {
        Database {
            moods,
            most_lines: usize::MAX,
            refuses_all: false,
            keeps_the_good: false,
            has: BTreeSet::new(),
            requests: 0,
        }
    }

    fn take(&mut self, body: &str) -> Answer {
        self.requests += 1;
        let lines: Vec<&str> = body.split('\n').collect();
        assert!(!body.is_empty() && lines.len() <= BATCH_LINES);
        let good = lines.iter().filter(|l| !is_bad(l));
        match self.moods.pop().unwrap_or(Mood::Fair) {
            Mood::Cut => {
                self.has.extend(lines.iter().map(|l| (*l).to_owned()));
                return Answer::Trouble(Trouble::Away("cut".to_owned()));
            }
            Mood::Status(status) => return sorted(status, None, ""),
            Mood::RetryAfter(status, seconds) => {
                return sorted(status, Some(Span::seconds(i64::from(seconds))), "");
            }
            Mood::Fair => {}
        }
        if self.refuses_all {
            return sorted(400, None, "no");
        }
        if lines.len() > self.most_lines {
            return sorted(413, None, "");
        }
        if lines.iter().any(|l| is_bad(l)) {
            if self.keeps_the_good {
                self.has.extend(good.map(|l| (*l).to_owned()));
            }
            return sorted(400, None, "bad line");
        }
        self.has.extend(good.map(|l| (*l).to_owned()));
        Answer::Accepted
    }
}

fn is_bad(line: &str) -> bool {
    line.starts_with("bad")
}

/// A journal, and what a driver of the plan remembers.
struct Drive {
    plan: Plan,
    now: Moment,
    lines: Vec<String>,
    page: usize,
    reading: usize,
    arrived: usize,
    aside: Vec<String>,
    waits: Vec<Span>,
}

impl Drive {
    fn new(lines: Vec<String>, page: usize) -> Drive {
        let retry = Retry {
            first: std::time::Duration::from_secs(1),
            longest: std::time::Duration::from_secs(300),
            seed: 7,
        };
        let plan = Plan::new(BackOff::new(retry));
        let (now, aside, waits) = (Moment(0), Vec::new(), Vec::new());
        Drive { plan, now, lines, page, reading: 0, arrived: 0, aside, waits }
    }

    /// One step; whether there was anything to do.
    fn step(&mut self, database: &mut Database) -> bool {
        match self.plan.next(self.now) {
            Next::Read => {
                let end = (self.reading + self.page).min(self.lines.len());
                let page = self.lines[self.reading..end].to_vec();
                let more = !page.is_empty();
                self.reading = end;
                self.plan.page(page);
                return more;
            }
            Next::Send(body) => {
                let answer = database.take(&body);
                self.plan.answered(self.now, answer);
            }
            Next::Wait(until) => {
                assert!(until > self.now);
                self.waits.push(until - self.now);
                self.now = until;
            }
            Next::Commit(aside) => {
                self.arrived = self.reading;
                self.aside.extend(aside.into_iter().map(|a| a.line));
                for line in &self.lines[..self.arrived] {
                    assert!(
                        database.has.contains(line) || self.aside.contains(line),
                        "{line} was passed over"
                    );
                }
                self.plan.committed();
            }
            Next::Rewind => {
                self.reading = self.arrived;
                self.plan.rewound();
            }
        }
        true
    }

    fn until_done(&mut self, database: &mut Database) {
        for _ in 0..200_000 {
            if !self.step(database) && self.arrived == self.lines.len() {
                return;
            }
        }
        panic!("never done: {} of {} lines", self.arrived, self.lines.len());
    }
}

fn line(number: usize, bad: bool) -> String {
    format!("{}{number}", if bad { "bad" } else { "good" })
}

fn lines(count: usize, bad: &[usize]) -> Vec<String> {
    (0..count).map(|n| line(n, bad.contains(&n))).collect()
}

fn mood() -> impl Strategy<Value = Mood> {
    prop_oneof![
        3 => Just(Mood::Fair),
        1 => Just(Mood::Cut),
        2 => prop::sample::select(vec![200_u16, 401, 403, 404, 408, 429, 500, 502, 503]).prop_map(Mood::Status),
        1 => (prop::sample::select(vec![429_u16, 503]), any::<u32>()).prop_map(|(s, a)| Mood::RetryAfter(s, a)),
    ]
}

proptest! {
    #[test]
    fn whatever_the_database_does_every_good_line_arrives_and_only_bad_ones_are_set_aside(
        bad in prop::collection::vec(prop::bool::weighted(0.08), 0..600),
        moods in prop::collection::vec(mood(), 0..80),
        page in 1_usize..400,
        most_lines in 1_usize..500,
        keeps_the_good in any::<bool>(),
    ) {
        let mut all: Vec<String> = bad.iter().enumerate().map(|(n, bad)| line(n, *bad)).collect();
        // A line that is refused is set aside once another was accepted after it.
        all.push(line(all.len(), false));
        let mut database = Database { most_lines, keeps_the_good, ..Database::new(moods) };
        let mut drive = Drive::new(all.clone(), page);
        drive.until_done(&mut database);
        let expected: Vec<&String> = all.iter().filter(|l| is_bad(l)).collect();
        prop_assert_eq!(drive.aside.iter().collect::<Vec<_>>(), expected);
        for good in all.iter().filter(|l| !is_bad(l)) {
            prop_assert!(database.has.contains(good));
        }
        prop_assert!(drive.waits.iter().all(|w| *w <= LONGEST_WAIT && w.0 > 0));
    }
}

#[test]
fn one_bad_line_of_a_full_batch_costs_few_requests() {
    let mut database = Database::new(Vec::new());
    let mut drive = Drive::new(lines(2_000, &[1_234]), 2_000);
    drive.until_done(&mut database);
    assert_eq!(drive.aside, ["bad1234"]);
    assert_eq!(database.has.len(), 1_999);
    assert!(database.requests <= 24, "{}", database.requests);
}

#[test]
fn a_database_that_refuses_everything_makes_nobody_set_anything_aside() {
    let mut database = Database { refuses_all: true, ..Database::new(Vec::new()) };
    let mut drive = Drive::new(lines(1_000, &[]), 100);
    for _ in 0..50_000 {
        drive.step(&mut database);
        assert!(drive.aside.is_empty());
        assert_eq!(drive.arrived, 0);
    }
    assert_eq!(drive.plan.trouble().map(Trouble::word), Some("refuses_all"));
    assert!(drive.waits.iter().all(|w| *w >= SLOW.times(0.79)), "{:?}", drive.waits);
    // It has come to its senses.
    database.refuses_all = false;
    drive.until_done(&mut database);
    assert_eq!(database.has.len(), 1_000);
    assert!(drive.aside.is_empty());
}

#[test]
fn a_bad_line_at_the_very_end_waits_for_one_that_is_taken() {
    let mut database = Database::new(Vec::new());
    let mut drive = Drive::new(lines(10, &[9]), 100);
    while drive.step(&mut database) {}
    assert_eq!((drive.arrived, drive.aside.len()), (0, 0), "nothing says that the line is to blame");
    drive.lines.push(line(10, false));
    drive.until_done(&mut database);
    assert_eq!((drive.arrived, drive.aside.clone()), (11, vec!["bad9".to_owned()]));
}

#[test]
fn many_bad_lines_of_one_kind_among_good_ones_are_all_set_aside() {
    let odd: Vec<usize> = (0..1_000).filter(|n| n % 2 == 1).collect();
    assert!(odd.len() > SUSPECTS);
    let mut database = Database::new(Vec::new());
    let mut drive = Drive::new(lines(1_001, &odd), 250);
    drive.until_done(&mut database);
    assert_eq!(drive.aside.len(), odd.len());
}

#[test]
fn pauses_are_as_documented() {
    let pause = |moods: Vec<Mood>| {
        let mut drive = Drive::new(lines(1, &[]), 1);
        drive.until_done(&mut Database::new(moods));
        drive.waits.iter().map(|w| w.as_seconds()).collect::<Vec<_>>()
    };
    let near = |waits: &[f64], expected: &[f64]| {
        assert_eq!(waits.len(), expected.len(), "{waits:?}");
        for (wait, expected) in waits.iter().zip(expected) {
            assert!((wait / expected - 1.0).abs() <= 0.2, "{waits:?}");
        }
    };
    near(&pause(vec![Mood::Status(500); 10]), &[1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 300.0]);
    for status in [200, 401, 403, 404] {
        near(&pause(vec![Mood::Status(status); 3]), &[300.0, 300.0, 300.0]);
    }
    assert_eq!(pause(vec![Mood::Status(429)]), [5.0]);
    assert_eq!(pause(vec![Mood::RetryAfter(429, 17)]), [17.0]);
    assert_eq!(pause(vec![Mood::RetryAfter(503, 90)]), [90.0]);
    assert_eq!(pause(vec![Mood::RetryAfter(429, 1_000_000)]), [3600.0], "not believed");
}

#[test]
fn batches_that_were_too_large_grow_again() {
    let mut database = Database::new(Vec::new());
    database.most_lines = 300;
    let mut drive = Drive::new(lines(400_000, &[]), 2_000);
    for _ in 0..20 {
        drive.step(&mut database);
    }
    database.most_lines = usize::MAX;
    let before = database.requests;
    while drive.arrived < 398_000 {
        drive_quickly(&mut drive, &mut database);
    }
    assert!(database.requests - before < 500, "{}", database.requests);
}

/// A step without the check of all lines, which takes long with many.
fn drive_quickly(drive: &mut Drive, database: &mut Database) {
    if let Next::Commit(_) = drive.plan.next(drive.now) {
        drive.arrived = drive.reading;
        drive.plan.committed();
    } else {
        drive.step(database);
    }
}
