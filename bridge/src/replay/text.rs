//! A replay as people read it, 80 columns wide, and as programs do.

use std::fmt::Write as _;

use overspill_rules::home::{Home, LoadId, Measures};
use overspill_rules::tariff::Bill;
use overspill_rules::time::Span;
use overspill_rules::whatif::{Account, Flows};
use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::verify::{Difference, Verified};
use super::whatif::Told;
use crate::store::{DecisionRow, Request};
use crate::words::{paid, request, wrapped};

/// What a what-if gave.
pub fn what_if(home: &Home, span: &str, told: &Told, with_days: bool) -> String {
    let whole = &told.whole;
    let mut text = format!(
        "{}, {span}: {} with readings.\nA what-if: what would have happened, as far as it can be worked out.\n\n",
        home.name,
        Span(whole.covered_ms)
    );
    let _ = writeln!(text, "{:<28}{:>12}{:>12}{:>12}", "", "recorded", "replayed", "loads off");
    let mut line = |what: &str, values: [Option<String>; 3]| {
        let [a, b, c] = values.map(|v| v.unwrap_or("-".to_owned()));
        let _ = writeln!(text, "{what:<28}{a:>12}{b:>12}{c:>12}");
    };
    let three = |f: fn(&Flows, &Account) -> f64| {
        [whole.recorded, whole.replayed, whole.off].map(|flows| Some(kwh(f(&flows, whole))))
    };
    line("import, kWh", three(|f, _| f.import_kwh()));
    line("export, kWh", three(|f, _| f.export_kwh()));
    if home.measures(Measures::Solar) {
        line("solar used at home, kWh", three(|f, a| a.solar_kwh() - f.export_kwh()));
    }
    if let (Some(tariff), Some(money)) = (&home.tariff, &whole.money) {
        let bills = [money.recorded, money.replayed, money.off];
        let mut money = |what: &str, amount: fn(&Bill) -> Decimal| {
            line(&format!("{what}, {}", tariff.currency), bills.map(|bill| Some(paid(amount(&bill)))));
        };
        money("paid for import", |bill| bill.import);
        money("earned", |bill| bill.export + bill.generation);
        money("cost", Bill::energy);
    }
    for (load, account) in home.loads.iter().zip(&whole.loads) {
        let name = &load.id;
        let energy = [account.recorded_kwh(), account.replayed_kwh(), 0.0];
        line(&format!("{name}, kWh"), energy.map(|e| Some(kwh(e))));
        let starts = [account.recorded_starts, account.replayed_starts, 0];
        line("  starts", starts.map(|s| Some(s.to_string())));
        if let Some(asked) = account.asked_kwh() {
            let hours =
                |missing: f64| Some(format!("{:.1}", missing * 1000.0 / load.ceiling_w(home.supply.volts)));
            line("  hours unmet", [None, hours(account.unmet_kwh()), hours(asked)]);
        }
    }
    text.push('\n');
    if with_days {
        text.push_str(&days(told));
    }
    for sentence in notes(told) {
        text.push_str(&wrapped(&sentence, "  ", 80));
    }
    text
}

fn days(told: &Told) -> String {
    let mut text = format!("{:<12}{:>32}{:>32}\n", "", "import, kWh", "export, kWh");
    let heads = ["recorded", "replayed", "loads off"];
    let _ = writeln!(
        text,
        "{:<12}{:>12}{:>10}{:>10}{:>12}{:>10}{:>10}",
        "day", heads[0], heads[1], heads[2], heads[0], heads[1], heads[2]
    );
    for (date, day) in &told.days {
        let all = [day.recorded, day.replayed, day.off];
        let import = all.map(|f| kwh(f.import_kwh()));
        let export = all.map(|f| kwh(f.export_kwh()));
        let _ = writeln!(
            text,
            "{date:<12}{:>12}{:>10}{:>10}{:>12}{:>10}{:>10}",
            import[0], import[1], import[2], export[0], export[1], export[2]
        );
    }
    text.push('\n');
    text
}

fn notes(told: &Told) -> Vec<String> {
    let mut notes = told.assumed.clone();
    if let Some(money) = &told.whole.money {
        notes.push("Cost is that of energy, without standing charges.".to_owned());
        let unpriced = money.recorded.unpriced_kwh.max(money.replayed.unpriced_kwh);
        if !unpriced.is_zero() {
            notes.push(format!("For {unpriced:.2} kWh no price is known; they are not in the cost."));
        }
    }
    notes.push("What the home does without its loads is taken to stay as it was.".to_owned());
    if told.unknown > 0 {
        notes.push(format!(
            "{} entries of the journal are of things that this home no longer has.",
            told.unknown
        ));
    }
    notes
}

fn kwh(value: f64) -> String {
    format!("{:.2}", if value.abs() < 0.005 { 0.0 } else { value })
}

