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
th { font-weight: normal; }
thead th { font-style: italic; border-bottom: 1px solid #000; }
.unseen { position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%); }
figure { margin: 8px 0; break-inside: avoid; }
figcaption { font-size: 13px; }
svg { display: block; font-family: Georgia, 'Times New Roman', serif; }
svg.swatch { display: inline; margin: 0 3px 0 8px; }
svg.patterns { position: absolute; }
svg text { stroke: #fff; stroke-width: 3; paint-order: stroke; }
.f-own, .f-ink { fill: #333; } .f-paper { fill: #fff; } .f-out { fill: url(#hatched); } .f-bought { fill: url(#dotted); }
.f-own, .f-out, .f-bought { stroke: #333; stroke-width: 0.6; } .l-ink { stroke: #000; } .l-faint { stroke: #bbb; }
.only-narrow { display: none; } @media (max-width: 520px) { .big { grid-template-columns: 1fr 1fr; } .big b { font-size: 22px; white-space: nowrap; } td { white-space: nowrap; } .only-narrow { display: inline; } .only-wide { display: none; } .wide { overflow-x: auto; } }
.worth { border: 2px solid #000; padding: 4px 12px; margin: 16px 0; break-inside: avoid; }
.worth ul, .notes { margin: 4px 0; padding-left: 18px; }
.notes { font-size: 12.5px; }
@media print { body { margin: 0; padding: 0; max-width: none; font-size: 12.5px; } h1 { font-size: 24px; } .big b { font-size: 21px; } h2 { margin-top: 16px; } }
";

/// The style of the whole page, which a page's policy has to name.
pub(crate) fn style() -> &'static str {
    STYLE
}

/// The whole page.
pub fn html(home: &Home, told: &Gathered) -> String {
    let mut page = head(home, &told.report);
    page.push_str(PATTERNS);
    page.push_str(&title(home, &told.report));
    page.push_str("<div class=\"big\">\n");
    for (label, value) in figures(&told.report) {
        let _ = writeln!(page, "<div><b>{value}</b>{label}</div>");
    }
    page.push_str("</div>\n");
    page.push_str(&body(home, told));
    page.push_str("</main>\n</body>\n</html>\n");
    page
}

/// Everything below the figures, without the patterns that the charts need.
pub(crate) fn body(home: &Home, told: &Gathered) -> String {
    let report = &told.report;
    let mut page = String::new();
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

/// Where a table scrolls by itself on a narrow page, also by keys. [`END_OF_WIDE`] ends it.
pub(crate) fn wide(name: &str) -> String {
    format!("<div class=\"wide\" role=\"region\" aria-label=\"{}\" tabindex=\"0\">\n", escaped(name))
}

/// The end of what [`wide`] begins.
pub(crate) const END_OF_WIDE: &str = "</div>\n";

/// A table of words with a name; the first row is its head.
pub(crate) fn table(page: &mut String, name: &str, rows: &[Vec<String>]) {
    page.push_str(&wide(name));
    page.push_str("<table>\n");
    for (n, row) in rows.iter().enumerate() {
        let cell = if n == 0 { "th" } else { "td" };
        page.push_str("<tr>");
        for text in row {
            let _ = write!(page, "<{cell}>{}</{cell}>", escaped(text));
        }
        page.push_str("</tr>\n");
    }
    page.push_str("</table>\n");
    page.push_str(END_OF_WIDE);
}

/// A table of figures with a name, which scrolls by itself where the page is narrow; the first row is its head, the first
/// cell of each other one names it. Columns named in `words` hold text.
pub(crate) fn named_table(page: &mut String, name: &str, rows: &[Vec<String>], words: &[usize]) {
    page.push_str(&wide(name));
    let _ =
        writeln!(page, "<table class=\"figures\">\n<caption class=\"unseen\">{}</caption>", escaped(name));
    for (n, row) in rows.iter().enumerate() {
        page.push_str(if n == 0 { "<thead><tr>" } else { "<tr>" });
        for (column, text) in row.iter().enumerate() {
            let (cell, scope) = match (n, column) {
                (0, _) => ("th", " scope=\"col\""),
                (_, 0) => ("th", " scope=\"row\""),
                _ => ("td", ""),
            };
            let class = if words.contains(&column) { " class=\"words\"" } else { "" };
            let text = escaped(text);
            // Text has no true minus; print has.
            let text =
                match text.strip_prefix('-').filter(|rest| rest.starts_with(|c: char| c.is_ascii_digit())) {
                    Some(rest) => format!("−{rest}"),
                    None => text.to_string(),
                };
            let _ = write!(page, "<{cell}{scope}{class}>{text}</{cell}>");
        }
        page.push_str(if n == 0 { "</tr></thead>\n<tbody>\n" } else { "</tr>\n" });
    }
    page.push_str("</tbody>\n</table>\n");
    page.push_str(END_OF_WIDE);
}

/// Cells of a row.
pub(crate) fn row<const N: usize>(cells: [&str; N]) -> Vec<String> {
    cells.map(str::to_owned).to_vec()
}

fn head(home: &Home, report: &Report) -> String {
    let (name, when) = (escaped(&home.name), escaped(&span(report.span, &home.timezone)));
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{name}: {when}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n"
    )
}

fn title(home: &Home, report: &Report) -> String {
    let (name, when) = (escaped(&home.name), escaped(&span(report.span, &home.timezone)));
    format!(
        "<h1>{name}</h1>\n<p class=\"span\">{when}</p>\n<p class=\"indicative\">{}</p>\n",
        indicative(report)
    )
}

/// What all figures are to be taken for.
pub(crate) fn indicative(report: &Report) -> String {
    let covered = percent(Some(report.totals.covered));
    format!("Indicative: clamps are not billing meters. Readings cover {covered} of this time.")
}

/// The figures that matter most: what each is, and its value. Those that are not known are left out.
pub(crate) fn figures(report: &Report) -> Vec<(&'static str, String)> {
    let totals = &report.totals;
    let energy = |energy: Option<Energy>| energy.map(|e| format!("{} kWh", kwh(e.kwh)));
    let all = [
        ("made", energy(totals.solar)),
        ("used", energy(totals.house)),
        ("bought", energy(totals.import)),
        ("sent out", energy(totals.export)),
        ("of what was made, used at home", totals.self_consumption.map(|s| percent(Some(s)))),
        ("of what was used, not bought", totals.self_sufficiency.map(|s| percent(Some(s)))),
    ];
    all.into_iter().filter_map(|(label, value)| Some((label, value?))).collect()
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
    named_table(page, "Energy in all and for each day", &rows, &[]);
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
    named_table(page, "Highest imports", &rows, &[2]);
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
    named_table(page, "What each load took", &rows, &[]);
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
        (false, false) => row(["indicative", "amount"]),
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
    named_table(page, "Cost and income", &rows, &[]);
}
