//! A rule that means harm or is badly wrong, beside a good one: its own loads go to their fallback within that one
//! decision, and everything else goes on.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::output::*;
use support::*;

/// Name and body of `decide`; each names the car before it goes wrong.
fn hostile() -> Vec<(&'static str, String)> {
    let nested = format!("let x = {}1{};", "(".repeat(3000), ")".repeat(3000));
    let list: Vec<(&str, &str)> = vec![
        ("endless loop", "loop { }"),
        ("endless loop that catches", "loop { try { loop { } } catch { } }"),
        ("growing text", "let t = \"x\"; loop { t += t; }"),
        ("growing list", "let l = []; loop { l.push(1); }"),
        ("growing list of lists", "let l = [1]; loop { l.push(l); }"),
        ("growing map", "let i = 0; let m = #{}; loop { m[`k${i}`] = i; i += 1; }"),
        ("growing memory", "for i in 0..300 { this[`k${i}`] = 1; }"),
        ("nested data", "let l = []; loop { l = [l]; }"),
        ("deep nesting", &nested),
        ("throw", "throw \"no\";"),
        ("wrong types", "if home.grid_w > \"a lot\" { }"),
        ("wrong amount", "car.run_at_w(\"2000\", \"night\");"),
        ("no reason", "car.run(\"\");"),
        ("division by zero", "let x = 7 / 0;"),
        ("overflow", "let x = 9223372036854775807 + 1;"),
        ("infinite request", "car.run_at_w(1.0 / 0.0, \"all\");"),
        ("missing function", "frobnicate(1);"),
        ("sleep", "sleep(1000);"),
        ("eval", "eval(\"1\");"),
        ("sets the grid", "home.grid_w = -90000.0;"),
        ("memory that is no map", "this = 5;"),
        ("keeps the home", "this.home = [home];"),
    ];
    list.into_iter().map(|(name, body)| (name, format!("let car = home.load(\"car\"); {body}"))).collect()
}

fn whole_files() -> Vec<(&'static str, String)> {
    let good = "home.load(\"car\").run(\"now\");";
    vec![
        ("recursion", format!("fn down(n) {{ down(n + 1) }}\nfn decide(home) {{ {good} down(0); }}")),
        ("import from elsewhere", format!("import \"/etc/passwd\" as p;\nfn decide(home) {{ {good} }}")),
        ("no syntax at all", format!("fn decide(home) {{ {good}")),
        ("no decide", "fn decided(home) { home.load(\"car\").run(\"now\"); }".into()),
        ("too long a file", format!("// {}\nfn decide(home) {{ {good} }}", "x".repeat(70_000))),
    ]
}

const RUNS: &str = r#"home.load("car").run("now");"#;

#[test]
fn a_hostile_rule_harms_its_own_loads_only_and_only_by_their_fallback() {
    for (name, text) in hostile().into_iter().chain(whole_files()) {
        for fallback in [Fallback::Off, Fallback::Amps { amps: 6.0 }] {
            let wanted = if fallback == Fallback::Off { 0.0 } else { 1380.0 };
            let loads = vec![Load { fallback, ..car() }, water()];
            let good = r#"home.load("water").run_at_w(1000.0, "good"); this.n = 1;"#;
            let mut bench = Bench::new(home(loads, false), &[("car", RUNS), ("water", good)]);
            bench.power(500.0, 0.0);
            assert_eq!((bench.setpoint(0), bench.setpoint(1)), (7360.0, 1000.0));
            bench.hold(20, 500.0, 0.0);
            // The household saves a bad rule: within this one decision its load is at its fallback.
            bench.input(Input::Rules(rules(&[("car", &text), ("water", good)])));
            assert_eq!(bench.setpoint(0), wanted, "{name}");
            assert_eq!(bench.limit(0), Some(Limit::Rule), "{name}");
            assert!(matches!(bench.rule("car").state, RuleState::Failed | RuleState::Suspended), "{name}");
            assert!(bench.rule("car").message.is_some_and(|m| !m.is_empty()), "{name}");
            for _ in 0..6 {
                bench.hold(10, 1500.0, 0.0);
                assert_eq!((bench.setpoint(0), bench.setpoint(1)), (wanted, 1000.0), "{name}");
            }
            assert_eq!(bench.rule("car").state, RuleState::Suspended, "{name}");
            assert_eq!(bench.told("rule_suspended").len(), 1, "{name}");
            assert_eq!(bench.rule("water").state, RuleState::Ok, "{name}");
            // It is mended, and all is well.
            bench.input(Input::Rules(rules(&[("car", RUNS), ("water", good)])));
            bench.hold(310, 500.0, 0.0);
            assert_eq!(bench.setpoint(0), 7360.0, "{name}");
        }
    }
}

#[test]
fn a_rule_that_turns_hostile_at_work_is_stopped_in_that_decision() {
    for (name, body) in hostile().into_iter().take(8) {
        let text =
            format!("if home.input(\"ask\") > 0.0 {{ {body} }} else {{ home.load(\"car\").run(\"now\"); }}");
        let mut one = home(vec![car(), water()], false);
        one.inputs.push(ask_input("ask"));
        let good = r#"home.load("water").run("good");"#;
        let mut bench = Bench::new(one, &[("car", &text), ("water", good)]);
        bench.inputs(vec![Bench::other_reading(0, 0.0), Bench::reading(1, 0.0), Bench::reading(0, 500.0)]);
        assert_eq!(bench.setpoint(0), 7360.0, "{name}");
        bench.after(7);
        bench.other(0, 1.0);
        assert_eq!(bench.commands(0).last(), Some(&(7, 0.0)), "{name}");
        assert_eq!(bench.setpoint(1), 3000.0, "{name}");
    }
}

#[test]
fn a_hostile_rule_can_not_reach_another_rules_memory() {
    let writes = r#"this.n = (this.get("n") ?? 0) + 1; home.load("water").run("good");"#;
    let spoils = r#"this.n = 1000000; let car = home.load("car"); throw "no";"#;
    let mut bench = Bench::new(home(vec![car(), water()], false), &[("a", spoils), ("b", writes)]);
    bench.power(500.0, 0.0);
    let kept = bench.controller.kept().memory;
    assert_eq!(kept["b"].json, r#"{"n":2}"#);
    assert!(!kept.contains_key("a"));
}

#[test]
fn many_hostile_rules_at_once_leave_the_good_one_at_work() {
    let all: Vec<(&str, String)> = hostile();
    let mut set: Vec<(&str, &str)> = all.iter().map(|(name, text)| (*name, text.as_str())).collect();
    let good = r#"home.load("water").run("good");"#;
    set.push(("zz", good));
    let mut bench = Bench::new(home(vec![car(), water()], false), &set);
    bench.power(500.0, 0.0);
    bench.hold(60, 500.0, 0.0);
    assert_eq!((bench.setpoint(0), bench.setpoint(1)), (0.0, 3000.0));
}
