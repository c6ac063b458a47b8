//! What the household may change without editing a rule.

use overspill_rules::home::{Setting, SettingValue, Takes};
use overspill_rules::limits::SETTINGS;

use crate::config::block::Block;
use crate::config::form::within_sentence;

use super::{Build, Item};

/// Keys that belong to numbers only.
const OF_NUMBERS: [&str; 4] = ["unit", "low", "high", "step"];

impl<'b> Build<'b, '_> {
    pub(super) fn settings(&mut self) -> Vec<Item<'b, Setting>> {
        let settings = self.items("setting", |build, _, id, block| build.setting(id, block));
        if let Some(first_over) = settings.get(SETTINGS) {
            let message = format!("a home has at most {SETTINGS} settings");
            self.found.error("too-many", first_over.place.clone(), message).label("one too many");
        }
        settings
    }

    fn setting(&mut self, id: &str, block: &Block) -> Option<Setting> {
        let default = default(block)?;
        let takes = self.takes(block, &default)?;
        let setting = Setting {
            id: id.to_owned(),
            name: block.text("name").unwrap_or(id).to_owned(),
            description: block.text("description").map(str::to_owned),
            takes,
            default,
            expires_after: block.duration("expires_after"),
        };
        if let Err(why) = setting.check(&setting.default) {
            self.found
                .error("bad-default", block.place("default"), "`default` is not what the setting takes")
                .label("not allowed")
                .help(format!("{}; it takes {}", within_sentence(&why), setting.takes));
            return None;
        }
        Some(setting)
    }

    /// What the setting takes follows from its default.
    fn takes(&mut self, block: &Block, default: &SettingValue) -> Option<Takes> {
        let number = matches!(default, SettingValue::Number(_));
        let text = matches!(default, SettingValue::Text(_));
        for key in OF_NUMBERS.into_iter().filter(|key| !number && block.is_written(key)) {
            self.not_for(block, key, "a number");
        }
        if !text && block.is_written("choices") {
            self.not_for(block, "choices", "a word");
        }
        match default {
            SettingValue::Number(_) => self.number_bounds(block),
            SettingValue::Flag(_) => Some(Takes::Flag),
            SettingValue::Text(_) if block.is_written("choices") => self.choices(block),
            SettingValue::Text(_) => Some(Takes::Time),
        }
    }

    fn not_for(&mut self, block: &Block, key: &str, what: &str) {
        let message = format!("`{key}` is for {what}");
        self.found
            .error("unused-key", block.key_place(key), message)
            .label("of no use here")
            .also(block.place("default"), format!("not {what}"))
            .help(format!("leave `{key}` out, or write {what} as `default`"));
    }

    fn number_bounds(&mut self, block: &Block) -> Option<Takes> {
        self.need(block, "low", "A number is bounded, so that a slip of the finger does no harm.");
        self.need(block, "high", "A number is bounded, so that a slip of the finger does no harm.");
        let (low, high) = (block.number("low")?, block.number("high")?);
        if block.is_broken("step") {
            return None;
        }
        if low >= high {
            self.found
                .error("out-of-range", block.place("high"), "`high` must be above `low`")
                .label(format!("not above {low}"));
            return None;
        }
        let unit = block.text("unit").unwrap_or_default().to_owned();
        Some(Takes::Number { unit, low, high, step: block.number("step") })
    }

    fn choices(&mut self, block: &Block) -> Option<Takes> {
        let words = block.texts("choices")?;
        for (n, word) in words.iter().enumerate() {
            let twice = words.iter().take(n).any(|w| w.value == word.value);
            if twice || word.value.trim().is_empty() {
                let label = if twice { "here for the second time" } else { "nothing in the quotes" };
                self.found.error("bad-text", word.place.clone(), "each choice is another word").label(label);
            }
        }
        if words.len() < 2 {
            self.found
                .error("empty", block.place("choices"), "there is nothing to choose")
                .label("fewer than two");
            return None;
        }
        Some(Takes::Choice(words.iter().map(|w| w.value.clone()).collect()))
    }
}

fn default(block: &Block) -> Option<SettingValue> {
    let number = block.number("default").map(SettingValue::Number);
    let flag = || block.flag("default").map(SettingValue::Flag);
    number.or_else(flag).or_else(|| block.text("default").map(|t| SettingValue::Text(t.to_owned())))
}
