//! What holds for every home and every battery.

use overspill_rules::answers::battery::{Observed, Series, Strategy, Terms, run, what_if};
use overspill_rules::tariff::Prices;
use overspill_rules::time::{Span, WallTime};
use proptest::prelude::*;
use proptest::strategy::Strategy as _;
use rust_decimal::prelude::ToPrimitive;

use crate::support::{by_time, series};

/// Half hours, or what was seen of them: hours, import and export.
fn rows() -> impl proptest::strategy::Strategy<Value = Vec<(f64, f64, f64)>> {
    let flow = prop_oneof![Just(0.0), 0.0..0.3, 0.0..3.5];
    let row = (prop_oneof![Just(0.5), 0.01..0.5], flow.clone(), flow);
    proptest::collection::vec(row, 1..400)
}

fn terms() -> impl proptest::strategy::Strategy<Value = Terms> {
    (0.0..15.0, 0.1..1.5, 0.5..1.0, 0.5..1.0, 0.0..100.0, 0.0..1.0).prop_map(
        |(size_kwh, rate, charge_efficiency, discharge_efficiency, idle_w, reserve)| Terms {
            size_kwh,
            power_kw: size_kwh * rate,
            charge_efficiency,
            discharge_efficiency,
            idle_w,
            reserve_kwh: size_kwh * reserve,
        },
    )
}

const ALL: [Strategy; 3] = [Strategy::StoreSurplus, Strategy::FillCheap, Strategy::Foresight];

proptest! {
    #[test]
    fn charge_stays_within_bounds_and_energy_closes(rows in rows(), terms in terms()) {
        let series = series(Some(by_time("0.05")), &rows);
        for strategy in ALL {
            let (mut before, mut steps) = (0.0, 0);
            run(&series, &terms, strategy, |step, flow, charge_kwh| {
                let most = terms.power_kw * step.hours + 1e-9;
                assert!((0.0..=terms.in_use_kwh()).contains(&charge_kwh), "{charge_kwh}");
                assert!(flow.charge_kwh <= most && flow.discharge_kwh <= most, "{flow:?}");
                let all = [flow.import_kwh, flow.export_kwh, flow.charge_kwh, flow.discharge_kwh];
                assert!(all.iter().all(|kwh| *kwh >= -1e-12), "{flow:?}");
                let came = step.surplus_kwh + flow.import_kwh + flow.discharge_kwh;
                let went = step.need_kwh + terms.idle_w / 1000.0 * step.hours + flow.charge_kwh + flow.export_kwh;
                assert!((came - went).abs() < 1e-9, "{came} came, {went} went");
                let stored = flow.charge_kwh * terms.charge_efficiency;
                let given = flow.discharge_kwh / terms.discharge_efficiency;
                assert!((charge_kwh - before - stored + given).abs() < 1e-9);
                (before, steps) = (charge_kwh, steps + 1);
            });
            assert_eq!(steps, rows.len());
        }
    }

    #[test]
    fn storing_surplus_a_larger_battery_never_imports_more(rows in rows(), terms in terms(), larger in 1.0..4.0) {
        let series = series(None, &rows);
        let (size_kwh, power_kw) = (terms.size_kwh * larger, terms.power_kw * larger);
        let import = |terms: &Terms| what_if(&series, terms, Strategy::StoreSurplus).total.import_kwh;
        let (small, large) = (import(&terms), import(&Terms { size_kwh, power_kw, ..terms }));
        prop_assert!(large <= small + 1e-9, "{large} against {small}");
        let none: f64 = rows.iter().map(|row| row.1).sum();
        let without_idling = import(&Terms { idle_w: 0.0, ..terms });
        prop_assert!(without_idling <= none + 1e-9);
    }

    #[test]
    fn nobody_does_better_than_foresight(rows in rows(), terms in terms(), export in 0..12) {
        let series = series(Some(by_time(&format!("0.{export:02}"))), &rows);
        let cost = |s| what_if(&series, &terms, s).bill.unwrap().energy().to_f64().unwrap();
        let least = cost(Strategy::Foresight);
        for strategy in [Strategy::StoreSurplus, Strategy::FillCheap] {
            prop_assert!(cost(strategy) >= least - 1e-5);
        }
    }

    #[test]
    fn what_the_future_brings_changes_nothing_of_what_was_done(rows in rows(), more in rows(), terms in terms()) {
        let flows = |rows: &[(f64, f64, f64)]| {
            let mut flows = Vec::new();
            let series = series(Some(by_time("0.05")), rows);
            run(&series, &terms, Strategy::FillCheap, |_, flow, _| flows.push(*flow));
            flows
        };
        let (short, long) = (flows(&rows), flows(&[rows.clone(), more].concat()));
        prop_assert_eq!(&long[..short.len()], &short[..]);
    }
}

#[test]
fn days_on_which_clocks_change_are_planned_like_others() {
    // 19 to 31 October 2026 in London: 25 October has 50 half hours.
    let zone = jiff::tz::TimeZone::get("Europe/London").unwrap();
    let start = WallTime("2026-10-18T23:00:00Z".parse::<jiff::Timestamp>().unwrap().as_millisecond());
    let mut series = Series::new(zone, Some(by_time("0.05")));
    let (half_hours, terms) = (13 * 48 + 2, Terms::of_size(5.0));
    for n in 0..half_hours {
        let evening = matches!((n % 48) / 2, 16..=20);
        let seen = Observed {
            start: start + Span::minutes(30 * n),
            hours: 0.5,
            import_kwh: if evening { 1.5 } else { 0.1 },
            export_kwh: 0.0,
            solar_kwh: 0.0,
        };
        series.push(&seen, &Prices::default());
    }
    let days: Vec<usize> = series.steps().chunk_by(|a, b| a.day == b.day).map(<[_]>::len).collect();
    assert_eq!(days, [48, 48, 48, 48, 48, 48, 50, 48, 48, 48, 48, 48, 48]);
    let (mut steps, mut after) = (0, 0.0);
    run(&series, &terms, Strategy::FillCheap, |step, flow, _| {
        steps += 1;
        after += if step.day >= series.steps()[6 * 48].day { flow.charge_kwh } else { 0.0 };
    });
    assert_eq!(steps, half_hours);
    // Every night from the change on fills what the evening takes at most: 5 kWh, less a part of the fifty.
    assert!((after - 7.0 * 5.0 / 0.95).abs() < 7.0 * 5.0 / 25.0, "{after}");
}
