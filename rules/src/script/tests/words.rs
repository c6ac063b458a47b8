//! What each word of the vocabulary does.

use std::sync::Arc;

use super::support::*;
use crate::home::{InputId, LoadId, PointId};
use crate::request::{Request, SpareTerms};
use crate::script::vocabulary::{Owner, reference};
use crate::script::{Known, LoadLog, LoadMark, Program, RuleMemory, RuleRun, RunOutcome};
use crate::time::Span;

const SPARE: SpareTerms = SpareTerms { at_least_w: None, at_most_w: None, keep_w: 0.0, grid_up_to_w: 0.0 };

#[test]
fn the_balance_is_read_by_name() {
    assert_eq!(value("0 - home.grid_w"), 2000.0);
    assert_eq!(value("home.solar_w"), 2500.0);
    assert_eq!(value("home.battery_w"), 0.0);
    assert_eq!(value("home.house_w"), 500.0);
    assert_eq!(value("home.import_w"), 0.0);
    assert_eq!(value("home.export_w"), 2000.0);
    assert_eq!(value("home.loads_w"), 0.0);
    assert_eq!(value("home.base_w"), 500.0);
    assert_eq!(value("home.spare_w"), 2000.0);
}

#[test]
fn points_and_inputs_are_read_by_name() {
    assert_eq!(value("home.point(\"solar\")"), 2500.0);
    assert_eq!(value("home.input(\"tank_c\")"), 48.5);
}

#[test]
fn an_unknown_value_makes_the_rule_wait_with_words() {
    let mut view = view();
    view.balance = [unknown(Some(45)); 9];
    view.points = vec![unknown(None), unknown(Some(130))];
    view.inputs = vec![unknown(Some(3600))];
    let told = |body: &str| told(&run_with(body, view.clone()));
    insta::assert_snapshot!(told("home.grid_w;"), @"waiting: no grid reading for 45 s");
    insta::assert_snapshot!(told("home.export_w;"), @"waiting: no grid reading for 45 s");
    insta::assert_snapshot!(told("home.solar_w;"), @"waiting: no solar reading for 45 s");
    insta::assert_snapshot!(told("home.battery_w;"), @"waiting: no battery reading for 45 s");
    insta::assert_snapshot!(told("home.house_w;"), @"waiting: what the house uses is not known: the last reading is 45 s old");
    insta::assert_snapshot!(told("home.loads_w;"), @"waiting: what the loads draw is not known: the last reading is 45 s old");
    insta::assert_snapshot!(told("home.base_w;"), @"waiting: what the house uses without its loads is not known: the last reading is 45 s old");
    insta::assert_snapshot!(told("home.spare_w;"), @"waiting: spare power is not known: the last reading is 45 s old");
    insta::assert_snapshot!(told("home.point(\"grid\");"), @"waiting: no reading of `grid` yet");
    insta::assert_snapshot!(told("home.point(\"solar\");"), @"waiting: no reading of `solar` for 2 min");
    insta::assert_snapshot!(told("home.input(\"tank_c\");"), @"waiting: no reading of `tank_c` for 1 h");
}

#[test]
fn waiting_can_not_be_caught_and_asks_nothing() {
    let mut view = view();
    view.balance[0] = unknown(Some(45));
    let run = run_with("try { home.grid_w; } catch { } home.load(\"car\").run(\"anyway\");", view);
    assert_eq!(told(&run), "waiting: no grid reading for 45 s");
}

#[test]
fn a_value_that_is_no_number_is_unknown() {
    let mut view = view();
    view.balance[0] = Known { value: Some(f64::NAN), age: Some(Span::seconds(3)) };
    assert_eq!(told(&run_with("home.grid_w;", view.clone())), "waiting: no grid reading for 3 s");
    assert!(!holds_with("home.known(\"grid_w\")", view.clone()));
    assert_eq!(value_with("home.or(\"grid_w\", 7)", view), 7.0);
}

