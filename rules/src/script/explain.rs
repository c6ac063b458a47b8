//! Errors of the engine in the words of people. Built from the error's structure, since its own text changes.

use rhai::{EvalAltResult, LexError, ParseError, ParseErrorType, Position};

use crate::limits;

/// An error in words, with its place.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(crate) struct Explained {
    pub(crate) message: String,
    pub(crate) help: Option<String>,
    pub(crate) line: Option<usize>,
    pub(crate) column: Option<usize>,
    /// The source that the engine names for the innermost place; empty where it names none.
    pub(crate) source: String,
}

impl Explained {
    /// An error of our own at a place.
    pub(super) fn at(place: Position, message: String) -> Explained {
        Explained { message, line: place.line(), column: place.position(), ..Explained::default() }
    }
}

/// Explains an error of an evaluation. `signatures` gives the ways in which a function of the vocabulary is used.
pub(crate) fn explain(error: &EvalAltResult, signatures: impl Fn(&str) -> Vec<&'static str>) -> Explained {
    let (innermost, source, outer) = unwrap(error);
    let position = if innermost.position().is_none() { outer } else { innermost.position() };
    let (message, help) = words(innermost, signatures);
    Explained { message, help, line: position.line(), column: position.position(), source }
}

/// The innermost error, the source in which it is, and the place of the last call that led to it.
fn unwrap(error: &EvalAltResult) -> (&EvalAltResult, String, Position) {
    let (mut error, mut source, mut outer) = (error, String::new(), error.position());
    loop {
        let (inner, place) = match error {
            EvalAltResult::ErrorInFunctionCall(_, from, inner, place) => {
                if !from.is_empty() {
                    source.clone_from(from);
                }
                (inner, place)
            }
            EvalAltResult::ErrorInModule(_, inner, place) => (inner, place),
            _ => return (error, source, outer),
        };
        if !place.is_none() {
            outer = *place;
        }
        error = inner;
    }
}

fn words(error: &EvalAltResult, signatures: impl Fn(&str) -> Vec<&'static str>) -> (String, Option<String>) {
    use EvalAltResult as E;
    let message = match error {
        E::ErrorParsing(kind, _) => return parse_words(kind),
        E::ErrorFunctionNotFound(signature, _) => return call_words(signature, signatures),
        E::ErrorVariableNotFound(name, _) => format!("there is no variable `{name}` here"),
        E::ErrorPropertyNotFound(name, _) => {
            return (
                format!("the map has no `{name}`"),
                Some(format!(
                    "ask first: `if \"{name}\" in ..`, or take something instead: `...get(\"{name}\") ?? 0`"
                )),
            );
        }
        E::ErrorIndexNotFound(index, _) => format!("there is nothing at `{index}`"),
        E::ErrorDotExpr(text, _) => dot_words(text),
        E::ErrorModuleNotFound(name, _) => format!("there is no library `{name}`"),
        E::ErrorUnboundThis(_) => {
            return (
                "`this` is the memory of `decide` and not known in other functions".to_owned(),
                Some("hand over what the function needs".to_owned()),
            );
        }
        E::ErrorMismatchDataType(wanted, found, _) | E::ErrorMismatchOutputType(wanted, found, _) => {
            format!("{} is needed here, not {}", type_word(wanted), type_word(found))
        }
        E::ErrorIndexingType(kind, _) => {
            format!("{} can't be indexed", type_word(kind.split(' ').next().unwrap_or(kind)))
        }
        E::ErrorArrayBounds(len, index, _) => format!("the list has {len} items and nothing at {index}"),
        E::ErrorStringBounds(len, index, _) => format!("the text has {len} letters and nothing at {index}"),
        E::ErrorFor(_) => "`for` can only walk through lists, ranges and texts".to_owned(),
        E::ErrorAssignmentToConstant(name, _) => format!("`{name}` is a constant and can't be changed"),
        E::ErrorNonPureMethodCallOnConstant(name, _) => format!("`{name}` would change a constant"),
        E::ErrorArithmetic(text, _) => arithmetic_words(text),
        E::ErrorTooManyOperations(_) => {
            return (
                format!("this does not come to an end: it took more than {} steps", limits::RULE_OPERATIONS),
                Some("look for a loop that never stops".to_owned()),
            );
        }
        E::ErrorTooManyVariables(_) => "there are too many variables at once".to_owned(),
        E::ErrorTooManyModules(_) => "there are too many imports".to_owned(),
        E::ErrorStackOverflow(_) => "functions call each other too deeply".to_owned(),
        E::ErrorDataTooLarge(kind, _) => format!("{} grew too large", size_word(kind)),
        E::ErrorRuntime(value, _) if value.is_unit() => "the script throws an error".to_owned(),
        E::ErrorRuntime(value, _) => value.to_string(),
        other => plain(other),
    };
    (message, None)
}

/// The engine's own text without the place, for the rare rest.
fn plain(error: &EvalAltResult) -> String {
    let text = error.to_string();
    text.split(" (line ").next().unwrap_or(&text).to_owned()
}

