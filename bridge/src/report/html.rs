//! A report as one page to print or send: nothing is fetched, no script runs, and it reads in black and white.

use std::fmt::Write as _;

use overspill_rules::answers::report::{Energy, Money, Report};
use overspill_rules::home::Home;
use rust_decimal::Decimal;

use super::Gathered;
use super::chart;
use super::svg::{Fill, PATTERNS, escaped, swatch};
use super::words::{
    a_day, basis, date, exports, kwh, legend, money, night, percent, power, running, span, time,
};

const STYLE: &str = "
@page { size: A4; margin: 14mm 15mm; }
* { box-sizing: border-box; }
body { font: 15px/1.45 Georgia, 'Times New Roman', serif; color: #000; background: #fff; max-width: 760px; margin: 24px auto; padding: 0 20px; }
h1 { font-size: 30px; margin: 0; font-weight: normal; }
h2 { font-size: 17px; margin: 26px 0 6px; padding-top: 8px; border-top: 1px solid #000; break-after: avoid; }
p { margin: 4px 0; }
.span { font-size: 17px; }
.indicative { font-style: italic; margin-bottom: 14px; }
.big { display: grid; grid-template-columns: repeat(3, 1fr); gap: 10px 26px; margin: 14px 0 12px; }
.big b { display: block; font-size: 27px; font-weight: normal; line-height: 1.15; }
table { border-collapse: collapse; width: 100%; margin: 6px 0; break-inside: avoid; }
th, td { text-align: right; padding: 3px 0 3px 12px; border-bottom: 1px solid #ccc; font-variant-numeric: tabular-nums; vertical-align: top; }
th:first-child, td:first-child { text-align: left; padding-left: 0; }
td.words, th.words { text-align: left; }
th { font-weight: normal; font-style: italic; border-bottom: 1px solid #000; }
figure { margin: 8px 0; break-inside: avoid; }
figcaption { font-size: 13px; }
svg { display: block; width: 100%; height: auto; font-family: Georgia, 'Times New Roman', serif; }
svg.swatch { display: inline; width: 18px; height: 11px; margin: 0 3px 0 8px; }
.worth { border: 2px solid #000; padding: 4px 12px; margin: 16px 0; break-inside: avoid; }
.worth ul, .notes { margin: 4px 0; padding-left: 18px; }
.notes { font-size: 12.5px; }
@media print { body { margin: 0; padding: 0; max-width: none; font-size: 12.5px; } h1 { font-size: 24px; } .big b { font-size: 21px; } h2 { margin-top: 16px; } }
";

/// The whole page.
pub fn html(home: &Home, told: &Gathered) -> String {
    let report = &told.report;
    let mut page = head(home, report);
    if let Some(picture) = chart::overlap(&report.totals) {
        figure(&mut page, &picture, "");
    }
    doubts(&mut page, report);
    energies(&mut page, home, told);
    if report.totals.solar.is_some() || report.totals.import.is_some() {
        days(&mut page, report);
    }
    sun(&mut page, home, report);
    export(&mut page, report);
    heading(&mut page, "What runs all night?");
    paragraph(&mut page, &night(report));
    if report.totals.house.is_some() {
        figure(
            &mut page,
            &chart::mean_day(&report.mean_day),
            &format!("The mean day, in kilowatts. {} made; the line is what was used.", swatch(Fill::Out)),
        );
    }
    peaks(&mut page, home, report);
    loads(&mut page, home, report);
    cost(&mut page, told);
    if let Some(carbon) = &report.carbon {
        heading(&mut page, "What did it emit?");
        paragraph(&mut page, &format!("What was bought emitted {:.0} kg of CO2.", carbon.kg));
    }
    heading(&mut page, "How this was worked out");
    list(&mut page, "notes", legend(home, told).iter().map(String::as_str));
    page.push_str("</body>\n</html>\n");
    page
}

/// A heading of the second rank.
pub(crate) fn heading(page: &mut String, text: &str) {
    let _ = writeln!(page, "<h2>{}</h2>", escaped(text));
}

/// A paragraph of plain text.
pub(crate) fn paragraph(page: &mut String, text: &str) {
    let _ = writeln!(page, "<p>{}</p>", escaped(text));
}

/// `caption` is HTML.
fn figure(page: &mut String, picture: &str, caption: &str) {
    let caption =
        if caption.is_empty() { String::new() } else { format!("<figcaption>{caption}</figcaption>") };
    let _ = writeln!(page, "<figure>{picture}{caption}</figure>");
}

/// A list of plain texts.
pub(crate) fn list<'a>(page: &mut String, class: &str, items: impl Iterator<Item = &'a str>) {
    let _ = writeln!(page, "<ul class=\"{class}\">");
    items.for_each(|item| {
        let _ = writeln!(page, "<li>{}</li>", escaped(item));
    });
    page.push_str("</ul>\n");
}

/// A table; the first row is its head. Columns named in `words` hold text.
pub(crate) fn table(page: &mut String, rows: &[Vec<String>], words: &[usize]) {
    page.push_str("<table>\n");
    for (n, row) in rows.iter().enumerate() {
        let cell = if n == 0 { "th" } else { "td" };
        page.push_str("<tr>");
        for (column, text) in row.iter().enumerate() {
            let class = if words.contains(&column) { " class=\"words\"" } else { "" };
            let _ = write!(page, "<{cell}{class}>{}</{cell}>", escaped(text));
        }
        page.push_str("</tr>\n");
    }
    page.push_str("</table>\n");
}

/// Cells of a row.
pub(crate) fn row<const N: usize>(cells: [&str; N]) -> Vec<String> {
    cells.map(str::to_owned).to_vec()
}

fn head(home: &Home, report: &Report) -> String {
    let (name, when) = (escaped(&home.name), escaped(&span(report.span, &home.timezone)));
    let totals = &report.totals;
    let mut page = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{name}: {when}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{PATTERNS}\
         <h1>{name}</h1>\n<p class=\"span\">{when}</p>\n\
         <p class=\"indicative\">Indicative: clamps are not billing meters. Readings cover {} of this time.</p>\n",
        percent(Some(totals.covered))
    );
    let energy = |energy: Option<Energy>| energy.map(|e| format!("{} kWh", kwh(e.kwh)));
    let all = [
        ("made", energy(totals.solar)),
        ("used", energy(totals.house)),
        ("bought", energy(totals.import)),
        ("sent out", energy(totals.export)),
        ("of what was made, used at home", totals.self_consumption.map(|s| percent(Some(s)))),
        ("of what was used, not bought", totals.self_sufficiency.map(|s| percent(Some(s)))),
    ];
    page.push_str("<div class=\"big\">\n");
    for (label, value) in all {
        if let Some(value) = value {
            let _ = writeln!(page, "<div><b>{value}</b>{label}</div>");
        }
    }
    page.push_str("</div>\n");
    page
}

fn doubts(page: &mut String, report: &Report) {
    if !report.doubts.is_empty() {
        page.push_str("<div class=\"worth\"><p><b>Worth a look</b></p>\n");
        list(page, "", report.doubts.iter().map(|doubt| doubt.text.as_str()));
        page.push_str("</div>\n");
    }
}

fn energies(page: &mut String, home: &Home, told: &Gathered) {
    heading(page, "How much was it?");
    let totals = &told.report.totals;
    let each = [
        ("made", "solar", totals.solar),
        ("used", "house", totals.house),
        ("bought", "import", totals.import),
        ("sent out", "export", totals.export),
        ("into the battery", "charge", totals.charge),
        ("out of the battery", "discharge", totals.discharge),
    ];
    let past: Vec<_> =
        [Some(("before", &told.before)), told.year_ago.as_ref().map(|year| ("a year ago", year))]
            .into_iter()
            .flatten()
            .filter(|(_, past)| past.is_known())
            .collect();
    let mut head = row(["indicative", "kWh", "covered", "kWh a day"]);
    head.extend(past.iter().map(|(label, _)| format!("{label}, kWh a day")));
    let mut rows = vec![head];
    for (label, flow, energy) in each {
        let Some(energy) = energy else { continue };
        let daily = kwh(a_day(energy, told.report.span));
        let mut cells = row([label, &kwh(energy.kwh), &percent(Some(energy.covered)), &daily]);
        cells.extend(past.iter().map(|(_, past)| past.a_day(flow).map_or("-".to_owned(), kwh)));
        rows.push(cells);
    }
    table(page, &rows, &[]);
    for (label, past) in &past {
        paragraph(page, &format!("{label}: {}.", span(past.span, &home.timezone)));
    }
    if let (Some(measured), Some(estimate)) = (totals.self_consumption, told.report.estimate) {
        paragraph(
            page,
            &format!(
                "Of what the roof made {} was used at home; a standard's estimate for a typical dwelling is {}.",
                percent(Some(measured)),
                percent(Some(estimate.self_consumption))
            ),
        );
    }
}

fn days(page: &mut String, report: &Report) {
    let (picture, word) = chart::days(&report.days);
    let incomplete = match chart::has_incomplete(&report.days) {
        true => " * less than nine tenths of it is known.",
        false => "",
    };
    let caption = format!(
        "Kilowatt-hours by {word}. Above the line: {} used at home, {} sent out; together what was made. Below: {} \
         bought.{incomplete}",
        swatch(Fill::Own),
        swatch(Fill::Out),
        swatch(Fill::Bought)
    );
    figure(page, &picture, &caption);
}

fn sun(page: &mut String, home: &Home, report: &Report) {
    if report.best_day.is_none() && report.totals.peak_solar.is_none() {
        return;
    }
    heading(page, "When was the best of the sun?");
    if let Some((day, energy)) = report.best_day {
        paragraph(page, &format!("Best day: {}, {} kWh.", date(day), kwh(energy)));
    }
    if let Some(peak) = report.totals.peak_solar {
        let when = time(peak.at, &home.timezone);
        paragraph(page, &format!("Best moment: {} on {when}{}.", power(peak.watts), basis(&peak)));
    }
}

fn export(page: &mut String, report: &Report) {
    heading(page, "Did we export, and when?");
    paragraph(page, &exports(report));
    if report.exports.hours > 0 {
        figure(
            page,
            &chart::exports(&report.exports),
            "Kilowatt-hours sent out by the hour of the day, over the whole time, and each hour's share.",
        );
    }
}

fn peaks(page: &mut String, home: &Home, report: &Report) {
    if report.peaks.is_empty() {
        return;
    }
    heading(page, "What were the highest imports, and what was running?");
    let mut rows = vec![row(["when", "import", "running, mean of that half hour"])];
    for peak in &report.peaks {
        let when = format!("{}{}", time(peak.peak.at, &home.timezone), basis(&peak.peak));
        rows.push(row([&when, &power(peak.peak.watts), &running(home, peak)]));
    }
    table(page, &rows, &[2]);
}

fn loads(page: &mut String, home: &Home, report: &Report) {
    if report.loads.iter().all(|load| load.covered == 0.0) {
        return;
    }
    heading(page, "What did the controlled loads take?");
    let mut rows = vec![row(["kWh, indicative", "in all", "spare power", "grid", "starts", "covered"])];
    for share in &report.loads {
        let starts = share.starts.map_or("-".to_owned(), |n| n.to_string());
        rows.push(row([
            home.load(share.load).name.as_str(),
            &kwh(share.kwh),
            &kwh(share.from_spare_kwh),
            &kwh(share.from_grid_kwh),
            &starts,
            &percent(Some(share.covered)),
        ]));
    }
    table(page, &rows, &[]);
}

/// A line of a bill.
type Amount = fn(&Money) -> Decimal;

fn cost(page: &mut String, told: &Gathered) {
    let bills: Vec<&Money> = told.report.money.iter().chain(&told.other).collect();
    if bills.is_empty() {
        return;
    }
    heading(page, "What did it cost, and earn?");
    let both = told.report.money.is_some() && told.other.is_some();
    let head = match (both, told.other.is_some()) {
        (true, _) => row(["indicative", "as it is", "by the other tariff"]),
        (false, true) => row(["indicative", "by the other tariff"]),
        (false, false) => row(["indicative", ""]),
    };
    let mut rows = vec![head];
    let lines: [(&str, Amount); 5] = [
        ("paid for import", |m| m.bill.import),
        ("standing charge", |m| m.bill.standing),
        ("earned by export", |m| m.bill.export),
        ("earned by making", |m| m.bill.generation),
        ("in all", |m| m.bill.energy() + m.bill.standing),
    ];
    for (label, amount) in lines {
        if bills.iter().all(|bill| amount(bill).is_zero()) && label != "paid for import" {
            continue;
        }
        let mut cells = vec![label.to_owned()];
        cells.extend(bills.iter().map(|bill| money(amount(bill), &bill.currency)));
        rows.push(cells);
    }
    table(page, &rows, &[]);
}
