//! The short form of the plant bench: one case of each kind, against the same bars as the whole table.
//!
//! The whole of it: `cargo run --release -p overspill-tests --bin bench`.
#![allow(missing_docs)]

use overspill_tests::bench::cases::{self, Planned};
use overspill_tests::bench::table::print;

#[test]
fn a_case_of_each_kind_reaches_its_bars() {
    let rows: Vec<_> = cases::short().iter().map(Planned::run).collect();
    assert_eq!(rows.len(), cases::SHORT.len() + 1, "a case was renamed: the short form no longer finds it");
    let missed: String = rows.iter().filter(|row| !row.is_reached()).map(print).collect();
    assert!(missed.is_empty(), "bars missed:\n{missed}");
}
