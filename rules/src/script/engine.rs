//! The engine in which every script of the household runs: a small language, every limit set, nothing that reaches out.

use rhai::packages::{
    ArithmeticPackage, BasicIteratorPackage, BasicMapPackage, BasicMathPackage, BasicStringPackage,
    LogicPackage, MoreStringPackage, Package,
};
use rhai::{
    Array, Dynamic, Engine, EvalAltResult, INT, ImmutableString, Map, OptimizationLevel, Position,
    def_package,
};

use super::explain::type_word;
use crate::limits;

/// What a native function gives back to a script.
pub(super) type Answer<T> = Result<T, Box<EvalAltResult>>;

/// Words that would open a way round the check of function names (calls by a computed name, pointers to functions)
/// or write to the daemon's output.
const CLOSED_WORDS: [&str; 10] =
    ["eval", "Fn", "call", "curry", "is_def_fn", "is_def_var", "is_shared", "print", "debug", "type_of"];

def_package! {
    /// The general part of the language: numbers, text, maps and counting.
    ///
    /// Left out are the core package (it can sleep), time, arrays with callbacks (the operations of a callback are
    /// not counted, and an order that contradicts itself makes sorting panic), bit fields and blobs.
    pub(crate) GeneralPackage(module) : ArithmeticPackage, BasicStringPackage, BasicIteratorPackage, LogicPackage,
        BasicMathPackage, BasicMapPackage, MoreStringPackage
    {
        let _ = module;
    }
}

/// An engine with the general part of the language only.
pub(crate) fn general_engine() -> Engine {
    let mut engine = Engine::new_raw();
    GeneralPackage::new().register_into_engine(&mut engine);
    set_limits(&mut engine);
    set_language(&mut engine);
    register_lists(&mut engine);
    register_comparisons(&mut engine);
    engine
}

fn set_limits(engine: &mut Engine) {
    engine
        .set_max_operations(limits::RULE_OPERATIONS)
        .set_max_call_levels(limits::RULE_CALL_DEPTH)
        .set_max_expr_depths(limits::RULE_EXPRESSION_DEPTH, limits::RULE_EXPRESSION_DEPTH)
        .set_max_string_size(limits::RULE_STRING)
        .set_max_array_size(limits::RULE_ARRAY)
        .set_max_map_size(limits::RULE_MAP)
        .set_max_variables(limits::RULE_VARIABLES)
        .set_max_functions(limits::RULE_FUNCTIONS)
        .set_max_modules(limits::RULE_MODULES);
}

fn set_language(engine: &mut Engine) {
    engine
        .set_optimization_level(OptimizationLevel::None)
        .set_strict_variables(true)
        .set_fail_on_invalid_map_property(true)
        .set_allow_anonymous_fn(false)
        // With fast operators a comparison of a number with a text is silently false; see `register_comparisons`.
        .set_fast_operators(false);
    for word in CLOSED_WORDS {
        engine.disable_symbol(word);
    }
    engine.on_print(|_| {}).on_debug(|_, _, _| {});
}

fn register_lists(engine: &mut Engine) {
    engine.register_iterator::<Array>();
    engine.register_fn("len", |list: &mut Array| list.len() as INT);
    engine.register_fn("is_empty", |list: &mut Array| list.is_empty());
    engine.register_fn("push", |list: &mut Array, item: Dynamic| list.push(item));
    engine.register_fn("contains", |list: &mut Array, item: Dynamic| list.iter().any(|i| same(i, &item)));
    engine.register_fn("==", |a: &mut Array, b: Array| same_lists(a, &b));
    engine.register_fn("!=", |a: &mut Array, b: Array| !same_lists(a, &b));
}

fn same_lists(a: &Array, b: &Array) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| same(a, b))
}

/// Whether two maps hold the same plain data.
pub(super) fn same_maps(a: &Map, b: &Map) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.0 == b.0 && same(a.1, b.1))
}

/// Whether two values of plain data are the same; 1 and 1.0 are.
fn same(a: &Dynamic, b: &Dynamic) -> bool {
    if let (Some(a), Some(b)) = (number(a), number(b)) {
        return a == b;
    }
    if let (Ok(a), Ok(b)) = (a.as_array_ref(), b.as_array_ref()) {
        return same_lists(&a, &b);
    }
    if let (Ok(a), Ok(b)) = (a.as_map_ref(), b.as_map_ref()) {
        return same_maps(&a, &b);
    }
    if let (Ok(a), Ok(b)) = (a.as_immutable_string_ref(), b.as_immutable_string_ref()) {
        return *a == *b;
    }
    match (a.as_bool(), b.as_bool(), a.as_char(), b.as_char()) {
        (Ok(a), Ok(b), ..) => a == b,
        (.., Ok(a), Ok(b)) => a == b,
        _ => a.is_unit() && b.is_unit(),
    }
}

/// A whole or floating number as a floating one.
pub(crate) fn number(value: &Dynamic) -> Option<f64> {
    value.as_float().ok().or_else(|| value.as_int().ok().map(|i| i as f64))
}

/// Without these, `home.grid_w > "2000"` would be false without a word.
fn register_comparisons(engine: &mut Engine) {
    mismatched::<f64, ImmutableString>(engine);
    mismatched::<INT, ImmutableString>(engine);
    mismatched::<f64, bool>(engine);
    mismatched::<INT, bool>(engine);
    mismatched::<bool, ImmutableString>(engine);
    mismatched::<f64, Array>(engine);
    mismatched::<f64, Map>(engine);
    for order in ["<", "<=", ">", ">="] {
        refuse::<f64, ()>(engine, order);
        refuse::<INT, ()>(engine, order);
        refuse::<ImmutableString, ()>(engine, order);
    }
}

fn mismatched<A: rhai::Variant + Clone, B: rhai::Variant + Clone>(engine: &mut Engine) {
    for comparison in ["==", "!=", "<", "<=", ">", ">="] {
        refuse::<A, B>(engine, comparison);
    }
}

fn refuse<A: rhai::Variant + Clone, B: rhai::Variant + Clone>(engine: &mut Engine, operator: &'static str) {
    engine.register_fn(operator, move |_: A, _: B| compare_error::<A, B>(operator));
    engine.register_fn(operator, move |_: B, _: A| compare_error::<B, A>(operator));
}

fn compare_error<A: 'static, B: 'static>(operator: &str) -> Answer<bool> {
    let (a, b) = (type_word(std::any::type_name::<A>()), type_word(std::any::type_name::<B>()));
    Err(EvalAltResult::ErrorRuntime(
        format!("`{operator}` can't compare {a} with {b}").into(),
        Position::NONE,
    )
    .into())
}
