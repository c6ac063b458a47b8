//! One value of the tree into the type that the table of keys asks for.

use overspill_rules::time::Span;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::block::{At, Block, Place, Value};
use super::form::{Form, Key, shown};
use super::grammar::Grammar;
use super::nearest::nearest;
use super::walk::{Walk, in_file_order, words_allowed};

/// Reads `value` as `key` wants it; `None` after telling what is wrong.
pub(crate) fn convert(
    walk: &mut Walk<'_>,
    block: &Block,
    key: &Key,
    key_place: Place,
    value: &Spanned<DeValue<'_>>,
) -> Option<Value> {
    let mut one = One { name: key.name, form: &key.form, place: value.span(), walk };
    let inner = value.get_ref();
    match (&key.form, inner) {
        (Form::Refused(why), _) => {
            one.refused(key_place, why);
            None
        }
        (
            Form::Table(keys) | Form::WordOrTable(_, keys) | Form::NumberOrTable { keys, .. },
            DeValue::Table(t),
        ) => {
            let name = if block.name.is_empty() {
                key.name.to_owned()
            } else {
                format!("{}.{}", block.name, key.name)
            };
            Some(Value::Block(one.walk.block(name, value.span(), t, keys)))
        }
        (Form::Named { one: what, ids, keys }, DeValue::Table(t)) => {
            let parent = if block.name.is_empty() {
                key.name.to_owned()
            } else {
                format!("{}.{}", block.name, key.name)
            };
            Some(Value::Named(one.walk.named(&parent, (*ids, what), t, keys)))
        }
        (Form::Tables { keys, .. }, DeValue::Array(items)) => one.tables(block, items, keys),
        (Form::Text | Form::Scalar, DeValue::String(text)) => one.text(text),
        (Form::Word(words) | Form::WordOrTable(words, _), DeValue::String(text)) => one.word(text, words),
        (Form::Checked(grammar), DeValue::String(text)) => {
            // A hash is long and is not shown: its key is what can be pointed at.
            if *grammar == Grammar::PasswordHash {
                one.place = key_place;
            }
            one.checked(text, *grammar)
        }
        (Form::Scalar, DeValue::Integer(_) | DeValue::Float(_)) => one.number(inner).map(Value::Number),
        (Form::Flag | Form::Scalar, DeValue::Boolean(flag)) => Some(Value::Flag(*flag)),
        (Form::Duration { least, most, or_none }, DeValue::String(text)) => {
            one.duration(text, (*least, *most), *or_none)
        }
        (Form::Number { least, most, .. } | Form::NumberOrTable { least, most, .. }, _) => {
            let number = one.number(inner)?;
            one.within(number, *least, *most)
        }
        (Form::Whole { least, most, .. }, _) => {
            let number = one.whole(inner)?;
            one.within(number, *least as f64, *most as f64)
        }
        (Form::OneOf(numbers), _) => {
            let number = one.whole(inner)?;
            match numbers.iter().any(|n| *n as f64 == number) {
                true => Some(Value::Number(number)),
                false => one.out_of_range(number),
            }
        }
        (Form::Range, DeValue::Array(items)) => one.range(items),
        (Form::NumberOrRange { .. }, DeValue::Array(items)) => one.range(items),
        (Form::NumberOrRange { .. }, _) => one.number(inner).map(|n| Value::Range(n, n)),
        (Form::Series, _) => match plain_text(inner) {
            Some(text) => Some(Value::Text(text)),
            None => one.wrong_type(inner),
        },
        (Form::SeriesByName, DeValue::Table(table)) => Some(one.series_by_name(table)),
        (Form::List(keys), DeValue::Array(items)) => one.tables(block, items, keys),
        (Form::Texts, DeValue::Array(items)) => one.texts(items),
        _ => one.wrong_type(inner),
    }
}

/// One value on its way.
struct One<'o, 'w> {
    name: &'static str,
    form: &'o Form,
    place: Place,
    walk: &'o mut Walk<'w>,
}

impl One<'_, '_> {
    fn refused(&mut self, key_place: Place, why: &str) {
        self.walk
            .found
            .error("password-in-file", key_place, format!("`{}` does not belong in the home file", self.name))
            .label("not taken")
            .help(why);
    }

