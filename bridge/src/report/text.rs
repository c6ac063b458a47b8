//! A report as people read it at a terminal, 80 columns wide.

use std::fmt::Write as _;

use overspill_rules::answers::report::{Energy, Money, Report};
use overspill_rules::home::Home;

use super::words::{
    a_day, basis, date, exports, kwh, legend, length_days, money, night, percent, power, running, span, time,
};
use super::{Gathered, Past};
use crate::words::wrapped;

/// Columns of a page.
const COLUMNS: usize = 80;

/// The whole report.
pub fn text(home: &Home, told: &Gathered) -> String {
    let report = &told.report;
    let mut text = head(home, report);
    text.push_str(&energies(home, told));
    text.push_str(&shares(report));
    section(&mut text, "Best of the sun", &best(home, report));
    section(&mut text, "Export", &[exports(report)]);
    section(&mut text, "At night", &[night(report)]);
    text.push_str(&peaks(home, report));
    text.push_str(&loads(home, report));
    text.push_str(&cost(told));
    if let Some(carbon) = &report.carbon {
        section(&mut text, "Carbon", &[format!("What was bought emitted {:.0} kg of CO2.", carbon.kg)]);
    }
    if !report.doubts.is_empty() {
        text.push_str("\nWorth a look\n");
        report.doubts.iter().for_each(|doubt| text.push_str(&item(&doubt.text)));
    }
    text.push_str("\nHow this was worked out\n");
    legend(home, told).iter().for_each(|sentence| text.push_str(&item(sentence)));
    text
}

fn head(home: &Home, report: &Report) -> String {
    let days = length_days(report.span);
    let length = if (days - days.round()).abs() < 0.05 {
        format!("{:.0}", days.round())
    } else {
        format!("{days:.1}")
    };
    let word = if length == "1" { "day" } else { "days" };
    format!(
        "{}\n{} ({length} {word})\nIndicative; readings cover {} of this time.\n\n",
        home.name,
        span(report.span, &home.timezone),
        percent(Some(report.totals.covered))
    )
}

fn section(text: &mut String, title: &str, sentences: &[String]) {
    if sentences.is_empty() {
        return;
    }
    let _ = write!(text, "\n{title}\n");
    sentences.iter().for_each(|sentence| text.push_str(&wrapped(sentence, "  ", COLUMNS)));
}

/// A sentence of a list.
fn item(sentence: &str) -> String {
    let lines = wrapped(sentence, "    ", COLUMNS);
    format!("  -{}", lines.get(3..).unwrap_or(""))
}

fn energies(home: &Home, told: &Gathered) -> String {
    let totals = &told.report.totals;
    let rows: [(&str, &str, Option<Energy>); 6] = [
        ("made", "solar", totals.solar),
        ("used", "house", totals.house),
        ("bought", "import", totals.import),
        ("sent out", "export", totals.export),
        ("into the battery", "charge", totals.charge),
        ("out of the battery", "discharge", totals.discharge),
    ];
    let before = Some(&told.before).filter(|past| past.is_known());
    let year = told.year_ago.as_ref().filter(|past| past.is_known());
    let mut text = format!("{:<20}{:>12}{:>10}", "", "kWh", "covered");
    let head = |text: &mut String, label: &str| {
        let _ = write!(text, "{label:>13}");
    };
    head(&mut text, "kWh a day");
    before.iter().for_each(|_| head(&mut text, "before"));
    year.iter().for_each(|_| head(&mut text, "a year ago"));
    text.push('\n');
    for (label, flow, energy) in rows {
        let Some(energy) = energy else { continue };
        let covered = percent(Some(energy.covered));
        let daily = kwh(a_day(energy, told.report.span));
        let _ = write!(text, "{label:<20}{:>12}{covered:>10}{daily:>13}", kwh(energy.kwh));
        for past in [before, year].into_iter().flatten() {
            let _ = write!(text, "{:>13}", past.a_day(flow).map_or("-".to_owned(), kwh));
        }
        text.push('\n');
    }
    for (label, past) in [("before", before), ("a year ago", year)] {
        text.push_str(&past.map_or(String::new(), |past| compared(home, label, past)));
    }
    text
}

fn compared(home: &Home, label: &str, past: &Past) -> String {
    let covered = ["import", "solar", "house"].map(|flow| past.covered(flow));
    let most = covered.iter().copied().fold(0.0, f64::max);
    let told = format!("{label}: {}, {} covered", span(past.span, &home.timezone), percent(Some(most)));
    wrapped(&told, "  ", COLUMNS)
}

