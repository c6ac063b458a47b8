//! What a person wants of a load, from the fields of a form to what the daemon is asked.

use overspill_rules::home::{Home, LoadId};
use overspill_rules::input::OverrideRequest;
use overspill_rules::payload::override_request;
use overspill_rules::time::WallTime;
use serde::Deserialize;
use serde_json::{Map, Value, json};

use crate::web::speech;

/// The fields of the form, as they come and as they are shown again beside a refusal.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Wish {
    /// `on`, `off` or `auto`.
    pub(crate) want: String,
    /// Amps or watts, as the load has them; empty for its ceiling.
    pub(crate) amount: String,
    /// How long: `30m`, `1h`, .., or `until`.
    pub(crate) lasts: String,
    /// The time of day, where it lasts until one.
    pub(crate) until: String,
}

/// How long an override may last, with the words for it; any other end is a time of day.
pub(crate) const LASTS: [(&str, &str); 5] =
    [("30m", "30 minutes"), ("1h", "1 hour"), ("2h", "2 hours"), ("4h", "4 hours"), ("8h", "8 hours")];

/// The word for an end at a time of day.
pub(crate) const UNTIL: &str = "until";

impl Wish {
    /// What it is before anybody fills it in.
    pub(crate) fn usual() -> Wish {
        Wish { want: "on".to_owned(), lasts: "2h".to_owned(), ..Wish::default() }
    }

    /// What the daemon is asked; `by` is who asks.
    ///
    /// # Errors
    /// What is wrong with a field, in a sentence.
    pub(crate) fn request(
        &self,
        home: &Home,
        load: LoadId,
        by: &str,
        now: WallTime,
    ) -> Result<OverrideRequest, String> {
        let mut wanted = Map::new();
        wanted.insert("want".to_owned(), Value::from(self.want.as_str()));
        wanted.insert("by".to_owned(), Value::from(by));
        if self.want == "on" && !self.amount.trim().is_empty() {
            let key = if home.load(load).is_charge_point() { "amps" } else { "watts" };
            wanted.insert(key.to_owned(), number(&self.amount, key)?);
        }
        if self.want != "auto" {
            let (key, end) = self.end(home, now)?;
            wanted.insert(key.to_owned(), end.into());
        }
        override_request(load, json!(wanted).to_string().as_bytes(), false)
    }

    fn end(&self, home: &Home, now: WallTime) -> Result<(&'static str, String), String> {
        if self.lasts != UNTIL {
            return Ok(("for", self.lasts.clone()));
        }
        if self.until.trim().is_empty() {
            return Err("say until what time: the field beside \"until\" is empty".to_owned());
        }
        speech::next_time(&self.until, now, &home.timezone).map(|at| ("until", at.to_rfc3339()))
    }
}

/// A number as people write it, with a point or a comma.
fn number(text: &str, unit: &str) -> Result<Value, String> {
    let plain = text.trim().replace(',', ".");
    let read = plain.parse::<f64>().ok().filter(|n| n.is_finite());
    read.map(Value::from).ok_or_else(|| format!("\"{}\" is no number of {unit}", text.trim()))
}
