//! The text of a home file, taken apart and put together again without a change of layout.

use overspill_rules::commission::Correction;
use overspill_rules::home::{Home, Measures, PointId, Positive};
use toml_edit::{DocumentMut, Item, RawString, TableLike, Value};

use super::Refused;

/// What belongs to a device's channel, and so goes along when two are exchanged.
const CHANNEL: [&str; 12] = [
    "topic",
    "pointer",
    "script",
    "time_pointer",
    "unit",
    "per_kwh",
    "scale",
    "volts",
    "amps",
    "power_factor",
    "import_kwh",
    "export_kwh",
];

/// A home file being changed.
pub(super) struct File(DocumentMut);

impl File {
    pub(super) fn parse(text: &str) -> Result<File, Refused> {
        let why = |e: toml_edit::TomlError| place("home file", e.message());
        text.parse::<DocumentMut>().map(File).map_err(why)
    }

    pub(super) fn text(&self) -> String {
        self.0.to_string()
    }

    /// The section of a point; of a load's own meter it is within the load's.
    fn section(&mut self, home: &Home, point: PointId) -> Result<&mut dyn TableLike, Refused> {
        let (id, measures) = (home.point(point).id.clone(), home.point(point).measures);
        let own = self.0.get("point").and_then(|p| p.get(&id)).is_some();
        let item = match measures {
            _ if own => down(self.0.as_item_mut(), &["point", &id]),
            Measures::Load(load) => {
                let load = home.load(load).id.clone();
                down(self.0.as_item_mut(), &["load", &load, "feedback", "draw"])
            }
            _ => None,
        };
        item.and_then(Item::as_table_like_mut).ok_or_else(|| place(&id, "its section was not found"))
    }
}

fn down<'a>(from: &'a mut Item, path: &[&str]) -> Option<&'a mut Item> {
    path.iter().try_fold(from, |item, key| item.get_mut(key))
}

fn place(point: &str, why: &str) -> Refused {
    Refused::Place { point: point.to_owned(), why: why.to_owned() }
}

/// Makes one change and says it in words.
pub(super) fn apply(
    file: &mut File,
    home: &Home,
    point: PointId,
    correction: Correction,
) -> Result<String, Refused> {
    let (id, held) = (home.point(point).id.clone(), home.point(point));
    if let Correction::ExchangeWith(other) = correction {
        return exchange(file, home, point, other);
    }
    let section = file.section(home, point)?;
    match correction {
        Correction::FlipSign => Ok(format!("{id}: {}", flip(section, held.measures))),
        Correction::Scale(factor) => {
            let (before, after) = multiply(section, factor);
            Ok(format!("{id}: `scale` becomes {after}, was {before}"))
        }
        Correction::Kilowatts => {
            set(section, "unit", "kW".into());
            Ok(format!("{id}: its device sends kilowatts"))
        }
        Correction::Watts => {
            set(section, "unit", "W".into());
            Ok(format!("{id}: its device sends watts"))
        }
        Correction::MeasuresHouse => {
            set(section, "measures", "house".into());
            set(section, "positive", "use".into());
            // Where a positive number meant export it now means use: the number itself must turn.
            if held.positive == Positive::Export {
                turn_scale(section);
            }
            Ok(format!("{id}: it measures the house, not the grid"))
        }
        Correction::ExchangeWith(_) => Ok(String::new()),
    }
}

fn word<'a>(section: &'a dyn TableLike, key: &str) -> Option<&'a str> {
    section.get(key).and_then(Item::as_str)
}

/// Turns the meaning of a positive number where the file says it in a word, else the number.
fn flip(section: &mut dyn TableLike, measures: Measures) -> String {
    let other = match (word(section, "positive"), measures) {
        (Some("import"), Measures::Grid(_)) => "export",
        (Some("export"), Measures::Grid(_)) => "import",
        (Some("charge"), _) => "discharge",
        (Some("discharge"), _) => "charge",
        (Some("use"), Measures::Solar) if is_added(section, "positive") => {
            remove(section, "positive");
            return "a positive number means generation".to_owned();
        }
        (Some("use"), Measures::Solar) => "generation",
        (_, Measures::Solar) => "use",
        _ => {
            turn_scale(section);
            return "its numbers are turned by the sign of `scale`".to_owned();
        }
    };
    set(section, "positive", other.into());
    format!("a positive number means {other}")
}

