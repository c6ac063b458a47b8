//! What a person wants a setting to be, as a message.

use serde_json::Value;

use super::json::kind;
use super::wish::{end, name, wish};
use crate::home::{SettingId, SettingValue};
use crate::input::SettingRequest;
use crate::limits;

const KEYS: [&str; 4] = ["value", "for", "until", "by"];

/// Reads a change of `setting`: `{"value": V, "for": "24h" | "until": T, "by": text}`; `null` returns it to its default.
/// Whether it can take the value is for the controller.
///
/// # Errors
/// What is wrong with the message, in a sentence.
pub fn setting_request(setting: SettingId, payload: &[u8], retained: bool) -> Result<SettingRequest, String> {
    let map = wish("a change of a setting", "{\"value\": 12}", &KEYS, payload)?;
    let value = match map.get("value") {
        None => return Err("the message does not say what it shall be: add \"value\"".to_owned()),
        Some(Value::Null) => None,
        Some(Value::Bool(flag)) => Some(SettingValue::Flag(*flag)),
        Some(Value::Number(number)) => number.as_f64().map(SettingValue::Number),
        Some(Value::String(text)) => Some(SettingValue::Text(text.clone())),
        Some(other) => {
            return Err(format!("`value` is a number, true or false or a text, not {}", kind(other)));
        }
    };
    let end = end("a change of a setting", &map, limits::SETTING_LONGEST)?;
    if value.is_none() && end.is_some() {
        return Err(
            "`for` and `until` do not go with \"value\": null, which returns it to its default".to_owned()
        );
    }
    Ok(SettingRequest { setting, value, end, by: name(&map, "by")?, retained })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::End;
    use crate::time::Span;

    fn read(text: &str) -> Result<SettingRequest, String> {
        setting_request(SettingId(2), text.as_bytes(), false)
    }

    #[test]
    fn a_change_says_value_end_and_who() {
        let read = read(r#"{"value": 12.5, "for": "36h", "by": "Ada"}"#);
        let wanted = SettingRequest {
            setting: SettingId(2),
            value: Some(SettingValue::Number(12.5)),
            end: Some(End::For(Span::hours(36))),
            by: Some("Ada".to_owned()),
            retained: false,
        };
        assert_eq!(read, Ok(wanted));
    }

    #[test]
    fn null_returns_to_the_default() {
        assert_eq!(read(r#"{"value": null}"#).map(|r| r.value), Ok(None));
        assert!(read(r#"{"value": null, "for": "2h"}"#).is_err());
    }

    #[test]
    fn what_can_t_be_read_is_told() {
        for (text, told) in [
            (
                "12",
                "a change of a setting is a JSON object such as {\"value\": 12}, and this is the number 12",
            ),
            ("{}", "the message does not say what it shall be: add \"value\""),
            (r#"{"valu": 1}"#, "did you mean `value`?"),
            (r#"{"value": [1]}"#, "not a list"),
            (r#"{"value": 1, "for": "400d"}"#, "at most"),
            (r#"{"value": 1, "for": "2h", "until": "2026-06-01T18:00:00Z"}"#, "not both"),
        ] {
            let why = read(text).err().unwrap_or_default();
            assert!(why.contains(told), "{text}: {why}");
        }
    }
}
