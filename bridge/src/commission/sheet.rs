//! The hand-over sheet: one page to print that stays in the house. Nothing is fetched, no script runs, and it reads in
//! black and white: verdicts are words.

mod open;
mod parts;
mod rules;
mod since;
#[cfg(test)]
mod tests;

use std::io;
use std::path::Path;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::record::{Record, WhyNot, complete, replace};
use crate::config::Config;
use crate::report::escaped;

pub use rules::{RuleWords, rule_words};
pub use since::to_be_told;

/// What the sheet says that the record does not hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Context {
    /// Name of the home file, without its folder.
    pub home_file: String,
    /// Fingerprint of the home file as it is now.
    pub fingerprint: String,
    /// Below which topic people command, such as "overspill/wren".
    pub prefix: String,
    /// The rules, highest rank first.
    pub rules: Vec<RuleWords>,
}

impl Context {
    /// Of a home file as it is now, and the rules beside it.
    pub fn of(config: &Config, path: &Path, fingerprint: &str) -> Context {
        Context {
            home_file: path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
            fingerprint: fingerprint.to_owned(),
            prefix: config.mqtt.prefix.clone(),
            rules: rule_words(&config.rules),
        }
    }
}

const STYLE: &str = "
@page { size: A4; margin: 11mm 13mm; }
* { box-sizing: border-box; }
body { font: 14px/1.35 Georgia, 'Times New Roman', serif; color: #000; background: #fff; max-width: 800px; margin: 20px auto; padding: 0 18px; overflow-wrap: break-word; }
td { overflow-wrap: anywhere; }
h1 { font-size: 25px; font-weight: normal; margin: 0; }
h2 { font-size: 15px; margin: 12px 0 3px; padding-top: 4px; border-top: 1px solid #000; break-after: avoid; }
p { margin: 2px 0; }
ul, ol { margin: 2px 0; padding-left: 17px; }
.head { display: flex; justify-content: space-between; gap: 20px; align-items: flex-start; }
.standing { border: 2px solid #000; padding: 4px 10px; text-align: center; min-width: 170px; }
.standing b { display: block; font-size: 18px; }
.open { border: 2px solid #000; padding: 3px 10px; margin: 8px 0; }
.cut { font-style: italic; }
.print { font-family: ui-monospace, 'DejaVu Sans Mono', monospace; font-size: .82em; word-break: break-all; }
.two { display: grid; grid-template-columns: 1fr 1fr; gap: 0 22px; break-inside: avoid; }
table { border-collapse: collapse; width: 100%; margin: 3px 0; }
tr { break-inside: avoid; }
th, td { text-align: left; padding: 1px 8px 1px 0; border-bottom: 1px solid #bbb; vertical-align: top; }
th { font-weight: normal; font-style: italic; border-bottom: 1px solid #000; }
td.verdict { font-weight: bold; white-space: nowrap; }
td.when { width: 14%; overflow-wrap: normal; }
td.step { width: 21%; }
.flags { display: grid; grid-template-columns: repeat(3, 1fr); gap: 6px 12px; margin: 5px 0; }
.flags > div { break-inside: avoid; }
.flag { border: 1px dashed #000; padding: 2px 6px; min-height: 30px; }
.photo { border: 1px solid #999; height: 92px; margin-top: 3px; padding: 1px 6px; font-style: italic; color: #444; }
.sign { display: grid; grid-template-columns: 1fr 1fr; gap: 4px 26px; break-inside: avoid; }
.sign div { border-bottom: 1px solid #000; height: 38px; }
.small { font-size: .88em; }
@media print { body { margin: 0; padding: 0; max-width: none; font-size: 11.2px; line-height: 1.28; } h1 { font-size: 20px; } h2 { font-size: 12.6px; margin-top: 7px; } .standing b { font-size: 15px; } }
@media (max-width: 560px) { .two, .flags, .head { display: block; } .wide { overflow-x: auto; } table { min-width: 33rem; } td { overflow-wrap: normal; } }
";

/// The sheet, self-contained. It says complete only where [`complete`] does.
pub fn html(record: &Record, context: &Context) -> String {
    let missing = complete(record, &context.fingerprint).err().unwrap_or_default();
    let name = escaped(&record.home.name);
    let mut page = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{name}: hand-over sheet</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n"
    );
    let time = Times::of(record);
    parts::head(&mut page, record, context, &missing, &time);
    since::changed(&mut page, record, &time);
    open::still_open(&mut page, record, context, &missing);
    parts::people_and_supply(&mut page, record, &time);
    parts::points(&mut page, record);
    parts::tests(&mut page, record, &time);
    parts::loads(&mut page, record);
    parts::rules(&mut page, context);
    parts::manual(&mut page, record, context);
    parts::cautions(&mut page, record, &time);
    parts::signatures(&mut page);
    page.push_str("</main>\n</body>\n</html>\n");
    // They set off names in a terminal; on paper they are only marks.
    page.replace('`', "")
}

/// Writes the sheet: whole, or not at all.
///
/// # Errors
/// What the system says.
pub fn write(path: &Path, html: &str) -> io::Result<()> {
    replace(path, html.as_bytes())
}

/// Times as the household reads them.
struct Times(TimeZone);

impl Times {
    fn of(record: &Record) -> Times {
        let known = jiff::tz::TimeZoneDatabase::bundled().get(&record.home.timezone);
        Times(known.unwrap_or(TimeZone::UTC))
    }

    fn full(&self, at: Timestamp) -> String {
        at.to_zoned(self.0.clone()).strftime("%-d %B %Y, %H:%M").to_string()
    }

    fn short(&self, at: Timestamp) -> String {
        at.to_zoned(self.0.clone()).strftime("%-d %b %H:%M").to_string()
    }
}

/// Whether the proof is for another home file than the one that is there.
fn is_lapsed(record: &Record, context: &Context) -> bool {
    record.home_file != context.fingerprint
}

/// How many steps are open, as words.
fn counted(missing: &[WhyNot]) -> String {
    match missing.len() {
        1 => "1 thing is open".to_owned(),
        n => format!("{n} things are open"),
    }
}
