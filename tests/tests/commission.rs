//! The diagnosis of measuring points: the published table row by row, and every single fault on a few afternoons.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use overspill_rules::commission::{
    Act, Amount, Cause, Correction, Diagnosis, Sample, Suspect, Trace, Verdict, What, correction, diagnose,
};
use overspill_rules::home::PointId;
use overspill_rules::time::{Span, WallTime};
use overspill_tests::commission::faults::{Injected, singles};
use overspill_tests::commission::flows::Noise;
use overspill_tests::commission::plan::{one_phase, plan};
use overspill_tests::commission::table::{Count, row};

/// House 500 W, roof 2000 W, a step of 2000 W: the start of the published table.
const BASE_W: f64 = 500.0;
const ROOF_W: f64 = 2000.0;
const STEP_W: f64 = 2000.0;

fn acts() -> Vec<Act> {
    let act = |what, on, second: i64, watts| Act {
        what,
        on,
        at: WallTime(second * 1000),
        settle: Span::seconds(4),
        amount: Amount::read(watts, 0.05),
    };
    let test = (0..6).map(|i| act(What::TestLoad(None), i % 2 == 0, 300 + 60 * i, STEP_W));
    let solar = (0..6).map(|i| act(What::SolarOff, i % 2 == 1, 700 + 60 * i, ROOF_W));
    test.chain(solar).collect()
}

/// What a clean meter would read of grid and roof at a second.
fn flows(second: i64) -> (f64, f64) {
    let last = |what| acts().into_iter().rfind(|a| a.what == what && a.at.0 <= second * 1000);
    let load = if last(What::TestLoad(None)).is_some_and(|a| a.on) { STEP_W } else { 0.0 };
    let roof = if last(What::SolarOff).is_some_and(|a| !a.on) { 0.0 } else { ROOF_W };
    (BASE_W + load - roof, roof)
}

/// The table is of two clamps; `seen` turns true grid and roof into what they read.
fn judged(seen: impl Fn(f64, f64) -> (f64, f64)) -> Diagnosis {
    let mut site = one_phase();
    site.clamps.truncate(2);
    site.consumers.clear();
    let trace = |index: u16| {
        let watts = |second| {
            let (grid, solar) = flows(second);
            let both = seen(grid, solar);
            if index == 0 { both.0 } else { both.1 }
        };
        let samples = (0..1100).map(|s| Sample { at: WallTime(s * 1000 + 500), watts: watts(s) }).collect();
        Trace { point: PointId(index), interval: Span::seconds(1), samples }
    };
    diagnose(&site, &[trace(0), trace(1)], &acts(), &[])
}

fn single(diagnosis: &Diagnosis, point: usize) -> Vec<Cause> {
    let Verdict::Wrong(open) = &diagnosis.points[point].verdict else {
        panic!("not wrong: {:?}", diagnosis.points[point].verdict);
    };
    open.iter().filter(|s| s.causes.len() == 1).flat_map(|s| s.causes.clone()).collect()
}

fn is_good(diagnosis: &Diagnosis, point: usize) -> bool {
    diagnosis.points[point].verdict == Verdict::Good
}

