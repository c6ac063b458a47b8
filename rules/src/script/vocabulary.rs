//! The words of rules: one table that serves the check, the reference and the tests, beside the one function that
//! registers them.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use rhai::Engine;

use super::engine::general_engine;
use super::{load_object, objects};

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
    fn parameters(&self) -> usize {
        let inside = self.signature.split_once('(').map_or("", |(_, rest)| rest.trim_end_matches(')'));
        // The terms of `take_spare` are one value.
        let flat = inside.split_once('}').map_or(inside, |(_, rest)| rest);
        let terms = usize::from(flat.len() != inside.len());
        terms + flat.split(',').filter(|p| !p.trim().is_empty()).count()
    }
}

/// Registers the whole vocabulary of rules. The daemon, the check, rule tests and the reference all use this one.
pub(super) fn rule_engine() -> Engine {
    let mut engine = general_engine();
    objects::register(&mut engine);
    load_object::register(&mut engine);
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
        Owner::Rule => "waits",
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

const fn entry(
    on: Owner,
    name: &'static str,
    signature: &'static str,
    unit: &'static str,
    example: &'static str,
    doc: &'static str,
) -> Entry {
    Entry { on, name, signature, unit, example, doc }
}

use Owner::{Clock, Home, List, Load, Map, Number, Rule, Text};

const TABLE: &[Entry] = &[
    entry(Home, "grid_w", ".grid_w", "W", "home.grid_w > 3000", "power from the grid; negative is export"),
    entry(Home, "solar_w", ".solar_w", "W", "home.solar_w > 500", "power that the roof makes"),
    entry(
        Home,
        "battery_w",
        ".battery_w",
        "W",
        "home.battery_w < 0",
        "power from the battery; negative is charging",
    ),
    entry(Home, "house_w", ".house_w", "W", "home.house_w > 8000", "everything that the home uses"),
    entry(Home, "import_w", ".import_w", "W", "home.import_w > 0", "power from the grid, 0 or more"),
    entry(Home, "export_w", ".export_w", "W", "home.export_w > 1500", "power to the grid, 0 or more"),
    entry(Home, "loads_w", ".loads_w", "W", "home.loads_w < 100", "what the driven loads draw together"),
    entry(
        Home,
        "base_w",
        ".base_w",
        "W",
        "home.base_w > 2000",
        "what the home uses without its driven loads",
    ),
    entry(
        Home,
        "spare_w",
        ".spare_w",
        "W",
        "home.spare_w > 1400",
        "what driven loads could draw without buying; negative when they buy",
    ),
    entry(
        Home,
        "load",
        ".load(name)",
        "",
        "let car = home.load(\"car\");",
        "a load of the home; the name is written out, never computed",
    ),
    entry(
        Home,
        "point",
        ".point(name)",
        "W",
        "home.point(\"roof-east\")",
        "the power of one measuring point",
    ),
    entry(
        Home,
        "input",
        ".input(name)",
        "as the device sends",
        "home.input(\"tank_c\") < 45",
        "another value: a temperature, a price, a forecast",
    ),
    entry(
        Home,
        "known",
        ".known(name)",
        "true or false",
        "home.known(\"grid_w\")",
        "whether a value of the home, a point or an input is known now",
    ),
    entry(
        Home,
        "or",
        ".or(name, instead)",
        "as the value",
        "home.or(\"tank_c\", 60.0)",
        "the value, or something instead while it is not known",
    ),
    entry(Home, "clock", ".clock", "", "home.clock.hour", "the household's clock"),
    entry(
        Load,
        "take_spare",
        ".take_spare(why)",
        "",
        "car.take_spare(\"spare solar\");",
        "asks for spare power",
    ),
    entry(
        Load,
        "take_spare",
        ".take_spare(#{at_least_w, at_most_w, keep_w, grid_up_to_w}, why)",
        "",
        "car.take_spare(#{ keep_w: 200 }, \"spare solar\");",
        "asks for spare power on terms; each may be left out",
    ),
    entry(
        Load,
        "run",
        ".run(why)",
        "",
        "water.run(\"cheap night\");",
        "asks to run at the ceiling, whatever the source of the power",
    ),
    entry(
        Load,
        "run_at_w",
        ".run_at_w(watts, why)",
        "",
        "water.run_at_w(1500, \"half power\");",
        "asks to run at so many watts",
    ),
    entry(
        Load,
        "run_at_a",
        ".run_at_a(amps, why)",
        "",
        "car.run_at_a(16, \"cheap night\");",
        "asks to run at so many amps",
    ),
    entry(Load, "stop", ".stop(why)", "", "water.stop(\"hot enough\");", "asks not to run"),
    entry(Load, "on", ".on", "true or false", "car.on", "whether it is commanded on"),
    entry(Load, "setpoint_w", ".setpoint_w", "W", "car.setpoint_w", "what it is set to"),
    entry(Load, "draw_w", ".draw_w", "W", "car.draw_w < 100", "what it draws"),
    entry(
        Load,
        "plugged",
        ".plugged",
        "true or false",
        "car.plugged",
        "whether something is plugged in, where its device says so",
    ),
    entry(Load, "on_for", ".on_for", "minutes", "water.on_for > 90", "how long it has been on; 0 while off"),
    entry(
        Load,
        "off_for",
        ".off_for",
        "minutes",
        "water.off_for > 30",
        "how long it has been off; 0 while on",
    ),
    entry(
        Load,
        "energy_since",
        ".energy_since(time)",
        "kWh",
        "car.energy_since(\"12:00\") < 8",
        "energy into it since the clock last showed that time",
    ),
    entry(
        Load,
        "run_time_since",
        ".run_time_since(time)",
        "hours",
        "water.run_time_since(\"00:00\") < 2",
        "how long it has run since the clock last showed that time",
    ),
    entry(
        Clock,
        "between",
        ".between(start, end)",
        "true or false",
        "home.clock.between(\"00:30\", \"05:30\")",
        "whether it is from the start until before the end; across midnight too",
    ),
    entry(Clock, "hour", ".hour", "0 to 23", "home.clock.hour >= 18", "the hour"),
    entry(Clock, "minute", ".minute", "0 to 59", "home.clock.minute < 30", "the minute"),
    entry(Clock, "weekday", ".weekday", "mon to sun", "home.clock.weekday == \"sat\"", "the day of the week"),
    entry(Clock, "day", ".day", "1 to 31", "home.clock.day == 1", "the day of the month"),
    entry(Clock, "month", ".month", "1 to 12", "home.clock.month >= 10", "the month"),
    entry(
        Rule,
        "sustained",
        "sustained(name, condition, span)",
        "true or false",
        "sustained(\"sunny\", home.spare_w > 2000, \"2m\")",
        "whether the condition has held at every look for that long",
    ),
    entry(Number, "abs", ".abs()", "", "home.battery_w.abs()", "without its sign"),
    entry(Number, "min", "min(a, b)", "", "min(home.spare_w, 2000)", "the smaller"),
    entry(Number, "max", "max(a, b)", "", "max(home.spare_w, 0)", "the greater"),
    entry(Number, "floor", ".floor()", "", "(home.spare_w / 230).floor()", "rounded down"),
    entry(Number, "ceiling", ".ceiling()", "", "x.ceiling()", "rounded up"),
    entry(Number, "round", ".round()", "", "x.round()", "rounded to the nearest"),
    entry(Number, "sqrt", ".sqrt()", "", "x.sqrt()", "the square root"),
    entry(Number, "to_int", ".to_int()", "", "x.to_int()", "a whole number, the part cut off"),
    entry(Number, "to_float", ".to_float()", "", "n.to_float() / 2", "a whole number as one with a part"),
    entry(Number, "is_nan", ".is_nan()", "true or false", "x.is_nan()", "whether it is no number (0.0/0.0)"),
    entry(Number, "to_string", ".to_string()", "", "x.to_string()", "as a text; inside a text write `${x}`"),
    entry(Text, "len", ".len()", "letters", "name.len()", "how long it is"),
    entry(
        Text,
        "contains",
        ".contains(part)",
        "true or false",
        "\"sun\" in text",
        "whether the part stands in it",
    ),
    entry(
        Text,
        "starts_with",
        ".starts_with(part)",
        "true or false",
        "text.starts_with(\"t\")",
        "whether it begins so",
    ),
    entry(
        Text,
        "ends_with",
        ".ends_with(part)",
        "true or false",
        "text.ends_with(\"y\")",
        "whether it ends so",
    ),
    entry(Text, "trim", ".trim()", "", "text.trim();", "cuts off space around it, in place"),
    entry(Text, "split", ".split(at)", "", "text.split(\",\")", "its parts as a list"),
    entry(Text, "sub_string", ".sub_string(start, length)", "", "text.sub_string(0, 2)", "a part of it"),
    entry(Text, "to_upper", ".to_upper()", "", "text.to_upper()", "in capitals"),
    entry(Text, "to_lower", ".to_lower()", "", "text.to_lower()", "in small letters"),
    entry(Text, "parse_float", ".parse_float()", "", "\"2.5\".parse_float()", "the number that it says"),
    entry(Text, "parse_int", ".parse_int()", "", "\"25\".parse_int()", "the whole number that it says"),
    entry(List, "len", ".len()", "items", "list.len()", "how many there are"),
    entry(List, "is_empty", ".is_empty()", "true or false", "list.is_empty()", "whether there is none"),
    entry(List, "push", ".push(item)", "", "list.push(home.grid_w);", "adds one at the end"),
    entry(
        List,
        "contains",
        ".contains(item)",
        "true or false",
        "home.clock.weekday in [\"sat\", \"sun\"]",
        "whether it is in it",
    ),
    entry(Map, "len", ".len()", "entries", "map.len()", "how many there are"),
    entry(
        Map,
        "contains",
        ".contains(name)",
        "true or false",
        "\"count\" in this",
        "whether there is such an entry",
    ),
    entry(Map, "get", ".get(name)", "", "this.get(\"count\") ?? 0", "the entry, or `()` where there is none"),
    entry(Map, "remove", ".remove(name)", "", "this.remove(\"count\");", "takes the entry out"),
    entry(Map, "clear", ".clear()", "", "this.clear();", "takes every entry out"),
    entry(Map, "keys", ".keys()", "", "map.keys()", "the names of its entries as a list"),
    entry(Map, "values", ".values()", "", "map.values()", "its entries as a list"),
];

#[cfg(test)]
mod tests {
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
            let ours = matches!(e.on, Home | Load | Clock | Rule | List);
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
