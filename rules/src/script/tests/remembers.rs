//! What rules remember.

use std::sync::Arc;

use super::support::*;
use crate::kept::KeptMemory;
use crate::script::{Program, RuleMemory, RunOutcome};

fn after(program: &Program, memory: &RuleMemory) -> RuleMemory {
    match program.run(0, &Arc::new(view()), memory).outcome {
        RunOutcome::Asked { memory, .. } => memory,
        other => panic!("{other:?}"),
    }
}

#[test]
fn memory_is_carried_from_one_evaluation_to_the_next() {
    let program = program(&rule(
        "this.count = (this.get(\"count\") ?? 0) + 1; this.list = [1, 2.5, \"a\", #{ x: () }];",
    ));
    let first = after(&program, &RuleMemory::default());
    let second = after(&program, &first);
    assert_eq!(first.to_json(), "{\"count\":1,\"list\":[1,2.5,\"a\",{\"x\":null}]}");
    assert_eq!(second.to_json(), "{\"count\":2,\"list\":[1,2.5,\"a\",{\"x\":null}]}");
    assert!(!first.same_data(&second));
    assert!(second.same_data(&RuleMemory::from_json(&second.to_json()).unwrap()));
}

#[test]
fn a_rule_that_does_not_use_its_memory_keeps_it() {
    let program = program(&rule("home.load(\"car\").run(\"x\");"));
    let memory = RuleMemory::from_json("{\"old\":1}").unwrap();
    assert!(after(&program, &memory).same_data(&memory));
}

#[test]
fn a_rule_that_waits_or_fails_changes_nothing() {
    let memory = RuleMemory::from_json("{\"n\":1}").unwrap();
    let mut unknown_grid = view();
    unknown_grid.balance[0] = unknown(None);
    let program = program(&rule("this.n = 2; sustained(\"s\", true, \"1m\"); home.grid_w; throw \"late\";"));
    let waiting = program.run(0, &Arc::new(unknown_grid), &memory);
    assert!(matches!(waiting.outcome, RunOutcome::Waiting { .. }));
    let failed = program.run(0, &Arc::new(view()), &memory);
    assert!(matches!(failed.outcome, RunOutcome::Failed(_)));
    assert_eq!(memory.to_json(), "{\"n\":1}");
    assert!(memory.sustained().is_empty());
}

#[test]
fn the_version_is_a_constant_of_the_rule() {
    assert_eq!(program(&rule("")).rules()[0].memory_version, 0);
    let text = "const MEMORY = 3;\nfn decide(home) { this.v = global::MEMORY; }";
    let program = program(text);
    assert_eq!(program.rules()[0].memory_version, 3);
    assert_eq!(after(&program, &RuleMemory::default()).to_json(), "{\"v\":3}");
    let kept = KeptMemory { version: 2, json: "{\"old\":1}".into() };
    assert!(RuleMemory::restored(&kept, program.rules()[0].memory_version).is_empty());
    let compiled = compile("const MEMORY = \"two\";\nfn decide(home) { }");
    assert!(faults(&compiled).contains("`MEMORY` must be a whole number"), "{}", faults(&compiled));
}

#[test]
fn waits_are_not_written_down() {
    let program = program(&rule("sustained(\"s\", true, \"1m\");"));
    let memory = after(&program, &RuleMemory::default());
    assert_eq!(memory.sustained().len(), 1);
    assert_eq!(memory.to_json(), "{}");
    assert!(memory.same_data(&RuleMemory::default()));
}
