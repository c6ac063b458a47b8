//! The bench of a year, with few days: that it works, not how fast.

use overspill_tests::journal::year;
use tempfile::tempdir;

#[test]
fn the_bench_of_a_year_works_for_two_days() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("year.db");
    let samples = year::build(&path, 2).unwrap();
    assert_eq!(samples, 2 * 8640 * u64::from(year::SERIES));
    // Every count that must come out is asserted in it.
    year::read(&path, 2).unwrap();
}
