//! How the shadows of a home stand: a table for people, the same for programs, and which came out better.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use overspill_rules::home::Home;
use overspill_rules::time::WallTime;
use rust_decimal::Decimal;
use serde_json::{Map, Value, json};

use super::books::{Books, Side, kwh};
use super::layer::{laid_over, mark, own_rules};
use super::told::{self, SAME_RULES};
use crate::config::{Config, ShadowConfig};
use crate::daemon::read_rules;
use crate::store::KeptShadow;
use crate::words::wrapped;

/// Energy into the loads that differs by less than this is called the same, in kilowatt-hours: a clamp reads to a few
/// percent.
const SAME_KWH: f64 = 0.05;

/// An account of less than a day has not seen a day and a night, in hours.
const TOO_SHORT_H: f64 = 24.0;

/// Said wherever a shadow's figures are.
const INDICATIVE: &str = "Indicative: an estimate of what the loads would have drawn. What a car or a tank would have \
                          taken is known only as far as the real one showed it. Cost is that of energy, without \
                          standing charges.";

/// How one shadow stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// Its name.
    pub name: String,
    /// What hinders the comparison; a sentence.
    pub remark: Option<String>,
    /// Since when, up to when, and what it came to; `None` where nothing was kept yet.
    pub account: Option<(WallTime, WallTime, Books)>,
}

/// How every shadow of a home stands, in the order of its file; `kept` is what the store has of each.
pub fn standings(config: &Config, kept: &BTreeMap<String, KeptShadow>) -> Vec<Standing> {
    config.shadows.iter().map(|shadow| standing(config, shadow, kept.get(&shadow.name))).collect()
}

fn standing(config: &Config, shadow: &ShadowConfig, kept: Option<&KeptShadow>) -> Standing {
    let account = kept.and_then(|kept| Some((kept.since, kept.at, serde_json::from_str(&kept.books).ok()?)));
    let remark = remark(config, shadow, kept.map(|kept| kept.mark.as_str()));
    Standing { name: shadow.name.clone(), remark, account }
}

fn remark(config: &Config, shadow: &ShadowConfig, kept: Option<&str>) -> Option<String> {
    let sets = read_rules(&config.rules).and_then(|live| Ok((own_rules(shadow)?, live)));
    let (own, live) = match sets {
        Ok(sets) => sets,
        Err(why) => return Some(format!("its rules can't be read: {why}")),
    };
    let laid = laid_over(&live, &own, shadow, &config.rules);
    if laid == live {
        return Some(format!("{SAME_RULES} now"));
    }
    match kept {
        None => {
            Some("there is no account yet; a running daemon keeps one each quarter of an hour".to_owned())
        }
        Some(kept) if kept != mark(&live, &laid) => Some(
            "its rules or the live ones were changed since; a running daemon begins a new account with them"
                .to_owned(),
        ),
        Some(_) => None,
    }
}

/// The table, 80 columns wide.
pub fn text(home: &Home, standings: &[Standing], time: impl Fn(WallTime) -> String) -> String {
    let mut text = String::new();
    for standing in standings {
        text.push_str(&one(home, standing, &time));
        text.push('\n');
    }
    if standings.iter().any(|s| s.account.is_some()) {
        text.push_str(&wrapped(INDICATIVE, "", 80));
    }
    text
}

fn one(home: &Home, standing: &Standing, time: &impl Fn(WallTime) -> String) -> String {
    let mut text = format!("Shadow {}\n", standing.name);
    if let Some((since, at, books)) = &standing.account {
        let covered = format!("{:.1} hours with readings", books.covered_h());
        let span = format!("since {} up to {}, {covered}", time(*since), time(*at));
        text.push_str(&wrapped(&span, "  ", 80));
        text.push_str(&table(home, &standing.name, books));
        text.push_str(&wrapped(&verdict(home, &standing.name, books), "  ", 80));
    }
    if let Some(remark) = &standing.remark {
        text.push_str(&wrapped(&format!("Note: {remark}."), "  ", 80));
    }
    text
}

/// One line of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row {
    /// What is compared, with its unit.
    pub what: String,
    /// By the live rules.
    pub live: String,
    /// By the shadow.
    pub shadow: String,
}

