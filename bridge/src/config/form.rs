//! The words of the table that describes the home file: what a key is called, what it takes, what it is for.

use overspill_rules::time::Span;

use super::grammar::Grammar;

/// One key of a section, with all that is to be said about it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Key {
    /// Its name.
    pub(crate) name: &'static str,
    /// What may stand behind it.
    pub(crate) form: Form,
    /// What it is for, in one line.
    pub(crate) doc: &'static str,
    /// Whether the section is wrong without it.
    pub(crate) required: bool,
    /// What holds where it is not written.
    pub(crate) default: Option<Default>,
}

/// A value that holds where a key is not written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Default {
    /// Text, or a duration as text.
    Text(&'static str),
    /// A number.
    Number(f64),
    /// Yes or no.
    Flag(bool),
}

/// What may stand behind a key.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Form {
    /// Any text that is not empty.
    Text,
    /// One of these words.
    Word(&'static [&'static str]),
    /// A number between two bounds, in a unit.
    Number {
        /// The least that is allowed.
        least: f64,
        /// The most that is allowed.
        most: f64,
        /// The unit, as people write it; empty where it has none.
        unit: &'static str,
    },
    /// A whole number between two bounds, in a unit.
    Whole {
        /// The least that is allowed.
        least: i64,
        /// The most that is allowed.
        most: i64,
        /// The unit, as people write it; empty where it has none.
        unit: &'static str,
    },
    /// One of these whole numbers.
    OneOf(&'static [i64]),
    /// `true` or `false`.
    Flag,
    /// A duration as text.
    Duration {
        /// The shortest that is allowed.
        least: Span,
        /// The longest that is allowed.
        most: Span,
        /// Whether `"none"` is allowed as well.
        or_none: bool,
    },
    /// Two numbers, low and high.
    Range,
    /// A number that must be met, or two numbers, low and high, in a unit.
    NumberOrRange {
        /// The unit, as people write it; empty where it has none.
        unit: &'static str,
    },
    /// How something goes with time: text in a notation of its own, or one value for all of it.
    Series,
    /// The same, any number of them under names that the home gives.
    SeriesByName,
    /// A list of tables with these keys, shown by an example.
    List(&'static [Key]),
    /// A list of texts.
    Texts,
    /// A number, `true` or `false`, or text.
    Scalar,
    /// Text with a grammar of its own.
    Checked(Grammar),
    /// A table with these keys.
    Table(&'static [Key]),
    /// One of these words, or a table with these keys.
    WordOrTable(&'static [&'static str], &'static [Key]),
    /// A number between two bounds, or a table with these keys.
    NumberOrTable {
        /// The least that is allowed.
        least: f64,
        /// The most that is allowed.
        most: f64,
        /// The keys of the table.
        keys: &'static [Key],
    },
    /// Any number of tables, each under a name that the household chooses.
    Named {
        /// What one of them is, as in "a point".
        one: &'static str,
        /// What its name must look like.
        ids: Grammar,
        /// The keys of each.
        keys: &'static [Key],
    },
    /// Any number of tables in a list, `[[NAME]]`.
    Tables {
        /// What one of them is, as in "a change".
        one: &'static str,
        /// The keys of each.
        keys: &'static [Key],
    },
    /// A key that people try, and why it is not taken.
    Refused(&'static str),
}

impl Key {
    /// A key that may be left out.
    pub(crate) const fn new(name: &'static str, form: Form, doc: &'static str) -> Key {
        Key { name, form, doc, required: false, default: None }
    }

    /// The same key, which must be there.
    pub(crate) const fn required(self) -> Key {
        Key { required: true, ..self }
    }

    /// The same key, with text that holds where it is not written.
    pub(crate) const fn or_text(self, text: &'static str) -> Key {
        Key { default: Some(Default::Text(text)), ..self }
    }

    /// The same key, with a number that holds where it is not written.
    pub(crate) const fn or_number(self, number: f64) -> Key {
        Key { default: Some(Default::Number(number)), ..self }
    }

    /// The same key, with a yes or no that holds where it is not written.
    pub(crate) const fn or_flag(self, flag: bool) -> Key {
        Key { default: Some(Default::Flag(flag)), ..self }
    }

    /// Whether people may write it at all.
    pub(crate) fn is_taken(&self) -> bool {
        !matches!(self.form, Form::Refused(_))
    }
}

/// A duration between two bounds.
pub(crate) const fn duration(least: Span, most: Span) -> Form {
    Form::Duration { least, most, or_none: false }
}

impl Form {
    /// What is allowed, so that it completes "takes ...".
    pub(crate) fn allowed(&self) -> String {
        match self {
            Form::Text => "text in quotes".to_owned(),
            Form::Word(words) => one_of(words),
            Form::Number { least, most, unit } => {
                format!("a number from {least} to {}", with_unit(*most, unit))
            }
            Form::Whole { least, most, unit } => {
                format!("a whole number from {least} to {}", with_unit(*most as f64, unit))
            }
            Form::OneOf(numbers) => numbers.iter().map(|n| n.to_string()).collect::<Vec<_>>().join(" or "),
            Form::Flag => "true or false".to_owned(),
            Form::Duration { least, most, or_none } => {
                let none = if *or_none { ", or \"none\"" } else { "" };
                format!(
                    "a duration in quotes, such as \"30s\" or \"5m\", from {} to {most}{none}",
                    shown(*least)
                )
            }
            Form::Range => "two numbers, low and high, such as [-100, 20000]".to_owned(),
            Form::NumberOrRange { unit } => {
                let unit = if unit.is_empty() { String::new() } else { format!(" ({unit})") };
                format!("a number{unit}, or two, low and high, such as [1000, 1200]")
            }
            Form::Series => "a value, or text such as \"500 for 10m, ramp 500..3000 over 1h\"".to_owned(),
            Form::SeriesByName => "a table of values or texts, such as { base = 400 }".to_owned(),
            Form::List(keys) => format!("a list of tables, such as [{{ {} }}]", sample(keys)),
            Form::Texts => "a list of texts, such as [\"one\", \"two\"]".to_owned(),
            Form::Scalar => "a number, true or false, or text in quotes".to_owned(),
            Form::Checked(grammar) => grammar.allowed().to_owned(),
            Form::Table(keys) => format!("a table, such as {{ {} }}", sample(keys)),
            Form::WordOrTable(words, keys) => {
                format!("{}, or a table, such as {}", one_of(words), samples(keys))
            }
            Form::NumberOrTable { least, most, keys } => {
                format!("a number from {least} to {most}, or a table, such as {{ {} }}", sample(keys))
            }
            Form::Named { one, .. } => format!("a table for each {one}"),
            Form::Tables { one, .. } => format!("a list of tables, one for each {one}"),
            Form::Refused(why) => (*why).to_owned(),
        }
    }
}

/// A duration as people say it; none at all in seconds.
pub(crate) fn shown(span: Span) -> String {
    if span == Span::ZERO { "0 s".to_owned() } else { span.to_string() }
}

/// A sentence as part of another: its first letter small, its full stop left out.
pub(crate) fn within_sentence(sentence: &str) -> String {
    let mut chars = sentence.trim_end_matches('.').chars();
    match chars.next() {
        Some(first) => first.to_lowercase().chain(chars).collect(),
        None => String::new(),
    }
}

/// A noun after "a" or "an".
pub(crate) fn with_article(one: &str) -> String {
    let article = if one.starts_with(['a', 'e', 'i', 'o']) { "an" } else { "a" };
    format!("{article} {one}")
}

/// Words in quotes, the last after "or".
pub(crate) fn one_of(words: &[&str]) -> String {
    let quoted: Vec<String> = words.iter().map(|w| format!("\"{w}\"")).collect();
    match quoted.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        Some((only, _)) => only.clone(),
        None => String::new(),
    }
}

fn with_unit(number: f64, unit: &str) -> String {
    if unit.is_empty() { number.to_string() } else { format!("{number} {unit}") }
}

fn sample(keys: &[Key]) -> String {
    let shown = keys.iter().take(2).map(|k| format!("{} = ..", k.name));
    shown.collect::<Vec<_>>().join(", ")
}

fn samples(keys: &[Key]) -> String {
    let shown = keys.iter().map(|k| format!("{{ {} = .. }}", k.name));
    shown.collect::<Vec<_>>().join(" or ")
}
