//! Rules that mean harm or are badly wrong: each ends quickly, in a failure with its place, and changes nothing.

use std::sync::Arc;

use super::support::*;
use crate::script::{Program, RuleMemory, RunOutcome};

/// How a rule that compiles ends; its memory is shown to be untouched.
fn ends(body: &str) -> String {
    let program = program(&rule(body));
    let memory = RuleMemory::from_json("{\"kept\":1}").unwrap();
    let run = program.run(0, &Arc::new(view()), &memory);
    assert!(matches!(run.outcome, RunOutcome::Failed(_)), "{}", told(&run));
    assert_eq!(memory.to_json(), "{\"kept\":1}");
    // The engine is none the worse for it.
    let again = program.run(0, &Arc::new(view()), &memory);
    assert_eq!(told(&again), told(&run));
    told(&run)
}

/// What is said of a rule that is refused.
fn refused(text: &str) -> String {
    let compiled = compile(text);
    assert!(!compiled.faults.is_empty(), "compiled without a fault:\n{text}");
    let run = compiled.program.run(0, &Arc::new(view()), &RuleMemory::default());
    assert!(matches!(run.outcome, RunOutcome::Failed(_)), "a refused rule ran");
    faults(&compiled)
}

#[test]
fn an_endless_loop_is_stopped() {
    insta::assert_snapshot!(ends("this.kept = 2;\nloop { }"), @r"
    failed: test.rhai, line 3, column 1: this does not come to an end: it took more than 100000 steps
        loop { }
        ^
      help: look for a loop that never stops
    ");
}

#[test]
fn an_endless_loop_can_not_be_caught() {
    assert!(ends("loop { try { loop { } } catch { } }").contains("does not come to an end"));
}

#[test]
fn a_deep_recursion_is_stopped() {
    let text = "fn down(n) { down(n + 1) }\nfn decide(home) { down(0); }";
    let run = program(text).run(0, &Arc::new(view()), &RuleMemory::default());
    insta::assert_snapshot!(told(&run), @r"
    failed: test.rhai, line 1, column 23: functions call each other too deeply
        fn down(n) { down(n + 1) }
                              ^
    ");
}

#[test]
fn a_growing_text_is_stopped() {
    insta::assert_snapshot!(ends("let t = \"x\";\nloop { t += t; }"), @r"
    failed: test.rhai, line 3, column 13: a text grew too large
        loop { t += t; }
                    ^
    ");
}

#[test]
fn a_growing_list_is_stopped() {
    insta::assert_snapshot!(ends("let l = [];\nloop { l.push(1); }"), @r"
    failed: test.rhai, line 3, column 10: a list grew too large
        loop { l.push(1); }
                 ^
    ");
}

#[test]
fn a_growing_list_of_lists_is_stopped() {
    assert!(ends("let l = [1];\nloop { l.push(l); }").contains("grew too large"));
}

#[test]
fn a_growing_map_is_stopped() {
    insta::assert_snapshot!(ends("let i = 0;\nlet m = #{};\nloop { m[`k${i}`] = i; i += 1; }"), @r"
    failed: test.rhai, line 4, column 10: this does not come to an end: it took more than 100000 steps
        loop { m[`k${i}`] = i; i += 1; }
                 ^
      help: look for a loop that never stops
    ");
}

#[test]
fn a_growing_memory_is_refused() {
    insta::assert_snapshot!(ends("for i in 0..300 { this[`k${i}`] = 1; }"), @r"
    failed: test.rhai, line 1, column 17: `this` has 301 entries, more than 256
        fn decide(home) {
                        ^
    ");
    insta::assert_snapshot!(ends("let t = \"0123456789abcdef\";\nfor i in 0..8 { t += t; }\nfor i in 0..5 { this[`k${i}`] = t; }"), @r"
    failed: test.rhai, line 1, column 17: the memory holds 20550 bytes, more than the 16384 that a rule may keep
        fn decide(home) {
                        ^
    ");
}

#[test]
fn deep_nesting_is_refused() {
    for (open, close) in [("(", ")"), ("[", "]"), ("{", "}"), ("if true {", "}"), ("!", "")] {
        let text = rule(&format!("let x = {}true{};", open.repeat(3000), close.repeat(3000)));
        assert!(refused(&text).contains("nested too deeply"), "{open}");
    }
    for part in ["1 + ", "true && ", "x.a."] {
        let text = rule(&format!("let x = {}1;", part.repeat(3000)));
        assert!(!refused(&text).is_empty(), "{part}");
    }
    assert!(
        refused(&rule(&format!("if false {{ }} {}", "else if false { }".repeat(3000)))).contains("nested")
    );
}

#[test]
fn nested_data_is_stopped() {
    assert!(!ends("let l = [];\nloop { l = [l]; }").is_empty());
    assert!(!ends("let m = #{};\nloop { m = #{ a: m }; }").is_empty());
    assert!(!ends("for i in 0..40 { let l = [this.get(\"d\")]; this.d = l; }").is_empty());
}

#[test]
fn a_thrown_error_is_told() {
    insta::assert_snapshot!(ends("throw \"the tariff ended\";"), @r#"
    failed: test.rhai, line 2, column 1: the tariff ended
        throw "the tariff ended";
        ^
    "#);
}

#[test]
fn wrong_types_are_told() {
    insta::assert_snapshot!(ends("if home.grid_w > \"a lot\" { }"), @r#"
    failed: test.rhai, line 2, column 16: `>` can't compare a number with a text
        if home.grid_w > "a lot" { }
                       ^
    "#);
    insta::assert_snapshot!(ends("if home.grid_w == true { }"), @r"
    failed: test.rhai, line 2, column 16: `==` can't compare a number with true or false
        if home.grid_w == true { }
                       ^
    ");
    insta::assert_snapshot!(ends("let x = home.grid_w + [1];"), @r"
    failed: test.rhai, line 2, column 21: `+` can't be used between a number and a list
        let x = home.grid_w + [1];
                            ^
    ");
    insta::assert_snapshot!(ends("let w = \"2000\"; home.load(\"car\").run_at_w(w, \"night\");"), @r#"
    failed: test.rhai, line 2, column 34: there is no such use of `run_at_w` for a load, a text, a text
        let w = "2000"; home.load("car").run_at_w(w, "night");
                                         ^
      help: it is used as .run_at_w(watts, why)
    "#);
    insta::assert_snapshot!(ends("if home.load(\"car\") { }"), @r#"
    failed: test.rhai, line 2, column 8: true or false is needed here, not a load
        if home.load("car") { }
               ^
    "#);
    insta::assert_snapshot!(ends("home.load(\"car\").take_spare(#{ keep_w: \"much\" }, \"sun\");"), @r#"
    failed: test.rhai, line 2, column 18: `keep_w` must be a number of watts, not a text
        home.load("car").take_spare(#{ keep_w: "much" }, "sun");
                         ^
    "#);
    insta::assert_snapshot!(ends("if this.count > 3 { }"), @r#"
    failed: test.rhai, line 2, column 9: the map has no `count`
        if this.count > 3 { }
                ^
      help: ask first: `if "count" in ..`, or take something instead: `...get("count") ?? 0`
    "#);
    insta::assert_snapshot!(ends("home.grid_w = 5;"), @r"
    failed: test.rhai, line 2, column 6: `grid_w` can't be set
        home.grid_w = 5;
             ^
    ");
    insta::assert_snapshot!(ends("let x = 7 / 0;"), @r"
    failed: test.rhai, line 2, column 11: a whole number is divided by zero
        let x = 7 / 0;
                  ^
    ");
    insta::assert_snapshot!(ends("let x = 9223372036854775807 + 1;"), @r"
    failed: test.rhai, line 2, column 29: a whole number grew too large (addition overflow: 9223372036854775807 + 1)
        let x = 9223372036854775807 + 1;
                                    ^
    ");
}

#[test]
fn a_missing_function_is_refused() {
    insta::assert_snapshot!(refused(&rule("home.load(\"car\").take_spair(\"sun\");\nfrobnicate(1);")), @r#"
    test.rhai, line 2, column 18: there is no function `take_spair`
        home.load("car").take_spair("sun");
                         ^
      help: did you mean `take_spare`?
    test.rhai, line 3, column 1: there is no function `frobnicate`
        frobnicate(1);
        ^
    "#);
}

#[test]
fn sleep_is_refused_in_both_forms() {
    insta::assert_snapshot!(refused(&rule("sleep(10);\nsleep(10.5);\n5.sleep();")), @r"
    test.rhai, line 2, column 1: there is no function `sleep`
        sleep(10);
        ^
    test.rhai, line 3, column 1: there is no function `sleep`
        sleep(10.5);
        ^
    test.rhai, line 4, column 3: there is no function `sleep`
        5.sleep();
          ^
    ");
}

#[test]
fn an_import_of_a_file_elsewhere_is_refused() {
    insta::assert_snapshot!(refused("import \"/etc/passwd\" as p;\nimport \"../car\" as c;\nfn decide(home) { }"), @r#"
    test.rhai, line 1, column 8: there is no library `/etc/passwd` that can be used
        import "/etc/passwd" as p;
               ^
      help: libraries are the files of `rules/lib`, by name without ending
    test.rhai, line 2, column 8: there is no library `../car` that can be used
        import "../car" as c;
               ^
      help: libraries are the files of `rules/lib`, by name without ending
    "#);
    insta::assert_snapshot!(refused("const P = \"/etc/passwd\";\nimport P as p;\nfn decide(home) { import \"x\" as y; }"), @r#"
    test.rhai, line 2, column 1: the name of a library must be written out
        import P as p;
        ^
    test.rhai, line 3, column 19: imports stand at the top of the file
        fn decide(home) { import "x" as y; }
                          ^
    "#);
}

#[test]
fn eval_and_calls_by_name_are_refused() {
    for body in [
        "eval(\"1\");",
        "let f = Fn(\"sleep\"); f.call(1);",
        "let f = |x| x + 1;",
        "call(1);",
        "print(\"x\");",
        "debug(\"x\");",
        "timestamp();",
        "let x = type_of(1);",
        "exit();",
    ] {
        assert!(!refused(&rule(body)).is_empty(), "{body}");
    }
    insta::assert_snapshot!(refused(&rule("eval(\"1\");")), @r#"
    test.rhai, line 2, column 1: `eval` is not part of the language of rules
        eval("1");
        ^
    "#);
}

#[test]
fn too_many_variables_are_stopped() {
    let many: String = (0..300).map(|i| format!("let v{i} = {i};\n")).collect();
    assert!(ends(&many).contains("too many variables"));
}

#[test]
fn a_giant_file_is_refused() {
    let text = format!("// {}\nfn decide(home) {{ }}", "x".repeat(70_000));
    insta::assert_snapshot!(refused(&text), @r"
    test.rhai: the file has 70023 bytes, more than the 65536 that a rule may have
      help: move parts of it to `lib`
    ");
}

#[test]
fn too_many_functions_are_refused() {
    let many: String = (0..100).map(|i| format!("fn f{i}() {{ }}\n")).collect();
    assert!(refused(&format!("{many}fn decide(home) {{ }}")).contains("too many functions"));
}

#[test]
fn sorting_by_a_function_is_refused() {
    let text = "fn worse(a, b) { throw \"no order\" }\nfn decide(home) { let l = [3, 1, 2]; l.sort(worse); }";
    insta::assert_snapshot!(refused(text), @r"
    test.rhai, line 2, column 40: there is no function `sort`
        fn decide(home) { let l = [3, 1, 2]; l.sort(worse); }
                                               ^
      help: did you mean `sqrt`?
    ");
}

#[test]
fn a_function_without_end_called_for_each_item_is_counted() {
    let text = "fn slow(x) { for i in 0..90000 { } x }\nfn decide(home) { for i in 0..1000 { slow(i); } }";
    let run = program(text).run(0, &Arc::new(view()), &RuleMemory::default());
    assert!(told(&run).contains("does not come to an end"), "{}", told(&run));
}

#[test]
fn objects_and_functions_can_not_be_remembered() {
    insta::assert_snapshot!(ends("this.car = home.load(\"car\");"), @r"
    failed: test.rhai, line 1, column 17: `this.car` can't be remembered: only numbers, texts, true or false, lists and maps can
        fn decide(home) {
                        ^
    ");
    insta::assert_snapshot!(ends("this.deep = [#{ home: home }];"), @r"
    failed: test.rhai, line 1, column 17: `this.deep[].home` can't be remembered: only numbers, texts, true or false, lists and maps can
        fn decide(home) {
                        ^
    ");
    insta::assert_snapshot!(ends("this.x = 0.0 / 0.0;"), @r"
    failed: test.rhai, line 1, column 17: `this.x` is NaN, which is no number to keep
        fn decide(home) {
                        ^
    ");
    insta::assert_snapshot!(ends("this = 5;"), @r"
    failed: test.rhai, line 1, column 17: `this` is the rule's memory and must stay a map
        fn decide(home) {
                        ^
    ");
}

#[test]
fn a_rule_number_that_does_not_exist_fails() {
    let program = Program::compile(&home(), &set(&rule(""), &[])).program;
    let run = program.run(7, &Arc::new(view()), &RuleMemory::default());
    assert!(matches!(run.outcome, RunOutcome::Failed(_)));
}

#[test]
fn what_is_asked_before_a_failure_does_not_count() {
    assert!(ends("home.load(\"car\").run(\"now\"); throw \"oh\";").contains("oh"));
}