    fn wrong_type(&mut self, value: &DeValue<'_>) -> Option<Value> {
        let allowed = self.form.allowed();
        let kind = kind_of(value);
        let message = format!("`{}` can't be {kind}", self.name);
        let d = self.walk.found.error("wrong-type", self.place.clone(), message);
        d.label(help_for(self.name, self.form, value).unwrap_or_default());
        d.help(format!("`{}` takes {allowed}", self.name));
        None
    }

    fn text(&mut self, text: &str) -> Option<Value> {
        if !text.trim().is_empty() {
            return Some(Value::Text(text.to_owned()));
        }
        let message = format!("`{}` is empty", self.name);
        self.walk.found.error("empty", self.place.clone(), message).label("nothing in the quotes");
        None
    }

    fn word(&mut self, text: &str, words: &[&str]) -> Option<Value> {
        if words.contains(&text) {
            return Some(Value::Text(text.to_owned()));
        }
        let allowed = match self.form {
            Form::WordOrTable(..) => format!("allowed: {}", self.form.allowed()),
            _ => words_allowed(words),
        };
        let message = format!("`{}` can't be \"{text}\"", self.name);
        let d = self.walk.found.error("unknown-word", self.place.clone(), message);
        match nearest(text, words.iter().copied()) {
            Some(near) => d.label(format!("did you mean \"{near}\"?")),
            None => d.label("unknown"),
        };
        d.help(allowed);
        None
    }

    fn checked(&mut self, text: &str, grammar: Grammar) -> Option<Value> {
        let Err(fault) = grammar.check(text) else { return Some(Value::Text(text.to_owned())) };
        let message = format!("`{}` is {}", self.name, grammar.fault());
        let d = self.walk.found.error("bad-text", self.place.clone(), message);
        d.label(fault.label)
            .help(fault.help.unwrap_or_else(|| format!("`{}` takes {}", self.name, grammar.allowed())));
        None
    }

    fn duration(&mut self, text: &str, (least, most): (Span, Span), or_none: bool) -> Option<Value> {
        if or_none && text == "none" {
            return Some(Value::None);
        }
        let Ok(span) = Span::parse(text) else {
            let allowed = self.form.allowed();
            let message = format!("`{}` is no duration", self.name);
            let d = self.walk.found.error("bad-duration", self.place.clone(), message);
            match text.trim().parse::<f64>() {
                Ok(_) => d.label(format!("the unit is missing; \"{}s\"?", text.trim())),
                Err(_) => d.label("units are ms, s, m, h and d"),
            };
            d.help(format!("`{}` takes {allowed}", self.name));
            return None;
        };
        if span < least || span > most {
            let message = format!("`{}` is from {} to {most}", self.name, shown(least));
            self.walk
                .found
                .error("out-of-range", self.place.clone(), message)
                .label(format!("this is {}", shown(span)));
            return None;
        }
        Some(Value::Duration(span))
    }

    fn number(&mut self, value: &DeValue<'_>) -> Option<f64> {
        let number = number_of(value);
        if number.is_none() {
            self.wrong_type(value);
        }
        number
    }

    fn whole(&mut self, value: &DeValue<'_>) -> Option<f64> {
        match number_of(value) {
            Some(number) if number.fract() == 0.0 => Some(number),
            _ => {
                self.wrong_type(value);
                None
            }
        }
    }

    fn within(&mut self, number: f64, least: f64, most: f64) -> Option<Value> {
        match number >= least && number <= most {
            true => Some(Value::Number(number)),
            false => self.out_of_range(number),
        }
    }

    fn out_of_range(&mut self, number: f64) -> Option<Value> {
        let message = format!("`{}` can't be {number}", self.name);
        let allowed = self.form.allowed();
        self.walk
            .found
            .error("out-of-range", self.place.clone(), message)
            .label("out of range")
            .help(format!("`{}` takes {allowed}", self.name));
        None
    }