#[test]
fn a_rule_can_ask_whether_a_value_is_known() {
    let mut view = view();
    view.balance[0] = unknown(Some(45));
    view.inputs[0] = unknown(None);
    assert!(holds("home.known(\"grid_w\") && home.known(\"solar\") && home.known(\"tank_c\")"));
    assert!(!holds_with("home.known(\"grid_w\")", view.clone()));
    assert!(!holds_with("home.known(\"tank_c\")", view.clone()));
    assert_eq!(value_with("home.or(\"tank_c\", 60)", view.clone()), 60.0);
    assert_eq!(value_with("home.or(\"tank_c\", 60.5)", view.clone()), 60.5);
    assert_eq!(value_with("home.or(\"solar_w\", 0.0)", view), 2500.0);
}

#[test]
fn requests_carry_their_terms_and_reason() {
    let asked = |body: &str| requests(run(body));
    assert_eq!(
        asked("home.load(\"car\").take_spare(\"sun\");"),
        [(0, Request::TakeSpare(SPARE), "sun".into())]
    );
    let all =
        SpareTerms { at_least_w: Some(1400.0), at_most_w: Some(3000.5), keep_w: 200.0, grid_up_to_w: 500.0 };
    assert_eq!(
        asked(
            "home.load(\"car\").take_spare(#{ at_least_w: 1400, at_most_w: 3000.5, keep_w: 200, grid_up_to_w: 500.0 }, \"sun\");"
        ),
        [(0, Request::TakeSpare(all), "sun".into())]
    );
    assert_eq!(asked("home.load(\"water\").run(\"now\");"), [(1, Request::Run, "now".into())]);
    assert_eq!(
        asked("home.load(\"water\").run_at_w(1500, \"now\");"),
        [(1, Request::RunAtW(1500.0), "now".into())]
    );
    assert_eq!(
        asked("home.load(\"water\").run_at_w(1500.5, \"now\");"),
        [(1, Request::RunAtW(1500.5), "now".into())]
    );
    assert_eq!(
        asked("home.load(\"car\").run_at_a(16, \"now\");"),
        [(0, Request::RunAtA(16.0), "now".into())]
    );
    assert_eq!(
        asked("home.load(\"car\").run_at_a(16.5, \"now\");"),
        [(0, Request::RunAtA(16.5), "now".into())]
    );
    assert_eq!(asked("home.load(\"car\").stop(\"enough\");"), [(0, Request::Stop, "enough".into())]);
    assert_eq!(asked(""), []);
}

#[test]
fn the_last_request_for_a_load_counts() {
    let body = "let car = home.load(\"car\"); car.run(\"first\"); home.load(\"water\").run(\"w\"); car.stop(\"last\");";
    assert_eq!(requests(run(body)), [(0, Request::Stop, "last".into()), (1, Request::Run, "w".into())]);
}

#[test]
fn a_reason_is_needed_and_kept_short() {
    assert!(told(&run("let why = \"  \"; home.load(\"car\").run(why);")).contains("has no reason"));
    let long = "é".repeat(300);
    let asked = requests(run(&format!("home.load(\"car\").run(\"{long}\");")));
    assert_eq!(asked[0].2.chars().count(), 200);
    assert!(asked[0].2.ends_with('…'));
    let exact = "é".repeat(200);
    assert_eq!(requests(run(&format!("home.load(\"car\").run(\"{exact}\");")))[0].2, exact);
}

