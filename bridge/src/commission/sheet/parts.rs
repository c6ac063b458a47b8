//! The parts of the sheet, in its order.

use std::fmt::Write as _;

use overspill_rules::commission::{BEFORE_ALL, What, caution};

use super::{Context, Times, counted, is_lapsed};
use crate::commission::record::{
    Acknowledged, LoadHeld, PointHeld, Reading, Record, Standing, Test, Trial, Which, WhyNot,
};
use crate::report::escaped;
use crate::report::html::{END_OF_WIDE, heading, list, paragraph, row, table, wide};

const NOT_SAID: &str = "not told";

pub(super) fn head(page: &mut String, record: &Record, context: &Context, missing: &[WhyNot], time: &Times) {
    let address = escaped(record.home.address.as_deref().unwrap_or("address not told"));
    let issue = match record.issues.last() {
        Some(issue) => format!("Issue {} of {}", issue.number, time.full(issue.at)),
        None => "Draft, not issued".to_owned(),
    };
    let standing = if missing.is_empty() { "Complete".to_owned() } else { "Not complete".to_owned() };
    let why = if missing.is_empty() { "every step is proved".to_owned() } else { counted(missing) };
    let _ = writeln!(
        page,
        "<div class=\"head\"><div><h1>{}</h1><p>{address}</p><p>Hand-over sheet. {}. Work began on {}.</p></div>\
         <div class=\"standing\"><b>{standing}</b>{why}</div></div>",
        escaped(&record.home.name),
        escaped(&issue),
        time.full(record.begun),
    );
    let _ = writeln!(
        page,
        "<p class=\"cut\">This proves readings. It is not an electrical certificate, and what the clamps say is \
         indicative, not billing.</p>"
    );
    let _ = writeln!(
        page,
        "<p>Proved for the home file <b>{}</b> with the fingerprint (SHA-256) <span class=\"print\">{}</span>, by \
         Overspill {}. When that file changes, what is proved here of points and loads lapses.</p>",
        escaped(&context.home_file),
        escaped(&record.home_file),
        escaped(&record.program)
    );
    if is_lapsed(record, context) {
        let _ = writeln!(
            page,
            "<div class=\"open\"><b>Lapsed.</b> The home file is another now: <span class=\"print\">{}</span>. Run the \
             commissioning again.</div>",
            escaped(&context.fingerprint)
        );
    }
}

pub(super) fn people_and_supply(page: &mut String, record: &Record, time: &Times) {
    page.push_str("<div class=\"two\">\n<div>\n");
    heading(page, "Who");
    match &record.who {
        None => paragraph(page, NOT_SAID),
        Some(who) => {
            let more = [&who.company, &who.registration, &who.telephone];
            let more: String = more.into_iter().flatten().map(|m| format!(", {m}")).collect();
            paragraph(page, &format!("{}{more}", who.name));
        }
    }
    heading(page, "Sources of energy, and how each is isolated");
    let sources: Vec<String> =
        record.sources.iter().map(|s| format!("{}: {}", s.name, s.isolation)).collect();
    list_or(page, &sources);
    page.push_str("</div>\n<div>\n");
    heading(page, "Main fuse");
    let fuse = record.fuse.as_ref().map(|f| format!("{} A; {}", f.rating_a, f.known_by));
    paragraph(page, fuse.as_deref().unwrap_or(NOT_SAID));
    heading(page, "Registers at the beginning");
    let registers: Vec<String> = record
        .registers
        .iter()
        .map(|r| format!("{}, {}: {} {} on {}", r.meter, r.register, r.value, r.unit, time.full(r.at)))
        .collect();
    list_or(page, &registers);
    heading(page, "Instruments");
    let instruments: Vec<String> = record
        .instruments
        .iter()
        .map(|i| {
            let calibrated =
                i.calibrated.map_or("calibration not told".to_owned(), |d| format!("calibrated {d}"));
            format!("{}: {} {}, serial {}, {calibrated}", i.kind, i.make, i.model, i.serial)
        })
        .collect();
    list_or(page, &instruments);
    page.push_str("</div>\n</div>\n");
}

fn list_or(page: &mut String, items: &[String]) {
    if items.is_empty() {
        paragraph(page, NOT_SAID);
    } else {
        list(page, "", items.iter().map(String::as_str));
    }
}

fn or_dash(text: Option<&str>) -> &str {
    text.filter(|t| !t.is_empty()).unwrap_or("-")
}

