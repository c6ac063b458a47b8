//! Values that a rule keeps by name.

use std::sync::Arc;

use super::support::*;
use crate::limits;
use crate::request::Request;
use crate::script::{Known, Program, RuleMemory, RunOutcome, View};
use crate::time::{Moment, Span};

/// Runs a rule every `every` seconds with the grid reading that `grid_w` gives, and collects its first request in watts.
struct Looks {
    program: Program,
    memory: RuleMemory,
    now: Moment,
}

impl Looks {
    fn new(expression: &str) -> Looks {
        let body = format!("home.load(\"car\").run_at_w({expression}, \"value\");");
        Looks { program: program(&rule(&body)), memory: RuleMemory::default(), now: Moment(0) }
    }

    fn look(&mut self, seconds: i64, grid_w: f64) -> f64 {
        self.now = self.now + Span::seconds(seconds);
        let mut view = View { now: self.now, ..view() };
        view.balance[0] = Known { value: Some(grid_w), age: Some(Span::ZERO) };
        let run = self.program.run(0, &Arc::new(view), &self.memory);
        match run.outcome {
            RunOutcome::Asked { requests, memory } => {
                self.memory = memory;
                match requests[0].1 {
                    Request::RunAtW(watts) => watts,
                    other => panic!("{other:?}"),
                }
            }
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn the_mean_is_weighed_by_time() {
    let mut looks = Looks::new("rolling_mean(\"grid\", home.grid_w, \"10m\")");
    assert_eq!(looks.look(0, 1000.0), 1000.0, "nothing else is known yet");
    // 1000 W for 10 s, then 4000 W for 20 s.
    looks.look(10, 4000.0);
    assert!((looks.look(20, 0.0) - 3000.0).abs() < 1e-9);
}

#[test]
fn what_is_older_than_the_window_no_longer_counts() {
    let mut mean = Looks::new("rolling_mean(\"grid\", home.grid_w, \"10m\")");
    let mut least = Looks::new("rolling_min(\"grid\", home.grid_w, \"10m\")");
    let mut greatest = Looks::new("rolling_max(\"grid\", home.grid_w, \"10m\")");
    for _ in 0..60 {
        mean.look(10, 500.0);
        least.look(10, 500.0);
        greatest.look(10, 500.0);
    }
    for i in 1..=59 {
        assert!(mean.look(10, 2000.0) < 2000.0, "{i}");
        assert_eq!(least.look(10, 2000.0), 500.0, "{i}");
        assert_eq!(greatest.look(10, 2000.0), 2000.0);
    }
    for _ in 0..3 {
        mean.look(10, 2000.0);
        least.look(10, 2000.0);
    }
    assert_eq!((mean.look(10, 2000.0), least.look(10, 2000.0)), (2000.0, 2000.0));
    assert_eq!(greatest.look(10, 100.0), 2000.0);
}

#[test]
fn a_gap_in_looking_starts_afresh() {
    let mut looks = Looks::new("rolling_max(\"grid\", home.grid_w, \"1h\")");
    looks.look(10, 9000.0);
    assert_eq!(looks.look(10, 100.0), 9000.0);
    assert_eq!(looks.look(31, 100.0), 100.0, "nobody knows what was in between");
}

#[test]
fn a_long_window_looked_at_often_stays_small() {
    let mut looks = Looks::new("rolling_mean(\"grid\", home.grid_w, \"24h\")");
    for second in 0..5000 {
        looks.look(1, f64::from(second % 2) * 1000.0);
    }
    let state = looks.memory.rolling.values().next().unwrap();
    assert!(state.parts() <= limits::ROLLING_PARTS + 1, "{}", state.parts());
    assert!((looks.look(1, 0.0) - 500.0).abs() < 1.0);
}

#[test]
fn what_can_t_be_kept_fails_in_words() {
    let fails = |body: &str| told(&run(body));
    assert!(fails("rolling_mean(\"a\", 1.0, \"1s\");").contains("looks back 10 s to 1 d"));
    assert!(fails("rolling_mean(\"a\", 0.0/0.0, \"1m\");").contains("can't take NaN"));
    assert!(
        fails("for i in 0..20 { rolling_mean(`a${i}`, 1.0, \"1m\"); }")
            .contains("may keep 16 rolling values")
    );
}

#[test]
fn what_a_rule_tells_comes_with_its_run() {
    assert_eq!(
        run("home.tell(\" the tank is cold \"); home.tell(\"the tank is cold\");").tells,
        ["the tank is cold"]
    );
    assert!(told(&run("home.tell(\"\");")).contains("nothing to tell"));
    assert!(told(&run("for i in 0..9 { home.tell(`${i}`); }")).contains("may tell 4 things at once"));
}
