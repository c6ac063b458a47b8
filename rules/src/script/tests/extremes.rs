//! Extreme values in every operator and every word: a script may fail, the program may not.

use std::sync::Arc;

use super::support::*;
use crate::script::vocabulary::{Owner, reference};
use crate::script::{RuleMemory, RunOutcome};

const VALUES: [&str; 16] = [
    "0",
    "-1",
    "9223372036854775807",
    "(-9223372036854775807 - 1)",
    "0.0",
    "-0.5",
    "1e308",
    "(0.0 / 0.0)",
    "(1.0 / 0.0)",
    "true",
    "()",
    "\"\"",
    "\"Zählerstand\"",
    "[]",
    "[1, \"a\", [2.5]]",
    "#{ a: 1, b: [()] }",
];

const OPERATORS: [&str; 17] =
    ["+", "-", "*", "/", "%", "**", "<<", ">>", "&", "|", "^", "==", "!=", "<", ">=", "..", "in"];

/// Runs `body`, whatever becomes of it.
fn survives(body: &str) {
    let compiled = compile(&rule(body));
    let run = compiled.program.run(0, &Arc::new(view()), &RuleMemory::default());
    // Reaching this line is what is tested; the text of a failure must be there too.
    if let RunOutcome::Failed(fault) = run.outcome {
        assert!(!fault.message.is_empty(), "{body}");
    }
}

/// One rule that tries everything in turn, each in a `try` of its own, and the failures that can't be caught alone.
fn survive_all(statements: &[String]) {
    for some in statements.chunks(40) {
        let body: String = some.iter().map(|s| format!("try {{ {s}; }} catch {{ }}\n")).collect();
        let compiled = compile(&rule(&body));
        let run = compiled.program.run(0, &Arc::new(view()), &RuleMemory::default());
        // One that is refused, or that can't be caught, ends the others too: then each is tried alone.
        if matches!(run.outcome, RunOutcome::Failed(_)) {
            some.iter().for_each(|statement| survives(&format!("{statement};")));
        }
    }
}

#[test]
fn operators_survive_every_pair_of_values() {
    let mut statements = Vec::new();
    for a in VALUES {
        for b in VALUES {
            statements.extend(OPERATORS.iter().map(|operator| format!("let x = {a} {operator} {b}")));
            statements
                .extend(["+=", "-=", "*=", "/=", "%=", "**="].map(|o| format!("let x = {a}; x {o} {b}")));
            statements.push(format!("let x = {a}; x[{b}]"));
            statements.push(format!("let x = {a}; x[{b}] = {a}"));
            statements.push(format!("let x = {a}; x[{b}..{b}]"));
            statements.push(format!("for i in {a}..={b} {{ break; }}"));
            statements.push(format!("`${{{a}}}${{{b}}}`"));
            statements.push(format!("switch {a} {{ 1 => 2, _ => {b} }}"));
        }
    }
    survive_all(&statements);
}

#[test]
fn words_survive_every_value() {
    let general = |owner| matches!(owner, Owner::Number | Owner::Text | Owner::List | Owner::Map);
    let mut statements = Vec::new();
    for entry in reference().iter().filter(|e| general(e.on)) {
        let parameters = entry.signature.matches(',').count() + usize::from(!entry.signature.contains("()"));
        for a in VALUES {
            for b in VALUES {
                let (owner, rest) = if entry.signature.starts_with('.') {
                    (format!("x.{}", entry.name), parameters)
                } else {
                    (entry.name.to_owned(), parameters)
                };
                let given = vec![b; rest].join(", ");
                statements.push(format!("let x = {a}; {owner}({given})"));
            }
        }
    }
    survive_all(&statements);
}

#[test]
fn requests_and_the_clock_survive_every_value() {
    for a in VALUES {
        for form in [
            "home.load(\"car\").run_at_w(V, \"x\")",
            "home.load(\"car\").run_at_a(V, \"x\")",
            "home.load(\"car\").run(V)",
            "home.load(\"car\").take_spare(V)",
            "home.load(\"car\").take_spare(V, V)",
            "home.load(\"car\").take_spare(#{ keep_w: V }, \"x\")",
            "home.load(\"car\").energy_since(V)",
            "home.clock.between(V, V)",
            "home.or(\"grid_w\", V)",
            "home.or(V, 0)",
            "home.known(V)",
            "home.point(V)",
            "sustained(V, true, \"1m\")",
            "sustained(\"x\", V, \"1m\")",
            "sustained(\"x\", true, V)",
            "this.x = V",
        ] {
            survives(&format!("{};", form.replace('V', a)));
        }
    }
}

/// The heaviest that a rule can do within its steps: copies and comparisons of lists, texts and nested maps.
#[test]
fn the_worst_within_the_limits_comes_to_an_end() {
    for body in [
        "let l = []; for i in 0..200 { l.push(`text ${i}`); } loop { let m = l; }",
        "let l = []; for i in 0..200 { l.push(i); } loop { l == l; l.contains(-1); }",
        "let t = \"x\"; for i in 0..12 { t += t; } loop { let u = t.to_upper(); }",
        "let t = \"x\"; for i in 0..12 { t += t; } loop { t.split(\"x\"); }",
        "let m = #{}; for i in 0..250 { m[`k${i}`] = i; } loop { let n = m; }",
        "let m = #{}; let i = 0; loop { m[`k${i}`] = i; i += 1; }",
        "let m = #{}; loop { m.a = m; m.b = m; }",
    ] {
        let run = run(body);
        assert!(matches!(run.outcome, RunOutcome::Failed(_)), "{body}");
    }
}
