//! The verdict on one point, from everything that was switched.

use crate::home::PointId;

use super::super::{Cause, Next, PointReport, Response, Suspect, Unusable, Verdict, What};
use super::machine::{Machine, Move};
use super::question::Answer;
use super::result::{Fact, Made};
use super::world::World;

/// Judges one point.
pub(super) struct Judged(pub(super) PointId);

impl Machine for Judged {
    fn next(&mut self, world: &mut World) -> Move {
        let diagnosis = world.diagnosis();
        let id = world.name(self.0).to_owned();
        world.judged = Some(diagnosis.clone());
        Move::Finish(match diagnosis.points.iter().find(|p| p.point == self.0) {
            Some(report) => judged(world, report).facts(vec![Fact::Found(id, first_words(report))]),
            None => Made::open("No step can prove it.", "Compare it with an instrument."),
        })
    }

    fn answer(&mut self, _: &mut World, _: Answer) {}
}

fn first_words(report: &PointReport) -> String {
    match &report.verdict {
        Verdict::Good => "good".to_owned(),
        Verdict::Wrong(open) => open.first().map_or_else(String::new, causes),
        Verdict::Inconclusive { .. } => "not proven yet".to_owned(),
    }
}

fn judged(world: &World, report: &PointReport) -> Made {
    let seen: Vec<String> = report.responses.iter().filter_map(|r| answered(world, r)).collect();
    let evidence = if seen.is_empty() { "It saw no step".to_owned() } else { seen.join("; ") };
    let made = match &report.verdict {
        Verdict::Good => Made::good(format!("{evidence}: as it should.")),
        Verdict::Wrong(open) => Made::wrong(format!("{evidence}. It {}.", either(report, open)), mends(open)),
        Verdict::Inconclusive { open, next } => {
            let so_far = not_ruled_out(open);
            Made::open(format!("{evidence}.{so_far}"), next_words(world, *next))
        }
    };
    report.responses.iter().fold(made, |made, r| match r.share {
        Ok(share) => made.read(format!("answer to {}", named(world, r.what)), 100.0 * share, "%"),
        Err(_) => made,
    })
}

/// What one point did when something was switched.
fn answered(world: &World, r: &Response) -> Option<String> {
    let share = r.share.ok()?;
    let what = named(world, r.what);
    Some(if (share.abs()) < r.error.max(0.03) {
        format!("{what} ({:.0} W): it stood still", r.step_w)
    } else {
        format!("{what} ({:.0} W): it moved by {:+.0} W", r.step_w, share * r.step_w)
    })
}

/// A step as people name it.
pub(super) fn named(world: &World, what: What) -> String {
    match what {
        What::TestLoad(None) => "test load on".to_owned(),
        What::TestLoad(Some(phase)) => format!("test load on L{phase} on"),
        What::SolarOff => "roof off".to_owned(),
        What::Load(load) => {
            let name = world.home.loads.get(usize::from(load.0)).map_or("load", |l| l.name.as_str());
            format!("{name} on")
        }
    }
}

/// Points that are surely wrong, each with what is wrong with it.
pub(super) fn wrong(world: &World) -> Vec<String> {
    let points = world.diagnosis().points;
    let told = |report: &PointReport| match &report.verdict {
        Verdict::Wrong(open) => Some(format!("`{}` {}", world.name(report.point), either(report, open))),
        _ => None,
    };
    points.iter().filter_map(told).collect()
}

/// What still fits beside good.
fn not_ruled_out(open: &[Suspect]) -> String {
    let faults: Vec<&Suspect> = single(open).into_iter().filter(|s| !s.is_good()).collect();
    let told: Vec<String> = faults.iter().take(MOST_TOLD).map(|s| format!("it {}", causes(s))).collect();
    match (told.is_empty(), faults.len().saturating_sub(MOST_TOLD)) {
        (true, _) => String::new(),
        (false, 0) => format!(" Not ruled out yet: {}.", told.join("; ")),
        (false, more) => format!(" Not ruled out yet: {}; and {more} more.", told.join("; ")),
    }
}

/// The simplest suspects: pairs are only told where no single cause fits.
fn single(open: &[Suspect]) -> Vec<&Suspect> {
    let fewest = open.iter().filter(|s| !s.is_good()).map(|s| s.causes.len()).min().unwrap_or(0);
    open.iter().filter(|s| s.causes.len() == fewest).collect()
}

/// Told in one verdict at most.
const MOST_TOLD: usize = 4;

fn either(report: &PointReport, open: &[Suspect]) -> String {
    let simplest = single(open);
    let told: Vec<String> = simplest.iter().take(MOST_TOLD).map(|s| causes(s)).collect();
    let mut words = told.join("; or it ");
    let left = simplest.len().saturating_sub(MOST_TOLD);
    if left > 0 {
        words.push_str(&format!("; or {left} more"));
    }
    if let (Some(likely), true) = (report.likely_scale(), simplest.iter().any(|s| s.causes == [Cause::Scale]))
    {
        words.push_str(&format!(" (likely {likely})"));
    }
    words
}

fn causes(suspect: &Suspect) -> String {
    suspect.causes.iter().map(|c| c.what()).collect::<Vec<_>>().join(", and ")
}

fn mends(open: &[Suspect]) -> String {
    let mut mends: Vec<&str> = Vec::new();
    for cause in single(open).into_iter().take(MOST_TOLD).flat_map(|s| &s.causes) {
        if !mends.contains(&cause.mend()) {
            mends.push(cause.mend());
        }
    }
    mends.join(" Or: ")
}

/// What would tell, as an order.
fn next_words(world: &World, next: Next) -> String {
    match next {
        Next::Step(what, why) => {
            let step = match what {
                What::TestLoad(None) => "the test load".to_owned(),
                What::TestLoad(Some(phase)) => format!("the test load on L{phase}"),
                What::SolarOff => "the roof's switching off".to_owned(),
                What::Load(load) => world.home.loads.get(usize::from(load.0)).map_or("the load".to_owned(), |l| l.name.clone()),
            };
            let why = match why {
                Unusable::Silent => "the point was not heard meanwhile",
                Unusable::Restless => "the house or the sky moved too much",
                Unusable::Contradicting => "the repeats contradict each other",
                Unusable::TooFew => "it was not switched often enough",
            };
            format!("Do {step} again: {why}.")
        }
        Next::Export => "Let the home send power out (a sunny hour, little in use) and repeat the test load: only then a sign is seen.".to_owned(),
        Next::Instrument => "Compare it with an instrument: only that tells a scale so small.".to_owned(),
        Next::LookAgain => "Nothing known explains this. Look at the wiring, and repeat.".to_owned(),
    }
}
