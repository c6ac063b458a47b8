//! The words of rules: one table that serves the check, the reference and the tests, beside the one function that
//! registers them.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use rhai::Engine;

use super::engine::general_engine;
use super::words::TABLE;
use super::{filters, load_object, need, objects, price_object, sun_object};

/// One word that a rule may use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry {
    /// What it belongs to.
    pub on: Owner,
    /// The word.
    pub name: &'static str,
    /// How it is written.
    pub signature: &'static str,
    /// The unit of what it gives; empty where it gives nothing or something without a unit.
    pub unit: &'static str,
    /// An example.
    pub example: &'static str,
    /// What it does, in one line.
    pub doc: &'static str,
}

/// What a word belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Owner {
    /// `home`.
    Home,
    /// `home.load("..")`.
    Load,
    /// `home.clock`.
    Clock,
    /// `home.sun`.
    Sun,
    /// `home.price`.
    Price,
    /// Nothing: a function of its own.
    Rule,
    /// A number.
    Number,
    /// A text.
    Text,
    /// A list.
    List,
    /// A map.
    Map,
}

impl Entry {
    /// Whether it is read without brackets.
    pub fn is_property(&self) -> bool {
        !self.signature.contains('(')
    }

    /// How many values stand in its brackets.
    pub(super) fn parameters(&self) -> usize {
        self.parameter_names().count()
    }

    /// What stands in its brackets, each by its name; terms in braces are one value.
    pub(super) fn parameter_names(&self) -> impl Iterator<Item = String> + use<> {
        let inside = self.signature.split_once('(').map_or("", |(_, rest)| rest.trim_end_matches(')'));
        let flat = match (inside.split_once("#{"), inside.split_once('}')) {
            (Some((before, _)), Some((_, after))) => format!("{before}terms{after}"),
            _ => inside.to_owned(),
        };
        let names: Vec<String> =
            flat.split(',').map(|p| p.trim().to_owned()).filter(|p| !p.is_empty()).collect();
        names.into_iter()
    }
}

/// Registers the whole vocabulary of rules. The daemon, the check, rule tests and the reference all use this one.
pub(super) fn rule_engine() -> Engine {
    let mut engine = general_engine();
    objects::register(&mut engine);
    load_object::register(&mut engine);
    need::register(&mut engine);
    filters::register(&mut engine);
    sun_object::register(&mut engine);
    price_object::register(&mut engine);
    engine
}

/// Every word that a rule may use.
pub fn reference() -> Vec<Entry> {
    TABLE.to_vec()
}

/// The reference as text, by owner.
pub fn reference_text() -> String {
    let mut text = String::new();
    let mut owner = None;
    for entry in TABLE {
        if owner != Some(entry.on) {
            owner = Some(entry.on);
            let _ = writeln!(text, "{}{}\n", if text.is_empty() { "" } else { "\n" }, heading(entry.on));
        }
        let unit = if entry.unit.is_empty() { String::new() } else { format!(" [{}]", entry.unit) };
        let _ = writeln!(text, "  {}{unit}\n      {}\n      {}", entry.signature, entry.doc, entry.example);
    }
    text
}

fn heading(owner: Owner) -> &'static str {
    match owner {
        Owner::Home => "home: what `decide` is given",
        Owner::Load => "a load: home.load(\"..\")",
        Owner::Clock => "the household's clock: home.clock (local time; waits while the clock is not set)",
        Owner::Price => "prices of a kilowatt-hour, VAT included: home.price (needs [tariff])",
        Owner::Sun => "the sun: home.sun (needs `latitude` and `longitude` in [home])",
        Owner::Rule => "what a rule keeps by name (each name once in a rule; afresh after a restart)",
        Owner::Number => "numbers (7/2 is 3: write 7.0/2 where a part matters)",
        Owner::Text => "texts",
        Owner::List => "lists",
        Owner::Map => "maps",
    }
}

/// The ways in which a word is used.
pub(super) fn signatures(name: &str) -> Vec<&'static str> {
    TABLE.iter().filter(|e| e.name == name && !e.is_property()).map(|e| e.signature).collect()
}

/// The first entry of that name.
pub(super) fn word(name: &str) -> Option<&'static Entry> {
    TABLE.iter().find(|e| e.name == name)
}

/// The words of one owner.
pub(super) fn words_of(owner: Owner) -> impl Iterator<Item = &'static Entry> + Clone {
    TABLE.iter().filter(move |e| e.on == owner)
}

/// The functions that a script may call, by name, with the numbers of values that they take (the owner counted).
pub(super) fn callable(owners: &[Owner]) -> BTreeMap<&'static str, BTreeSet<usize>> {
    let mut names: BTreeMap<&'static str, BTreeSet<usize>> = BTreeMap::new();
    for entry in TABLE.iter().filter(|e| owners.contains(&e.on) && !e.is_property()) {
        let owner = usize::from(entry.on != Owner::Rule && entry.signature.starts_with('.'));
        names.entry(entry.name).or_default().insert(entry.parameters() + owner);
    }
    names
}

#[cfg(test)]
mod tests {
    use super::Owner::{Clock, Home, List, Load, Price, Rule, Sun};
    use super::*;

    /// Name, number of values with the owner, and whether it is a property, of every function of an engine.
    fn registered(engine: &Engine, standard: bool) -> BTreeSet<(String, usize, bool)> {
        let all = engine.collect_fn_metadata(
            None,
            |f| Some((f.metadata.name.to_string(), f.metadata.num_params)),
            standard,
        );
        all.into_iter()
            .map(|(name, parameters)| match name.strip_prefix("get$") {
                Some(property) => (property.to_owned(), parameters, true),
                None => (name, parameters, false),
            })
            .filter(|(name, ..)| name.chars().all(|c| c.is_alphanumeric() || c == '_'))
            .collect()
    }

    fn in_table(own: bool) -> BTreeSet<(String, usize, bool)> {
        let entries = TABLE.iter().filter(|e| {
            let ours = matches!(e.on, Home | Load | Clock | Sun | Price | Rule | List);
            !own || ours
        });
        entries
            .map(|e| {
                let owner = usize::from(e.signature.starts_with('.'));
                (e.name.to_owned(), e.parameters() + owner, e.is_property())
            })
            .collect()
    }

    #[test]
    fn every_word_that_we_register_is_in_the_table_and_the_other_way_round() {
        let ours = registered(&rule_engine(), false);
        assert_eq!(ours, in_table(true));
    }

    #[test]
    fn every_word_of_the_table_exists() {
        let all = registered(&rule_engine(), true);
        let missing: Vec<_> = in_table(false).difference(&all).cloned().collect();
        assert!(missing.is_empty(), "{missing:?}");
    }

    #[test]
    fn nothing_in_the_engine_can_sleep_or_tell_the_time() {
        let all = registered(&rule_engine(), true);
        for (name, ..) in &all {
            assert!(
                !["sleep", "timestamp", "eval", "exit", "rand", "parse_json"].contains(&name.as_str()),
                "{name}"
            );
        }
    }

    #[test]
    fn the_reference_reads_well() {
        insta::assert_snapshot!(reference_text());
    }
}
