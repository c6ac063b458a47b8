//! A section as it was read: typed values by key, each with its place, defaults filled in.

use std::ops::Range;

use overspill_rules::time::Span;

use super::form::Key;

/// A place in the file, in bytes.
pub(crate) type Place = Range<usize>;

/// Something and its place.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct At<T> {
    /// The thing.
    pub(crate) value: T,
    /// Its place.
    pub(crate) place: Place,
}

/// A value as the table of keys types it.
#[derive(Debug, Clone)]
pub(crate) enum Value {
    /// Text.
    Text(String),
    /// A number.
    Number(f64),
    /// Yes or no.
    Flag(bool),
    /// A duration.
    Duration(Span),
    /// A duration that is none.
    None,
    /// Low and high.
    Range(f64, f64),
    /// Texts, each with its place.
    Texts(Vec<At<String>>),
    /// A section within.
    Block(Block),
    /// Sections within, each under a name, in the file's order.
    Named(Vec<(At<String>, Block)>),
    /// A list of sections, in the file's order.
    Blocks(Vec<Block>),
}

/// One section.
#[derive(Debug, Clone)]
pub(crate) struct Block {
    /// Its name in full, as in `point.grid`; empty for the file as a whole.
    pub(crate) name: String,
    /// Its header, or the braces of an inline table.
    pub(crate) header: Place,
    /// What it may hold.
    pub(crate) keys: &'static [Key],
    /// What was found, and defaults.
    pub(crate) entries: Vec<Entry>,
}

/// One key of a section.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    /// The key.
    pub(crate) key: &'static str,
    /// Where the key stands; `None` for a default.
    pub(crate) key_place: Option<Place>,
    /// Where the value stands; the header for a default.
    pub(crate) place: Place,
    /// The value; `None` when it was written wrongly, which has been told.
    pub(crate) value: Option<Value>,
}

impl Block {
    fn entry(&self, key: &str) -> Option<&Entry> {
        debug_assert!(self.knows(key), "[{}] knows no `{key}`", self.name);
        self.entries.iter().find(|e| e.key == key)
    }

    /// Whether this section may have the key at all.
    pub(crate) fn knows(&self, key: &str) -> bool {
        self.keys.iter().any(|k| k.name == key)
    }

    fn value(&self, key: &str) -> Option<&Value> {
        self.entry(key).and_then(|e| e.value.as_ref())
    }

    /// Whether the file has this key, rightly written or not.
    pub(crate) fn is_written(&self, key: &str) -> bool {
        self.entry(key).is_some_and(|e| e.key_place.is_some())
    }

    /// Whether the file has this key, and what stands there could not be read.
    pub(crate) fn is_broken(&self, key: &str) -> bool {
        self.entry(key).is_some_and(|e| e.key_place.is_some() && e.value.is_none())
    }

    /// Whether anything in this section could not be read, or a required key is missing.
    pub(crate) fn has_broken(&self) -> bool {
        let broken = self.entries.iter().any(|e| e.value.is_none());
        broken || self.keys.iter().any(|k| k.required && !self.is_written(k.name))
    }

    /// Where the value of this key stands, or the header.
    pub(crate) fn place(&self, key: &str) -> Place {
        self.entry(key).map_or(self.header.clone(), |e| e.place.clone())
    }

    /// Where this key stands, or the header.
    pub(crate) fn key_place(&self, key: &str) -> Place {
        self.entry(key).and_then(|e| e.key_place.clone()).unwrap_or(self.header.clone())
    }

    /// The text behind `key`.
    pub(crate) fn text(&self, key: &str) -> Option<&str> {
        match self.value(key) {
            Some(Value::Text(text)) => Some(text),
            _ => None,
        }
    }

    /// The number behind `key`.
    pub(crate) fn number(&self, key: &str) -> Option<f64> {
        match self.value(key) {
            Some(Value::Number(number)) => Some(*number),
            _ => None,
        }
    }

    /// The whole number behind `key`; the table of keys bounds it to what fits.
    pub(crate) fn whole(&self, key: &str) -> Option<u32> {
        self.number(key).map(|n| n as u32)
    }

    /// The yes or no behind `key`.
    pub(crate) fn flag(&self, key: &str) -> Option<bool> {
        match self.value(key) {
            Some(Value::Flag(flag)) => Some(*flag),
            _ => None,
        }
    }

    /// The duration behind `key`.
    pub(crate) fn duration(&self, key: &str) -> Option<Span> {
        match self.value(key) {
            Some(Value::Duration(span)) => Some(*span),
            _ => None,
        }
    }

    /// Whether `"none"` stands behind `key`.
    pub(crate) fn is_none(&self, key: &str) -> bool {
        matches!(self.value(key), Some(Value::None))
    }

    /// Low and high behind `key`.
    pub(crate) fn range(&self, key: &str) -> Option<(f64, f64)> {
        match self.value(key) {
            Some(Value::Range(low, high)) => Some((*low, *high)),
            _ => None,
        }
    }

    /// The texts behind `key`.
    pub(crate) fn texts(&self, key: &str) -> Option<&[At<String>]> {
        match self.value(key) {
            Some(Value::Texts(texts)) => Some(texts),
            _ => None,
        }
    }

    /// The section behind `key`.
    pub(crate) fn block(&self, key: &str) -> Option<&Block> {
        match self.value(key) {
            Some(Value::Block(block)) => Some(block),
            _ => None,
        }
    }

    /// The list of sections behind `key`, in the file's order.
    pub(crate) fn blocks(&self, key: &str) -> &[Block] {
        match self.value(key) {
            Some(Value::Blocks(blocks)) => blocks,
            _ => &[],
        }
    }

    /// The named sections behind `key`, in the file's order.
    pub(crate) fn named(&self, key: &str) -> &[(At<String>, Block)] {
        match self.value(key) {
            Some(Value::Named(named)) => named,
            _ => &[],
        }
    }
}
