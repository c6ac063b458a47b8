//! How often a thing is switched.

use super::super::What;

/// How often a thing is switched: so many times at least, and more only where a point's answer is not clear yet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Often {
    /// At least.
    pub least: usize,
    /// At most: where a kettle or a cloud hides the answer.
    pub most: usize,
}

impl Often {
    /// Of the test load and a controlled load the edges, on and off each counted; of the roof only the switchings off.
    pub fn of(what: What) -> Often {
        match what {
            // On and off three times are six edges. The core wants three that agree; one may fall to a kettle, and a kettle
            // that comes later makes four doubtful. At most what single faults in an ordinary house want (the table of
            // verdicts); seven of a roof whose inverter takes five minutes stay within the hour that loads are held off.
            What::TestLoad(_) => Often { least: 6, most: 12 },
            What::Load(_) => Often { least: 4, most: 8 },
            What::SolarOff => Often { least: 3, most: 7 },
        }
    }

    /// Whether `done` are enough where every answer is `clear`, or not.
    pub fn is_enough(self, done: usize, clear: bool) -> bool {
        done >= self.most || (done >= self.least && clear)
    }
}
