//! The diagnosis of measuring points: the published table row by row, and every single fault on a few afternoons.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use overspill_rules::commission::{
    Act, Amount, Cause, Clamp, Consumer, Correction, Diagnosis, Sample, Site, Suspect, Trace, Verdict, What,
    correction, diagnose,
};
use overspill_rules::home::{LoadId, PointId};
use overspill_rules::time::{Span, WallTime};
use overspill_tests::commission::faults::{Injected, singles};
use overspill_tests::commission::flows::Noise;
use overspill_tests::commission::plan::{Display, one_phase, procedure, three_phases};
use overspill_tests::commission::score::Outcome;
use overspill_tests::commission::table::{Count, rows};

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
    judged_at(&site, &acts(), &[], seen)
}

fn judged_at(
    site: &Site,
    acts: &[Act],
    power_factors: &[(PointId, f64)],
    seen: impl Fn(f64, f64) -> (f64, f64),
) -> Diagnosis {
    let trace = |index: u16| {
        let watts = |second| {
            let (grid, solar) = flows(second);
            let both = seen(grid, solar);
            if index == 0 { both.0 } else { both.1 }
        };
        let samples = (0..1100).map(|s| Sample { at: WallTime(s * 1000 + 500), watts: watts(s) }).collect();
        Trace { point: PointId(index), interval: Span::seconds(1), samples }
    };
    diagnose(site, &[trace(0), trace(1)], acts, power_factors)
}

