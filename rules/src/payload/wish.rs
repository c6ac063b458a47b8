//! What messages of people have in common: an object of known keys, an end, a name.

use serde_json::{Map, Value};

use super::json::{self, kind};
use super::number::quoted;
use super::time::rfc3339;
use crate::input::End;
use crate::limits;
use crate::script::suggest;
use crate::time::Span;

/// Characters of `by` and `id`.
const NAME_CHARS: usize = 100;

/// The keys and values of a message; `one` is what the message is, as in "an override".
///
/// # Errors
/// What is wrong with the message, in a sentence.
pub(super) fn wish(
    one: &str,
    example: &str,
    keys: &[&str],
    payload: &[u8],
) -> Result<Map<String, Value>, String> {
    if payload.len() > limits::PAYLOAD_BYTES {
        return Err(format!("the message has {} bytes, more than {}", payload.len(), limits::PAYLOAD_BYTES));
    }
    let text = std::str::from_utf8(payload).map_err(|_| "the message is not text".to_owned())?;
    let map = match json::parse(text)? {
        Value::Object(map) => map,
        other => {
            return Err(format!("{one} is a JSON object such as {example}, and this is {}", kind(&other)));
        }
    };
    if let Some(unknown) = map.keys().find(|key| !keys.contains(&key.as_str())) {
        let help =
            suggest(unknown, keys.iter().copied()).map_or_else(String::new, |help| format!("; {help}"));
        return Err(format!("{one} has no {}{help}", quoted(unknown)));
    }
    Ok(map)
}

/// The end behind `for` or `until`.
///
/// # Errors
/// What is wrong with it, in a sentence.
pub(super) fn end(one: &str, map: &Map<String, Value>, longest: Span) -> Result<Option<End>, String> {
    match (map.get("for"), map.get("until")) {
        (Some(_), Some(_)) => Err(format!("{one} has `for` or `until`, not both")),
        (Some(Value::String(text)), None) => {
            let span = Span::parse(text).map_err(|problem| format!("`for`: {problem}"))?;
            if span <= Span::ZERO || span > longest {
                return Err(format!(
                    "`for` is more than nothing and at most {longest}, not {}",
                    quoted(text)
                ));
            }
            Ok(Some(End::For(span)))
        }
        (None, Some(Value::String(text))) => {
            rfc3339(text).map(|time| Some(End::Until(time))).map_err(|problem| format!("`until`: {problem}"))
        }
        (Some(other), None) => Err(format!("`for` is a duration such as \"2h\", not {}", kind(other))),
        (None, Some(other)) => {
            Err(format!("`until` is a time such as \"2026-06-01T18:00:00Z\", not {}", kind(other)))
        }
        (None, None) => Ok(None),
    }
}

/// The short text behind `key`.
///
/// # Errors
/// What is wrong with it, in a sentence.
pub(super) fn name(map: &Map<String, Value>, key: &str) -> Result<Option<String>, String> {
    match map.get(key) {
        None => Ok(None),
        Some(Value::String(text)) if text.trim().is_empty() => Err(format!("`{key}` is empty")),
        Some(Value::String(text)) if text.chars().count() > NAME_CHARS => {
            Err(format!("`{key}` is longer than {NAME_CHARS} letters"))
        }
        Some(Value::String(text)) => Ok(Some(text.clone())),
        Some(other) => Err(format!("`{key}` is a text, not {}", kind(other))),
    }
}
