//! JSON in messages: read strictly, and described for people.

use std::fmt;

use serde::de::{DeserializeSeed, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

use super::number::quoted;

/// Reads a JSON text. An object that has a key twice is refused: which of the two is meant, nobody knows.
///
/// # Errors
/// What is wrong with it, in a sentence.
pub(super) fn parse(text: &str) -> Result<Value, String> {
    if text.trim().is_empty() {
        return Err("the message is empty".to_owned());
    }
    let mut reader = serde_json::Deserializer::from_str(text);
    let value = Strict.deserialize(&mut reader).map_err(|error| explain(&error, text))?;
    reader.end().map_err(|error| explain(&error, text))?;
    Ok(value)
}

fn explain(error: &serde_json::Error, text: &str) -> String {
    use serde_json::error::Category;
    let what = error.to_string();
    let what = what.split(" at line ").next().unwrap_or(&what);
    match error.classify() {
        Category::Data => what.to_owned(),
        Category::Eof => "the message is JSON that breaks off before its end".to_owned(),
        _ if !text.trim_start().starts_with(['{', '[', '"']) => {
            format!("the message is not JSON: {}", quoted(text.trim()))
        }
        _ => format!("the message is not JSON: {what} at character {}", error.column()),
    }
}

/// What a value is, for people.
pub(super) fn kind(value: &Value) -> String {
    match value {
        Value::Null => "null: the device has no value".to_owned(),
        Value::Bool(b) => b.to_string(),
        Value::Number(n) => format!("the number {n}"),
        Value::String(text) => format!("the text {}", quoted(text)),
        Value::Array(list) if list.is_empty() => "an empty list".to_owned(),
        Value::Array(list) => format!("a list of {}", list.len()),
        Value::Object(map) if map.is_empty() => "an empty object".to_owned(),
        Value::Object(map) => format!("an object with: {}", keys(map)),
    }
}

/// The names in an object, not too many.
pub(super) fn keys(map: &Map<String, Value>) -> String {
    const MOST: usize = 8;
    let shown: Vec<String> =
        map.keys().take(MOST).map(|key| quoted(key).trim_matches('`').to_owned()).collect();
    let more = map.len().saturating_sub(MOST);
    if more == 0 { shown.join(", ") } else { format!("{} and {more} more", shown.join(", ")) }
}

/// Builds a [`Value`] and refuses repeated keys.
struct Strict;

impl<'de> DeserializeSeed<'de> for Strict {
    type Value = Value;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Value, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Strict {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "JSON")
    }
    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }
    fn visit_bool<E>(self, value: bool) -> Result<Value, E> {
        Ok(Value::Bool(value))
    }
    fn visit_i64<E>(self, value: i64) -> Result<Value, E> {
        Ok(value.into())
    }
    fn visit_u64<E>(self, value: u64) -> Result<Value, E> {
        Ok(value.into())
    }
    fn visit_f64<E: Error>(self, value: f64) -> Result<Value, E> {
        Number::from_f64(value)
            .map(Value::Number)
            .ok_or_else(|| E::custom("the message has a number that is none"))
    }
    fn visit_str<E>(self, value: &str) -> Result<Value, E> {
        Ok(Value::String(value.to_owned()))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element_seed(Strict)? {
            list.push(item);
        }
        Ok(Value::Array(list))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Value, A::Error> {
        let mut map = Map::new();
        while let Some(key) = entries.next_key::<String>()? {
            let value = entries.next_value_seed(Strict)?;
            if map.contains_key(&key) {
                return Err(A::Error::custom(format!("the message has {} twice", quoted(&key))));
            }
            map.insert(key, value);
        }
        Ok(Value::Object(map))
    }
}