/// Shares as bars.
fn shares(report: &Report) -> String {
    let totals = &report.totals;
    let rows = [
        ("of what was made", totals.self_consumption, "used at home"),
        ("  by a standard", report.estimate.map(|e| e.self_consumption), "an estimate for a typical home"),
        ("of what was used", totals.self_sufficiency, "not bought"),
    ];
    let each = rows.into_iter().filter_map(|(whole, share, part)| {
        let share = share?;
        Some(format!("{whole:<20}{}  {:>5} {part}\n", bar(share), percent(Some(share))))
    });
    let lines: String = each.collect();
    if lines.is_empty() { lines } else { format!("\n{lines}") }
}

fn bar(share: f64) -> String {
    const WIDTH: usize = 20;
    let full = (share.clamp(0.0, 1.0) * WIDTH as f64).round() as usize;
    format!("[{}{}]", "#".repeat(full), ".".repeat(WIDTH - full))
}

fn best(home: &Home, report: &Report) -> Vec<String> {
    let mut best = Vec::new();
    if let Some((day, energy)) = report.best_day {
        best.push(format!("Best day: {}, {} kWh.", date(day), kwh(energy)));
    }
    if let Some(peak) = report.totals.peak_solar {
        best.push(format!(
            "Best moment: {} on {}{}.",
            power(peak.watts),
            time(peak.at, &home.timezone),
            basis(&peak)
        ));
    }
    best
}

fn peaks(home: &Home, report: &Report) -> String {
    if report.peaks.is_empty() {
        return String::new();
    }
    let mut text = "\nHighest import\n".to_owned();
    for peak in &report.peaks {
        let _ = write!(text, "  {:>9}  ", power(peak.peak.watts));
        let after = wrapped(
            &format!("{}{}: {}", time(peak.peak.at, &home.timezone), basis(&peak.peak), running(home, peak)),
            "             ",
            COLUMNS,
        );
        text.push_str(after.trim_start());
    }
    text
}

fn loads(home: &Home, report: &Report) -> String {
    if report.loads.iter().all(|load| load.covered == 0.0) {
        return String::new();
    }
    let mut text = format!(
        "\n{:<20}{:>10}{:>15}{:>15}{:>10}{:>10}\n",
        "Loads", "kWh", "spare power", "grid", "starts", "covered"
    );
    for share in &report.loads {
        let name: String = home.load(share.load).name.chars().take(19).collect();
        let _ = writeln!(
            text,
            "{:<20}{:>10}{:>15}{:>15}{:>10}{:>10}",
            format!("  {name}").chars().take(20).collect::<String>(),
            kwh(share.kwh),
            kwh(share.from_spare_kwh),
            kwh(share.from_grid_kwh),
            share.starts.map_or("-".to_owned(), |n| n.to_string()),
            percent(Some(share.covered))
        );
    }
    let unknown: f64 = report.loads.iter().map(|load| load.unknown_kwh).sum();
    if unknown >= 0.005 {
        let told =
            format!("Where {} kWh of it came from is not known: the roof or the home was not.", kwh(unknown));
        text.push_str(&wrapped(&told, "  ", COLUMNS));
    }
    text
}

fn cost(told: &Gathered) -> String {
    let Some(own) = &told.report.money else {
        return match &told.other {
            Some(other) => format!("\nCost by the other tariff\n{}", bill_lines(&[other])),
            None => String::new(),
        };
    };
    let mut text = String::from("\nCost");
    match &told.other {
        Some(other) => {
            let _ = writeln!(text, "{:>36}{:>20}", "as it is", "by the other");
            text.push_str(&bill_lines(&[own, other]));
        }
        None => {
            text.push('\n');
            text.push_str(&bill_lines(&[own]));
        }
    }
    text
}

fn bill_lines(bills: &[&Money]) -> String {
    let mut text = String::new();
    let mut line = |label: &str, amount: fn(&Money) -> rust_decimal::Decimal| {
        if bills.iter().all(|bill| amount(bill).is_zero()) && label != "paid for import" {
            return;
        }
        let _ = write!(text, "  {label:<18}");
        for bill in bills {
            let _ = write!(text, "{:>20}", money(amount(bill), &bill.currency));
        }
        text.push('\n');
    };
    line("paid for import", |m| m.bill.import);
    line("standing charge", |m| m.bill.standing);
    line("earned by export", |m| m.bill.export);
    line("earned by making", |m| m.bill.generation);
    line("in all", |m| m.bill.energy() + m.bill.standing);
    text
}
