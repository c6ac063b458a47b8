//! The points judged from two weeks of real readings: clean, and with a fault put in.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use overspill_rules::commission::passive::{Held, PassiveReport};
use overspill_rules::commission::{Cause, Conductor, Flow, Suspect};
use overspill_rules::home::{LoadId, PointId};
use overspill_tests::commission::recorded::{
    DAY, GRID, HEATER, KITCHEN, LAUNDRY, Minute, SOLAR, fortnight, home, judged,
};

type Truth = Vec<(usize, Suspect)>;
type Fault = (String, Truth, Box<dyn Fn(&Minute) -> Minute>);

const NAMES: [&str; 5] = ["grid", "solar", "heater", "laundry", "kitchen"];

fn own(place: usize) -> Conductor {
    let flow = match place {
        GRID => Flow::Tail,
        SOLAR => Flow::Solar,
        load => Flow::Load(LoadId((load - HEATER) as u16)),
    };
    Conductor { flow, phase: None }
}

fn one(place: usize, cause: Cause, name: &str, change: impl Fn(f64) -> f64 + 'static) -> Fault {
    let change = move |m: &Minute| {
        let mut m = *m;
        m[place] = change(m[place]);
        m
    };
    (format!("{} {name}", NAMES[place]), vec![(place, Suspect::of(&[cause]))], Box::new(change))
}

fn faults(points: &[usize]) -> Vec<Fault> {
    let mut all: Vec<Fault> = Vec::new();
    for (i, place) in points.iter().enumerate() {
        all.push(one(*place, Cause::Reversed, "reversed", |w| -w));
        for scale in [0.1, 0.5, 1.5, 2.0, 10.0] {
            all.push(one(*place, Cause::Scale, &format!("scale {scale}"), move |w| w * scale));
        }
        all.push(one(*place, Cause::KilowattsAsWatts, "kW as W", |w| w / 1000.0));
        all.push(one(*place, Cause::WattsAsKilowatts, "W as kW", |w| w * 1000.0));
        all.push(one(*place, Cause::NoReading, "nothing", |w| w.rem_euclid(3.0)));
        for other in &points[i + 1..] {
            let (a, b) = (*place, *other);
            let swapped = |of| Suspect::of(&[Cause::Swapped(own(of))]);
            let change = move |m: &Minute| {
                let mut m = *m;
                m.swap(a, b);
                m
            };
            let truth = vec![(a, swapped(b)), (b, swapped(a))];
            all.push((format!("{} and {} exchanged", NAMES[a], NAMES[b]), truth, Box::new(change)));
        }
    }
    if points.contains(&SOLAR) {
        let downstream = |m: &Minute| {
            let mut m = *m;
            m[GRID] += m[SOLAR];
            m
        };
        let truth = vec![(GRID, Suspect::of(&[Cause::Downstream]))];
        all.push(("grid downstream".to_owned(), truth, Box::new(downstream)));
        let both = |m: &Minute| {
            let mut m = *m;
            m[SOLAR] += m[GRID] + m[SOLAR];
            m
        };
        let house = Conductor { flow: Flow::House, phase: None };
        let truth = vec![(SOLAR, Suspect::of(&[Cause::Encloses { other: house, opposed: false }]))];
        all.push(("solar encloses the house".to_owned(), truth, Box::new(both)));
    }
    all
}

fn place(points: &[usize], point: PointId) -> usize {
    points[usize::from(point.0)]
}

/// Whether what is held contradicts the truth: good said of a faulty point, or wrong said without the truth in its set.
fn is_wrong_verdict(points: &[usize], report: &PassiveReport, truth: &Truth) -> Option<String> {
    for finding in &report.findings {
        let place = place(points, finding.point);
        let true_suspect = truth.iter().find(|(p, _)| *p == place).map(|(_, s)| s.clone());
        let name = NAMES[place];
        match (&finding.held, true_suspect) {
            (Held::Good, Some(_)) => return Some(format!("{name} is held good")),
            (Held::Wrong(_), None) => return Some(format!("{name} is held wrong")),
            (Held::Wrong(open), Some(truth)) if !open.contains(&truth) => {
                return Some(format!("{name}: the truth is not among {open:?}"));
            }
            _ => {}
        }
    }
    if report.is_wrong() && truth.is_empty() {
        return Some("something is said to be wrong".to_owned());
    }
    None
}

/// Found: something is said to be wrong, and the truth is among the explanations.
fn is_found(points: &[usize], report: &PassiveReport, truth: &Truth) -> bool {
    let same = |explained: &Vec<(PointId, Suspect)>| {
        explained.len() == truth.len()
            && explained.iter().all(|(p, s)| truth.contains(&(place(points, *p), s.clone())))
    };
    report.is_wrong() && report.explanations.iter().any(same)
}

#[derive(Default)]
struct Count {
    runs: usize,
    found: usize,
    pinned: usize,
    set: usize,
    wrong: Vec<String>,
}

fn counted(points: &[usize], place: bool, days: usize) -> (Count, Count) {
    let minutes = fortnight(points.contains(&SOLAR));
    let home = home(points, place);
    let (mut clean, mut faulty) = (Count::default(), Count::default());
    let nothing: Fault = ("clean".to_owned(), Vec::new(), Box::new(|m| *m));
    for (name, truth, fault) in std::iter::once(nothing).chain(faults(points)) {
        for first in (0..=minutes.len() - days * DAY).step_by(DAY) {
            let span = &minutes[first..first + days * DAY];
            let report = judged(&home, points, span, first, &fault);
            let count = if truth.is_empty() { &mut clean } else { &mut faulty };
            count.runs += 1;
            let found = if truth.is_empty() { report.is_good() } else { is_found(points, &report, &truth) };
            count.found += usize::from(found);
            if !found && std::env::var("SHOW").is_ok() {
                eprintln!("{name} from day {}: {report:#?}", first / DAY);
            }
            count.pinned += usize::from(report.findings.iter().any(|f| matches!(f.held, Held::Wrong(_))));
            count.set += report.explanations.len();
            if let Some(why) = is_wrong_verdict(points, &report, &truth) {
                count.wrong.push(format!("{name}, day {}: {why}", first / DAY));
            }
            if days == 14 {
                println!("{name}: found {found}, explanations {}, {}", report.explanations.len(),
                report.findings.iter().map(|f| f.held.word()).collect::<Vec<_>>().join(" "));
            }
        }
    }
    println!(
        "{days} days, {} points: clean {} of {} good; faults {} of {} found, pinned to a point {}, mean set {:.1}",
        points.len(), clean.found, clean.runs, faulty.found, faulty.runs, faulty.pinned,
        faulty.set as f64 / faulty.found.max(1) as f64
    );
    for wrong in clean.wrong.iter().chain(&faulty.wrong) {
        println!("WRONG {wrong}");
    }
    (clean, faulty)
}

#[test]
fn single_days() {
    for days in [1, 3] {
        let start = std::time::Instant::now();
        counted(&[GRID, SOLAR, HEATER], true, days);
        counted(&[GRID, SOLAR], true, days);
        println!("{:?}", start.elapsed());
    }
}

#[test]
fn two_weeks() {
    for points in [vec![GRID, SOLAR, HEATER, LAUNDRY, KITCHEN], vec![GRID, SOLAR, HEATER], vec![GRID, SOLAR], vec![GRID, HEATER, LAUNDRY]] {
        let start = std::time::Instant::now();
        let (clean, faulty) = counted(&points, true, 14);
        println!("{:?}", start.elapsed());
        let _ = (clean, faulty);
    }
}
