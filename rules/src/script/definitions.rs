//! The vocabulary as definitions that editors read (`.d.rhai`).
//!
//! They are put together from what the engine has registered, with the words of the table. The engine's own writer of
//! definitions is not used: it can't name what a function gives that may also fail, as nearly all of ours do.

use std::fmt::Write;

use super::vocabulary::{Entry, Owner, rule_engine};
use super::words::TABLE;

/// One registered function.
struct Registered {
    name: String,
    property: bool,
    /// Types of its values, what it belongs to first.
    takes: Vec<String>,
    gives: String,
}

/// Definitions of everything that a rule may call of ours, each with its line and its example.
pub fn definitions() -> String {
    let mut text = String::from("module static;\n");
    for function in registered() {
        let Some(entry) = TABLE.iter().find(|e| describes(e, &function)) else { continue };
        let unit = if entry.unit.is_empty() { String::new() } else { format!(" [{}]", entry.unit) };
        let _ = write!(text, "\n/// {}{unit}\n///\n/// `{}`\n", entry.doc, entry.example);
        let _ = writeln!(text, "{}", declaration(entry, &function));
    }
    text
}

fn registered() -> Vec<Registered> {
    let mut all = rule_engine().collect_fn_metadata(
        None,
        |f| {
            let name = f.metadata.name.as_str();
            let takes = (0..f.metadata.num_params).map(|n| {
                let info = f.metadata.params_info.get(n).map_or("?", |info| info.as_str());
                short(info.rsplit(": ").next().unwrap_or(info))
            });
            Some(Registered {
                name: name.trim_start_matches("get$").to_owned(),
                property: name.starts_with("get$"),
                takes: takes.filter(|kind| kind != "-").collect(),
                gives: short(&f.metadata.return_type),
            })
        },
        false,
    );
    all.sort_by(|a, b| (&a.takes, &a.name).cmp(&(&b.takes, &b.name)));
    all
}

fn describes(entry: &Entry, function: &Registered) -> bool {
    let owner = usize::from(entry.signature.starts_with('.'));
    let own = match entry.on {
        Owner::Number | Owner::Text | Owner::Map => false,
        Owner::Rule => true,
        on => function.takes.first().is_some_and(|first| *first == owner_type(on)),
    };
    own && entry.name == function.name
        && entry.is_property() == function.property
        && entry.parameters() + owner == function.takes.len()
}

fn owner_type(on: Owner) -> &'static str {
    match on {
        Owner::Home => "Home",
        Owner::Load => "Load",
        Owner::Clock => "Clock",
        Owner::Sun => "Sun",
        Owner::Price => "Price",
        Owner::List => "Array",
        Owner::Rule | Owner::Number | Owner::Text | Owner::Map => "",
    }
}

fn declaration(entry: &Entry, function: &Registered) -> String {
    let own = function.takes.len() - entry.parameters();
    let names = std::iter::repeat_n("_".to_owned(), own).chain(entry.parameter_names());
    let takes: Vec<String> =
        names.zip(&function.takes).map(|(name, kind)| format!("{name}: {kind}")).collect();
    let get = if function.property { "get " } else { "" };
    format!("fn {get}{}({}) -> {};", entry.name, takes.join(", "), function.gives)
}

/// The type as the language calls it.
fn short(kind: &str) -> String {
    let kind = kind.trim().trim_start_matches("&mut ").trim_start_matches('&').trim();
    let kind = match kind.split_once('<') {
        Some((outer, rest)) if outer.ends_with("Result") || outer.ends_with("Answer") => {
            rest.split([',', '>']).next().unwrap_or(rest).trim()
        }
        _ => kind,
    };
    match kind.rsplit("::").next().unwrap_or(kind) {
        "f64" | "FLOAT" => "float".to_owned(),
        "i64" | "INT" => "int".to_owned(),
        "str" | "ImmutableString" | "string" => "String".to_owned(),
        "Map" | "map" => "Map".to_owned(),
        "Array" | "array" => "Array".to_owned(),
        "Dynamic" | "?" => "?".to_owned(),
        "" => "()".to_owned(),
        "NativeCallContext" => "-".to_owned(),
        other => other.trim_end_matches("Object").to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_of_ours_is_defined_with_types_that_the_language_has() {
        let text = definitions();
        for entry in TABLE.iter().filter(|e| !matches!(e.on, Owner::Number | Owner::Text | Owner::Map)) {
            let get = if entry.is_property() { "get " } else { "" };
            assert!(text.contains(&format!("fn {get}{}(", entry.name)), "{}", entry.name);
        }
        let known = ["float", "int", "bool", "String", "Map", "Array", "?", "()"];
        let ours = ["Home", "Load", "Clock", "Sun", "Price"];
        for function in registered().iter().filter(|f| TABLE.iter().any(|e| describes(e, f))) {
            for kind in function.takes.iter().chain([&function.gives]) {
                assert!(
                    known.contains(&kind.as_str()) || ours.contains(&kind.as_str()),
                    "{}: {kind}",
                    function.name
                );
            }
        }
    }
}
