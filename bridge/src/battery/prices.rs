//! Prices along the record, taken as time goes on: a year of them is more than a tariff holds at once.

use overspill_rules::tariff::Prices;
use overspill_rules::time::WallTime;

use crate::prices::{LONGEST, List};

/// Lists of prices, and how far they were taken.
#[derive(Debug)]
pub(super) struct Along {
    /// Each with the number of its prices that were taken.
    lists: Vec<(List, usize)>,
    known: Prices,
}

impl Along {
    pub(super) fn new(lists: Vec<List>) -> Along {
        Along { lists: lists.into_iter().map(|list| (list, 0)).collect(), known: Prices::default() }
    }

    /// What holds at `at`; times are asked for in order.
    pub(super) fn at(&mut self, at: WallTime) -> &Prices {
        for (list, taken) in &mut self.lists {
            let left = list.prices.get(*taken..).unwrap_or_default();
            if left.first().is_some_and(|next| next.from <= at) {
                let due = left.partition_point(|price| price.from <= at + LONGEST);
                self.known.of_mut(list.side).take(left.get(..due).unwrap_or_default());
                *taken += due;
            }
        }
        &self.known
    }
}
