//! What each setting is now.

use overspill_rules::home::{Home, Setting, SettingId, SettingValue, Takes};
use overspill_rules::time::WallTime;
use serde::Serialize;
use utoipa::ToSchema;

use crate::daemon::Facts;
use crate::web::speech;

/// One setting: its value, its default and what it takes.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub(crate) struct SettingNow {
    /// The home file's name for it.
    pub(crate) id: String,
    /// The name people use.
    pub(crate) name: String,
    /// What it is for.
    pub(crate) description: Option<String>,
    /// `number`, `flag`, `time` or `choice`.
    pub(crate) kind: &'static str,
    /// What it is now: a number, true or false, or a text.
    pub(crate) value: serde_json::Value,
    /// What it is where nobody changes it.
    pub(crate) default: serde_json::Value,
    /// When it returns to its default.
    pub(crate) until: Option<String>,
    /// Who changed it.
    pub(crate) by: Option<String>,
    /// Of a number: its unit.
    pub(crate) unit: Option<String>,
    /// Of a number: the least that is allowed.
    pub(crate) low: Option<f64>,
    /// Of a number: the most that is allowed.
    pub(crate) high: Option<f64>,
    /// Of a number: only whole steps above the least are allowed.
    pub(crate) step: Option<f64>,
    /// Of a choice: the words it takes.
    pub(crate) choices: Vec<String>,
    /// What it takes, in words.
    pub(crate) takes: String,
    /// What it is, in words.
    #[serde(skip)]
    pub(crate) is: String,
    /// Who changed it and until when, in words.
    #[serde(skip)]
    pub(crate) changed: String,
    /// How long a change lasts that does not say, in words.
    #[serde(skip)]
    pub(crate) usual: String,
}

impl SettingNow {
    /// What its field shows.
    pub(super) fn field(&self) -> String {
        match &self.value {
            serde_json::Value::Bool(flag) => yes_no(*flag).to_owned(),
            serde_json::Value::String(text) => text.clone(),
            other => other.to_string(),
        }
    }
}

/// All settings, in the home file's order.
pub(super) fn all(home: &Home, facts: &Facts, now: WallTime) -> Vec<SettingNow> {
    home.settings.iter().enumerate().map(|(i, setting)| one(home, facts, (i, setting), now)).collect()
}

fn one(home: &Home, facts: &Facts, (i, setting): (usize, &Setting), now: WallTime) -> SettingNow {
    let report = facts.settings.get(&SettingId(i as u16));
    let value = report.map_or(&setting.default, |r| &r.value);
    let (unit, low, high, step) = match &setting.takes {
        Takes::Number { unit, low, high, step } => {
            (Some(unit.clone()).filter(|u| !u.is_empty()), Some(*low), Some(*high), *step)
        }
        _ => (None, None, None, None),
    };
    let unit_word = unit.clone().unwrap_or_default();
    let until = report.and_then(|r| r.until);
    let by = report.and_then(|r| r.by.clone());
    let changed = match (value == &setting.default, until.is_some() || by.is_some()) {
        (true, false) => "This is its default.".to_owned(),
        _ => {
            let who = by.as_ref().map_or("Changed by hand".to_owned(), |by| format!("Changed by {by}"));
            let end = until.map_or("until it is changed again".to_owned(), |until| {
                format!("until {}", speech::time(until, now, &home.timezone))
            });
            format!("{who}, {end}; its default is {}.", said(&setting.default, &unit_word))
        }
    };
    SettingNow {
        id: setting.id.clone(),
        name: setting.name.clone(),
        description: setting.description.clone(),
        kind: match setting.takes {
            Takes::Number { .. } => "number",
            Takes::Flag => "flag",
            Takes::Time => "time",
            Takes::Choice(_) => "choice",
        },
        value: plain(value),
        default: plain(&setting.default),
        until: until.map(WallTime::to_rfc3339),
        by,
        unit,
        low,
        high,
        step,
        choices: if let Takes::Choice(words) = &setting.takes { words.clone() } else { Vec::new() },
        takes: match setting.takes {
            Takes::Flag => "yes or no".to_owned(),
            _ => setting.takes.to_string(),
        },
        is: said(value, &unit_word),
        changed,
        usual: match setting.expires_after {
            Some(after) => format!("as usual: {after}"),
            None => "until it is changed again".to_owned(),
        },
    }
}

fn plain(value: &SettingValue) -> serde_json::Value {
    match value {
        SettingValue::Flag(flag) => (*flag).into(),
        SettingValue::Number(number) if number.fract() == 0.0 && number.abs() < 1e15 => {
            (*number as i64).into()
        }
        SettingValue::Number(number) => (*number).into(),
        SettingValue::Text(text) => text.as_str().into(),
    }
}

fn said(value: &SettingValue, unit: &str) -> String {
    match value {
        SettingValue::Flag(flag) => yes_no(*flag).to_owned(),
        SettingValue::Number(number) if unit.is_empty() => number.to_string(),
        SettingValue::Number(number) => format!("{number} {unit}"),
        SettingValue::Text(text) => text.clone(),
    }
}

fn yes_no(flag: bool) -> &'static str {
    if flag { "yes" } else { "no" }
}