/// The step tests of common practice: grid +step and solar 0 is good, and so on.
#[test]
fn the_published_table_row_by_row() {
    let (tail, roof) = (one_phase().clamps[0].own, one_phase().clamps[1].own);

    let good = judged(|g, s| (g, s));
    assert!(is_good(&good, 0) && is_good(&good, 1), "+step, 0: good: {good:?}");

    let reversed = judged(|g, s| (-g, s));
    assert_eq!(single(&reversed, 0), [Cause::Reversed], "-step, 0");
    assert!(is_good(&reversed, 1));

    let swapped = judged(|g, s| (s, g));
    assert_eq!(single(&swapped, 0), [Cause::Swapped(roof)], "0, +step");
    assert_eq!(single(&swapped, 1), [Cause::Swapped(tail)]);

    let turned = judged(|g, s| (s, -g));
    let Verdict::Wrong(open) = &turned.points[1].verdict else { panic!("0, -step: {turned:?}") };
    assert!(open.contains(&Suspect::of(&[Cause::Reversed, Cause::Swapped(tail)])), "0, -step");

    let encloses = judged(|g, s| (g, s + (g + s)));
    assert!(
        single(&encloses, 1).iter().all(|c| matches!(c, Cause::Encloses { opposed: false, .. })),
        "+step, +step: {:?}",
        encloses.points[1].set()
    );

    for k in [0.5, 1.5, 2.0] {
        let scaled = judged(|g, s| (k * g, s));
        assert_eq!(single(&scaled, 0), [Cause::Scale], "+{k} step, 0");
        assert!((scaled.points[0].likely_factor().unwrap() - k).abs() < 1e-9, "{k}");
    }

    let nothing = judged(|_, s| (0.0, s));
    assert!(single(&nothing, 0).contains(&Cause::NoReading), "0, 0");
}

/// Solar off from the same start: the grid falls, or the roof rises, where a clamp is reversed.
#[test]
fn the_solar_step() {
    let solar = judged(|g, s| (g, -s));
    assert_eq!(single(&solar, 1), [Cause::Reversed], "solar +step");
    assert!(is_good(&solar, 0));
    let downstream = judged(|g, s| (g + s, s));
    assert!(single(&downstream, 0).contains(&Cause::Downstream), "grid answers the load and not the roof");
}

#[test]
fn a_correction_is_proposed_where_one_cause_explains_all() {
    let site = one_phase();
    let proposed = |d: &Diagnosis| correction(&site, &d.points[0]);
    assert_eq!(proposed(&judged(|g, s| (-g, s))), Some(Correction::FlipSign));
    assert_eq!(proposed(&judged(|g, s| (0.5 * g, s))), Some(Correction::Scale(2.0)));
    assert_eq!(proposed(&judged(|g, s| (s, g))), Some(Correction::ExchangeWith(PointId(1))));
    assert_eq!(proposed(&judged(|g, s| (g, s))), None);
}

/// Clouds that move the roof by 1200 W every 37 s: far more than the published case of 300 W, which is not tried here.
#[test]
fn a_cloud_over_the_step_is_inconclusive() {
    let wave = std::cell::Cell::new(0_i64);
    let diagnosis = judged(|g, s| {
        wave.set(wave.get() + 1);
        let ramp = (wave.get() % 37) as f64 / 37.0 * 1200.0;
        (g + ramp, s - ramp)
    });
    assert!(
        diagnosis.points.iter().all(|p| matches!(p.verdict, Verdict::Inconclusive { .. })),
        "{diagnosis:?}"
    );
}

#[test]
fn no_verdict_is_wrong_on_a_few_afternoons() {
    let example = plan(one_phase(), 0);
    let mut all = singles(&example);
    all.push(Injected { name: "nothing".to_owned(), faults: Vec::new() });
    for noise in Noise::ALL {
        let mut total = Count::default();
        let mut told = Vec::new();
        for injected in &all {
            total
                .add(row(|seed| plan(one_phase(), seed), injected, noise, 0..2, &mut |text| told.push(text)));
        }
        assert_eq!(total.wrong, 0, "{}: {told:?}", noise.word());
        if noise == Noise::Ordinary {
            assert!(total.found_share() >= 0.99, "{}", total.line());
        }
    }
}

#[test]
fn every_cause_says_what_and_how_to_mend() {
    let other = one_phase().clamps[1].own;
    let causes = [
        Cause::Reversed,
        Cause::Swapped(other),
        Cause::Encloses { other, opposed: false },
        Cause::Downstream,
        Cause::NoReading,
        Cause::Scale,
        Cause::KilowattsAsWatts,
        Cause::WattsAsKilowatts,
        Cause::WrongPhase,
        Cause::Disturbed(other),
        Cause::Unsigned,
        Cause::TestLoadElsewhere,
    ];
    for cause in causes {
        assert!(cause.what().len() > 15 && cause.mend().ends_with('.'), "{cause:?}");
    }
}
