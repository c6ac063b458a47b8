//! The record of a commissioning: everything that the hand-over sheet says, as data beside it. It is written after every
//! step, so that work goes on where it was, another day or after a broken connection.

mod entries;
mod file;
mod standing;
#[cfg(test)]
mod tests;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

pub use entries::{
    Acknowledged, Applied, Contact, Earlier, Fuse, Instrument, Issue, LoadHeld, Of, PointHeld, Reading,
    Register, Source, Standing, Test, Trial, Which, Who,
};
pub(super) use file::replace;
pub use file::{RecordError, fingerprint, read, write};
pub use standing::{Lapsed, WhyNot, complete, issue, lapse};

/// The form of the record that this program writes and reads.
pub const VERSION: u32 = 1;

/// One home's commissioning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Record {
    /// The form of the record: [`VERSION`].
    pub v: u32,
    /// Which home.
    pub home: Of,
    /// The version of Overspill that wrote the record last.
    pub program: String,
    /// SHA-256 over the bytes of the home file that is being proved, in 64 lower-case hexadecimal digits.
    pub home_file: String,
    /// When the work began.
    pub begun: Timestamp,
    /// Who does it; `None` until asked.
    pub who: Option<Who>,
    /// Every sheet that was issued, the first first.
    pub issues: Vec<Issue>,
    /// Cautions that were read and acknowledged.
    pub acknowledged: Vec<Acknowledged>,
    /// Everything that feeds the home with energy.
    pub sources: Vec<Source>,
    /// The main fuse or cut-out; `None` until asked.
    pub fuse: Option<Fuse>,
    /// Instruments used.
    pub instruments: Vec<Instrument>,
    /// What the registers of the meters showed at the beginning.
    pub registers: Vec<Register>,
    /// Each measuring point.
    pub points: Vec<PointHeld>,
    /// Every step, in its order; also those that were not begun, as open.
    pub tests: Vec<Test>,
    /// Each controlled load.
    pub loads: Vec<LoadHeld>,
    /// Changes that were made to the home file.
    pub corrections: Vec<Applied>,
    /// Whom to call.
    pub contacts: Vec<Contact>,
}

impl Record {
    /// A record without entries; `home_file` is the [`fingerprint`] of the home file.
    pub fn new(home: Of, home_file: String, begun: Timestamp) -> Record {
        Record {
            v: VERSION,
            home,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            home_file,
            begun,
            who: None,
            issues: Vec::new(),
            acknowledged: Vec::new(),
            sources: Vec::new(),
            fuse: None,
            instruments: Vec::new(),
            registers: Vec::new(),
            points: Vec::new(),
            tests: Vec::new(),
            loads: Vec::new(),
            corrections: Vec::new(),
            contacts: Vec::new(),
        }
    }

    /// The test of the step `id`.
    pub fn test(&self, id: &str) -> Option<&Test> {
        self.tests.iter().find(|t| t.id == id)
    }

    /// Puts a test in place of the one of the same step, or after all others. What came of the step before is kept.
    pub fn put(&mut self, mut test: Test) {
        match self.tests.iter_mut().find(|t| t.id == test.id) {
            Some(there) => {
                test.earlier = there.with_itself_earlier();
                *there = test;
            }
            None => self.tests.push(test),
        }
    }

    /// The point `id`.
    pub fn point_mut(&mut self, id: &str) -> Option<&mut PointHeld> {
        self.points.iter_mut().find(|p| p.id == id)
    }

    /// The load `id`.
    pub fn load_mut(&mut self, id: &str) -> Option<&mut LoadHeld> {
        self.loads.iter_mut().find(|l| l.id == id)
    }
}

impl Test {
    /// Everything that came of it until now, as what was earlier.
    pub(super) fn with_itself_earlier(&mut self) -> Vec<Earlier> {
        let mut earlier = std::mem::take(&mut self.earlier);
        earlier.extend(self.at.map(|at| Earlier {
            at,
            by: self.by.clone(),
            readings: self.readings.clone(),
            verdict: self.before.unwrap_or(self.verdict),
            words: self.words.clone(),
            home_file: self.home_file.clone(),
        }));
        earlier
    }
}
