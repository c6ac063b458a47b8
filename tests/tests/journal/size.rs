//! The journal stays small. `journal-bench size` prints all figures; here are those that can be had quickly.

use overspill_tests::journal::size::{Pace, Stamps, household, measure, solar};
use tempfile::tempdir;

/// Bytes per sample that Pelkonen et al. publish for Gorilla (VLDB 2015, section 4.1.2), stamps included.
const GORILLA: f64 = 1.37;

#[test]
fn a_sample_of_the_measured_household_and_roof_takes_no_more_than_gorillas() {
    let folder = tempdir().unwrap();
    let tables = [household(), solar()];
    for stamps in [Stamps::Exact, Stamps::Rounded, Stamps::Jitter] {
        let size = measure(folder.path(), &tables, Pace::Minute, stamps).unwrap();
        assert_eq!(size.samples, 7 * 20_160 + 3 * 2_607);
        assert!(size.each() <= GORILLA, "{stamps:?}: {:.3}", size.each());
    }
}

#[test]
fn two_days_at_ten_seconds_with_a_clamps_noise_stay_small() {
    let folder = tempdir().unwrap();
    let size = measure(folder.path(), &[solar()], Pace::Noisy, Stamps::Jitter).unwrap();
    // Measured 135 kB: 40 kB are the empty file, another 40 kB the last hours, which are rows.
    assert!(size.bytes < 150_000, "{}", size.bytes);
}