fn call_words(signature: &str, signatures: impl Fn(&str) -> Vec<&'static str>) -> (String, Option<String>) {
    let (name, rest) = signature.split_once(" (").unwrap_or((signature, ""));
    let name = name.trim();
    // A text stands there as "&str | ImmutableString | String".
    let first = |kind: &str| type_word(kind.split(" | ").next().unwrap_or(kind));
    let kinds: Vec<String> =
        rest.trim_end_matches(')').split(", ").filter(|k| !k.is_empty()).map(first).collect();
    if let ([a, b], false) = (kinds.as_slice(), name.starts_with(|c: char| c.is_alphabetic() || c == '_')) {
        return (format!("`{name}` can't be used between {a} and {b}"), None);
    }
    let ways = signatures(name);
    let help = (!ways.is_empty()).then(|| format!("it is used as {}", ways.join(" or ")));
    let kinds = if kinds.is_empty() { "no value".to_owned() } else { kinds.join(", ") };
    let verb = if ways.is_empty() { "there is no function" } else { "there is no such use of" };
    (format!("{verb} `{name}` for {kinds}"), help)
}

fn dot_words(text: &str) -> String {
    let property = text.split('\'').nth(1);
    match property {
        Some(name) if text.contains("writ") || text.contains("setter") || text.contains("Cannot set") => {
            format!("`{name}` can't be set")
        }
        Some(name) => format!("there is no property `{name}` here"),
        None => text.to_owned(),
    }
}

fn arithmetic_words(text: &str) -> String {
    if text.contains("zero") {
        "a whole number is divided by zero".to_owned()
    } else if text.contains("overflow") {
        format!("a whole number grew too large ({})", lower_first(text))
    } else {
        lower_first(text)
    }
}

fn size_word(kind: &str) -> &'static str {
    match kind {
        "Length of string" => "a text",
        "Size of object map" => "a map",
        _ => "a list",
    }
}

/// Explains an error of reading a script.
pub(crate) fn explain_parse(error: &ParseError) -> Explained {
    let (message, help) = parse_words(error.err_type());
    let position = error.position();
    Explained { message, help, line: position.line(), column: position.position(), source: String::new() }
}

fn parse_words(kind: &ParseErrorType) -> (String, Option<String>) {
    use ParseErrorType as P;
    let help = |text: &str| Some(text.to_owned());
    match kind {
        P::UnexpectedEOF => {
            ("the file ends too early".to_owned(), help("a closing `}`, `)` or `]` is missing somewhere"))
        }
        P::BadInput(LexError::ImproperSymbol(symbol, _)) if symbol == "=" => {
            ("`=` sets a value and stands alone".to_owned(), help("to compare, write `==`"))
        }
        P::BadInput(LexError::ImproperSymbol(symbol, _)) => {
            (format!("`{symbol}` is not part of the language of rules"), None)
        }
        P::BadInput(LexError::UnterminatedString) => {
            ("a text is not closed".to_owned(), help("add the `\"` at its end"))
        }
        P::BadInput(LexError::MalformedNumber(text)) => (format!("`{text}` is no number"), None),
        P::BadInput(LexError::UnexpectedInput(text)) => (format!("`{text}` was not expected here"), None),
        P::UnknownOperator(symbol) | P::Reserved(symbol) if symbol == "=" => {
            ("`=` sets a value and stands alone".to_owned(), help("to compare, write `==`"))
        }
        P::UnknownOperator(symbol) | P::Reserved(symbol) => {
            (format!("`{symbol}` is not part of the language of rules"), None)
        }
        P::MissingToken(token, _) if token == ";" => ("`;` is missing before this".to_owned(), None),
        P::MissingToken(token, why) if why.is_empty() => (format!("`{token}` is missing"), None),
        P::MissingToken(token, why) => (format!("`{token}` is missing {why}"), None),
        P::VariableUndefined(name) => (format!("there is no variable `{name}` here"), None),
        P::ModuleUndefined(name) => (
            format!("`{name}` is not imported"),
            Some(format!("write `import \"{name}\" as {name};` at the top of the file")),
        ),
        P::ExprTooDeep => {
            ("this is nested too deeply".to_owned(), help("split it into several statements or functions"))
        }
        P::TooManyFunctions => ("there are too many functions here".to_owned(), None),
        P::LiteralTooLarge(what, most) => (format!("{} is larger than {most}", lower_first(what)), None),
        P::AssignmentToConstant(name) => (format!("`{name}` is a constant and can't be changed"), None),
        P::WrongFnDefinition => {
            ("functions are defined at the top of the file, not inside each other".to_owned(), None)
        }
        P::FnDuplicatedDefinition(name, _) => (format!("the function `{name}` is defined twice"), None),
        other => (lower_first(&other.to_string()), None),
    }
}

fn lower_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_lowercase().chain(letters).collect()).unwrap_or_default()
}

/// What people call a type of the engine.
pub(crate) fn type_word(kind: &str) -> String {
    let kind = kind.trim().trim_start_matches("&mut ").trim_start_matches('&');
    let word = match kind.rsplit("::").next().unwrap_or(kind) {
        "i64" => "a whole number",
        "f64" => "a number",
        "bool" => "true or false",
        "char" => "a letter",
        "string" | "str" | "ImmutableString" | "String" => "a text",
        "array" | "Array" => "a list",
        "map" | "Map" => "a map",
        "()" => "nothing",
        "Home" | "HomeObject" => "the home",
        "Load" | "LoadObject" => "a load",
        "Clock" | "ClockObject" => "the clock",
        "Sun" | "SunObject" => "the sun",
        "Price" | "PriceObject" => "the prices",
        "Fn" | "FnPtr" => "a function",
        _ if kind.starts_with("alloc::vec::Vec") => "a list",
        _ if kind.starts_with("alloc::collections::btree") => "a map",
        other => other,
    };
    word.to_owned()
}