/// Whether it stands last and without a comment: so it was added by an earlier change, and is taken away again.
fn is_added(section: &dyn TableLike, key: &str) -> bool {
    let plain = |item: &Item| {
        let suffix = item.as_value().and_then(|v| v.decor().suffix()).and_then(RawString::as_str);
        !suffix.unwrap_or_default().contains('#')
    };
    section.iter().last().is_some_and(|(last, item)| last == key && plain(item))
}

fn turn_scale(section: &mut dyn TableLike) {
    let scale = number(section, "scale");
    match scale {
        None => set(section, "scale", Value::from(-1)),
        Some(-1.0) if is_added(section, "scale") && section.get("scale").is_some_and(Item::is_integer) => {
            remove(section, "scale");
        }
        Some(scale) => set(section, "scale", Value::from(-scale)),
    }
}

fn number(section: &dyn TableLike, key: &str) -> Option<f64> {
    let item = section.get(key)?;
    item.as_float().or_else(|| item.as_integer().map(|whole| whole as f64))
}

fn multiply(section: &mut dyn TableLike, factor: f64) -> (f64, f64) {
    let before = number(section, "scale").unwrap_or(1.0);
    let after = rounded(before * factor);
    set(section, "scale", Value::from(after));
    (before, after)
}

/// To five significant digits: no clamp is known better.
fn rounded(number: f64) -> f64 {
    format!("{number:.4e}").parse().unwrap_or(number)
}

/// Writes a value in place of another, with the spaces and the comment that the other had.
fn set(section: &mut dyn TableLike, key: &str, mut value: Value) {
    match section.get_mut(key).and_then(Item::as_value_mut) {
        Some(there) => {
            *value.decor_mut() = there.decor().clone();
            *there = value;
        }
        None => {
            let end = take_end(section);
            section.insert(key, Item::Value(value));
            give_end(section, end);
        }
    }
}

fn remove(section: &mut dyn TableLike, key: &str) {
    let last = section.iter().last().is_some_and(|(last, _)| last == key);
    let end = if last { take_end(section) } else { None };
    section.remove(key);
    give_end(section, end);
}

/// The space before the closing brace of a table in one line belongs to its last value.
fn take_end(section: &mut dyn TableLike) -> Option<RawString> {
    let (_, last) = section.iter_mut().last()?;
    let decor = last.as_value_mut()?.decor_mut();
    let space = decor.suffix()?.clone();
    if space.as_str().is_some_and(|s| s.contains('#')) {
        return None;
    }
    decor.set_suffix("");
    Some(space)
}

fn give_end(section: &mut dyn TableLike, end: Option<RawString>) {
    let last = section.iter_mut().last().and_then(|(_, item)| item.as_value_mut());
    if let (Some(end), Some(value)) = (end, last) {
        value.decor_mut().set_suffix(end);
    }
}

fn exchange(file: &mut File, home: &Home, one: PointId, other: PointId) -> Result<String, Refused> {
    for key in CHANNEL {
        // A fixed power factor is the load's, not the channel's.
        let moves = |item: &Item| key != "power_factor" || item.as_float().is_none();
        let taken = |file: &mut File, point| -> Result<Option<Item>, Refused> {
            Ok(file.section(home, point)?.get(key).filter(|item| moves(item)).cloned())
        };
        let (mut first, mut second) = (taken(file, one)?, taken(file, other)?);
        // A load's own meter may leave the unit out, a point may not.
        if key == "unit" && first.is_some() != second.is_some() {
            first = first.or_else(|| Some(toml_edit::value("W")));
            second = second.or_else(|| Some(toml_edit::value("W")));
        }
        if first.is_some() || second.is_some() {
            give(file.section(home, one)?, key, second);
            give(file.section(home, other)?, key, first);
        }
    }
    let (one, other) = (&home.point(one).id, &home.point(other).id);
    Ok(format!("{one} and {other}: their sources are exchanged"))
}

fn give(section: &mut dyn TableLike, key: &str, item: Option<Item>) {
    match item.map(Item::into_value) {
        None => remove(section, key),
        Some(Ok(value)) => {
            let value = if section.contains_key(key) { value } else { undecorated(value) };
            set(section, key, value);
        }
        Some(Err(table)) => {
            section.insert(key, table);
        }
    }
}

fn undecorated(mut value: Value) -> Value {
    value.decor_mut().clear();
    value
}
