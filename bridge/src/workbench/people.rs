//! What people do in a test: they ask something of a load, or change a setting.

use overspill_rules::home::{SettingId, SettingValue};
use overspill_rules::input::{Amount, Want};
use overspill_rules::time::WallTime;

use super::case::{Does, Person};
use super::read::Reader;
use crate::config::block::{At, Block};

impl Reader<'_> {
    pub(super) fn person(&mut self, block: &Block, start: WallTime) -> Option<Person> {
        let at = self.moment(block, "at", start);
        let does = match (block.is_written("want"), block.is_written("setting")) {
            (true, false) => self.asks(block),
            (false, true) => self.sets(block),
            _ => {
                self.found
                    .error("missing-key", block.header.clone(), "it is not said what the person does")
                    .help("write `load` and `want`, or `setting` and `to`");
                None
            }
        };
        Some(Person { at: at?, does: does?, lasts: block.duration("for") })
    }

    fn asks(&mut self, block: &Block) -> Option<Does> {
        self.needs(block, "load", &["to"])?;
        if let "out-of-service" | "in-service" = block.text("want")? {
            return self.takes_out(block);
        }
        let want = match block.text("want")? {
            "on" => Want::On,
            "off" => Want::Off,
            _ => Want::Auto,
        };
        let watts = block.number("watts").map(Amount::Watts);
        let amount = watts.or(block.number("amps").map(Amount::Amps));
        Some(Does::Asks { load: self.load_in(block)?, want, amount })
    }

    fn takes_out(&mut self, block: &Block) -> Option<Does> {
        if let Some(other) = ["watts", "amps", "for"].iter().find(|k| block.is_written(k)) {
            self.found
                .error("unused-key", block.key_place(other), format!("`{other}` does not go with these"))
                .help("out of service has no amount and no end: it lasts until a person puts the load back");
            return None;
        }
        let out = block.text("want")? == "out-of-service";
        Some(Does::Takes { load: self.load_in(block)?, out })
    }

    fn sets(&mut self, block: &Block) -> Option<Does> {
        self.needs(block, "to", &["load", "watts", "amps"])?;
        let name = At { value: block.text("setting")?.to_owned(), place: block.place("setting") };
        let home = self.names.home;
        let Some(setting) = home.setting_named(&name.value) else {
            self.unknown("setting", &name, home.settings.iter().map(|s| s.id.as_str()).collect());
            return None;
        };
        let number = block.number("to").map(SettingValue::Number);
        let flag = block.flag("to").map(SettingValue::Flag);
        let value = number.or(flag).or(block.text("to").map(|t| SettingValue::Text(t.to_owned())))?;
        self.takes(setting, value, block)
    }

    fn takes(&mut self, setting: SettingId, value: SettingValue, block: &Block) -> Option<Does> {
        match self.names.home.setting(setting).check(&value) {
            Ok(()) => Some(Does::Sets { setting, value }),
            Err(why) => {
                self.found.error("bad-setting", block.place("to"), why);
                None
            }
        }
    }

    /// Whether `key` is written, and none of `others`, which belong to something else that a person does.
    fn needs(&mut self, block: &Block, key: &'static str, others: &[&'static str]) -> Option<()> {
        if let Some(other) = others.iter().find(|k| block.is_written(k)) {
            self.found
                .error("unused-key", block.key_place(other), format!("`{other}` does not go with these"))
                .help("a person asks with `load` and `want`, or sets with `setting` and `to`");
            return None;
        }
        if !block.is_written(key) {
            self.found.error("missing-key", block.header.clone(), format!("`{key}` is missing here"));
            return None;
        }
        Some(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use std::path::Path;

    use super::super::case::Does;
    use super::super::read::{Names, read};
    use super::*;
    use crate::config;

    const HOME: &str = include_str!("../../../examples/dunnock/home.toml");

    /// What one entry of `people` comes to, or the codes of what is wrong with it.
    fn does(entry: &str) -> Result<Does, Vec<&'static str>> {
        let home = config::parse(HOME, Path::new("../examples/dunnock/home.toml")).unwrap().home;
        let text = format!(
            "[test.one]\nstart = \"2026-06-18 12:00\"\npeople = [{{ at = \"12:05\", {entry} }}]\nexpect = [{{ at = \"12:10\", load = \"car\", on = false }}]\n"
        );
        let names = Names { home: &home, rules: &[] };
        match read(&text, Path::new("rules/car.test.toml"), names) {
            Ok(cases) => Ok(cases[0].people[0].does.clone()),
            Err(found) => Err(found.list().iter().map(|d| d.code).collect()),
        }
    }

    #[test]
    fn a_setting_is_changed_to_what_it_takes() {
        let sets = |entry| match does(entry) {
            Ok(Does::Sets { value, .. }) => Ok(value),
            other => Err(other),
        };
        assert_eq!(
            sets("setting = \"ready_by\", to = \"05:30\""),
            Ok(SettingValue::Text("05:30".to_owned()))
        );
        assert_eq!(sets("setting = \"car_kwh\", to = 20"), Ok(SettingValue::Number(20.0)));
        assert_eq!(sets("setting = \"away\", to = true, for = \"3d\""), Ok(SettingValue::Flag(true)));
    }

    #[test]
    fn what_does_not_fit_is_told() {
        for (entry, code) in [
            ("setting = \"car_kwh\", to = 61", "bad-setting"),
            ("setting = \"car_kwh\", to = \"12\"", "bad-setting"),
            ("setting = \"ready\", to = \"05:30\"", "unknown-name"),
            ("setting = \"away\"", "missing-key"),
            ("setting = \"away\", to = true, amps = 6", "unused-key"),
            ("load = \"car\"", "missing-key"),
            ("load = \"car\", want = \"out-of-service\", for = \"1h\"", "unused-key"),
            ("load = \"car\", want = \"out-of-servise\"", "unknown-word"),
            ("want = \"on\"", "missing-key"),
            ("load = \"car\", want = \"on\", to = 3", "unused-key"),
            ("load = \"car\", want = \"on\", setting = \"away\", to = true", "missing-key"),
        ] {
            assert_eq!(does(entry), Err(vec![code]), "{entry}");
        }
    }
}