/// What the books of a shadow say, line by line; a line that goes on about the load before it begins with two spaces.
pub fn rows(home: &Home, books: &Books) -> Vec<Row> {
    let mut rows = Vec::new();
    let mut line = |what: &str, live: String, shadow: String| {
        rows.push(Row { what: what.to_owned(), live, shadow });
    };
    let energy = |uj: i64| format!("{:.2}", kwh(uj));
    let (live, shadow) = (&books.live, &books.shadow);
    line("import, kWh", energy(live.import_uj), energy(shadow.import_uj));
    line("export, kWh", energy(live.export_uj), energy(shadow.export_uj));
    if let (Some(tariff), Some(was), Some(is)) = (&home.tariff, live.cost(), shadow.cost()) {
        line(&format!("cost, {}", tariff.currency), format!("{was:.2}"), format!("{is:.2}"));
    }
    for load in &home.loads {
        let of = books.loads.get(&load.id).copied().unwrap_or_default();
        line(&format!("{}, kWh", load.id), energy(of.live_uj), energy(of.shadow_uj));
        if kwh(of.over_uj) >= SAME_KWH {
            line("  more than may have fitted, kWh", String::new(), energy(of.over_uj));
        }
        line("  starts", of.live_starts.to_string(), of.shadow_starts.to_string());
    }
    rows
}

fn table(home: &Home, name: &str, books: &Books) -> String {
    let name: String = name.chars().take(18).collect();
    let mut text = format!("\n{:<40}{:>18}{:>20}\n", "", "live", name);
    for Row { what, live, shadow } in rows(home, books) {
        let _ = writeln!(text, "  {what:<38}{live:>18}{shadow:>20}");
    }
    text.push('\n');
    text
}

/// What differs in a sentence, and which came out better where that can be said.
pub fn verdict(home: &Home, name: &str, books: &Books) -> String {
    let loads_kwh: f64 = books.loads.values().map(|l| kwh(l.shadow_uj) - kwh(l.live_uj)).sum();
    let (differs, gain) = grid_difference(home, books);
    let loads = match loads_kwh {
        d if d.abs() < SAME_KWH => "about as much".to_owned(),
        d if d > 0.0 => format!("{d:.2} kWh more"),
        d => format!("{:.2} kWh less", -d),
    };
    let told = format!("{name} would have {differs} the live rules and put {loads} into the loads.");
    let judged = match (gain, loads_kwh) {
        _ if books.covered_h() < TOO_SHORT_H => "That is less than a day: too short to judge.".to_owned(),
        (0, d) if d.abs() < SAME_KWH => "There is nothing to choose between them.".to_owned(),
        (gain, d) if gain >= 0 && d > -SAME_KWH => format!("{name} came out better."),
        (gain, d) if gain <= 0 && d < SAME_KWH => "The live rules came out better.".to_owned(),
        _ => "Neither is simply better: one was cheaper, the other gave the loads more.".to_owned(),
    };
    format!("{told} {judged}")
}

/// By money where there is a tariff, else by what was bought, up to "than"; and whether the shadow gained by it (1, 0, -1).
fn grid_difference(home: &Home, books: &Books) -> (String, i8) {
    let costs = books.live.cost().zip(books.shadow.cost()).zip(home.tariff.as_ref());
    if let Some(((was, is), tariff)) = costs {
        let currency = &tariff.currency;
        return match was - is {
            d if d.is_zero() => ("cost the same as".to_owned(), 0),
            d if d > Decimal::ZERO => (format!("cost {d:.2} {currency} less than"), 1),
            d => (format!("cost {:.2} {currency} more than", -d), -1),
        };
    }
    match bought(&books.live) - bought(&books.shadow) {
        d if d.abs() < SAME_KWH => ("bought the same as".to_owned(), 0),
        d if d > 0.0 => (format!("bought {d:.2} kWh less than"), 1),
        d => (format!("bought {:.2} kWh more than", -d), -1),
    }
}

fn bought(side: &Side) -> f64 {
    kwh(side.import_uj)
}

/// The same for programs.
pub fn json(home: &Home, standings: &[Standing]) -> Value {
    let each = standings.iter().map(|standing| {
        let mut body = told::object(json!({
            "name": standing.name,
            "indicative": true,
            "remark": standing.remark,
            "since": standing.account.as_ref().map(|(since, ..)| since.to_rfc3339()),
            "at": standing.account.as_ref().map(|(_, at, _)| at.to_rfc3339()),
        }));
        if let Some((.., books)) = &standing.account {
            body.extend(told::account(home, books));
            let loads = home.loads.iter().map(|load| {
                let of = books.loads.get(&load.id).copied().unwrap_or_default();
                (load.id.clone(), Value::Object(told::load_energy(&of)))
            });
            body.insert("loads".to_owned(), Value::Object(loads.collect::<Map<_, _>>()));
            body.insert("verdict".to_owned(), verdict(home, &standing.name, books).into());
        }
        Value::Object(body)
    });
    Value::Array(each.collect())
}