pub(super) fn points(page: &mut String, record: &Record) {
    heading(page, "Measuring points");
    let mut rows =
        vec![row(["point", "measures", "conductor", "direction", "ratio", "phase", "as found", "as left"])];
    rows.extend(record.points.iter().map(point));
    table(page, "Measuring points", &rows);
    for (point, why) in record.points.iter().filter_map(|p| Some((p, p.not_provable.as_ref()?))) {
        paragraph(page, &format!("{} is not proved: {why}", point.id));
    }
    page.push_str("<div class=\"flags\">\n");
    for point in &record.points {
        let photograph = match &point.photograph {
            Some(path) => format!("photograph: {}", escaped(path)),
            None => "photograph".to_owned(),
        };
        let _ = writeln!(
            page,
            "<div><div class=\"flag\"><b>{}</b>{}</div><div class=\"photo\">{photograph}</div></div>",
            escaped(&point.id),
            escaped(&flag(point))
        );
    }
    page.push_str("</div>\n");
    paragraph(page, "Framed by dashes: the text for the flag on each cable.");
}

/// What the flag says behind the point's name.
fn flag(point: &PointHeld) -> String {
    let behind = point.label.strip_prefix(&point.id).filter(|rest| rest.starts_with(':'));
    behind.map_or_else(|| format!(" {}", point.label), str::to_owned)
}

fn point(point: &PointHeld) -> Vec<String> {
    let conductor = match point.conductor {
        Some(Which::Line) => "line",
        Some(Which::Neutral) => "neutral",
        None => "-",
    };
    let phase = point.phase.map_or("-".to_owned(), |p| format!("L{p}"));
    row([
        &point.id,
        &point.measures,
        conductor,
        &point.direction,
        or_dash(point.ratio.as_deref()),
        &phase,
        or_dash(point.as_found.as_deref()),
        or_dash(point.as_left.as_deref()),
    ])
}

pub(super) fn tests(page: &mut String, record: &Record, time: &Times) {
    heading(page, "Tests");
    page.push_str(&wide("Tests"));
    page.push_str("<table>\n<tr><th>step</th><th>verdict</th><th>what was seen</th><th>when</th></tr>\n");
    let usual = record.who.as_ref().map(|w| w.name.as_str());
    for test in &record.tests {
        let _ = writeln!(
            page,
            "<tr><td class=\"step\">{}</td><td class=\"verdict\">{}</td><td>{}</td><td class=\"when\">{}</td></tr>",
            escaped(&test.title),
            verdict(test),
            escaped(&seen(test)),
            escaped(&when(test, usual, time))
        );
    }
    page.push_str("</table>\n");
    page.push_str(END_OF_WIDE);
}

fn verdict(test: &Test) -> String {
    match (test.verdict, test.before) {
        (Standing::Lapsed, Some(before)) => format!("lapsed (was {})", before.words()),
        (verdict, _) => verdict.words().to_owned(),
    }
}

fn seen(test: &Test) -> String {
    let reading = |r: &Reading| format!("{} {} {}", r.name, number(r.value, &r.unit), r.unit);
    let readings: Vec<String> = test.readings.iter().map(reading).collect();
    let readings = readings.join(", ");
    match (test.words.is_empty(), readings.is_empty()) {
        (false, false) => format!("{} ({readings})", test.words),
        (false, true) => test.words.clone(),
        (true, _) => readings,
    }
}

/// As many digits as mean something: whole watts and percent, tenths of what is small.
pub(super) fn number(value: f64, unit: &str) -> String {
    let digits = match (unit, value.abs()) {
        ("W" | "VA" | "var", _) => 0,
        // As the register shows it.
        ("kWh", _) => 2,
        ("V", _) => 1,
        (_, 100.0..) | ("%" | "s", 10.0..) => 0,
        ("%" | "s", _) => 1,
        _ => 2,
    };
    let text = format!("{value:.digits$}");
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => &text,
    };
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn when(test: &Test, usual: Option<&str>, time: &Times) -> String {
    // A date and its time stay on one line; who it was may stand below.
    let at = test.at.map_or("-".to_owned(), |at| time.short(at).replace(' ', "\u{a0}"));
    match test.by.as_deref().filter(|by| Some(*by) != usual) {
        Some(by) => format!("{at}, {by}"),
        None => at,
    }
}

pub(super) fn loads(page: &mut String, record: &Record) {
    if record.loads.is_empty() {
        return;
    }
    heading(page, "Controlled loads, and what each does when nobody commands it");
    let mut rows = vec![row(["load", "rating", "fallback", "declared after", "timed", "local switch"])];
    rows.extend(record.loads.iter().map(load));
    table(page, "Controlled loads", &rows);
}