#[test]
fn amounts_that_can_not_be_are_failures_with_their_place() {
    let told = |body: &str| told(&run(&format!("let zero = 0.0;\nlet car = home.load(\"car\");\n{body}")));
    insta::assert_snapshot!(told("car.run_at_w(zero / zero, \"x\");"), @r#"
    failed: test.rhai, line 4, column 5: `car` can't run at a value that is no number (0/0 or the like)
        car.run_at_w(zero / zero, "x");
            ^
    "#);
    insta::assert_snapshot!(told("car.run_at_w(1 / zero, \"x\");"), @r#"
    failed: test.rhai, line 4, column 5: `car` can't run at an infinite amount (a division by zero or an overflow)
        car.run_at_w(1 / zero, "x");
            ^
    "#);
    insta::assert_snapshot!(told("car.run_at_a(-6, \"x\");"), @r#"
    failed: test.rhai, line 4, column 5: `car` can't run at a negative amount (-6)
        car.run_at_a(-6, "x");
            ^
    "#);
    insta::assert_snapshot!(told("car.take_spare(#{ keep_w: home.grid_w }, \"x\");"), @r#"
    failed: test.rhai, line 4, column 5: `keep_w` can't be a negative amount (-2000)
        car.take_spare(#{ keep_w: home.grid_w }, "x");
            ^
    "#);
    insta::assert_snapshot!(told("car.take_spare(#{ at_least_w: 3000, at_most_w: 2000 }, \"x\");"), @r#"
    failed: test.rhai, line 4, column 5: at_least_w = 3000 is more than at_most_w = 2000
        car.take_spare(#{ at_least_w: 3000, at_most_w: 2000 }, "x");
            ^
    "#);
    insta::assert_snapshot!(told("let terms = #{};\nterms[\"keep\"] = 5;\ncar.take_spare(terms, \"x\");"), @r#"
    failed: test.rhai, line 6, column 5: `take_spare` has no term `keep`
        car.take_spare(terms, "x");
            ^
      help: did you mean `keep_w`?
    "#);
    let text = "fn ask(load, w) {\n    load.run_at_w(w, \"x\")\n}\nfn decide(home) { try { ask(home.load(\"car\"), 0 - 1); } catch { } }";
    let run = program(text).run(0, &Arc::new(view()), &RuleMemory::default());
    insta::assert_snapshot!(super::support::told(&run), @r#"
    failed: test.rhai, line 2, column 10: `car` can't run at a negative amount (-1)
            load.run_at_w(w, "x")
                 ^
    "#);
}

#[test]
fn a_load_tells_what_it_does() {
    assert!(holds("!home.load(\"car\").on && home.load(\"water\").on"));
    assert_eq!(value("home.load(\"water\").setpoint_w"), 1000.0);
    assert_eq!(value("home.load(\"water\").draw_w"), 900.0);
    assert!(holds("home.load(\"car\").plugged"));
    assert_eq!(value("home.load(\"water\").on_for"), 12.0);
    assert_eq!(value("home.load(\"water\").off_for"), 0.0);
    assert_eq!(value("home.load(\"car\").on_for"), 0.0);
    assert_eq!(value("home.load(\"car\").off_for"), 12.0);
}

#[test]
fn what_a_load_does_not_tell_makes_the_rule_wait_or_fail() {
    let mut view = view();
    view.loads[0].plugged = None;
    view.loads[1].draw_w = None;
    let told = |body: &str| told(&run_with(body, view.clone()));
    insta::assert_snapshot!(told("home.load(\"car\").plugged;"), @"waiting: `car` has not reported yet whether it is plugged in");
    insta::assert_snapshot!(told("home.load(\"water\").draw_w;"), @"waiting: what `water` draws is not known");
    insta::assert_snapshot!(told("home.load(\"water\").plugged;"), @r#"
    failed: test.rhai, line 2, column 20: `water` does not report whether it is plugged in
        home.load("water").plugged;
                           ^
      help: give `feedback.plugged` of load `water` in the home file
    "#);
}

#[test]
fn energy_and_run_time_are_counted_from_a_local_time() {
    // Half past one in the afternoon; the log has a mark at noon and at midnight.
    let mut view = view();
    let mark = |at: &str, energy_kwh: f64, hours: i64| LoadMark {
        at: wall(at),
        energy_kwh,
        run_time: Span::hours(hours),
    };
    let marks = vec![mark("2026-06-05T23:00:00Z", 1.0, 0), mark("2026-06-06T11:00:00Z", 6.0, 2)];
    view.loads[0].log = Arc::new(LoadLog { marks });
    assert_eq!(value_with("home.load(\"car\").energy_since(\"12:00\")", view.clone()), 4.0);
    assert_eq!(value_with("home.load(\"car\").energy_since(\"00:00\")", view.clone()), 9.0);
    // Between two marks by proportion: six of the twelve hours.
    assert_eq!(value_with("home.load(\"car\").energy_since(\"06:00\")", view.clone()), 6.5);
    assert_eq!(value_with("home.load(\"car\").run_time_since(\"12:00\")", view.clone()), 1.0);
    // 14:00 has not come today: since yesterday's, which is before the log.
    assert_eq!(value_with("home.load(\"car\").energy_since(\"14:00\")", view), 9.0);
}

#[test]
fn whole_and_other_numbers_mix() {
    assert!(holds(
        "home.spare_w > 1999 && home.spare_w >= 2000 && home.spare_w == 2000 && 1999 < home.spare_w"
    ));
    assert!(holds("2000.0 == 2000 && 2 != 2.5 && 2 < 2.5 && 2.5 > 2"));
    assert_eq!(value("home.spare_w - 500"), 1500.0);
    assert_eq!(value("500 + home.spare_w * 2 / 4"), 1500.0);
    assert_eq!(value("min(home.spare_w, 1500)"), 1500.0);
    assert_eq!(value("max(0, home.spare_w)"), 2000.0);
    assert_eq!(value("(home.spare_w / 230).floor() * 230"), 1840.0);
    assert_eq!(value("home.grid_w.abs()"), 2000.0);
    // Literals without a point are whole numbers, as the reference says.
    assert_eq!(value("7 / 2"), 3.0);
    assert_eq!(value("7 / 2.0"), 3.5);
}

#[test]
fn lists_texts_and_maps_work() {
    assert!(holds("1 in [1, 2] && 2.0 in [1, 2] && !(3 in [1, 2]) && [1, [2]] == [1.0, [2]] && [1] != [2]"));
    assert_eq!(value("{ let sum = 0; for x in [1, 2, 4] { sum += x; } sum }"), 7.0);
    assert!(holds("\"sun\" in \"sunday\" && \"a,b\".split(\",\").len() == 2 && \"ab\".len() == 2"));
    assert!(holds("#{ a: 1 } == #{ a: 1 } && \"a\" in #{ a: 1 } && #{ a: 1 }.keys().len() == 1"));
    assert!(holds("(#{}.get(\"n\") ?? 4) == 4"));
}

fn sustained_at(program: &Program, memory: &RuleMemory, second: i64, sunny: bool) -> (RuleRun, RuleMemory) {
    let mut view = view();
    view.now = crate::time::Moment(second * 1000);
    view.balance[8] = Known { value: Some(if sunny { 3000.0 } else { 0.0 }), age: Some(Span::ZERO) };
    let run = program.run(0, &Arc::new(view), memory);
    let after = match &run.outcome {
        RunOutcome::Asked { memory, .. } => memory.clone(),
        other => panic!("{other:?}"),
    };
    (run, after)
}

#[test]
fn sustained_holds_after_its_time_and_starts_afresh() {
    let body = "if sustained(\"sunny\", home.spare_w > 2000, \"25s\") { home.load(\"car\").run(\"sun\"); }";
    let program = program(&rule(body));
    let mut memory = RuleMemory::default();
    // Seconds, whether it is sunny, whether the rule then asks.
    let looks = [
        (0, true, false),
        (10, true, false),
        (20, true, false),
        (25, true, true),
        (35, true, true),
        (45, false, false),
        (50, true, false),
        (74, true, false),
        (75, true, true),
        // Nobody looked for 31 seconds: the wait starts afresh.
        (106, true, false),
        (131, true, true),
    ];
    for (second, sunny, asks) in looks {
        let (run, after) = sustained_at(&program, &memory, second, sunny);
        memory = after;
        assert_eq!(!requests(run).is_empty(), asks, "at {second} s");
    }
}

#[test]
fn sustained_wakes_the_rule_when_its_time_comes() {
    let program = program(&rule("sustained(\"sunny\", home.spare_w > 2000, \"2m\");"));
    let (run, memory) = sustained_at(&program, &RuleMemory::default(), 100, true);
    assert_eq!(run.wake, Some(crate::time::Moment(220_000)));
    let (run, _) = sustained_at(&program, &memory, 130, true);
    assert_eq!(run.wake, Some(crate::time::Moment(220_000)));
    let (run, _) = sustained_at(&program, &memory, 130, false);
    assert_eq!(run.wake, None);
}

#[test]
fn two_waits_do_not_disturb_each_other() {
    let body = "let a = sustained(\"a\", true, \"10s\"); let b = sustained(\"b\", home.spare_w > 2000, \"10s\"); if a && !b { home.load(\"car\").run(\"a only\"); }";
    let program = program(&rule(body));
    let (_, memory) = sustained_at(&program, &RuleMemory::default(), 0, false);
    let (run, _) = sustained_at(&program, &memory, 10, true);
    assert_eq!(requests(run).len(), 1);
}

#[test]
fn waits_can_not_pile_up() {
    let run = run("let i = 0; loop { sustained(`w${i}`, true, \"1m\"); i += 1; }");
    assert!(told(&run).contains("64 waits"), "{}", told(&run));
}

#[test]
fn what_was_read_is_told() {
    let reads = run("home.grid_w; home.point(\"solar\"); home.input(\"tank_c\"); home.load(\"water\").on; home.load(\"car\").run(\"x\"); home.or(\"solar_w\", 0.0); home.known(\"house_w\");").reads;
    // To ask whether a value is known, or to take another instead, is to read it: grid, solar, house.
    assert_eq!(reads.balance, [true, true, false, true, false, false, false, false, false]);
    assert_eq!(reads.points, [PointId(1)]);
    assert_eq!(reads.inputs, [InputId(0)]);
    assert_eq!(reads.loads, [LoadId(1)]);
    assert!(!reads.clock);
    assert!(run("home.clock.hour;").reads.clock);
    assert!(run("home.load(\"car\").energy_since(\"12:00\");").reads.clock);
    let mut view = view();
    view.balance[0] = unknown(None);
    let waiting = run_with("home.grid_w;", view);
    assert!(waiting.reads.balance[0], "a rule that waits tells what it waits for");
}

#[test]
fn the_same_view_gives_the_same_answer() {
    let body = "this.n = (this.get(\"n\") ?? 0) + 1; home.load(\"car\").take_spare(#{ keep_w: home.spare_w / 3 }, `${this.n}`);";
    let program = program(&rule(body));
    let (view, memory) = (Arc::new(view()), RuleMemory::from_json("{\"n\":41,\"z\":[1,2.5,\"t\"]}").unwrap());
    let first = format!("{:?}", program.run(0, &view, &memory));
    for _ in 0..20 {
        assert_eq!(format!("{:?}", program.run(0, &view, &memory)), first);
    }
}

/// The examples of the reference are tried as they stand, each in a rule of its own.
#[test]
fn every_example_of_the_reference_compiles_and_runs() {
    let prepared = "let car = home.load(\"car\"); let water = home.load(\"water\"); let x = 2.5; let n = 7;\
        let name = \"wren\"; let text = \"t,y\"; let list = [1]; let map = #{ a: 1 }; this.count = 1;\n";
    for entry in reference() {
        let example = entry.example.replace("roof-east", "solar").trim_end_matches(';').to_owned();
        let compiled = compile(&rule(&format!("{prepared}{example};")));
        assert!(compiled.faults.is_empty(), "{}: {}", entry.example, faults(&compiled));
        let run = compiled.program.run(0, &Arc::new(view()), &RuleMemory::default());
        assert!(matches!(run.outcome, RunOutcome::Asked { .. }), "{}: {}", entry.example, told(&run));
    }
}

#[test]
fn every_entry_of_the_reference_is_complete() {
    for entry in reference() {
        assert!(!entry.doc.is_empty() && !entry.example.is_empty(), "{}", entry.name);
        assert!(entry.signature.contains(entry.name), "{}", entry.signature);
        let number = entry.on == Owner::Home && entry.name.ends_with("_w");
        assert!(!number || entry.unit == "W", "{}", entry.name);
    }
}
