//! What the household pays and is paid.

use std::path::{Path, PathBuf};

use jiff::civil::Date;
use jiff::tz::TimeZone;
use overspill_rules::tariff::{
    ExportPrice, ImportPrice, Side, Tariff, Terms, Window, WindowMistake, Windows,
};
use overspill_rules::time::WallTime;
use rust_decimal::Decimal;

use crate::config::block::{At, Block};
use crate::config::diagnostic::Diagnostics;
use crate::config::form::one_of;
use crate::config::nearest::nearest;
use crate::config::route::{Extract, Route, Target};
use crate::config::table::DAYS;
use crate::config::zone;

use super::Build;

/// A file of prices.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PriceFile {
    /// What its prices are for.
    pub side: Side,
    /// The file.
    pub path: PathBuf,
}

/// The tariff of a file that holds nothing else; `home_zone` is that of the home it is tried for.
pub(crate) fn alone(
    root: &Block,
    folder: &Path,
    home_zone: &TimeZone,
    found: &mut Diagnostics,
) -> (Option<Tariff>, Vec<At<PriceFile>>) {
    let mut build = Build::without_items(root, folder, found);
    let tariff = build.tariff_in(root, Some(home_zone));
    (tariff, build.price_files)
}

impl Build<'_, '_> {
    pub(super) fn tariff(&mut self) -> Option<Tariff> {
        let root = self.root;
        let home_zone = root.block("home").and_then(|h| h.text("timezone")).and_then(zone);
        self.tariff_in(root, home_zone.as_ref())
    }

    fn tariff_in(&mut self, root: &Block, home_zone: Option<&TimeZone>) -> Option<Tariff> {
        let block = root.block("tariff")?;
        let since = self.terms(block, home_zone);
        let mut changes: Vec<(WallTime, Terms)> = Vec::new();
        let mut broken = false;
        for change in block.blocks("change") {
            match (self.change_date(change, home_zone), self.terms(change, home_zone)) {
                (Some(from), Some(terms)) => {
                    self.same_date(block, change, from, &changes);
                    changes.push((from, terms));
                }
                _ => broken = true,
            }
        }
        let currency = block.text("currency")?.to_owned();
        if broken { None } else { Some(Tariff::new(currency, since?, changes)) }
    }

    fn change_date(&self, change: &Block, home_zone: Option<&TimeZone>) -> Option<WallTime> {
        let date: Date = change.text("from")?.parse().ok()?;
        let start = date.to_zoned(home_zone?.clone()).ok()?;
        Some(WallTime(start.timestamp().as_millisecond()))
    }

    fn same_date(&mut self, tariff: &Block, change: &Block, from: WallTime, earlier: &[(WallTime, Terms)]) {
        let Some(first) = earlier.iter().position(|(at, _)| *at == from) else { return };
        let first = tariff.blocks("change").get(first).map(|c| c.place("from"));
        let d = self.found.error("same-date", change.place("from"), "two changes begin on one date");
        d.label("the second");
        if let Some(first) = first {
            d.also(first, "the first");
        }
        d.help("which of them holds can't be told: keep one");
    }

    fn terms(&mut self, block: &Block, home_zone: Option<&TimeZone>) -> Option<Terms> {
        let import = self.import_price(block, home_zone);
        let export = self.export_price(block);
        Some(Terms {
            vat_percent: money(block.number("vat_percent")?),
            standing_per_day: money(block.number("standing_per_day")?),
            import: import?,
            export: export?,
            generation: money(block.number("generation")?),
        })
    }

    fn import_price(&mut self, block: &Block, home_zone: Option<&TimeZone>) -> Option<ImportPrice> {
        let windows = block.named("window");
        if block.is_written("import_prices") {
            for key in ["import", "window"].into_iter().filter(|key| block.is_written(key)) {
                self.two_prices(block, "import_prices", key);
            }
            return self.list(block, "import_prices", Side::Import).map(|()| ImportPrice::Listed);
        }
        if windows.is_empty() {
            if block.is_written("zone") {
                self.found
                    .error("unused-key", block.key_place("zone"), "`zone` is the clock of windows")
                    .label("there are no windows")
                    .help(format!("leave it out, or write windows: [{}.window.NAME]", block.name));
            }
            if !block.is_written("import") {
                self.no_import_price(block);
            }
            return block.number("import").map(|price| ImportPrice::Flat(money(price)));
        }
        let clock = self.meter_clock(block, home_zone);
        let made: Vec<Option<Window>> = windows.iter().map(|(_, window)| self.window(window)).collect();
        let made: Vec<Window> = made.into_iter().collect::<Option<_>>()?;
        if block.is_broken("import") {
            return None;
        }
        let rest = block.number("import").map(money);
        match Windows::new(clock?, rest, &made) {
            Ok(windows) => Some(ImportPrice::Windows(windows)),
            Err(mistakes) => {
                mistakes.iter().for_each(|mistake| self.window_mistake(block, mistake));
                None
            }
        }
    }

    fn no_import_price(&mut self, block: &Block) {
        self.found
            .error("missing-key", block.header.clone(), format!("`[{}]` says not what energy costs", block.name))
            .label("no price")
            .help(format!(
                "write one price as `import = 0.28`, windows as `[{}.window.NAME]`, or a list as `import_prices`",
                block.name
            ));
    }

    fn meter_clock(&mut self, block: &Block, home_zone: Option<&TimeZone>) -> Option<TimeZone> {
        self.need(block, "zone", "Windows follow a clock, and a meter's need not be the household's.");
        match block.text("zone")? {
            "winter" => home_zone.map(winter_time),
            name => zone(name),
        }
    }

