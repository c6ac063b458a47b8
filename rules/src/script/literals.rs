//! Values that are written out in the brackets of a word: their kind is known before the rule runs.

use rhai::Expr;

use super::vocabulary::{Entry, Owner, reference};

/// What is wrong with the value `given` as number `place` of the `count` values of a word; `None` where nothing is, or
/// where it can't be told before the rule runs.
pub(super) fn problem(name: &str, count: usize, place: usize, given: &Expr) -> Option<(String, String)> {
    let entries: Vec<Entry> = reference().into_iter().filter(|e| e.name == name && ours(e.on)).collect();
    let parameters = entries.iter().map(parameters).filter(|p| p.len() == count);
    let wanted: Vec<(&str, Kind)> = parameters.filter_map(|p| kind_wanted(p.get(place)?)).collect();
    let (parameter, wanted) = *wanted.first()?;
    let given_kind = kind_of(given)?;
    if given_kind != wanted {
        let message = format!("`{name}` needs {} here, not {}", wanted.words(parameter), given_kind.plain());
        return Some((message, format!("it is used as {}", entries.first()?.signature)));
    }
    match given {
        Expr::StringConstant(text, _) if parameter == "why" && text.trim().is_empty() => Some((
            "the request has no reason".to_owned(),
            "say why in a few words: people read them".to_owned(),
        )),
        _ => None,
    }
}

/// The words of lists, texts and numbers are the engine's own, and name their values otherwise.
fn ours(owner: Owner) -> bool {
    !matches!(owner, Owner::Number | Owner::Text | Owner::List | Owner::Map)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Text,
    Number,
    Flag,
    Terms,
    List,
}

impl Kind {
    fn plain(self) -> &'static str {
        match self {
            Kind::Text => "a text",
            Kind::Number => "a number",
            Kind::Flag => "true or false",
            Kind::Terms => "a map",
            Kind::List => "a list",
        }
    }

    fn words(self, parameter: &str) -> String {
        match (self, parameter) {
            (Kind::Text, "why") => "a reason in quotes".to_owned(),
            (Kind::Text, "time" | "start" | "end") => "a time in quotes, such as \"05:30\",".to_owned(),
            (Kind::Text, "span") => "a duration in quotes, such as \"2m\",".to_owned(),
            (Kind::Text, _) => format!("a {parameter} in quotes"),
            (Kind::Number, "watts" | "amps" | "kwh") => format!("a number of {parameter}"),
            (kind, _) => kind.plain().to_owned(),
        }
    }
}

/// What a parameter takes, by its name in the table of words; the names are few and mean the same everywhere.
fn kind_wanted(parameter: &str) -> Option<(&str, Kind)> {
    let kind = match parameter {
        "why" | "name" | "time" | "start" | "end" | "span" => Kind::Text,
        "watts" | "amps" | "kwh" => Kind::Number,
        "condition" => Kind::Flag,
        terms if terms.starts_with("#{") => Kind::Terms,
        _ => return None,
    };
    Some((parameter, kind))
}

fn kind_of(given: &Expr) -> Option<Kind> {
    match given {
        Expr::StringConstant(..) | Expr::InterpolatedString(..) | Expr::CharConstant(..) => Some(Kind::Text),
        Expr::IntegerConstant(..) | Expr::FloatConstant(..) => Some(Kind::Number),
        Expr::BoolConstant(..) => Some(Kind::Flag),
        Expr::Map(..) => Some(Kind::Terms),
        Expr::Array(..) => Some(Kind::List),
        _ => None,
    }
}

/// The names in the brackets of a signature; terms in braces are one.
fn parameters(entry: &Entry) -> Vec<&'static str> {
    let inside = entry.signature.split_once('(').map_or("", |(_, rest)| rest.trim_end_matches(')'));
    let mut names = Vec::new();
    let mut rest = inside.trim();
    while !rest.is_empty() {
        let end = if rest.starts_with("#{") {
            rest.find('}').map_or(rest.len(), |n| n + 1)
        } else {
            rest.find(',').unwrap_or(rest.len())
        };
        names.extend(rest.get(..end).map(str::trim).filter(|n| !n.is_empty()));
        rest = rest.get(end..).unwrap_or_default().trim_start_matches([',', ' ']);
    }
    names
}
