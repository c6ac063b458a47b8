//! What a person wants of a load, as a message.

use serde_json::{Map, Value};

use super::json::kind;
use super::number::quoted;
use super::wish::{end, name, wish};
use crate::home::LoadId;
use crate::input::{Amount, OverrideRequest, Want};
use crate::limits;
use crate::script::nearest;

const KEYS: [&str; 7] = ["want", "watts", "amps", "for", "until", "by", "id"];
const WANTS: [&str; 3] = ["on", "off", "auto"];

/// Reads an override for `load`: `{"want": "on"|"off"|"auto", "watts"|"amps": n, "for": "2h" | "until": T, "by": text,
/// "id": text}`. Whether the load can take the amount, and whether the request is in time, is for the controller.
///
/// # Errors
/// What is wrong with the message, in a sentence.
pub fn override_request(load: LoadId, payload: &[u8], retained: bool) -> Result<OverrideRequest, String> {
    let map = wish("an override", "{\"want\": \"on\"}", &KEYS, payload)?;
    let want = want(&map)?;
    let (amount, end) = (amount(&map)?, end("an override", &map, limits::OVERRIDE_LONGEST)?);
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
