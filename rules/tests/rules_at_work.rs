//! Rules at work: who wins, who waits, who fails, what is remembered, and what counts as a decision.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::input::*;
use overspill_rules::kept::{Kept, KeptMemory};
use overspill_rules::output::*;
use overspill_rules::request::Request;
use overspill_rules::time::{Moment, Span};
use support::*;

const RUNS: &str = r#"home.load("car").run("now");"#;
const THROWS: &str = r#"let it = home.load("car"); throw "broken";"#;
const SILENT: &str = r#"let it = home.load("car"); if home.grid_w > 1e9 { it.run("never"); }"#;
const WAITS: &str = r#"if home.input("ask") > 0.0 { home.load("car").run("asked"); }"#;

fn bench(set: &[(&str, &str)]) -> Bench {
    let mut one = home(vec![car()], false);
    one.inputs.push(ask_input("ask"));
    let mut bench = Bench::new(one, set);
    bench.power(500.0, 0.0);
    bench
}

#[test]
fn the_highest_ranking_rule_that_asks_wins() {
    let stops = r#"home.load("car").stop("no");"#;
    for (set, rule, watts) in [
        ([("a", RUNS), ("b", stops)], "a", 7360.0),
        ([("a", stops), ("b", RUNS)], "a", 0.0),
        ([("a", SILENT), ("b", RUNS)], "b", 7360.0),
    ] {
        let bench = bench(&set);
        assert_eq!((bench.load(0).rule.as_deref(), bench.setpoint(0)), (Some(rule), watts));
    }
}

#[test]
fn silence_means_no_opinion_and_nobody_asking_means_off() {
    let bench = bench(&[("a", SILENT)]);
    let report = bench.load(0);
    assert_eq!((report.on, report.rule, report.reason.as_str()), (false, None, "no rule asks for it"));
    assert_eq!(report.limited_by, None);
    assert_eq!(bench.rule("a").state, RuleState::Ok);
}

#[test]
fn a_load_without_any_rule_is_off() {
    let bench = bench(&[]);
    assert_eq!((bench.setpoint(0), bench.load(0).reason.as_str()), (0.0, "no rule asks for it"));
}

#[test]
fn the_last_request_of_a_rule_for_a_load_counts() {
    let body = r#"let it = home.load("car"); it.run("all"); it.stop("none"); it.run_at_a(10, "some");"#;
    let bench = bench(&[("a", body)]);
    assert_eq!(bench.setpoint(0), 2300.0);
    assert_eq!(bench.rule("a").requests.len(), 1);
    assert_eq!(bench.rule("a").requests[0].request, Request::RunAtA(10.0));
}

#[test]
fn an_unknown_value_makes_a_rule_wait_and_never_fail() {
    let mut bench = bench(&[("a", WAITS), ("b", RUNS)]);
    for _ in 0..20 {
        bench.after(10);
        bench.power(500.0, 0.0);
    }
    let rule = bench.rule("a");
    assert_eq!(rule.state, RuleState::Waiting);
    assert!(rule.message.unwrap().contains("ask"));
    // Its loads go to their fallback, although a lower rule asks.
    let report = bench.load(0);
    assert_eq!((report.setpoint_w, report.rule.as_deref()), (0.0, Some("a")));
    assert_eq!(report.limited_by, Some(Limit::Stale));
    assert!(!bench.notices().iter().any(|n| n.starts_with("rule")), "{:?}", bench.notices());
    bench.other(0, 1.0);
    assert_eq!((bench.rule("a").state, bench.setpoint(0)), (RuleState::Ok, 7360.0));
}

#[test]
fn a_higher_rule_keeps_its_word_while_a_lower_one_waits_or_fails() {
    for lower in [WAITS, THROWS] {
        let mut bench = bench(&[("a", RUNS), ("b", lower)]);
        bench.hold(60, 500.0, 0.0);
        assert_eq!((bench.setpoint(0), bench.load(0).rule.as_deref()), (7360.0, Some("a")));
    }
}

