//! Files of prices: read whole, and again when they change or time has moved on. A file may hold years; the controller
//! gets what it may need.

use std::time::SystemTime;

use overspill_rules::input::Input;
use overspill_rules::limits::PRICES_BACK;
use overspill_rules::payload::price_file;
use overspill_rules::time::{Span, WallTime};

use crate::config::PriceFile;

/// How far ahead prices are given.
const AHEAD: Span = Span::hours(24 * 8);

/// Prices are given again so often, so that a day ahead is always known.
const GIVE_EVERY: Span = Span::hours(6);

/// Watches the files of prices.
#[derive(Debug)]
pub struct PriceFiles {
    files: Vec<Watched>,
}

#[derive(Debug)]
struct Watched {
    file: PriceFile,
    seen: Option<(u64, Option<SystemTime>)>,
    given: Option<WallTime>,
    fault: Option<String>,
}

impl PriceFiles {
    /// Watches the files that the home file names.
    pub fn new(files: &[PriceFile]) -> PriceFiles {
        let watched = |file: &PriceFile| Watched { file: file.clone(), seen: None, given: None, fault: None };
        PriceFiles { files: files.iter().map(watched).collect() }
    }

    /// Whether there is nothing to watch.
    pub fn is_empty(&self) -> bool {
        self.files.is_empty()
    }

    /// What is new at `wall`: prices, or a sentence that says which file can't be read (once, until that changes).
    pub fn news(&mut self, wall: WallTime) -> Vec<Result<Input, String>> {
        self.files.iter_mut().filter_map(|watched| watched.news(wall)).collect()
    }
}

impl Watched {
    fn news(&mut self, wall: WallTime) -> Option<Result<Input, String>> {
        let stand = std::fs::metadata(&self.file.path).ok().map(|meta| (meta.len(), meta.modified().ok()));
        let fresh = self.given.is_some_and(|at| wall >= at && wall - at < GIVE_EVERY);
        if stand.is_some() && stand == self.seen && fresh {
            return None;
        }
        match self.read(wall) {
            Ok(input) => {
                (self.seen, self.given, self.fault) = (stand, Some(wall), None);
                Some(Ok(input))
            }
            Err(why) if self.fault.as_ref() == Some(&why) => None,
            Err(why) => {
                self.fault = Some(why.clone());
                Some(Err(why))
            }
        }
    }

    fn read(&self, wall: WallTime) -> Result<Input, String> {
        let path = self.file.path.display();
        let text =
            std::fs::read_to_string(&self.file.path).map_err(|why| format!("{path} can't be read: {why}"))?;
        let mut prices = price_file(&text).map_err(|why| format!("{path}: {why}"))?;
        let (from, to) = (wall + Span(-PRICES_BACK.0), wall + AHEAD);
        prices.retain(|price| price.from >= from && price.from < to);
        Ok(Input::Prices { side: self.file.side, prices })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use overspill_rules::tariff::Side;

    use super::*;

    fn count(news: &[Result<Input, String>]) -> usize {
        match news {
            [Ok(Input::Prices { prices, side: Side::Import })] => prices.len(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn prices_near_now_are_given_at_changes_and_as_time_goes_on() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("prices.csv");
        let noon: i64 = 1_780_311_600_000;
        let at = |hours: i64| WallTime(noon) + Span::hours(hours);
        let line = |hours: i64| format!("{},0.1\n", at(hours).to_rfc3339());
        let write = |from: i64, to: i64| {
            let lines: String = (from..to).map(line).collect();
            std::fs::write(&path, format!("from,price\n{lines}")).unwrap();
        };
        let mut files = PriceFiles::new(&[PriceFile { side: Side::Import, path: path.clone() }]);
        assert!(files.news(at(0))[0].as_ref().unwrap_err().contains("can't be read"));
        assert!(files.news(at(0)).is_empty(), "told once");
        write(-1000, 1000);
        assert_eq!(count(&files.news(at(0))), 48 + 24 * 8);
        assert!(files.news(at(1)).is_empty());
        assert_eq!(count(&files.news(at(6))), 48 + 24 * 8);
        write(0, 10);
        assert_eq!(count(&files.news(at(7))), 10);
        std::fs::write(&path, "from,price\nyesterday,1\n").unwrap();
        assert!(files.news(at(7))[0].as_ref().unwrap_err().contains("line 2"));
    }
}