/// The same home on L1 of three phases: only there can a voltage be of the wrong one.
fn judged_on_l1(power_factor: Option<f64>, seen: impl Fn(f64, f64) -> (f64, f64)) -> Diagnosis {
    let mut site = three_phases();
    site.clamps = vec![site.clamps[0].clone(), Clamp { point: PointId(1), ..site.clamps[3].clone() }];
    let on_l1 = |act: Act| match act.what {
        What::TestLoad(_) => Act { what: What::TestLoad(Some(1)), ..act },
        _ => act,
    };
    let acts: Vec<Act> = acts().into_iter().map(on_l1).collect();
    let shown: Vec<(PointId, f64)> = power_factor.iter().map(|pf| (PointId(0), *pf)).collect();
    judged_at(&site, &acts, &shown, seen)
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
    // L 500 W, S 2000 W, a step of 2000 W: grid -1500 to +500.
    let first = |d: &Diagnosis, point: usize, nth: usize| d.points[point].responses[nth].edges().next();
    assert_eq!(first(&good, 0, 0), Some((-1500.0, 500.0)));
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

/// Row: +/-0.5 of the step and a power factor of 0.5. Cos 120 degrees is -0.5: a 1000 W heater reads -500 W, and +500 W
/// where the clamp is reversed as well (computed).
#[test]
fn the_published_row_of_a_wrong_phase() {
    let wrong_phase = judged_on_l1(Some(-0.5), |g, s| (-0.5 * g, s));
    assert_eq!(single(&wrong_phase, 0), [Cause::WrongPhase], "-0.5 step, 0");
    assert!(is_good(&wrong_phase, 1));
}

#[test]
fn the_power_factor_separates_half_scale_from_wrong_phase_and_reversed() {
    let reads_half = |g, s| (0.5 * g, s);
    let (half, turned) = (Suspect::of(&[Cause::Scale]), Suspect::of(&[Cause::WrongPhase, Cause::Reversed]));
    let holds = |d: &Diagnosis, s: &Suspect| d.points[0].set().contains(s);
    let unknown = judged_on_l1(None, reads_half);
    assert!(holds(&unknown, &half) && holds(&unknown, &turned), "+0.5 step alone leaves both");
    let of_a_heater = judged_on_l1(Some(0.99), reads_half);
    assert!(holds(&of_a_heater, &half) && !holds(&of_a_heater, &turned), "a power factor of 1: scale");
    let of_a_wrong_phase = judged_on_l1(Some(0.5), reads_half);
    assert!(!holds(&of_a_wrong_phase, &half) && holds(&of_a_wrong_phase, &turned), "of 0.5: phase");
}

/// At a power factor of 0.8 a wrong phase reads -1.1495 or +0.1495 of a load (computed): whatever it is, no other cause may
/// take its place. The heater tells, the controlled load does not speak against it.
#[test]
fn a_controlled_load_with_a_poor_power_factor_does_not_hide_a_wrong_phase() {
    for factor in [-1.1495, 0.1495] {
        let mut site = three_phases();
        site.clamps = vec![site.clamps[0].clone()];
        site.consumers = vec![Consumer { load: LoadId(0), phase: Some(1), counted: true }];
        let act = |what, i: i64| Act {
            what,
            on: i % 2 == 0,
            at: WallTime((300 + 60 * i) * 1000),
            settle: Span::seconds(4),
            amount: Amount::read(STEP_W, 0.05),
        };
        let heater = (0..6).map(|i| act(What::TestLoad(Some(1)), i));
        let acts: Vec<Act> = heater.chain((6..12).map(|i| act(What::Load(LoadId(0)), i))).collect();
        let on = |second: i64, of: std::ops::Range<i64>| {
            of.contains(&((second - 300).div_euclid(60))) && (second - 300).div_euclid(60) % 2 == 0
        };
        let watts = |s: i64| {
            let (heater, pump) = (f64::from(on(s, 0..6)), f64::from(on(s, 6..12)));
            -0.5 * (BASE_W + STEP_W * heater) + factor * STEP_W * pump
        };
        let samples = (0..1100).map(|s| Sample { at: WallTime(s * 1000 + 500), watts: watts(s) }).collect();
        let trace = Trace { point: PointId(0), interval: Span::seconds(1), samples };
        let diagnosis = diagnose(&site, &[trace], &acts, &[]);
        assert!(single(&diagnosis, 0).contains(&Cause::WrongPhase), "{factor}: {diagnosis:?}");
    }
}

/// Row: 0, 0 may be the test load on another phase.
#[test]
fn a_test_load_on_another_phase_than_said_is_in_the_set() {
    let nothing = judged_on_l1(None, |_, s| (BASE_W - s, s));
    assert!(single(&nothing, 0).contains(&Cause::TestLoadElsewhere), "{:?}", nothing.points[0].set());
}

/// Solar off from the same start: the grid falls, or the roof rises, where a clamp is reversed.
#[test]
fn the_solar_step() {
    let solar = judged(|g, s| (g, -s));
    assert_eq!(single(&solar, 1), [Cause::Reversed], "solar +step");
    // Grid -1500 to +500 where it is right, solar 2000 to 0; -2000 to 0 where its clamp is reversed, and the grid's the
    // other way round where that is.
    let off = |d: &Diagnosis, point: usize| d.points[point].responses[1].edges().next();
    assert_eq!((off(&solar, 0), off(&solar, 1)), (Some((-1500.0, 500.0)), Some((-2000.0, 0.0))));
    let grid = judged(|g, s| (-g, s));
    assert_eq!(single(&grid, 0), [Cause::Reversed], "grid -S0");
    assert_eq!(off(&grid, 0), Some((1500.0, -500.0)));
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

/// With the procedure's own numbers; `every_s` is how often a point reports.
fn few_afternoons(site: fn() -> Site, seeds: std::ops::Range<u64>, every_s: usize, display: Display) {
    let mut all = singles(&procedure(site(), 0, every_s, display));
    all.push(Injected::nothing());
    for noise in Noise::ALL {
        let mut told = Vec::new();
        let mut tell = |outcome, text: &dyn Fn() -> String| {
            if outcome == Outcome::Wrong {
                told.push(text());
            }
        };
        let mut total = Count::default();
        let counts =
            rows(|seed| procedure(site(), seed, every_s, display), &all, noise, seeds.clone(), &mut tell);
        counts.into_iter().for_each(|count| total.add(count));
        assert_eq!(total.wrong, 0, "{}: {told:?}", noise.word());
        if noise == Noise::Ordinary && every_s == 1 && display == Display::Once {
            // Of so few afternoons one with a kettle too many is half; the bar of 99 % is that of the whole table.
            assert!(total.found_share() >= 0.97 && total.inconclusive_share() <= 0.05, "{}", total.line());
        }
    }
}

#[test]
fn no_verdict_is_wrong_on_a_few_afternoons_with_one_phase() {
    few_afternoons(one_phase, 0..2, 1, Display::Once);
}

#[test]
fn no_verdict_is_wrong_on_a_few_afternoons_with_three_phases() {
    few_afternoons(three_phases, 0..2, 1, Display::Once);
}

#[test]
fn no_verdict_is_wrong_with_slow_points_and_an_inverter_that_shows_nothing() {
    few_afternoons(one_phase, 2..3, 10, Display::Once);
    // Here a kettle comes and goes with the tank.
    few_afternoons(one_phase, 50_007..50_008, 10, Display::Once);
    few_afternoons(three_phases, 4..5, 10, Display::Missing);
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
