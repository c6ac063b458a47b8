//! What the household may change without editing a rule: a ready-by time, kilometres wanted, guests.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::script::TimeOfDay;
use crate::time::Span;

/// Place of a setting in [`Home::settings`](super::Home::settings).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SettingId(pub u16);

/// One setting.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting {
    /// The setting's id, as rules name it.
    pub id: String,
    /// The name people use.
    pub name: String,
    /// What it is for, in a sentence.
    pub description: Option<String>,
    /// What it may be.
    pub takes: Takes,
    /// What it is where nobody changed it, and what it returns to.
    pub default: SettingValue,
    /// A change that does not say its end returns to the default after this long; `None` where it stays.
    pub expires_after: Option<Span>,
}

/// What a setting may be.
#[derive(Debug, Clone, PartialEq)]
pub enum Takes {
    /// A number.
    Number {
        /// Its unit, shown to people; empty where it has none.
        unit: String,
        /// The least that is allowed.
        low: f64,
        /// The most that is allowed.
        high: f64,
        /// Only `low` and whole steps above it are allowed.
        step: Option<f64>,
    },
    /// True or false.
    Flag,
    /// A time of day, such as "07:00".
    Time,
    /// One of these words.
    Choice(Vec<String>),
}

/// The value of a setting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum SettingValue {
    /// True or false.
    Flag(bool),
    /// A number.
    Number(f64),
    /// A time of day or a word.
    Text(String),
}

/// How far from a whole number of steps a value may be, in steps: 0.1 is no binary fraction.
const STEP_GRACE: f64 = 1e-6;

impl Setting {
    /// Whether the setting may be `value`.
    ///
    /// # Errors
    /// What is wrong with it and what is allowed, in a sentence.
    pub fn check(&self, value: &SettingValue) -> Result<(), String> {
        match (&self.takes, value) {
            (Takes::Number { unit, low, high, step }, SettingValue::Number(number)) => {
                check_number(*number, (*low, *high), *step)
                    .map_err(|why| format!("{}{why}", with_unit(*number, unit)))
            }
            (Takes::Time, SettingValue::Text(text)) => TimeOfDay::parse(text).map(|_| ()),
            (Takes::Choice(words), SettingValue::Text(text)) if words.contains(text) => Ok(()),
            (Takes::Flag, SettingValue::Flag(_)) => Ok(()),
            (takes, value) => Err(format!("{value} is not what it takes: {takes}")),
        }
    }
}

fn check_number(number: f64, (low, high): (f64, f64), step: Option<f64>) -> Result<(), String> {
    if !number.is_finite() || number < low || number > high {
        return Err(format!(" is not from {low} to {high}"));
    }
    let Some(step) = step else { return Ok(()) };
    let steps = (number - low) / step;
    if (steps - steps.round()).abs() > STEP_GRACE {
        let below = low + steps.floor() * step;
        return Err(format!(
            " is between two steps of {step}: {} or {}",
            tidy(below),
            tidy((below + step).min(high))
        ));
    }
    Ok(())
}

/// Without the last digits that binary fractions leave.
fn tidy(number: f64) -> f64 {
    (number * 1e9).round() / 1e9
}

fn with_unit(number: f64, unit: &str) -> String {
    if unit.is_empty() { number.to_string() } else { format!("{number} {unit}") }
}

impl fmt::Display for Takes {
    /// What is allowed, in words.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Takes::Number { unit, low, high, step } => {
                write!(f, "a number from {low} to {}", with_unit(*high, unit))?;
                step.map_or(Ok(()), |step| write!(f, " in steps of {step}"))
            }
            Takes::Flag => write!(f, "true or false"),
            Takes::Time => write!(f, "a time of day such as \"07:00\""),
            Takes::Choice(words) => {
                let quoted: Vec<String> = words.iter().map(|w| format!("\"{w}\"")).collect();
                write!(f, "{}", quoted.join(" or "))
            }
        }
    }
}

impl fmt::Display for SettingValue {
    /// As it is written in a message.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SettingValue::Flag(flag) => write!(f, "{flag}"),
            SettingValue::Number(number) => write!(f, "{number}"),
            SettingValue::Text(text) => write!(f, "\"{text}\""),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn setting(takes: Takes, default: SettingValue) -> Setting {
        let id = "wish".to_owned();
        Setting { name: id.clone(), id, description: None, takes, default, expires_after: None }
    }

    fn refused(setting: &Setting, value: SettingValue) -> String {
        setting.check(&value).unwrap_err()
    }

    #[test]
    fn numbers_are_bounded_and_stepped() {
        let takes = Takes::Number { unit: "kWh".to_owned(), low: 0.0, high: 60.0, step: Some(0.1) };
        let kwh = setting(takes, SettingValue::Number(12.0));
        for good in [0.0, 0.3, 12.0, 59.9, 60.0] {
            assert_eq!(kwh.check(&SettingValue::Number(good)), Ok(()), "{good}");
        }
        assert_eq!(refused(&kwh, SettingValue::Number(60.1)), "60.1 kWh is not from 0 to 60");
        assert_eq!(
            refused(&kwh, SettingValue::Number(0.25)),
            "0.25 kWh is between two steps of 0.1: 0.2 or 0.3"
        );
        assert!(kwh.check(&SettingValue::Number(f64::NAN)).is_err());
        assert_eq!(
            refused(&kwh, SettingValue::Text("12".to_owned())),
            "\"12\" is not what it takes: a number from 0 to 60 kWh in steps of 0.1"
        );
    }

    #[test]
    fn times_words_and_flags_take_only_their_own() {
        let time = setting(Takes::Time, SettingValue::Text("07:00".to_owned()));
        assert_eq!(time.check(&SettingValue::Text("23:45".to_owned())), Ok(()));
        assert!(refused(&time, SettingValue::Text("7:00".to_owned())).contains("two digits"));
        let words = Takes::Choice(vec!["away".to_owned(), "home".to_owned()]);
        let choice = setting(words, SettingValue::Text("home".to_owned()));
        assert_eq!(choice.check(&SettingValue::Text("away".to_owned())), Ok(()));
        assert_eq!(
            refused(&choice, SettingValue::Text("awy".to_owned())),
            "\"awy\" is not what it takes: \"away\" or \"home\""
        );
        let flag = setting(Takes::Flag, SettingValue::Flag(false));
        assert_eq!(flag.check(&SettingValue::Flag(true)), Ok(()));
        assert!(flag.check(&SettingValue::Number(1.0)).is_err());
    }
}