#[test]
fn a_waiting_load_says_what_it_waits_for() {
    let set = [("a", r#"if home.grid_w < 9000.0 { home.load("car").run("now"); }"#)];
    let mut bench = bench(&set);
    assert_eq!(bench.setpoint(0), 7360.0);
    bench.after(45);
    assert!(bench.load(0).reason.contains("no grid reading"), "{}", bench.load(0).reason);
    assert_eq!(bench.commands(0).last(), Some(&(30, 0.0)));
}

#[test]
fn a_rule_may_ask_whether_a_value_is_known_or_take_another() {
    let known = r#"if home.known("ask") { home.load("car").run("told"); } else { home.load("car").run_at_a(6, "untold"); }"#;
    let or = r#"if home.or("ask", 0.0) > 0.0 { home.load("car").run("told"); } else { home.load("car").run_at_a(6, "untold"); }"#;
    for body in [known, or] {
        let mut bench = bench(&[("a", body)]);
        assert_eq!((bench.rule("a").state, bench.setpoint(0)), (RuleState::Ok, 1380.0));
        bench.other(0, 1.0);
        assert_eq!(bench.setpoint(0), 7360.0);
    }
}

#[test]
fn a_rule_that_fails_is_told_with_line_and_column_and_its_loads_go_to_their_fallback() {
    let bench = bench(&[("a", "let it = home.load(\"car\");\nthrow \"broken\";"), ("b", RUNS)]);
    let report = bench.load(0);
    assert_eq!((report.setpoint_w, report.limited_by), (0.0, Some(Limit::Rule)));
    let rule = bench.rule("a");
    assert_eq!(rule.message.as_deref(), Some("broken"));
    assert_eq!((rule.line, rule.column), (Some(2), Some(1)));
    let told = &bench.told("rule_failed").concat();
    assert!(told.contains("line 2, column 1") && told.contains("broken"), "{told}");
}

#[test]
fn a_failing_rule_hides_its_load_from_lower_rules_only() {
    let mut one = home(vec![car(), water()], false);
    one.inputs.push(ask_input("ask"));
    let set = [("a", THROWS), ("b", RUNS), ("c", r#"home.load("water").run("now");"#)];
    let mut bench = Bench::new(one, &set);
    bench.power(500.0, 0.0);
    assert_eq!((bench.setpoint(0), bench.setpoint(1)), (0.0, 3000.0));
}

#[test]
fn three_failures_in_a_row_suspend_a_rule_until_it_changes() {
    let mut bench = bench(&[("a", THROWS)]);
    assert_ne!(bench.rule("a").state, RuleState::Ok);
    bench.hold(60, 500.0, 0.0);
    assert_eq!(bench.rule("a").state, RuleState::Suspended);
    assert_eq!(bench.told("rule_suspended").len(), 1);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Rule)));
    // Another rule beside it is no reason to try it again; another library may be one.
    bench.input(Input::Rules(rules(&[("a", THROWS), ("b", "")])));
    bench.hold(60, 500.0, 0.0);
    assert_eq!(bench.rule("a").state, RuleState::Suspended);
    let library = vec![RuleSource { name: "help".into(), text: "fn help() { 1 }".into() }];
    bench.input(Input::Rules(RuleSet { library, ..rules(&[("a", THROWS)]) }));
    assert_eq!(bench.rule("a").state, RuleState::Failed);
    bench.input(Input::Rules(rules(&[("a", RUNS)])));
    assert_eq!((bench.rule("a").state, bench.setpoint(0)), (RuleState::Ok, 7360.0));
}

#[test]
fn only_failures_in_a_row_count() {
    let body = r#"let it = home.load("car"); if home.input("ask") > 0.0 { throw "broken"; } it.run("now");"#;
    let mut bench = bench(&[("a", body)]);
    for _ in 0..10 {
        bench.other(0, 1.0);
        assert_eq!(bench.rule("a").state, RuleState::Failed);
        bench.after(1);
        bench.other(0, 1.0);
        bench.after(1);
        bench.other(0, 0.0);
        assert_eq!(bench.rule("a").state, RuleState::Ok);
        bench.after(1);
        bench.power(500.0, 0.0);
    }
}

#[test]
fn a_rule_that_can_not_be_compiled_is_suspended_alone() {
    let one = home(vec![car(), water()], false);
    let set = [("a", "home.load(\"car\").run(;"), ("b", r#"home.load("water").run("now");"#)];
    let mut bench = Bench::new(one, &set);
    bench.power(500.0, 0.0);
    assert_eq!(bench.rule("a").state, RuleState::Suspended);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Rule)));
    assert_eq!((bench.setpoint(1), bench.rule("b").state), (3000.0, RuleState::Ok));
}

