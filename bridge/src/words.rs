//! Small pieces of speech that several commands share.

use overspill_rules::home::Kind;
use overspill_rules::output::LoadReport;
use overspill_rules::request::Request;
use overspill_rules::tariff::Bill;
use rust_decimal::Decimal;

/// What a load is told to do: `off`, `on`, `set to 13 A`, `set to 1500 W`.
pub(crate) fn told(report: &LoadReport, kind: &Kind) -> String {
    setting(report.on, report.setpoint_a, report.setpoint_w, kind)
}

/// The same from its parts; `amps` only of charge points.
pub(crate) fn setting(on: bool, amps: Option<f64>, watts: f64, kind: &Kind) -> String {
    match (on, amps, kind) {
        (false, ..) => "off".to_owned(),
        (true, Some(amps), _) => format!("set to {amps:.0} A"),
        (true, None, Kind::Switch { .. }) => "on".to_owned(),
        (true, None, _) => format!("set to {} W", grouped(watts.round().max(0.0) as u64)),
    }
}

/// What a rule asks, in words.
pub(crate) fn request(request: &Request) -> String {
    match request {
        Request::TakeSpare(terms) => {
            let mut more = Vec::new();
            more.extend(terms.at_least_w.map(|w| format!("at least {w:.0} W")));
            more.extend(terms.at_most_w.map(|w| format!("at most {w:.0} W")));
            more.extend((terms.keep_w > 0.0).then(|| format!("leaving {:.0} W", terms.keep_w)));
            let grid = format!("up to {:.0} W from the grid", terms.grid_up_to_w);
            more.extend((terms.grid_up_to_w > 0.0).then_some(grid));
            if more.is_empty() {
                "for spare power".to_owned()
            } else {
                format!("for spare power, {}", more.join(", "))
            }
        }
        Request::Run => "to run".to_owned(),
        Request::RunAtW(w) => format!("to run at {w:.0} W"),
        Request::RunAtA(a) => format!("to run at {a:.0} A"),
        Request::Stop => "not to run".to_owned(),
    }
}

/// `text` in lines of at most `columns`, each after `indent`.
pub(crate) fn wrapped(text: &str, indent: &str, columns: usize) -> String {
    let mut out = String::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let length = indent.chars().count() + line.chars().count() + 1 + word.chars().count();
        if !line.is_empty() && length > columns {
            out.push_str(&format!("{indent}{line}\n"));
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() {
        out.push_str(&format!("{indent}{line}\n"));
    }
    out
}

/// A number with a thin gap between thousands from five digits on.
pub(crate) fn grouped(n: u64) -> String {
    let digits = n.to_string();
    if digits.len() < 5 {
        return digits;
    }
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// Money as it is paid, rounded once, without its currency.
pub(crate) fn paid(amount: Decimal) -> String {
    format!("{:.2}", Bill::rounded(amount))
}
