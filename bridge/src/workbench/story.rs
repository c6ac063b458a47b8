//! What came of a test: everything that the controller gave, with its time after the start.

use overspill_rules::home::LoadId;
use overspill_rules::output::{BalanceReport, Decision, LoadReport, Notice, RuleReport};
use overspill_rules::script::Fault;
use overspill_rules::time::Span;

use super::dry::Tank;

/// What came of a test.
#[derive(Debug, Clone, Default)]
pub(crate) struct Story {
    /// Per load: what it does, whenever that changed.
    pub(crate) loads: Vec<Vec<(Span, LoadReport)>>,
    pub(crate) decisions: Vec<(Span, Decision)>,
    pub(crate) notices: Vec<(Span, Notice)>,
    pub(crate) rules: Vec<(Span, RuleReport)>,
    /// Failures of rules, each when it first came.
    pub(crate) faults: Vec<(Span, Fault)>,
    pub(crate) balances: Vec<(Span, BalanceReport)>,
    /// Per load: what it draws in watts, whenever that changed.
    pub(crate) draws: Vec<Vec<(Span, f64)>>,
    /// Per load: watt-hours taken until the end of each second.
    pub(crate) taken_wh: Vec<Vec<f64>>,
    /// Per load: what became of its tank, where it was given one.
    pub(crate) tanks: Vec<Option<Tank>>,
}

/// A change of what a load does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Turn {
    Start,
    Stop,
    Change,
}

impl Turn {
    /// The word for it.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Turn::Start => "start",
            Turn::Stop => "stop",
            Turn::Change => "change",
        }
    }
}

impl Story {
    /// A story of so many loads, not yet begun.
    pub(crate) fn new(loads: usize) -> Story {
        Story {
            loads: vec![Vec::new(); loads],
            draws: vec![Vec::new(); loads],
            taken_wh: vec![Vec::new(); loads],
            ..Story::default()
        }
    }

    /// What a load does at `at`.
    pub(crate) fn load_at(&self, load: LoadId, at: Span) -> Option<&LoadReport> {
        last_until(self.loads.get(usize::from(load.0))?, at)
    }

    /// What a load draws at `at`, in watts.
    pub(crate) fn draw_at(&self, load: LoadId, at: Span) -> f64 {
        self.draws.get(usize::from(load.0)).and_then(|d| last_until(d, at)).copied().unwrap_or(0.0)
    }

    /// The balance at `at`.
    pub(crate) fn balance_at(&self, at: Span) -> Option<&BalanceReport> {
        last_until(&self.balances, at)
    }

    /// Energy that a load takes from one moment until before another, in kilowatt-hours.
    pub(crate) fn kwh(&self, load: LoadId, from: Span, until: Span) -> f64 {
        let taken = self.taken_wh.get(usize::from(load.0));
        let before = |at: Span| {
            let second = usize::try_from(at.0 / 1000).unwrap_or(0).checked_sub(1)?;
            let taken = taken?;
            taken.get(second).or(taken.last()).copied()
        };
        (before(until).unwrap_or(0.0) - before(from).unwrap_or(0.0)) / 1000.0
    }

    /// Every start, stop and change of a load with its time, the report before it and the one of it.
    pub(crate) fn turns(&self, load: LoadId) -> Vec<(Span, Turn, Option<&LoadReport>, &LoadReport)> {
        let mut turns = Vec::new();
        let mut before: Option<&LoadReport> = None;
        for (at, report) in self.loads.get(usize::from(load.0)).into_iter().flatten() {
            let (was_on, was_w) = before.map_or((false, 0.0), |b| (b.on, b.setpoint_w));
            let turn = match (was_on, report.on) {
                (false, true) => Some(Turn::Start),
                (true, false) => Some(Turn::Stop),
                (true, true) if (report.setpoint_w - was_w).abs() > 0.5 => Some(Turn::Change),
                _ => None,
            };
            turns.extend(turn.map(|turn| (*at, turn, before, report)));
            before = Some(report);
        }
        turns
    }
}

fn last_until<T>(timed: &[(Span, T)], at: Span) -> Option<&T> {
    let next = timed.partition_point(|(t, _)| *t <= at);
    timed.get(next.checked_sub(1)?).map(|(_, thing)| thing)
}
