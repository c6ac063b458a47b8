//! The report for people.

use overspill_rules::commission::Suspect;
use overspill_rules::commission::passive::{Finding, Held, PassiveReport, supposed};
use overspill_rules::home::{Home, PointId};
use overspill_rules::time::WallTime;

use super::verdict;
use crate::words::wrapped;

/// Explanations that are listed; more are counted.
const LISTED: usize = 6;

/// The report in lines of at most `columns`.
pub fn text(home: &Home, report: &PassiveReport, columns: usize) -> String {
    let mut out = String::new();
    let mut say = |indent: &str, text: &str| match text {
        "" => out.push('\n'),
        text if text.starts_with("- ") => out.push_str(&hanging(text, indent, columns)),
        text => out.push_str(&wrapped(text, indent, columns)),
    };
    let Some((from, to)) = report.span else {
        say("", "No readings of any point in this time: nothing can be judged.");
        return out;
    };
    say("", &format!("{}: the points by their readings alone", home.name));
    say("", &format!("{} to {}, nothing switched on purpose", when(home, from), when(home, to)));
    say("", verdict_words(report));
    for finding in &report.findings {
        say("", "");
        for (indent, line) in of_point(home, finding) {
            say(indent, &line);
        }
    }
    if !report.explanations.is_empty() {
        say("", "");
        say("", "What explains it, the simplest:");
        for all in report.explanations.iter().take(LISTED) {
            say("  ", &format!("- {}.", together(home, all)));
            mends(all).iter().for_each(|mend| say("    ", mend));
        }
        let more = report.explanations.len().saturating_sub(LISTED);
        if more > 0 {
            say("  ", &format!("and {more} more."));
        }
    }
    say("", "");
    if report.below_zero.0 > overspill_rules::time::Span::ZERO {
        let (below, of) = report.below_zero;
        say("", &format!("By its meters the home used less than nothing for {below} of {of}."));
    }
    if report.dark.is_none() {
        say("", "Night and daylight were left out: the home file gives no coordinates.");
    }
    if !report.needs.is_empty() {
        say("", "To tell more:");
        report.needs.iter().for_each(|need| say("  ", &format!("- {}", need.words(home))));
    }
    say(
        "",
        "Recorded readings prove scales only against each other: hold one point against an instrument or the supply meter. \
         A small disturbance by a conductor beside a clamp is not judged from them: only switching tells it.",
    );
    out
}

/// An entry of a list, its further lines under the first word.
fn hanging(text: &str, indent: &str, columns: usize) -> String {
    let inner = format!("{indent}  ");
    let lines = wrapped(text.trim_start_matches("- "), &inner, columns);
    format!("{indent}- {}", lines.trim_start())
}

fn verdict_words(report: &PassiveReport) -> &'static str {
    match verdict(report) {
        "wrong" => "Wrong: good points could not have read this.",
        "good" => "Good: no single fault explains these readings.",
        _ if report.may_be_good => "Open: nothing speaks against good points, but not everything is proven.",
        _ => {
            "Open: good points could not have read this, and nothing that is known explains it. Look at the wiring, and at \
             `latitude` and `longitude` in the home file."
        }
    }
}

fn of_point(home: &Home, finding: &Finding) -> Vec<(&'static str, String)> {
    let point = home.point(finding.point);
    let mut lines = vec![("", format!("{}: {}", point.id, finding.held.word()))];
    if !finding.proven.is_empty() {
        let proven: Vec<String> = finding.proven.iter().map(|p| p.words(home)).collect();
        lines.push(("  ", format!("Proven: {}.", proven.join("; "))));
    }
    match &finding.held {
        Held::Good => {}
        Held::Wrong(open) => lines.push(("  ", format!("It {}.", either(open)))),
        Held::Open(open) if open.iter().all(Suspect::is_good) => {}
        Held::Open(open) => lines.push(("  ", format!("Not ruled out: it {}.", either(open)))),
    }
    lines
}

/// What still fits, but for good; the first few.
fn either(open: &[Suspect]) -> String {
    let faults: Vec<String> = open
        .iter()
        .filter(|s| !s.is_good())
        .map(|s| s.causes.iter().map(|c| c.what()).collect::<Vec<_>>().join(", and "))
        .collect();
    let more = faults.len().saturating_sub(LISTED);
    let listed = faults.iter().take(LISTED).map(String::as_str).collect::<Vec<_>>().join("; or ");
    if more > 0 { format!("{listed}; or {more} more") } else { listed }
}

fn together(home: &Home, all: &[(PointId, Suspect)]) -> String {
    all.iter().map(|(point, suspect)| supposed(home, *point, suspect)).collect::<Vec<_>>().join("; and ")
}

/// How it is mended, each said once.
fn mends(all: &[(PointId, Suspect)]) -> Vec<&'static str> {
    let mut mends: Vec<&'static str> = Vec::new();
    for cause in all.iter().flat_map(|(_, s)| s.causes.iter()) {
        if !mends.contains(&cause.mend()) {
            mends.push(cause.mend());
        }
    }
    mends
}

fn when(home: &Home, at: WallTime) -> String {
    at.in_zone(&home.timezone).map_or_else(|| at.to_rfc3339(), |z| z.strftime("%Y-%m-%d %H:%M").to_string())
}
