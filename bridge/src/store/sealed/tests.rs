//! Whatever is packed comes back to the last bit.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use proptest::prelude::*;

use super::bytes::{Put, Take};
use super::*;

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => (-5_000_i64..20_000).prop_map(|w| w as f64),
        4 => (-500_000_i64..500_000, 0_u32..4).prop_map(|(w, d)| w as f64 / 10_f64.powi(d as i32)),
        1 => any::<f64>().prop_map(|v| v + 0.0),
        1 => Just(f64::NAN),
        1 => prop::sample::select(vec![f64::INFINITY, f64::NEG_INFINITY, 5e-324, 1e19, 9_007_199_254_740_993.0]),
    ]
}

fn bits(values: &[f64]) -> Vec<u64> {
    values.iter().map(|v| if v.is_nan() { f64::NAN.to_bits() } else { v.to_bits() }).collect()
}

/// Stamps with gaps, ties, restarts and clocks that were set, and series that have something at some of them.
fn any_stamps() -> impl Strategy<Value = Stamps> {
    let step = prop_oneof![
        8 => Just((1_i64, 10_000_i64)),
        2 => (1_i64..4, 9_980_i64..10_020),
        1 => (1_i64..90, -5_000_000_i64..50_000_000),
        1 => Just((1, 0)),
    ];
    let places = |ticks: usize| prop::collection::vec(0..ticks as u32, 0..40);
    (prop::collection::vec((step, any::<bool>()), 1..80), -1_000_000_i64..1_000_000).prop_flat_map(
        move |(steps, start)| {
            let (mut id, mut moment, mut run, mut offset) = (start.abs(), start, 1, 1_700_000_000_000);
            let ticks: Vec<Tick> = steps
                .iter()
                .enumerate()
                .map(|(i, ((ids, ms), new_run))| {
                    id += ids;
                    moment += ms;
                    if i % 37 == 36 && *new_run {
                        run += 1;
                        offset += 777;
                    }
                    Tick { id, run, moment, at: moment + offset }
                })
                .collect();
            let members = prop::collection::btree_map(1_i64..60_000, places(ticks.len()), 0..6);
            members.prop_map(move |members| {
                let sorted = members.into_iter().map(|(series, mut places)| {
                    places.sort_unstable();
                    (series, places)
                });
                Stamps { ticks: ticks.clone(), members: sorted.collect() }
            })
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whole_numbers_come_back(values in prop::collection::vec(
        prop_oneof![3 => -3_i64..4, 2 => any::<i32>().prop_map(i64::from), 1 => any::<i64>()], 0..200,
    )) {
        let mut out = Put::default();
        ints::put(&mut out, &values);
        let mut from = Take(&out.0);
        prop_assert_eq!(ints::take(&mut from, values.len()).unwrap(), values);
        prop_assert!(from.0.is_empty());
    }

    #[test]
    fn numbers_come_back_to_the_last_bit(values in prop::collection::vec(any_number(), 0..200)) {
        let mut out = Put::default();
        numbers::put(&mut out, &values);
        let back = numbers::take(&mut Take(&out.0), values.len()).unwrap();
        prop_assert_eq!(bits(&back), bits(&values));
    }

    #[test]
    fn stamps_come_back(stamps in any_stamps()) {
        prop_assert_eq!(take_stamps(&put_stamps(&stamps)).unwrap(), stamps);
    }

    #[test]
    fn a_body_comes_back(
        entries in prop::collection::vec(
            (0_i64..4, prop::option::of(any::<i64>()), any::<bool>(), any_number()), 0..100,
        ),
    ) {
        let ticks: Vec<Tick> =
            (0..entries.len() as i64).map(|i| Tick { id: i, run: 1, moment: i, at: i * 10_000 }).collect();
        let places: Vec<u32> = (0..entries.len() as u32).collect();
        let mut body = Body::with_columns(1);
        entries.iter().for_each(|(n, time, retained, v)| body.push(*n, *time, *retained, &[*v]));
        let packed = put_body(&body, &ticks, &places);
        prop_assert!(take_body(&packed, &ticks, &places).unwrap().same_as(&body));
        prop_assert_eq!(bits(&take_numbers(&packed, places.len()).unwrap()), bits(&body.columns[0]));
    }

    #[test]
    fn damage_is_told_and_never_more(
        stamps in any_stamps(), place in any::<prop::sample::Index>(), with in any::<u8>(), cut in any::<bool>(),
    ) {
        let mut packed = put_stamps(&stamps);
        let i = place.index(packed.len());
        if cut { packed.truncate(i) } else { packed[i] = with }
        // An error or other stamps; no crash, and no memory without bound.
        if let Ok(read) = take_stamps(&packed) {
            prop_assert!(read.ticks.len() <= MOST_ENTRIES);
        }
    }

    #[test]
    fn hours_hold_what_their_numbers_give(values in prop::collection::vec(any_number(), 1..200)) {
        let at: Vec<i64> = (0..values.len() as i64).map(|i| i * 600_000).collect();
        let sums = HourSums::of(at.iter().copied(), &values);
        let back = HourSums::take(&sums.put().unwrap()).unwrap();
        for hour in 0..values.len().div_ceil(6) {
            let known: Vec<f64> =
                values.iter().skip(hour * 6).take(6).copied().filter(|v| !v.is_nan()).collect();
            let found = back.0.iter().find(|h| h.hour == hour as i64);
            prop_assert_eq!(found.map_or(0, |h| h.count), known.len() as u64);
            if let Some(h) = found {
                prop_assert_eq!(h.min, known.iter().copied().fold(f64::INFINITY, f64::min));
                prop_assert_eq!(h.max, known.iter().copied().fold(f64::NEG_INFINITY, f64::max));
            }
        }
    }
}

/// One day of a balance as the core makes it.
fn balance(i: i64) -> [f64; COLUMNS] {
    let (grid, solar, loads) = ((i * 37 % 901 - 450) as f64, (i % 700) as f64 + 0.5, (i % 90) as f64);
    let house = grid + solar;
    [grid, solar, f64::NAN, house, grid.max(0.0), (-grid).max(0.0), loads, house - loads, loads - grid]
        .map(|v| v + 0.0)
}

#[test]
fn what_follows_from_the_rest_of_a_balance_takes_no_room() {
    let ticks: Vec<Tick> =
        (0..8640).map(|i| Tick { id: i, run: 1, moment: i * 10_000, at: i * 10_000 }).collect();
    let places: Vec<u32> = (0..8640).collect();
    let mut whole = Body::with_columns(COLUMNS);
    let mut measured = Body::with_columns(COLUMNS);
    for i in 0..8640 {
        let values = balance(i);
        whole.push(0, None, false, &values);
        let mut few = [f64::NAN; COLUMNS];
        [0, 1, 6].iter().for_each(|c| few[*c] = values[*c]);
        measured.push(0, None, false, &few);
    }
    let (whole_packed, few_packed) =
        (put_body(&whole, &ticks, &places), put_body(&measured, &ticks, &places));
    assert!(whole_packed.len() <= few_packed.len() + 20, "{} {}", whole_packed.len(), few_packed.len());
    assert!(take_body(&whole_packed, &ticks, &places).unwrap().same_as(&whole));
}

#[test]
fn steady_stamps_cost_nearly_nothing() {
    // Twelve devices every 10 s, each at its own moment: a day of 103,680 stamps.
    let mut ticks = Vec::new();
    let mut members: Vec<(i64, Vec<u32>)> = (1..=12).map(|s| (s, Vec::new())).collect();
    for round in 0..8640_i64 {
        for device in 0..12_i64 {
            members[device as usize].1.push(ticks.len() as u32);
            let moment = round * 10_000 + device * 700;
            ticks.push(Tick { id: ticks.len() as i64 + 5, run: 3, moment, at: moment + 1_700_000_000_000 });
        }
    }
    let packed = put_stamps(&Stamps { ticks, members });
    assert!(packed.len() < 400, "{}", packed.len());
}
