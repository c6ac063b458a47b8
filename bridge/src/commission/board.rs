//! Where a sitting and its pages meet: what the sitting shows, for any number of pages; and what the pages say, of which
//! the first answer to a question counts and no other.

use std::sync::{Mutex, PoisonError};

use overspill_rules::commission::Sample;
use overspill_rules::commission::procedure::{Question, Said, Step, StepResult};
use overspill_rules::time::WallTime;
use tokio::sync::{mpsc, watch};

use super::proposal::Proposal;
use super::record::{self, Record};

/// What was told since the last answer; older words are dropped.
const LATELY: usize = 12;

/// What pages said and the sitting has not taken yet.
const WAITING: usize = 16;

/// What the sitting is at.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Stage {
    /// It has not begun yet, or begins again.
    Begins,
    /// It asks.
    Asks(Question),
    /// An answer was taken; what comes of it is seen in a moment.
    Taken,
    /// It waits until then at the latest.
    Waits {
        /// The end of the wait.
        until: WallTime,
        /// For what.
        words: String,
    },
    /// All steps are over, or it was stopped; every load is left to its rules.
    Rests,
    /// The program ended.
    Ended,
}

/// What was told.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Told {
    /// Words.
    Words(String),
    /// What came of a step.
    Result(StepResult),
}

/// A step as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Row {
    pub(crate) id: String,
    pub(crate) title: String,
    pub(crate) standing: record::Standing,
    pub(crate) words: String,
    pub(crate) next: String,
    pub(crate) at: Option<jiff::Timestamp>,
    pub(crate) by: Option<String>,
}

/// A point as it reads.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Look {
    pub(crate) id: String,
    /// What it measures, in words.
    pub(crate) measures: String,
    /// Readings of the last minutes, the newest last.
    pub(crate) lately: Vec<Sample>,
    /// Whether the newest is too old to be believed.
    pub(crate) is_old: bool,
    /// Why the last message was refused.
    pub(crate) refused: Option<String>,
}

/// A corrected home file, as it is proposed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Correction {
    /// Nothing is to be corrected.
    Nothing,
    /// There is something, and why it is not proposed.
    Refused(String),
    /// This.
    Proposed(Box<Proposal>),
}

/// All that pages show.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Shown {
    /// Rises with whatever a page must be drawn anew for.
    pub(crate) turn: u64,
    /// The step at work: its place, of how many.
    pub(crate) step: Option<(usize, usize, Step)>,
    pub(crate) stage: Stage,
    pub(crate) lately: Vec<Told>,
    pub(crate) rows: Vec<Row>,
    pub(crate) looks: Vec<Look>,
    /// Whether the daemon is heard; `None` while nothing is known.
    pub(crate) daemon: Option<bool>,
    pub(crate) correction: Correction,
    /// The newest sheet: when, and whether it says complete.
    pub(crate) sheet: Option<(jiff::Timestamp, bool)>,
    /// What was done with the home file or the sheet just now, or why it was not.
    pub(crate) done: Option<String>,
    /// The answer taken last: to which turn, what, and of whom.
    taken: Option<(u64, String, String)>,
}

/// What a page says to the sitting.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum FromPage {
    /// To what is asked.
    Answer(Said),
    /// What shall become of the step at work.
    Leave(Said),
    /// Do this step next.
    TurnTo(String),
    /// Write the proposed correction.
    Apply,
    /// Issue the sheet.
    Issue,
    /// To be told at the terminal.
    Tell(String),
}

/// Why something said was not taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum NotTaken {
    /// It does not answer the question: what would.
    Wrong(String),
    /// Something else is asked by now, or nothing.
    Late(String),
}

/// Where a sitting and its pages meet.
pub(crate) struct Board {
    shown: watch::Sender<Shown>,
    said: mpsc::Sender<FromPage>,
    heard: Mutex<Option<mpsc::Receiver<FromPage>>>,
}

impl Board {
    /// Before the sitting has begun.
    pub(crate) fn new() -> Board {
        let (said, heard) = mpsc::channel(WAITING);
        let shown = Shown {
            turn: 1,
            step: None,
            stage: Stage::Begins,
            lately: Vec::new(),
            rows: Vec::new(),
            looks: Vec::new(),
            daemon: None,
            correction: Correction::Nothing,
            sheet: None,
            done: None,
            taken: None,
        };
        Board { shown: watch::Sender::new(shown), said, heard: Mutex::new(Some(heard)) }
    }

    /// What is shown now.
    pub(crate) fn shown(&self) -> Shown {
        self.shown.borrow().clone()
    }

    /// Everything that is shown from now on.
    pub(crate) fn follow(&self) -> watch::Receiver<Shown> {
        self.shown.subscribe()
    }

    /// An answer to the question of this turn, as it was typed, by this visitor. The same answer of the same visitor once
    /// more, as after a broken connection, is none.
    pub(crate) fn answer(&self, turn: u64, typed: &str, visitor: &str) -> Result<(), NotTaken> {
        let mut taken = Ok(());
        let mut said = None;
        self.shown.send_if_modified(|shown| {
            let question = match &shown.stage {
                Stage::Asks(question) if shown.turn == turn => question,
                _ => {
                    let again = (turn, typed.to_owned(), visitor.to_owned());
                    if shown.taken.as_ref() != Some(&again) {
                        taken = Err(late(shown, turn));
                    }
                    return false;
                }
            };
            match question.read(typed) {
                Ok(answer) => said = Some(answer),
                Err(why) => {
                    taken = Err(NotTaken::Wrong(why));
                    return false;
                }
            }
            shown.taken = Some((turn, typed.to_owned(), visitor.to_owned()));
            shown.stage = Stage::Taken;
            shown.lately.clear();
            shown.done = None;
            true
        });
        match said {
            Some(said) => self.say(FromPage::Answer(said)),
            None => taken,
        }
    }