fn load(load: &LoadHeld) -> Vec<String> {
    row([
        &load.name,
        &load.rating,
        &load.fallback,
        &load.declared_s.map_or("no time-out".to_owned(), |s| format!("{s:.0} s")),
        &timed(load),
        or_dash(load.local_switch.as_deref()),
    ])
}

/// How long it took, the last time for each way in which its commander went.
fn timed(load: &LoadHeld) -> String {
    let later = |i: usize, trial: &Trial| load.trials.iter().skip(i + 1).any(|t| t.way == trial.way);
    let last = load.trials.iter().enumerate().filter(|(i, t)| !later(*i, t));
    let told: Vec<String> = last.map(|(_, t)| format!("{}: {} s", t.way, number(t.seconds, "s"))).collect();
    match load.timed_s {
        _ if !told.is_empty() => told.join("; "),
        Some(worst) => format!("{worst:.0} s"),
        None => "not timed".to_owned(),
    }
}

pub(super) fn rules(page: &mut String, context: &Context) {
    heading(page, "The rules, highest rank first");
    let told: Vec<String> = context
        .rules
        .iter()
        .map(|rule| {
            let words = if rule.words.is_empty() { "has no words of its own." } else { &rule.words };
            format!("{}: {words}", rule.file)
        })
        .collect();
    if told.is_empty() {
        paragraph(page, "There are none: nothing is driven.");
    } else {
        list(page, "", told.iter().map(String::as_str));
    }
}

pub(super) fn manual(page: &mut String, record: &Record, context: &Context) {
    page.push_str("<div class=\"two\">\n<div>\n");
    heading(page, "To put everything to manual");
    page.push_str("<ol>\n");
    let steps = [
        "Work each load at its own switch (see above); that always comes before anything else.".to_owned(),
        format!(
            "For one load, with Overspill running: publish off to {}/load/NAME/override; auto gives it back.",
            context.prefix
        ),
        "For all: stop Overspill (sudo systemctl stop overspill, or end the program). Each load then goes to its \
         fallback."
            .to_owned(),
        "For good: sudo systemctl disable --now overspill, and set each device to its own programme.".to_owned(),
    ];
    steps.iter().for_each(|step| {
        let _ = writeln!(page, "<li>{}</li>", escaped(step));
    });
    page.push_str("</ol>\n</div>\n<div>\n");
    heading(page, "Whom to call");
    let contacts: Vec<String> =
        record.contacts.iter().map(|c| format!("{}: {}, {}", c.role, c.name, c.telephone)).collect();
    list_or(page, &contacts);
    let corrections: Vec<String> =
        record.corrections.iter().map(|c| format!("{} (by {}; before: {})", c.what, c.by, c.kept)).collect();
    if !corrections.is_empty() {
        heading(page, "Changes of the home file");
        list(page, "", corrections.iter().map(String::as_str));
    }
    page.push_str("</div>\n</div>\n");
}

pub(super) fn cautions(page: &mut String, record: &Record, time: &Times) {
    heading(page, "Cautions");
    page.push_str("<div class=\"small\">\n");
    let solar = record.sources.len() > 1;
    let more = [Some(caution(What::TestLoad(None))), solar.then(|| caution(What::SolarOff))];
    list(page, "", BEFORE_ALL.into_iter().chain(more.into_iter().flatten()));
    for (what, done) in acknowledged(record) {
        paragraph(page, &format!("Acknowledged: {what}; {}, {}.", done.name, time.full(done.at)));
    }
    page.push_str("</div>\n");
}

/// What was acknowledged. The cautions before all stand first in the list above: read all at once, they are one entry.
fn acknowledged(record: &Record) -> Vec<(String, &Acknowledged)> {
    let stands_above = |done: &Acknowledged| BEFORE_ALL.contains(&done.what.as_str());
    let mut told: Vec<(String, &Acknowledged)> = Vec::new();
    for done in &record.acknowledged {
        let at_once = |other: &&Acknowledged| (&other.name, other.at) == (&done.name, done.at);
        let together = record.acknowledged.iter().filter(at_once).filter(|d| stands_above(d)).count();
        if !stands_above(done) || together < BEFORE_ALL.len() {
            told.push((done.what.clone(), done));
        } else if done.what == BEFORE_ALL[0] {
            told.push((format!("the first {together} of these"), done));
        }
    }
    told
}

pub(super) fn signatures(page: &mut String) {
    page.push_str(
        "<div class=\"sign\"><div>Installer, date</div><div>Householder: shown how to put everything to manual, \
         date</div></div>\n",
    );
}
