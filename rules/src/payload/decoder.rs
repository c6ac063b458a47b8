//! Numbers and flags out of messages. One message may hold several quantities: parse it once, decode it many times.

use std::cell::OnceCell;

use rhai::{Dynamic, Map, Scope};
use serde_json::Value;

use super::json::{self, keys, kind};
use super::number::{number, quoted};
use super::pointer::Pointer;
use super::time::device_time;
use crate::limits;
use crate::script::{Expression, number as script_number, type_word};
use crate::time::WallTime;

/// Where in a message the number stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Extract {
    /// The message is the number.
    Number,
    /// At this JSON Pointer.
    Pointer(String),
    /// Where this script finds it; it has `payload`, the message as text, and `json`, the message as data in which
    /// every number is a floating one (`()` where the message is not JSON).
    Script(String),
}

/// A number out of a message.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decoded {
    /// The number as the device sent it, finite.
    pub value: f64,
    /// The time that the device gave, where it gave one.
    pub device_time: Option<WallTime>,
}

/// A message, of which the JSON is parsed at most once.
#[derive(Debug)]
pub struct Parsed<'a> {
    text: Result<&'a str, String>,
    json: OnceCell<Result<Value, String>>,
}

impl<'a> Parsed<'a> {
    /// Takes a message. Nothing is refused yet: errors come from decoding.
    pub fn new(payload: &'a [u8]) -> Parsed<'a> {
        Parsed { text: text(payload), json: OnceCell::new() }
    }

    fn text(&self) -> Result<&'a str, String> {
        self.text.clone()
    }

    fn json(&self) -> Result<&Value, String> {
        let text = self.text.as_deref().map_err(Clone::clone)?;
        self.json.get_or_init(|| json::parse(text)).as_ref().map_err(Clone::clone)
    }
}

fn text(payload: &[u8]) -> Result<&str, String> {
    if payload.len() > limits::PAYLOAD_BYTES {
        return Err(format!("the message has {} bytes, more than {}", payload.len(), limits::PAYLOAD_BYTES));
    }
    std::str::from_utf8(payload)
        .map_err(|error| format!("the message is not text: byte {} is no UTF-8", error.valid_up_to() + 1))
}

/// Takes one quantity out of messages.
#[derive(Debug, Clone)]
pub struct Decoder {
    way: Way,
    time: Option<Pointer>,
}

#[derive(Debug, Clone)]
enum Way {
    Number,
    Pointer(Pointer),
    Script {
        script: Expression,
        /// Whether it reads the message as JSON.
        json: bool,
    },
}