    /// What shall become of the step `id`.
    pub(crate) fn leave(&self, id: &str, said: Said) -> Result<(), NotTaken> {
        let is_here = self.shown.borrow().step.as_ref().is_some_and(|(_, _, step)| step.id == id);
        if !is_here {
            return Err(NotTaken::Late("That step is over by now. This is where it stands.".to_owned()));
        }
        self.say(FromPage::Leave(said))
    }

    /// Says something to the sitting.
    pub(crate) fn say(&self, what: FromPage) -> Result<(), NotTaken> {
        let full = "Too much is said at once. Try again in a moment.";
        self.said.try_send(what).map_err(|_| NotTaken::Late(full.to_owned()))
    }

    fn change(&self, change: impl FnOnce(&mut Shown)) {
        self.shown.send_modify(change);
    }

    /// The same, where a page must be drawn anew.
    fn turn(&self, change: impl FnOnce(&mut Shown)) {
        self.shown.send_modify(|shown| {
            change(shown);
            shown.turn += 1;
        });
    }
}

fn late(shown: &Shown, turn: u64) -> NotTaken {
    let by_another = shown.taken.as_ref().is_some_and(|(taken, ..)| *taken == turn);
    let why = if by_another {
        "That was answered just before, on another screen; the first answer counts. This is where it stands now."
    } else {
        "That is not asked any more. This is where it stands now."
    };
    NotTaken::Late(why.to_owned())
}

/// The sitting's side.
impl Board {
    /// What pages say, for the one sitting; given back with [`Board::give_back`].
    pub(crate) fn heard(&self) -> Option<mpsc::Receiver<FromPage>> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    pub(crate) fn give_back(&self, heard: mpsc::Receiver<FromPage>) {
        *self.heard.lock().unwrap_or_else(PoisonError::into_inner) = Some(heard);
    }

    /// Takes the question away; `false` where a page answered it first.
    pub(crate) fn close(&self, by: &str) -> bool {
        self.shown.send_if_modified(|shown| {
            let open = matches!(shown.stage, Stage::Asks(_));
            if open {
                shown.taken = Some((shown.turn, String::new(), by.to_owned()));
                shown.stage = Stage::Taken;
                shown.lately.clear();
            }
            open
        })
    }

    pub(crate) fn begins(&self, place: usize, all: usize, step: &Step) {
        self.change(|shown| shown.step = Some((place, all, step.clone())));
    }

    pub(crate) fn asks(&self, question: &Question) {
        self.turn(|shown| shown.stage = Stage::Asks(question.clone()));
    }

    /// Waits; only what is awaited makes a turn, not the time that is left.
    pub(crate) fn waits(&self, until: WallTime, words: &str) {
        let same =
            matches!(&self.shown.borrow().stage, Stage::Waits { words: before, .. } if before == words);
        let stage = Stage::Waits { until, words: words.to_owned() };
        if same {
            self.shown.send_if_modified(|shown| {
                let moved = shown.stage != stage;
                shown.stage = stage;
                moved
            });
        } else {
            self.turn(|shown| shown.stage = stage);
        }
    }

    pub(crate) fn rests(&self, correction: Correction) {
        self.turn(|shown| {
            shown.stage = Stage::Rests;
            shown.step = None;
            shown.correction = correction;
        });
    }

    /// The program ends.
    pub(crate) fn ends(&self) {
        self.turn(|shown| shown.stage = Stage::Ended);
    }

    pub(crate) fn says(&self, words: &str) {
        self.tell(Told::Words(words.to_owned()));
    }

    pub(crate) fn result(&self, result: &StepResult, record: &Record) {
        self.tell(Told::Result(result.clone()));
        self.stands(record);
    }

    fn tell(&self, told: Told) {
        self.change(|shown| {
            shown.lately.push(told);
            let over = shown.lately.len().saturating_sub(LATELY);
            shown.lately.drain(..over);
        });
    }

    /// How all steps stand.
    pub(crate) fn stands(&self, record: &Record) {
        self.change(|shown| {
            shown.rows = rows(record);
            shown.sheet = record.issues.last().map(|issue| (issue.at, issue.complete));
        });
    }

    pub(crate) fn corrects(&self, correction: Correction) {
        self.change(|shown| shown.correction = correction);
    }

    /// What was done with a file.
    pub(crate) fn did(&self, words: String) {
        self.turn(|shown| shown.done = Some(words));
    }

    pub(crate) fn looks(&self, looks: Vec<Look>, daemon: Option<bool>) {
        self.change(|shown| (shown.looks, shown.daemon) = (looks, daemon));
    }
}

/// Every step of a record as it stands.
pub(crate) fn rows(record: &Record) -> Vec<Row> {
    let row = |test: &record::Test| Row {
        id: test.id.clone(),
        title: test.title.clone(),
        standing: test.verdict,
        words: test.words.clone(),
        next: test.next.clone().unwrap_or_default(),
        at: test.at,
        by: test.by.clone(),
    };
    record.tests.iter().map(row).collect()
}
