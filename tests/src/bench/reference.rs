//! What the mechanism of the design reached in its own simulation, on the same days.
//!
//! The figures are those of that simulation's run, to the digits that it printed; its house has other noise, a few tens
//! of watts wide. Cases that it did not have are missing.

type Figures = &'static [(&'static str, f64)];

/// The figure `name` of the row `row`.
pub fn of(row: &str, name: &str) -> Option<f64> {
    let (_, figures) = ROWS.iter().find(|(r, _)| *r == row)?;
    figures.iter().find(|(f, _)| *f == name).map(|(_, value)| *value)
}

const ROWS: [(&str, Figures); 49] = [
    ("car full at 12 kWh, metered", &[("caught", 97.6)]),
    ("thermostat open half the time, heater first, metered", &[("bought", 0.37), ("car took", 32.78)]),
    ("car limits itself to 16 A, metered", &[("caught", 84.2)]),
    ("three-phase car set to one, every 1 s, metered", &[("caught", 88.8)]),
    ("three-phase car set to one, every 10 s, metered", &[("caught", 88.5)]),
    ("three-phase car set to one, every 60 s, metered", &[("caught", 87.7)]),
    ("car not counted, metered, every 1 s", &[("bought", 0.09), ("heater took", 26.25)]),
    ("car not counted, metered, every 10 s", &[("bought", 0.1), ("heater took", 26.14)]),
    ("car not counted, metered, every 60 s", &[("bought", 1.24), ("heater took", 26.35)]),
    ("reversed clamp, metered, every 1 s", &[("bought in all", 0.05), ("stopped and told", 1.0)]),
    ("reversed clamp, metered, every 10 s", &[("bought in all", 0.32), ("stopped and told", 1.0)]),
    ("reversed clamp, metered, every 60 s", &[("bought in all", 1.4), ("stopped and told", 0.0)]),
    (
        "broken cloud, metered, meter every 1 s",
        &[("caught", 86.6), ("bought", 0.16), ("starts of the car", 8.0)],
    ),
    (
        "broken cloud, metered, meter every 10 s",
        &[("caught", 86.7), ("bought", 0.2), ("starts of the car", 8.0)],
    ),
    (
        "broken cloud, metered, meter every 60 s",
        &[("caught", 85.4), ("bought", 0.51), ("starts of the car", 10.0)],
    ),
    (
        "clear day, metered, meter every 1 s",
        &[("caught", 93.6), ("bought", 0.22), ("starts of the car", 3.0)],
    ),
    (
        "clear day, metered, meter every 10 s",
        &[("caught", 94.0), ("bought", 0.26), ("starts of the car", 3.0)],
    ),
    (
        "clear day, metered, meter every 60 s",
        &[("caught", 94.6), ("bought", 0.6), ("starts of the car", 3.0)],
    ),
    ("battery served first, clear day, metered", &[("caught", 94.0), ("battery into loads", 0.16)]),
    ("battery served last, clear day, metered", &[("caught", 94.0), ("battery into loads", 0.21)]),
    ("battery served first, broken cloud, metered", &[("caught", 82.0), ("battery into loads", 0.02)]),
    ("battery served last, broken cloud, metered", &[("caught", 85.0), ("battery into loads", 0.17)]),
    ("car full at 12 kWh, unmetered", &[("caught", 97.6)]),
    ("thermostat open half the time, heater first, unmetered", &[("bought", 0.18), ("car took", 37.35)]),
    ("car limits itself to 16 A, unmetered", &[("caught", 86.9)]),
    ("three-phase car set to one, every 1 s, unmetered", &[("caught", 97.5)]),
    ("three-phase car set to one, every 10 s, unmetered", &[("caught", 97.2)]),
    ("three-phase car set to one, every 60 s, unmetered", &[("caught", 91.6)]),
    ("car not counted, unmetered, every 1 s", &[("bought", 0.12), ("heater took", 26.63)]),
    ("car not counted, unmetered, every 10 s", &[("bought", 0.04), ("heater took", 26.64)]),
    ("car not counted, unmetered, every 60 s", &[("bought", 0.14), ("heater took", 26.46)]),
    ("reversed clamp, unmetered, every 1 s", &[("bought in all", 0.02), ("stopped and told", 1.0)]),
    ("reversed clamp, unmetered, every 10 s", &[("bought in all", 0.02), ("stopped and told", 1.0)]),
    ("reversed clamp, unmetered, every 60 s", &[("bought in all", 0.03), ("stopped and told", 1.0)]),
    (
        "broken cloud, unmetered, meter every 1 s",
        &[("caught", 89.6), ("bought", 0.25), ("starts of the car", 9.0)],
    ),
    (
        "broken cloud, unmetered, meter every 10 s",
        &[("caught", 87.4), ("bought", 0.28), ("starts of the car", 8.0)],
    ),
    (
        "broken cloud, unmetered, meter every 60 s",
        &[("caught", 84.5), ("bought", 0.44), ("starts of the car", 7.0)],
    ),
    (
        "clear day, unmetered, meter every 1 s",
        &[("caught", 95.3), ("bought", 0.23), ("starts of the car", 1.0)],
    ),
    (
        "clear day, unmetered, meter every 10 s",
        &[("caught", 95.3), ("bought", 0.28), ("starts of the car", 1.0)],
    ),
    (
        "clear day, unmetered, meter every 60 s",
        &[("caught", 95.0), ("bought", 0.67), ("starts of the car", 3.0)],
    ),
    ("battery served first, clear day, unmetered", &[("caught", 95.0), ("battery into loads", 0.18)]),
    ("battery served last, clear day, unmetered", &[("caught", 95.0), ("battery into loads", 0.23)]),
    ("battery served first, broken cloud, unmetered", &[("caught", 86.0), ("battery into loads", 0.03)]),
    ("battery served last, broken cloud, unmetered", &[("caught", 87.0), ("battery into loads", 0.23)]),
    (
        "steady sun, lag declared, car metered, heater metered",
        &[("restless", 0.0), ("importing over 1.5 kW", 0.0), ("false alarms", 0.0)],
    ),
    (
        "steady sun, lag declared, car unmetered, heater unmetered",
        &[("restless", 0.0), ("importing over 1.5 kW", 0.0), ("false alarms", 0.0)],
    ),
    (
        "steady sun, lag declared, car metered, heater unmetered",
        &[("restless", 0.0), ("importing over 1.5 kW", 0.0), ("false alarms", 0.0)],
    ),
    (
        "steady sun, lag declared, car unmetered, heater metered",
        &[("restless", 0.0), ("importing over 1.5 kW", 0.0), ("false alarms", 0.0)],
    ),
    (
        "steady sun, lag not declared, all metering",
        &[("restless", 3.0), ("their most changes an hour", 20.0)],
    ),
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::cases;

    #[test]
    fn every_row_here_is_a_case() {
        let cases: Vec<String> = cases::all().into_iter().map(|c| c.name).collect();
        for (row, _) in ROWS {
            assert!(cases.iter().any(|c| c == row), "no such case: {row}");
        }
    }
}