    fn window(&mut self, block: &Block) -> Option<Window> {
        let days = self.days(block)?;
        let minute = |key: &str| block.text(key).and_then(minute_of_day);
        let (from, to) = (minute("from")?, minute("to")?);
        if from == to {
            self.found
                .error("out-of-range", block.place("to"), "the window is no time at all")
                .label("as it begins")
                .help("a whole day is from \"00:00\" to \"24:00\"");
            return None;
        }
        Some(Window { from: from % 1440, to, days, price: money(block.number("price")?) })
    }

    fn days(&mut self, block: &Block) -> Option<[bool; 7]> {
        if block.is_broken("days") {
            return None;
        }
        let Some(written) = block.texts("days") else { return Some([true; 7]) };
        let mut days = [false; 7];
        for At { value, place } in written {
            match DAYS.iter().position(|day| day == value) {
                Some(n) => days[n] = true,
                None => {
                    let d = self.found.error("unknown-word", place.clone(), format!("\"{value}\" is no day"));
                    match nearest(value, DAYS.iter().copied()) {
                        Some(near) => d.label(format!("did you mean \"{near}\"?")),
                        None => d.label("unknown"),
                    };
                    d.help(format!("days are {}", one_of(DAYS)));
                    return None;
                }
            }
        }
        Some(days)
    }

    fn window_mistake(&mut self, block: &Block, mistake: &WindowMistake) {
        let windows = block.named("window");
        let place = |n: &usize| windows.get(*n).map_or(block.header.clone(), |(_, w)| w.place("from"));
        let name = |n: &usize| windows.get(*n).map_or("", |(id, _)| id.value.as_str());
        match mistake {
            WindowMistake::Overlap { first, second, at } => {
                self.found
                    .error(
                        "windows-overlap",
                        place(second),
                        format!("the windows `{}` and `{}` overlap", name(first), name(second)),
                    )
                    .label(format!("both hold {at}"))
                    .also(place(first), "this one too")
                    .help("each minute of the week has one price");
            }
            WindowMistake::Gap { from, to } => {
                self.found
                    .error("windows-gap", block.header.clone(), "the windows leave a gap")
                    .label(format!("no price from {from} to {to}"))
                    .help("add a window, or write `import`, the price outside all of them");
            }
        }
    }

    fn export_price(&mut self, block: &Block) -> Option<ExportPrice> {
        let written: Vec<&str> = ["export", "export_prices", "deemed_export"]
            .into_iter()
            .filter(|k| block.is_written(k))
            .collect();
        if let [first, second, ..] = written[..] {
            self.two_prices(block, second, first);
        }
        match written.first() {
            Some(&"export") => block.number("export").map(|price| ExportPrice::Flat(money(price))),
            Some(&"export_prices") => {
                self.list(block, "export_prices", Side::Export).map(|()| ExportPrice::Listed)
            }
            Some(_) => {
                let deemed = block.block("deemed_export")?;
                let share_percent = money(deemed.number("share_percent")?);
                Some(ExportPrice::Deemed { share_percent, price: money(deemed.number("price")?) })
            }
            None => Some(ExportPrice::Unpaid),
        }
    }

    fn two_prices(&mut self, block: &Block, key: &str, other: &str) {
        self.found
            .error("two-ways", block.key_place(key), format!("`{key}` and `{other}` both say the price"))
            .label("the second way")
            .also(block.key_place(other), "the first")
            .help("keep one");
    }

    /// A list of prices comes by a topic or from a file.
    fn list(&mut self, block: &Block, key: &str, side: Side) -> Option<()> {
        let list = block.block(key)?;
        match (list.is_written("file"), list.is_written("topic")) {
            (true, true) => {
                self.two_prices(list, "topic", "file");
                return None;
            }
            (false, false) => {
                self.found
                    .error(
                        "missing-key",
                        list.header.clone(),
                        format!("`{key}` says not where prices come from"),
                    )
                    .label("`file` or `topic` is missing")
                    .help("write { file = \"prices.csv\" } or { topic = \"market/prices\" }");
                return None;
            }
            _ => {}
        }
        if let Some(file) = list.text("file") {
            let path = self.path(file);
            let file = PriceFile { side, path };
            if !self.price_files.iter().any(|known| known.value == file) {
                self.price_files.push(At { value: file, place: list.place("file") });
            }
        }
        if let Some(topic) = list.text("topic") {
            let (topic, target) = (topic.to_owned(), Target::Prices(side));
            let route = Route { topic, target, extract: Extract::Number, time: None, yes_words: vec![] };
            if !self.routes.iter().any(|known| known.value == route) {
                self.routes.push(At { value: route, place: list.place("topic") });
            }
        }
        Some(())
    }
}

/// The number as it is written: the shortest decimal that reads as the same float.
fn money(number: f64) -> Decimal {
    number.to_string().parse().unwrap_or(Decimal::ZERO)
}

/// Minutes since midnight; the grammar has checked the text.
fn minute_of_day(text: &str) -> Option<u16> {
    let (hour, minute) = text.split_once(':')?;
    Some(hour.parse::<u16>().ok()? * 60 + minute.parse::<u16>().ok()?)
}

/// The home's winter time all year: its offset in the middle of the northern or the southern winter, whichever is less.
fn winter_time(zone: &TimeZone) -> TimeZone {
    let offset = |month: i8| {
        let noon = jiff::civil::date(2026, month, 15).at(12, 0, 0, 0);
        zone.to_ambiguous_timestamp(noon).compatible().map(|t| zone.to_offset(t)).ok()
    };
    let least = [offset(1), offset(7)].into_iter().flatten().min_by_key(|offset| offset.seconds());
    least.map_or(TimeZone::UTC, TimeZone::fixed)
}
