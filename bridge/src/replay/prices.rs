//! Prices for a what-if: those of the journal, and those of files where the journal has none.

use std::collections::BTreeSet;

use overspill_rules::input::Input;
use overspill_rules::tariff::Side;
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
    /// Sides of which files gave prices.
    given: BTreeSet<Side>,
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
        let files = PriceFiles::new(&needed);
        Ok(PriceLists { files, next: from, given: BTreeSet::new(), faults: Vec::new() })
    }

    pub(super) fn news(&mut self, at: WallTime) -> Vec<Input> {
        if self.files.is_empty() || at < self.next {
            return Vec::new();
        }
        self.next = at + EVERY;
        let mut inputs = Vec::new();
        for news in self.files.news(at) {
            match news {
                Ok(input) => inputs.push(input),
                Err(why) => self.faults.push(why),
            }
        }
        self.given.extend(inputs.iter().filter_map(|input| match input {
            Input::Prices { side, prices } if !prices.is_empty() => Some(*side),
            _ => None,
        }));
        inputs
    }

    /// Where prices came from, in sentences.
    pub(super) fn told(self) -> Vec<String> {
        let from_file = |side: Side| {
            format!("The journal has no {} prices of this time; those of the file are used.", side.word())
        };
        self.given.into_iter().map(from_file).chain(self.faults).collect()
    }
}