#[test]
fn an_amount_that_is_no_number_is_a_failure() {
    for amount in ["0.0 / 0.0", "1.0 / 0.0", "-5.0"] {
        let bench = bench(&[("a", &format!(r#"home.load("car").run_at_w({amount}, "so much");"#))]);
        assert_eq!(bench.setpoint(0), 0.0, "{amount}");
        assert!(matches!(bench.rule("a").state, RuleState::Failed | RuleState::Suspended), "{amount}");
    }
}

#[test]
fn number_parameters_take_integers_too() {
    for amount in ["2300", "2300.0"] {
        let bench = bench(&[("a", &format!(r#"home.load("car").run_at_w({amount}, "so much");"#))]);
        assert_eq!(bench.setpoint(0), 2300.0, "{amount}");
    }
}

const COUNTS: &str = r#"this.n = (this.get("n") ?? 0) + 1; if this.n > 3 { home.load("car").run("the fourth time"); } else { home.load("car").stop("not yet"); }"#;

fn memories(bench: &Bench) -> Vec<String> {
    let of = bench.records().into_iter().filter_map(|(_, r)| match r {
        Record::Memory { json, .. } => Some(json),
        _ => None,
    });
    of.collect()
}

#[test]
fn memory_is_recorded_when_it_changes_and_known_again_after_a_restart() {
    let one = home(vec![car()], false);
    let mut bench = Bench::new(one.clone(), &[("a", COUNTS)]);
    bench.power(500.0, 0.0);
    bench.after(10);
    let recorded = memories(&bench);
    assert_eq!(recorded, [r#"{"n":1}"#, r#"{"n":2}"#, r#"{"n":3}"#]);
    let kept = bench.controller.kept();
    assert_eq!(kept.memory["a"], KeptMemory { version: 0, json: r#"{"n":3}"#.into() });
    let mut bench = restarted(one, kept, &[("a", COUNTS)], START);
    bench.power(500.0, 0.0);
    assert_eq!(memories(&bench)[0], r#"{"n":4}"#);
}

#[test]
fn memory_is_kept_by_file_name_over_a_reload_and_cleared_by_another_version() {
    let mut bench = bench(&[("a", COUNTS)]);
    bench.input(Input::Rules(rules(&[("a", &format!("{COUNTS} /* changed */"))])));
    let last = memories(&bench).pop().unwrap();
    assert_eq!(last, r#"{"n":3}"#);
    let versioned = format!("const MEMORY = 2;\nfn decide(home) {{ {COUNTS} }}");
    bench.input(Input::Rules(rules(&[("a", &versioned)])));
    assert_eq!(memories(&bench).pop().unwrap(), r#"{"n":1}"#);
    bench.input(Input::Rules(rules(&[("b", COUNTS)])));
    assert_eq!(memories(&bench).pop().unwrap(), r#"{"n":1}"#);
    assert_eq!(bench.controller.kept().memory["b"].json, r#"{"n":1}"#);
}

#[test]
fn memory_is_committed_only_on_success() {
    for end in ["throw \"broken\";", "let x = home.input(\"ask\");"] {
        let body = format!("this.n = (this.get(\"n\") ?? 0) + 1; let it = home.load(\"car\"); {end}");
        let bench = bench(&[("a", &body)]);
        assert!(memories(&bench).is_empty(), "{end}");
        assert!(!bench.controller.kept().memory.contains_key("a"), "{end}");
    }
}

#[test]
fn sustained_drives_a_command_at_its_moment() {
    let body =
        r#"if sustained("sun", home.solar_w > 1000.0, "2m") { home.load("car").run("two minutes of sun"); }"#;
    let mut bench = bench(&[("a", body)]);
    bench.to(Moment(7_000));
    bench.power(500.0, 2000.0);
    bench.hold(119, 500.0, 2000.0);
    assert_eq!(bench.setpoint(0), 0.0);
    bench.hold(1, 500.0, 2000.0);
    assert_eq!(bench.commands(0).last(), Some(&(127, 7360.0)));
    // One reading without sun, and the wait begins afresh.
    bench.hold(300, 500.0, 2000.0);
    bench.power(500.0, 900.0);
    assert_eq!(bench.setpoint(0), 0.0);
}

fn decisions_for(bench: &Bench) -> Vec<(Option<Limit>, bool, String)> {
    bench.decisions().into_iter().map(|d| (d.limited_by, d.on, d.reason)).collect()
}

#[test]
fn other_words_alone_are_no_decision_and_no_change_of_a_rules_state() {
    let body = r#"home.load("car").run(`at ${home.grid_w} W`);"#;
    let mut bench = bench(&[("a", body)]);
    let before = bench.decisions().len();
    let reports = |b: &Bench| b.outputs.iter().filter(|(_, o)| matches!(o, Output::Rule(_))).count();
    let told = reports(&bench);
    for n in 1..=20 {
        bench.after(10);
        bench.power(500.0 + f64::from(n), 0.0);
    }
    assert_eq!(bench.decisions().len(), before, "{:?}", decisions_for(&bench));
    assert_eq!(reports(&bench), told);
    assert_eq!(bench.load(0).reason, "at 520.0 W");
}

#[test]
fn changes_of_request_winner_limiter_and_switching_are_decisions_and_watts_in_between_are_not() {
    let body = r#"let it = home.load("car"); let ask = home.input("ask");
        if ask > 50.0 { it.run_at_w(ask * 100.0, "so much"); } else if ask > 0.0 { it.run_at_a(ask, "amps"); }"#;
    let mut bench = bench(&[("a", body), ("b", r#"home.load("car").stop("enough");"#)]);
    let mut counts = vec![];
    for ask in [6.0, 8.0, 10.0, 60.0, 70.0, 0.0] {
        bench.other(0, ask);
        counts.push(bench.decisions().len());
        bench.after(310);
        bench.power(500.0, 0.0);
        bench.forget_outputs();
    }
    // On by amps; other amps; other amps; another request (watts); other watts; another winner and off.
    assert_eq!(counts.len(), 6);
    assert!(counts[0] >= 1 && counts[3] >= 1 && counts[5] >= 1, "{counts:?}");
    assert_eq!((counts[1], counts[2], counts[4]), (0, 0, 0), "{counts:?}");
}

#[test]
fn a_decision_carries_its_chain() {
    let set = [
        ("a", r#"if home.input("ask") > 20.0 { home.load("car").run("warm"); }"#),
        ("b", r#"home.load("car").stop("enough");"#),
    ];
    let mut bench = bench(&set);
    bench.other(0, 21.5);
    let decision = bench.decisions().pop().unwrap();
    assert_eq!((decision.rule.as_deref(), decision.reason.as_str()), (Some("a"), "warm"));
    assert_eq!(decision.requests.iter().map(|a| a.rule.as_str()).collect::<Vec<_>>(), ["a", "b"]);
    let seen: Vec<_> = decision.readings.iter().map(|s| (s.name.as_str(), s.value)).collect();
    assert_eq!(seen, [("grid_w", Some(500.0)), ("ask", Some(21.5))]);
    assert_eq!((decision.on, decision.setpoint_w), (true, 7360.0));
    assert_eq!(decision.at, Some(START));
}

#[test]
fn rules_that_read_the_clock_wait_while_it_is_not_believed() {
    let body = r#"if home.clock.hour >= 0 { home.load("car").run("any time"); }"#;
    let mut bench = Bench::bare(home(vec![car()], false), Kept::default());
    bench.input(Input::ClockSet { offset_ms: START.0, believed: false });
    bench.input(Input::Rules(rules(&[("a", body)])));
    bench.power(500.0, 0.0);
    assert_eq!((bench.rule("a").state, bench.setpoint(0)), (RuleState::Waiting, 0.0));
    bench.input(Input::ClockSet { offset_ms: START.0, believed: true });
    assert_eq!((bench.rule("a").state, bench.setpoint(0)), (RuleState::Ok, 7360.0));
}

#[test]
fn a_window_of_the_clock_opens_and_closes_at_its_moment() {
    // It is 10:00 in London.
    let body = r#"if home.clock.between("10:07", "10:31") { home.load("car").run("cheap"); }"#;
    let mut one = home(vec![car()], false);
    one.points.iter_mut().for_each(|p| p.stale_after = Span::hours(2));
    let mut bench = Bench::new(one, &[("a", body)]);
    bench.power(500.0, 0.0);
    bench.after(3600);
    assert_eq!(bench.commands(0), [(0, 0.0), (420, 7360.0), (1860, 0.0)]);
}

#[test]
fn a_decision_is_taken_at_least_every_ten_seconds() {
    let mut bench = bench(&[("a", RUNS)]);
    for _ in 0..50 {
        assert!(bench.wake - bench.now <= Span::seconds(10));
        let wake = bench.wake;
        bench.to(wake);
    }
}

#[test]
fn inputs_with_one_stamp_are_taken_together() {
    let body = r#"if home.solar_w > 1000.0 && home.grid_w > 0.0 { throw "never both"; } home.load("car").run("fine");"#;
    let mut bench = Bench::new(home(vec![car()], false), &[("a", body)]);
    for n in 0..20 {
        if n % 2 == 0 {
            bench.power(-500.0, 2000.0)
        } else {
            bench.power(500.0, 0.0)
        }
        assert_eq!(bench.rule("a").state, RuleState::Ok);
        bench.after(5);
    }
}

#[test]
fn a_broken_reload_replaces_whole_and_gives_the_load_its_fallback() {
    let mut bench = bench(&[("a", RUNS)]);
    assert_eq!(bench.setpoint(0), 7360.0);
    bench.hold(10, 500.0, 0.0);
    bench.input(Input::Rules(rules(&[("b", SILENT)])));
    // `min_on` holds: no bound and no person asks.
    assert_eq!((bench.setpoint(0), bench.limit(0)), (1380.0, Some(Limit::MinOn)));
    bench.hold(290, 500.0, 0.0);
    assert_eq!(bench.setpoint(0), 0.0);
}

#[test]
fn imports_come_from_the_library_that_is_handed_in() {
    let set = RuleSet {
        rules: vec![rule(
            "a",
            "import \"share\" as s;\nfn decide(home) { home.load(\"car\").run_at_a(s::amps(), \"shared\"); }",
        )],
        library: vec![RuleSource { name: "share".into(), text: "fn amps() { 9 }".into() }],
    };
    let mut bench = bench(&[]);
    bench.input(Input::Rules(set));
    assert_eq!(bench.setpoint(0), 9.0 * 230.0);
}