/// What the message holds where the decoder looks.
enum Found<'a> {
    Text(&'a str),
    Json(&'a Value),
    Script(Dynamic),
}

impl Decoder {
    /// Makes a decoder. `time_pointer` says where in the message the device's time stands.
    ///
    /// # Errors
    /// What is wrong with the pointer or the script.
    pub fn new(extract: &Extract, time_pointer: Option<&str>) -> Result<Decoder, String> {
        let way = match extract {
            Extract::Number => Way::Number,
            Extract::Pointer(text) => Way::Pointer(Pointer::parse(text)?),
            Extract::Script(source) => {
                let script = Expression::compile(source, &["payload", "json"])?;
                Way::Script { script, json: source.contains("json") }
            }
        };
        let time = time_pointer.map(Pointer::parse).transpose()?;
        Ok(Decoder { way, time })
    }

    /// Decodes a message.
    ///
    /// # Errors
    /// What was found instead of a number, in a sentence.
    pub fn decode(&self, payload: &[u8]) -> Result<Decoded, String> {
        self.decode_parsed(&Parsed::new(payload))
    }

    /// Decodes a message of which other decoders take their part too.
    ///
    /// # Errors
    /// As [`Decoder::decode`].
    pub fn decode_parsed(&self, message: &Parsed<'_>) -> Result<Decoded, String> {
        let value = match self.find(message)? {
            Found::Text(text) => self.bare(text, message)?,
            Found::Json(value) => self.json_number(value)?,
            Found::Script(value) => script_result(&value)?,
        };
        Ok(Decoded { value, device_time: self.time(message)? })
    }

    /// Takes a yes or no out of a message: see [`decode_flag`].
    ///
    /// # Errors
    /// What was found instead, in a sentence.
    pub fn decode_flag(&self, message: &Parsed<'_>, yes_words: &[String]) -> Result<bool, String> {
        match self.find(message)? {
            Found::Text(text) => flag(text.trim().trim_matches('"'), yes_words),
            Found::Json(Value::String(text)) => flag(text.trim(), yes_words),
            Found::Json(value @ (Value::Bool(_) | Value::Number(_))) => flag(&value.to_string(), yes_words),
            Found::Json(other) => Err(format!("a yes or no is needed, and there is {}", kind(other))),
            Found::Script(value) => match value.as_bool() {
                Ok(yes) => Ok(yes),
                Err(_) => flag(&value.to_string(), yes_words),
            },
        }
    }

    fn find<'m>(&self, message: &'m Parsed<'_>) -> Result<Found<'m>, String> {
        match &self.way {
            Way::Number => Ok(Found::Text(message.text()?)),
            Way::Pointer(pointer) => Ok(Found::Json(pointer.find(message.json()?)?)),
            Way::Script { script, json } => run(script, *json, message).map(Found::Script),
        }
    }

    /// The message is the number; a JSON text that holds a number is one too.
    fn bare(&self, text: &str, message: &Parsed<'_>) -> Result<f64, String> {
        let trimmed = text.trim();
        if !trimmed.starts_with(['{', '[', '"']) {
            return number(trimmed);
        }
        match message.json()? {
            Value::String(inner) => number(inner),
            Value::Object(map) if !map.is_empty() => {
                let first = map.keys().next().map(String::as_str).unwrap_or_default();
                let help = format!(
                    "say which with `pointer`, as in pointer = \"/{}\"",
                    first.replace('~', "~0").replace('/', "~1")
                );
                Err(format!("the message is JSON with several values: {}; {help}", keys(map)))
            }
            other => Err(format!("a number is needed, and the message is {}", kind(other))),
        }
    }

    fn json_number(&self, value: &Value) -> Result<f64, String> {
        let place = match &self.way {
            Way::Pointer(pointer) => pointer.to_string(),
            _ => "the message".to_owned(),
        };
        let found = match value {
            Value::Number(n) => {
                n.as_f64().filter(|v| v.is_finite()).ok_or_else(|| format!("`{n}` is too large a number"))
            }
            Value::String(text) if text.trim().is_empty() => Err("the text there is empty".to_owned()),
            Value::String(text) => number(text),
            other => return Err(format!("a number is needed at {place}, and there is {}", kind(other))),
        };
        found.map_err(|problem| format!("at {place}: {problem}"))
    }

    /// The device's time. A device that has none yet (no such place, or null) sends a good number all the same.
    fn time(&self, message: &Parsed<'_>) -> Result<Option<WallTime>, String> {
        let Some(pointer) = &self.time else { return Ok(None) };
        let json = message.json()?;
        if pointer.is_absent(json) {
            return Ok(None);
        }
        match pointer.find(json)? {
            Value::Null => Ok(None),
            value => device_time(value).map(Some).map_err(|problem| format!("at {pointer}: {problem}")),
        }
    }
}

/// Takes a yes or no out of a message that is nothing else. With `yes_words`, one of them (in any case) is yes and
/// everything else is no. Without, `true`, `on`, `yes` and `1` are yes, their opposites no, and everything else is
/// refused.
///
/// # Errors
/// What was found instead, in a sentence.
pub fn decode_flag(payload: &[u8], yes_words: &[String]) -> Result<bool, String> {
    flag(text(payload)?.trim().trim_matches('"'), yes_words)
}

fn flag(word: &str, yes_words: &[String]) -> Result<bool, String> {
    if word.is_empty() {
        return Err("the message is empty".to_owned());
    }
    if !yes_words.is_empty() {
        return Ok(yes_words.iter().any(|yes| yes.to_lowercase() == word.to_lowercase()));
    }
    match word.to_lowercase().as_str() {
        "true" | "on" | "yes" | "1" => Ok(true),
        "false" | "off" | "no" | "0" => Ok(false),
        _ => {
            Err(format!("{} is neither yes nor no; say in the home file which words mean yes", quoted(word)))
        }
    }
}

fn run(script: &Expression, reads_json: bool, message: &Parsed<'_>) -> Result<Dynamic, String> {
    let text = message.text()?;
    let json = if reads_json { message.json() } else { Ok(&Value::Null) };
    let mut scope = Scope::new();
    scope.push("payload", text.to_owned());
    scope.push_dynamic("json", json.as_ref().map_or(Dynamic::UNIT, |value| floating(value)));
    script.run(scope).map_err(|error| match json {
        Err(problem) => format!("{error}; {problem}"),
        Ok(_) => error,
    })
}

fn script_result(value: &Dynamic) -> Result<f64, String> {
    match script_number(value) {
        Some(number) if number.is_finite() => Ok(number),
        Some(number) => Err(format!("the script gives {number}, which is no measured number")),
        None if value.is_unit() => {
            Err("the script gives nothing; its last line must be the number".to_owned())
        }
        None => Err(format!("the script gives {}, not a number", type_word(value.type_name()))),
    }
}

/// JSON as a script sees it. Every number is a floating one, so that `json.power / 10` keeps its decimals.
fn floating(value: &Value) -> Dynamic {
    match value {
        Value::Null => Dynamic::UNIT,
        Value::Bool(b) => (*b).into(),
        Value::Number(n) => n.as_f64().unwrap_or(f64::NAN).into(),
        Value::String(s) => s.clone().into(),
        Value::Array(list) => Dynamic::from_array(list.iter().map(floating).collect()),
        Value::Object(map) => {
            Dynamic::from_map(map.iter().map(|(k, v)| (k.as_str().into(), floating(v))).collect::<Map>())
        }
    }
}
