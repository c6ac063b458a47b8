//! Prices for a what-if: those of the journal, and those of files where the journal has none.

use overspill_rules::input::Input;
use overspill_rules::time::{Span, WallTime};

use crate::config::PriceFile;
use crate::daemon::PriceFiles;
use crate::store::{StoreError, StoreReader};

/// Files are looked into so often: they give days ahead.
const EVERY: Span = Span::hours(12);

/// The files of prices, and when to look into them next.
pub(super) struct PriceLists {
    files: PriceFiles,
    next: WallTime,
    sides: Vec<&'static str>,
    faults: Vec<String>,
}

impl PriceLists {
    /// A side of which the journal has prices in the span needs no file.
    pub(super) fn new(
        journal: &StoreReader,
        files: &[PriceFile],
        (from, to): (WallTime, WallTime),
    ) -> Result<PriceLists, StoreError> {
        let mut needed = Vec::new();
        for file in files {
            if !journal.has_prices(file.side, from, to)? {
                needed.push(file.clone());
            }
        }
        let sides = needed.iter().map(|file| file.side.word()).collect();
        Ok(PriceLists { files: PriceFiles::new(&needed), next: from, sides, faults: Vec::new() })
    }

    pub(super) fn news(&mut self, at: WallTime) -> Vec<Input> {
        if self.files.is_empty() || at < self.next {
            return Vec::new();
        }
        self.next = at + EVERY;
        let (mut inputs, faults) = (Vec::new(), &mut self.faults);
        for news in self.files.news(at) {
            match news {
                Ok(input) => inputs.push(input),
                Err(why) => faults.push(why),
            }
        }
        inputs
    }

    /// Where prices came from, in sentences.
    pub(super) fn told(self) -> Vec<String> {
        let from_file =
            |side| format!("The journal has no {side} prices of this time; those of the file are used.");
        self.sides.into_iter().map(from_file).chain(self.faults).collect()
    }
}