    fn range(&mut self, items: &[Spanned<DeValue<'_>>]) -> Option<Value> {
        let numbers: Vec<Option<f64>> = items.iter().map(|i| number_of(i.get_ref())).collect();
        let [Some(low), Some(high)] = numbers[..] else {
            let allowed = self.form.allowed();
            let message = format!("`{}` is not two numbers", self.name);
            let d = self.walk.found.error("wrong-type", self.place.clone(), message);
            d.label("not two numbers").help(format!("`{}` takes {allowed}", self.name));
            return None;
        };
        if low < high {
            return Some(Value::Range(low, high));
        }
        let message = format!("`{}` has its lower number first", self.name);
        let label = format!("{low} is not below {high}");
        self.walk.found.error("out-of-range", self.place.clone(), message).label(label);
        None
    }

    fn series_by_name(&mut self, table: &DeTable<'_>) -> Value {
        let mut series = Vec::new();
        for (key, value) in in_file_order(table) {
            match plain_text(value.get_ref()) {
                Some(text) => series.push((
                    At { value: key.get_ref().to_string(), place: key.span() },
                    At { value: text, place: value.span() },
                )),
                None => {
                    self.walk
                        .found
                        .error("wrong-type", value.span(), format!("`{}` is no series", key.get_ref()))
                        .label(format!("this is {}", kind_of(value.get_ref())))
                        .help(format!("write {}", Form::Series.allowed()));
                }
            }
        }
        Value::Series(series)
    }

    fn tables(
        &mut self,
        parent: &Block,
        items: &[Spanned<DeValue<'_>>],
        keys: &'static [Key],
    ) -> Option<Value> {
        let mut blocks = Vec::new();
        for item in items {
            let DeValue::Table(table) = item.get_ref() else {
                self.place = item.span();
                return self.wrong_type(item.get_ref());
            };
            let name = format!("{}.{}", parent.name, self.name);
            blocks.push(self.walk.block(name, item.span(), table, keys));
        }
        Some(Value::Blocks(blocks))
    }

    fn texts(&mut self, items: &[Spanned<DeValue<'_>>]) -> Option<Value> {
        let mut texts = Vec::new();
        for item in items {
            match item.get_ref().as_str() {
                Some(text) => texts.push(At { value: text.to_owned(), place: item.span() }),
                None => {
                    self.place = item.span();
                    self.wrong_type(item.get_ref());
                    return None;
                }
            }
        }
        Some(Value::Texts(texts))
    }
}

/// A finite number, whether it was written with a point or without.
fn number_of(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(n) => i64::from_str_radix(n.as_str(), n.radix()).ok().map(|n| n as f64),
        DeValue::Float(n) => n.as_str().parse::<f64>().ok(),
        _ => None,
    };
    number.filter(|n| n.is_finite())
}

/// A text, number or flag as text.
fn plain_text(value: &DeValue<'_>) -> Option<String> {
    match value {
        DeValue::String(text) => Some(text.to_string()),
        DeValue::Boolean(flag) => Some(if *flag { "yes" } else { "no" }.to_owned()),
        other => number_of(other).map(|n| n.to_string()),
    }
}

fn kind_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a number",
        DeValue::Float(_) => "a number with a fraction",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// What to write instead, where what is meant is plain.
fn help_for(name: &str, form: &Form, value: &DeValue<'_>) -> Option<String> {
    match (form, value) {
        (Form::Tables { one, .. }, DeValue::Table(_)) => {
            Some(format!("one header for each {one}: [[..{name}]]"))
        }
        (Form::Named { .. }, DeValue::Array(_)) => Some(format!("give each a name: [{name}.NAME]")),
        _ => mended(form, value).map(|mended| format!("write {name} = {mended}")),
    }
}

/// The value as it should be written, where what is meant is plain.
fn mended(form: &Form, value: &DeValue<'_>) -> Option<String> {
    match (form, value) {
        (Form::Number { .. } | Form::Whole { .. } | Form::OneOf(_), DeValue::String(text)) => {
            text.trim().parse::<f64>().ok().map(|n| n.to_string())
        }
        (Form::Flag, DeValue::String(text)) => match text.as_ref() {
            "true" | "yes" | "on" => Some("true".to_owned()),
            "false" | "no" | "off" => Some("false".to_owned()),
            _ => None,
        },
        (Form::Duration { .. }, _) => number_of(value).map(|n| format!("\"{n}s\"")),
        (Form::Word(words), _) => number_of(value)
            .map(|n| n.to_string())
            .filter(|n| words.contains(&n.as_str()))
            .map(|n| format!("\"{n}\"")),
        (Form::WordOrTable(_, keys), _) => {
            let number = number_of(value)?;
            let shown: Vec<String> = keys.iter().map(|k| format!("{{ {} = {number} }}", k.name)).collect();
            Some(shown.join(" or "))
        }
        (Form::Texts, DeValue::String(text)) => Some(format!("[\"{text}\"]")),
        _ => None,
    }
}
