//! What the check finds before a rule runs.

use std::sync::Arc;

use super::support::*;
use crate::home::LoadId;
use crate::input::{RuleSet, RuleSource};
use crate::script::{Program, RuleMemory, RunOutcome};

fn found(text: &str) -> String {
    let compiled = compile(text);
    assert!(!compiled.faults.is_empty(), "no fault in:\n{text}");
    assert_eq!(compiled.program.rules()[0].fault.as_ref(), compiled.faults.first());
    faults(&compiled)
}

#[test]
fn mistakes_of_syntax_are_told_with_their_line() {
    insta::assert_snapshot!(found("fn decide(home) {\n    let x = 1\n    let y = 2;\n}"), @r"
    test.rhai, line 3, column 5: `;` is missing before this
            let y = 2;
            ^
    ");
    insta::assert_snapshot!(found("fn decide(home) {\n    if home.grid_w > 5 {\n}"), @r"
    test.rhai, line 3, column 2: `}` is missing to terminate this block
        }
         ^
    ");
    insta::assert_snapshot!(found("fn decide(home) {\n    let t = \"open;\n}"), @r#"
    test.rhai, line 2, column 13: a text is not closed
            let t = "open;
                    ^
      help: add the `"` at its end
    "#);
    insta::assert_snapshot!(found("fn decide(home) {\n    let x = 1,5;\n}"), @r"
    test.rhai, line 2, column 14: `;` is missing before this
            let x = 1,5;
                     ^
    ");
    insta::assert_snapshot!(found("fn decide(home) {\n    if home.grid_w = 5 { }\n}"), @r"
    test.rhai, line 2, column 20: `=` sets a value and stands alone
            if home.grid_w = 5 { }
                           ^
      help: to compare, write `==`
    ");
    insta::assert_snapshot!(found("fn decide(home) {\n    x = 5;\n}"), @r"
    test.rhai, line 2, column 5: there is no variable `x` here
            x = 5;
            ^
    ");
    insta::assert_snapshot!(found("const LIMIT = 5;\nfn decide(home) {\n    if home.grid_w > LIMIT { }\n}"), @r"
    test.rhai, line 3, column 22: there is no variable `LIMIT` here
            if home.grid_w > LIMIT { }
                             ^
      help: inside a function a constant of the file is written `global::LIMIT`
    ");
    insta::assert_snapshot!(found("fn decide(home) { solar::ask(home); }"), @r#"
    test.rhai, line 1, column 19: `solar` is not imported
        fn decide(home) { solar::ask(home); }
                          ^
      help: write `import "solar" as solar;` at the top of the file
    "#);
}

#[test]
fn a_rule_without_decide_is_refused() {
    insta::assert_snapshot!(found("fn run(home) { }"), @r"
    test.rhai, line 1, column 1: the rule has no function `decide`
        fn run(home) { }
        ^
      help: a rule begins with `fn decide(home) {`
    ");
    insta::assert_snapshot!(found("fn decide() { }"), @r"
    test.rhai, line 1, column 1: `decide` must have one parameter, the home, and has 0
        fn decide() { }
        ^
      help: a rule begins with `fn decide(home) {`
    ");
    insta::assert_snapshot!(found(""), @r"
    test.rhai, line 1, column 1: the rule has no function `decide`
      help: a rule begins with `fn decide(home) {`
    ");
}

#[test]
fn unknown_names_of_the_home_are_refused_with_the_nearest() {
    let body = "home.load(\"cra\").run(\"x\");\nhome.load(\"pump\").run(\"x\");\nhome.point(\"sola\");\nhome.input(\"tank\");\nhome.known(\"grid\");\nhome.or(\"grid_kw\", 0);";
    insta::assert_snapshot!(found(&rule(body)), @r#"
    test.rhai, line 2, column 11: the home has no load `cra`
        home.load("cra").run("x");
                  ^
      help: did you mean `car`?
    test.rhai, line 3, column 11: the home has no load `pump`
        home.load("pump").run("x");
                  ^
      help: there is `car`, `water`
    test.rhai, line 4, column 12: the home has no point `sola`
        home.point("sola");
                   ^
      help: did you mean `solar`?
    test.rhai, line 5, column 12: the home has no input `tank`
        home.input("tank");
                   ^
      help: did you mean `tank_c`?
    test.rhai, line 7, column 9: the home has no value, point or input `grid_kw`
        home.or("grid_kw", 0);
                ^
      help: did you mean `grid_w`?
    "#);
}

#[test]
fn computed_names_of_loads_are_refused() {
    insta::assert_snapshot!(found(&rule("let name = \"car\";\nhome.load(name).run(\"x\");\nhome.load(\"c\" + \"ar\");\nload(home, name);")), @r#"
    test.rhai, line 3, column 6: the name of a load must be written out, not computed
        home.load(name).run("x");
             ^
      help: write one `home.load("..")` for each load; the program must know a rule's loads before it runs
    test.rhai, line 4, column 6: the name of a load must be written out, not computed
        home.load("c" + "ar");
             ^
      help: write one `home.load("..")` for each load; the program must know a rule's loads before it runs
    test.rhai, line 5, column 1: the name of a load must be written out, not computed
        load(home, name);
        ^
      help: write one `home.load("..")` for each load; the program must know a rule's loads before it runs
    "#);
    insta::assert_snapshot!(found("fn any(home, n) { home.load(n) }\nfn decide(home) { any(home, \"car\").run(\"x\"); }"), @r#"
    test.rhai, line 1, column 24: the name of a load must be written out, not computed
        fn any(home, n) { home.load(n) }
                               ^
      help: write one `home.load("..")` for each load; the program must know a rule's loads before it runs
    "#);
}

#[test]
fn unknown_words_are_refused_with_the_nearest() {
    let body = "let car = home.load(\"car\");\nif home.spare > 5 { }\nif home.spare_w() > 5 { }\nif car.plugedin { }\nif home.clock.hours > 5 { }\nhome.clock.betwen(\"00:30\", \"05:30\");\nhome.take_spare(\"x\");\nhome.load(\"car\").drawing;\ncar.energy_since;";
    insta::assert_snapshot!(found(&rule(body)), @r#"
    test.rhai, line 3, column 9: the home has no `spare`
        if home.spare > 5 { }
                ^
      help: did you mean `spare_w`?
    test.rhai, line 4, column 9: there is no function `spare_w`
        if home.spare_w() > 5 { }
                ^
      help: it is read without brackets
    test.rhai, line 5, column 8: a load has no `plugedin`
        if car.plugedin { }
               ^
      help: did you mean `plugged`?
    test.rhai, line 6, column 15: the clock has no `hours`
        if home.clock.hours > 5 { }
                      ^
      help: did you mean `hour`?
    test.rhai, line 7, column 12: there is no function `betwen`
        home.clock.betwen("00:30", "05:30");
                   ^
      help: did you mean `between`?
    test.rhai, line 8, column 6: the home has no `take_spare`
        home.take_spare("x");
             ^
      help: it belongs to a load
    test.rhai, line 9, column 18: a load has no `drawing`
        home.load("car").drawing;
                         ^
    test.rhai, line 10, column 5: a load has no `energy_since`
        car.energy_since;
            ^
      help: write `.energy_since(time)`
    "#);
}

#[test]
fn wrong_numbers_of_values_are_refused() {
    insta::assert_snapshot!(found(&rule("let car = home.load(\"car\");\ncar.run();\ncar.run_at_w(1500);\nhome.load(\"car\", \"water\");\nhome.clock.between(\"00:30\");\nsustained(\"x\", true);\nmax(1, 2, 3);")), @r#"
    test.rhai, line 3, column 5: `run` can't be used with no value
        car.run();
            ^
      help: it is used as .run(why)
    test.rhai, line 4, column 5: `run_at_w` can't be used with one value
        car.run_at_w(1500);
            ^
      help: it is used as .run_at_w(watts, why)
    test.rhai, line 5, column 6: `load` can't be used with 2 values
        home.load("car", "water");
             ^
      help: it is used as .load(name)
    test.rhai, line 6, column 12: `between` can't be used with one value
        home.clock.between("00:30");
                   ^
      help: it is used as .between(start, end)
    test.rhai, line 7, column 1: `sustained` can't be used with 2 values
        sustained("x", true);
        ^
      help: it is used as sustained(name, condition, span)
    test.rhai, line 8, column 1: `max` can't be used with 3 values
        max(1, 2, 3);
        ^
      help: it is used as max(a, b)
    "#);
}

#[test]
fn unknown_terms_are_refused_with_the_nearest() {
    insta::assert_snapshot!(found(&rule("home.load(\"car\").take_spare(#{ keep: 5, at_most_w: 5, grid: 1, colour: 3 }, \"x\");")), @r#"
    test.rhai, line 2, column 32: `take_spare` has no term `keep`
        home.load("car").take_spare(#{ keep: 5, at_most_w: 5, grid: 1, colour: 3 }, "x");
                                       ^
      help: did you mean `keep_w`?
    test.rhai, line 2, column 55: `take_spare` has no term `grid`
        home.load("car").take_spare(#{ keep: 5, at_most_w: 5, grid: 1, colour: 3 }, "x");
                                                              ^
      help: did you mean `grid_up_to_w`?
    test.rhai, line 2, column 64: `take_spare` has no term `colour`
        home.load("car").take_spare(#{ keep: 5, at_most_w: 5, grid: 1, colour: 3 }, "x");
                                                                       ^
      help: there is `at_least_w`, `at_most_w`, `keep_w`, `grid_up_to_w`
    "#);
}

#[test]
fn functions_of_the_rule_are_known_with_their_values() {
    let text = "fn ask(load, why) { load.run(why) }\nfn late() { this.n = 1; }\nfn decide(home) { ask(home.load(\"car\"), \"x\"); home.load(\"water\").ask(\"x\"); }";
    insta::assert_snapshot!(found(text), @r#"
    test.rhai, line 3, column 66: there is no function `ask`
        fn decide(home) { ask(home.load("car"), "x"); home.load("water").ask("x"); }
                                                                         ^
      help: the file defines it with 2 values
    "#);
    let good = "fn ask(load, why) { load.run(why) }\nfn decide(home) { ask(home.load(\"car\"), \"x\"); }";
    assert_eq!(requests(program(good).run(0, &Arc::new(view()), &RuleMemory::default())).len(), 1);
}

#[test]
fn statements_outside_functions_are_refused() {
    insta::assert_snapshot!(found("let x = 5;\nif x > 3 { }\nfn decide(home) { }"), @r"
    test.rhai, line 1, column 1: only `fn`, `const` and `import` may stand outside functions
        let x = 5;
        ^
      help: move it into a function; a fixed value can be a `const`
    test.rhai, line 2, column 1: only `fn`, `const` and `import` may stand outside functions
        if x > 3 { }
        ^
      help: move it into a function; a fixed value can be a `const`
    ");
}

#[test]
fn a_name_that_is_used_for_different_things_is_not_guessed_at() {
    let text = "fn ask(car) { car.anything }\nfn decide(home) { let car = home.load(\"car\"); ask(#{ anything: 1 }); }";
    assert_eq!(faults(&compile(text)), "");
}

#[test]
fn the_loads_of_a_rule_are_those_that_it_names() {
    let rules = |text: &str| program(text).rules()[0].loads.clone();
    assert_eq!(rules(&rule("if false { home.load(\"water\").run(\"x\"); }")), [LoadId(1)]);
    assert_eq!(
        rules(&rule("home.load(\"water\").on; home.load(\"car\").run(\"x\"); home.load(\"car\").on;")),
        [LoadId(0), LoadId(1)]
    );
    assert_eq!(
        rules(&rule("switch home.clock.hour { 1.0 => home.load(\"car\").run(\"x\"), _ => 0 }")),
        [LoadId(0)]
    );
    assert_eq!(rules(&rule("")), []);
}

#[test]
fn a_file_that_can_not_be_read_still_stands_for_its_loads() {
    let compiled = compile("fn decide(home) { home.load(\"water\").run(\"x\"); if }");
    assert!(compiled.program.rules()[0].fault.is_some());
    assert_eq!(compiled.program.rules()[0].loads, [LoadId(1)]);
}

const SOLAR: &str = "export const LEAST = 1400;\nfn worth(home) { home.spare_w > global::LEAST }\nfn heat(home) { home.load(\"water\").take_spare(\"lib\"); }";

#[test]
fn a_library_can_be_imported() {
    let text = "import \"solar\" as s;\nfn decide(home) {\n    if s::worth(home) { home.load(\"car\").run_at_w(s::LEAST, \"sun\"); }\n    s::heat(home);\n}";
    let compiled = Program::compile(&home(), &set(text, &[("solar", SOLAR)]));
    assert_eq!(faults(&compiled), "");
    assert_eq!(compiled.program.rules()[0].loads, [LoadId(0), LoadId(1)]);
    let run = compiled.program.run(0, &Arc::new(view()), &RuleMemory::default());
    assert_eq!(requests(run).len(), 2);
}

#[test]
fn libraries_can_import_each_other_but_not_in_a_circle() {
    let text = "import \"a\" as a;\nfn decide(home) { a::ask(home); }";
    let a = "import \"b\" as b;\nfn ask(home) { b::ask(home) }";
    let b = "fn ask(home) { home.load(\"car\").run(\"deep\") }";
    for order in [[("a", a), ("b", b)], [("b", b), ("a", a)]] {
        let compiled = Program::compile(&home(), &set(text, &order));
        assert_eq!(faults(&compiled), "");
        assert_eq!(requests(compiled.program.run(0, &Arc::new(view()), &RuleMemory::default())).len(), 1);
    }
    let circle = "import \"a\" as a;\nfn ask(home) { a::ask(home) }";
    let compiled = Program::compile(&home(), &set(text, &[("a", a), ("b", circle)]));
    insta::assert_snapshot!(faults(&compiled), @r#"
    lib/a.rhai, line 1, column 1: this file imports itself by way of others
        import "b" as b;
        ^
    lib/b.rhai, line 1, column 1: this file imports itself by way of others
        import "a" as a;
        ^
    test.rhai, line 1, column 8: there is no library `a` that can be used
        import "a" as a;
               ^
      help: libraries are the files of `rules/lib`, by name without ending
    "#);
}

#[test]
fn mistakes_around_libraries_are_told() {
    let check = |rule: &str, lib: &str| faults(&Program::compile(&home(), &set(rule, &[("solar", lib)])));
    insta::assert_snapshot!(check("import \"solr\" as s;\nfn decide(home) { s::worth(home); }", SOLAR), @r#"
    test.rhai, line 1, column 8: there is no library `solr` that can be used
        import "solr" as s;
               ^
      help: did you mean `solar`?
    "#);
    insta::assert_snapshot!(check("import \"solar\" as s;\nfn decide(home) { s::wort(home); s::worth(); s::MOST; }", SOLAR), @r"
    test.rhai, line 2, column 22: `s` has no function `wort` with one value
        fn decide(home) { s::wort(home); s::worth(); s::MOST; }
                             ^
      help: did you mean `worth`?
    test.rhai, line 2, column 37: `s` has no function `worth` with no value
        fn decide(home) { s::wort(home); s::worth(); s::MOST; }
                                            ^
      help: it takes one value
    test.rhai, line 2, column 49: there is no constant `s::MOST`
        fn decide(home) { s::wort(home); s::worth(); s::MOST; }
                                                        ^
      help: there is `LEAST`
    ");
    insta::assert_snapshot!(check("import \"solar\" as s;\nfn decide(home) { s::worth(home); }", "fn worth(home) { home.spare > 3 }"), @r#"
    lib/solar.rhai, line 1, column 23: the home has no `spare`
        fn worth(home) { home.spare > 3 }
                              ^
      help: did you mean `spare_w`?
    test.rhai, line 1, column 8: there is no library `solar` that can be used
        import "solar" as s;
               ^
      help: libraries are the files of `rules/lib`, by name without ending
    "#);
    insta::assert_snapshot!(check("fn decide(home) { }", "fn worth(home) {"), @r"
    lib/solar.rhai, line 1, column 17: `}` is missing to terminate this block
        fn worth(home) {
                        ^
    ");
}

#[test]
fn a_failure_inside_a_library_names_its_file_and_line() {
    let text = "import \"solar\" as s;\n\nfn decide(home) {\n    s::share(home);\n}";
    let lib = "fn share(home) {\n    let n = 0;\n    7 / n\n}";
    let program = Program::compile(&home(), &set(text, &[("solar", lib)])).program;
    insta::assert_snapshot!(told(&program.run(0, &Arc::new(view()), &RuleMemory::default())), @r"
    failed: lib/solar.rhai, line 3, column 7: a whole number is divided by zero
            7 / n
              ^
    ");
    let endless =
        Program::compile(&home(), &set(text, &[("solar", "fn share(home) {\n    loop { }\n}")])).program;
    insta::assert_snapshot!(told(&endless.run(0, &Arc::new(view()), &RuleMemory::default())), @r"
    failed: lib/solar.rhai, line 2, column 5: this does not come to an end: it took more than 100000 steps
            loop { }
            ^
      help: look for a loop that never stops
    ");
    let negative = "fn share(home) {\n    home.load(\"car\").run_at_w(0 - 5, \"x\");\n}";
    let negative = Program::compile(&home(), &set(text, &[("solar", negative)])).program;
    insta::assert_snapshot!(told(&negative.run(0, &Arc::new(view()), &RuleMemory::default())), @r#"
    failed: lib/solar.rhai, line 2, column 22: `car` can't run at a negative amount (-5)
            home.load("car").run_at_w(0 - 5, "x");
                             ^
    "#);
}

#[test]
fn one_broken_rule_does_not_take_the_others_along() {
    let source = |name: &str, text: &str| RuleSource { name: name.into(), text: text.into() };
    let set = RuleSet {
        rules: vec![
            source("broken", "fn decide(home) {"),
            source("good", &rule("home.load(\"car\").run(\"x\");")),
            source("wrong", &rule("home.load(\"boat\");")),
        ],
        library: vec![],
    };
    let compiled = Program::compile(&home(), &set);
    let names: Vec<_> =
        compiled.program.rules().iter().map(|r| (r.name.as_str(), r.fault.is_some())).collect();
    assert_eq!(names, [("broken", true), ("good", false), ("wrong", true)]);
    assert_eq!(compiled.faults.iter().map(|f| f.rule.as_str()).collect::<Vec<_>>(), ["broken", "wrong"]);
    let run = |n| compiled.program.run(n, &Arc::new(view()), &RuleMemory::default()).outcome;
    assert!(matches!(run(0), RunOutcome::Failed(_)));
    assert!(matches!(run(1), RunOutcome::Asked { .. }));
    assert!(matches!(run(2), RunOutcome::Failed(_)));
}

/// The rules of the example home are part of the documentation, and must do what they say.
#[test]
fn the_example_rules_compile_and_ask() {
    for (name, text, loads, asks) in [
        ("busy", include_str!("../../../../examples/wren/rules/busy.rhai"), vec![LoadId(0)], 0),
        ("car", include_str!("../../../../examples/wren/rules/car.rhai"), vec![LoadId(0)], 1),
        ("water", include_str!("../../../../examples/wren/rules/water.rhai"), vec![LoadId(1)], 1),
    ] {
        let compiled = compile(text);
        assert_eq!(faults(&compiled), "", "{name}");
        assert_eq!(compiled.program.rules()[0].loads, loads, "{name}");
        let run = compiled.program.run(0, &Arc::new(view()), &RuleMemory::default());
        assert_eq!(requests(run).len(), asks, "{name}");
    }
}