/// The same for programs.
pub fn what_if_json(home: &Home, told: &Told) -> Value {
    let days = told.days.iter().map(|(date, day)| {
        let mut json = account_json(home, day);
        json["date"] = json!(date);
        json
    });
    let mut json = account_json(home, &told.whole);
    json["what_if"] = json!(true);
    json["days"] = days.collect();
    json["assumed"] = json!(notes(told));
    json["decisions"] = json!(told.decisions);
    json
}

fn account_json(home: &Home, account: &Account) -> Value {
    let has_solar = home.measures(Measures::Solar);
    let flows = |f: &Flows, bill: Option<Bill>| {
        json!({
            "import_kwh": f.import_kwh(),
            "export_kwh": f.export_kwh(),
            "self_use_kwh": has_solar.then(|| account.solar_kwh() - f.export_kwh()),
            "import_cost": bill.map(|b| paid(b.import)),
            "income": bill.map(|b| paid(b.export + b.generation)),
            "cost": bill.map(|b| paid(b.energy())),
            "unpriced_kwh": bill.map(|b| b.unpriced_kwh.to_string()),
        })
    };
    let money = account.money.as_ref();
    let loads = home.loads.iter().zip(&account.loads).map(|(load, a)| {
        let ceiling_kw = load.ceiling_w(home.supply.volts) / 1000.0;
        let each = json!({
            "recorded": { "kwh": a.recorded_kwh(), "starts": a.recorded_starts },
            "replayed": {
                "kwh": a.replayed_kwh(),
                "starts": a.replayed_starts,
                "hours": a.ran_ms as f64 / 3.6e6,
                "hours_unmet": a.asked_kwh().map(|_| a.unmet_kwh() / ceiling_kw),
            },
            "counted": a.counted,
        });
        (load.id.clone(), each)
    });
    json!({
        "covered_s": account.covered_ms as f64 / 1000.0,
        "solar_kwh": account.solar_kwh(),
        "currency": home.tariff.as_ref().map(|t| t.currency.as_str()),
        "recorded": flows(&account.recorded, money.map(|m| m.recorded)),
        "replayed": flows(&account.replayed, money.map(|m| m.replayed)),
        "off": flows(&account.off, money.map(|m| m.off)),
        "at_export_limit_s": account.at_limit_ms as f64 / 1000.0,
        "loads": loads.collect::<serde_json::Map<String, Value>>(),
    })
}

/// What a verification gave.
pub fn verified(home: &Home, found: &Verified) -> String {
    let mut text = String::new();
    for run in &found.runs {
        let began = run.began.clone().unwrap_or("a time not known".to_owned());
        let _ = writeln!(text, "run {} of version {}, from {began}", run.run, run.program);
        for doubt in &run.doubts {
            text.push_str(&wrapped(doubt, "  ", 80));
        }
    }
    if found.runs.is_empty() {
        text.push_str("The journal has no run in this time; there is nothing to verify.\n");
        return text;
    }
    let compared = format!(
        "{} set-points and {} decisions at {} stamps",
        found.setpoints, found.decisions, found.stamps
    );
    match &found.difference {
        None => {
            let _ = writeln!(text, "Verified: {compared} came out as recorded.");
        }
        Some(difference) => {
            let _ = writeln!(text, "NOT as recorded, after {compared}. The first difference:\n");
            text.push_str(&difference_told(home, difference));
        }
    }
    text
}

fn difference_told(home: &Home, d: &Difference) -> String {
    let at = d.at.clone().unwrap_or("a time not known".to_owned());
    let name = home.load_named(&d.load).map_or(d.load.clone(), |id: LoadId| home.load(id).name.clone());
    let mut text = format!("{at}  {name}\n");
    for (which, watts, decision) in
        [("recorded", d.recorded_w, &d.recorded), ("replayed", d.replayed_w, &d.replayed)]
    {
        let set = watts.map_or("no new set-point".to_owned(), |w| format!("set to {w:.0} W"));
        let _ = writeln!(text, "  {which}  {set}");
        match decision {
            Some(decision) => text.push_str(&chain(decision)),
            None => text.push_str("            no new decision\n"),
        }
    }
    text
}

/// What led to a decision, indented.
fn chain(decision: &DecisionRow) -> String {
    let state = if decision.on { format!("on, {:.0} W", decision.setpoint_w) } else { "off".to_owned() };
    let by = decision.rule.as_ref().map_or("no rule".to_owned(), |rule| format!("rule {rule}"));
    let mut text = wrapped(&format!("{state} by {by}: {}", decision.reason), "            ", 80);
    for Request { rule, request: terms, reason } in &decision.requests {
        text.push_str(&wrapped(&format!("{rule} asked {}: {reason}", request(terms)), "            ", 80));
    }
    let seen = decision.readings.iter().map(|s| {
        let value = s.value.map_or("unknown".to_owned(), |v| format!("{v:.1}"));
        let age = s.age.map_or(String::new(), |age| format!(" ({age} old)"));
        format!("{} {value}{age}", s.name)
    });
    text.push_str(&wrapped(&seen.collect::<Vec<_>>().join(", "), "            ", 80));
    text
}
