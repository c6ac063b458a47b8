//! What a person wants of a load, as a message.

use serde_json::{Map, Value};

use super::json::{self, kind};
use super::number::quoted;
use super::time::rfc3339;
use crate::home::LoadId;
use crate::input::{Amount, End, OverrideRequest, Want};
use crate::limits;
use crate::script::{nearest, suggest};
use crate::time::Span;

const KEYS: [&str; 7] = ["want", "watts", "amps", "for", "until", "by", "id"];
const WANTS: [&str; 3] = ["on", "off", "auto"];

/// Characters of `by` and `id`.
const NAME_CHARS: usize = 100;

/// Reads an override for `load`: `{"want": "on"|"off"|"auto", "watts"|"amps": n, "for": "2h" | "until": T, "by": text,
/// "id": text}`. Whether the load can take the amount, and whether the request is in time, is for the controller.
///
/// # Errors
/// What is wrong with the message, in a sentence.
pub fn override_request(load: LoadId, payload: &[u8], retained: bool) -> Result<OverrideRequest, String> {
    if payload.len() > limits::PAYLOAD_BYTES {
        return Err(format!("the message has {} bytes, more than {}", payload.len(), limits::PAYLOAD_BYTES));
    }
    let text = std::str::from_utf8(payload).map_err(|_| "the message is not text".to_owned())?;
    let map = match json::parse(text)? {
        Value::Object(map) => map,
        other => {
            return Err(format!(
                "an override is a JSON object such as {{\"want\": \"on\"}}, and this is {}",
                kind(&other)
            ));
        }
    };
    if let Some(unknown) = map.keys().find(|key| !KEYS.contains(&key.as_str())) {
        let help = suggest(unknown, KEYS).map_or_else(String::new, |help| format!("; {help}"));
        return Err(format!("an override has no {}{help}", quoted(unknown)));
    }
    let want = want(&map)?;
    let (amount, end) = (amount(&map)?, end(&map)?);
    if want != Want::On && amount.is_some() {
        return Err("`watts` and `amps` go with \"want\": \"on\" only".to_owned());
    }
    if want == Want::Auto && end.is_some() {
        return Err(
            "`for` and `until` do not go with \"want\": \"auto\", which ends an override at once".to_owned()
        );
    }
    Ok(OverrideRequest { load, want, amount, end, by: name(&map, "by")?, id: name(&map, "id")?, retained })
}

fn want(map: &Map<String, Value>) -> Result<Want, String> {
    match map.get("want") {
        Some(Value::String(word)) => match word.as_str() {
            "on" => Ok(Want::On),
            "off" => Ok(Want::Off),
            "auto" => Ok(Want::Auto),
            other => {
                let help =
                    nearest(other, WANTS).map_or_else(String::new, |n| format!("; did you mean `{n}`?"));
                Err(format!("`want` is \"on\", \"off\" or \"auto\", not {}{help}", quoted(other)))
            }
        },
        Some(other) => Err(format!("`want` is \"on\", \"off\" or \"auto\", not {}", kind(other))),
        None => {
            Err("the override does not say what it wants: add \"want\": \"on\", \"off\" or \"auto\""
                .to_owned())
        }
    }
}

fn amount(map: &Map<String, Value>) -> Result<Option<Amount>, String> {
    match (map.get("watts"), map.get("amps")) {
        (Some(_), Some(_)) => Err("an override has `watts` or `amps`, not both".to_owned()),
        (Some(watts), None) => positive("watts", watts).map(|w| Some(Amount::Watts(w))),
        (None, Some(amps)) => positive("amps", amps).map(|a| Some(Amount::Amps(a))),
        (None, None) => Ok(None),
    }
}

fn positive(key: &str, value: &Value) -> Result<f64, String> {
    match value.as_f64() {
        Some(amount) if amount.is_finite() && amount > 0.0 => Ok(amount),
        _ => Err(format!("`{key}` is a number above 0, not {}", kind(value))),
    }
}

fn end(map: &Map<String, Value>) -> Result<Option<End>, String> {
    match (map.get("for"), map.get("until")) {
        (Some(_), Some(_)) => Err("an override has `for` or `until`, not both".to_owned()),
        (Some(Value::String(text)), None) => {
            let span = Span::parse(text).map_err(|problem| format!("`for`: {problem}"))?;
            if span <= Span::ZERO || span > limits::OVERRIDE_LONGEST {
                return Err(format!(
                    "`for` is more than nothing and at most {}, not {}",
                    limits::OVERRIDE_LONGEST,
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

fn name(map: &Map<String, Value>, key: &str) -> Result<Option<String>, String> {
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
