//! What came of a step.

use crate::time::WallTime;

/// How a step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Proved.
    Good,
    /// Something is wrong.
    Wrong,
    /// Not proven yet.
    Open,
}

impl Standing {
    /// The word that people read.
    pub fn word(self) -> &'static str {
        match self {
            Standing::Good => "good",
            Standing::Wrong => "wrong",
            Standing::Open => "not proven yet",
        }
    }
}

/// A number that was read during a step.
#[derive(Debug, Clone, PartialEq)]
pub struct Read {
    /// Of what.
    pub name: String,
    /// The number.
    pub value: f64,
    /// Its unit.
    pub unit: &'static str,
}

/// Something that the sheet says besides the verdicts.
#[derive(Debug, Clone, PartialEq)]
pub enum Fact {
    /// Who does the work.
    Who {
        /// The person.
        name: String,
        /// The firm.
        company: Option<String>,
        /// Number of a registration.
        registration: Option<String>,
        /// Telephone.
        telephone: Option<String>,
    },
    /// Where the home is.
    Address(String),
    /// The cautions were acknowledged by this person.
    Acknowledged(String),
    /// A source of energy, and how it is isolated.
    Source(String, String),
    /// Rating of the main fuse in amps, and how it is known.
    Fuse(f64, String),
    /// An instrument: make, model, serial number, date of its calibration.
    Instrument([String; 4]),
    /// A register of the supply meter: its name and kilowatt-hours.
    Register(&'static str, f64),
    /// Someone to call: for what, who, telephone.
    Contact(String, String, String),
    /// What is known of a point's clamp: its id, `line`, `neutral` or `none`, and its ratio.
    Clamp {
        /// The point's id.
        point: String,
        /// `line`, `neutral` or `none`.
        conductor: String,
        /// As printed.
        ratio: Option<String>,
    },
    /// How a load is worked by hand.
    ByHand(String, String),
    /// After how long a load was in its fallback.
    Fallback {
        /// The load's id.
        load: String,
        /// How its commander went.
        way: &'static str,
        /// Seconds until it was there.
        seconds: f64,
    },
    /// How a point was found.
    Found(String, String),
}

/// What came of a step.
#[derive(Debug, Clone, PartialEq)]
pub struct StepResult {
    /// The step's id.
    pub id: String,
    /// Its title.
    pub title: String,
    /// When it was decided.
    pub at: WallTime,
    /// How it stands.
    pub standing: Standing,
    /// Why, in sentences.
    pub words: String,
    /// What completes or mends it; empty where it is good.
    pub next: String,
    /// What was read.
    pub readings: Vec<Read>,
    /// What it proves, as `point.<id>` and `load.<id>`.
    pub proves: Vec<String>,
    /// What the sheet says besides.
    pub facts: Vec<Fact>,
}

/// A result being made; the step's name and time are put in by the procedure.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Made {
    pub(super) standing: Standing,
    pub(super) words: String,
    pub(super) next: String,
    pub(super) readings: Vec<Read>,
    pub(super) facts: Vec<Fact>,
}

impl Made {
    pub(super) fn new(standing: Standing, words: impl Into<String>, next: impl Into<String>) -> Made {
        Made { standing, words: words.into(), next: next.into(), readings: Vec::new(), facts: Vec::new() }
    }

    pub(super) fn good(words: impl Into<String>) -> Made {
        Made::new(Standing::Good, words, "")
    }

    pub(super) fn wrong(words: impl Into<String>, next: impl Into<String>) -> Made {
        Made::new(Standing::Wrong, words, next)
    }

    pub(super) fn open(words: impl Into<String>, next: impl Into<String>) -> Made {
        Made::new(Standing::Open, words, next)
    }

    pub(super) fn read(mut self, name: impl Into<String>, value: f64, unit: &'static str) -> Made {
        self.readings.push(Read { name: name.into(), value, unit });
        self
    }

    pub(super) fn facts(mut self, facts: Vec<Fact>) -> Made {
        self.facts = facts;
        self
    }
}
