//! A home file drafted from what was heard. What nobody can hear is marked, and `check` points at each mark.

use std::collections::BTreeMap;

use super::guess::{Kind, Role, kind, phase, role, side};
use super::heard::{Heard, Place};
use super::text::{clean, number, seconds};
use super::volts::Mains;
use overspill_rules::commission::Seen;

/// Stands where a person must write.
pub(super) const GAP: &str = "FILL IN";

/// A stream that may be a point.
struct Candidate<'a> {
    place: &'a Place,
    seen: Seen,
    kind: Kind,
    role: Option<Role>,
    phase: Option<u8>,
}

/// The draft. `url` is the broker's address.
pub fn draft(heard: &Heard, url: &str) -> String {
    let mut all: Vec<Candidate<'_>> = heard
        .streams()
        .map(|(place, seen)| Candidate {
            place,
            seen,
            kind: kind(place, seen),
            role: role(place),
            phase: phase(place),
        })
        .filter(|c| c.kind.unit().is_some() && !c.place.topic.chars().any(char::is_control))
        .collect();
    // Power tells more than current, and current more than a register; the quicker of two first.
    let rank = |c: &Candidate<'_>| match c.kind {
        Kind::Watts | Kind::Kilowatts => 0,
        Kind::Amps => 2,
        _ => 1,
    };
    all.sort_by(|a, b| rank(a).cmp(&rank(b)).then(every(a).total_cmp(&every(b))));
    let by_phase = (1..=3).all(|p| all.iter().any(|c| c.role == Some(Role::Grid) && c.phase == Some(p)));
    let mut taken: BTreeMap<String, &Candidate<'_>> = BTreeMap::new();
    let mut rest = Vec::new();
    for candidate in &all {
        match name(candidate, by_phase) {
            Some(name) if !taken.contains_key(&name) => {
                taken.insert(name, candidate);
            }
            _ => rest.push(candidate),
        }
    }
    let mut out = head(heard, url, by_phase);
    let mains = Mains::of(heard);
    for (name, candidate) in &taken {
        out.push_str(&format!("\n{}", point(name, candidate, by_phase)));
        let volts = mains.line(candidate.place, candidate.role, candidate.phase);
        volts.into_iter().for_each(|line| out.push_str(&format!("{line}\n")));
    }
    if !rest.is_empty() {
        out.push_str("\n# These look like power, current or energy too. Take away the `# ` before those that are wanted.\n");
        for (n, candidate) in rest.iter().enumerate() {
            let block = point(&format!("other-{}", n + 1), candidate, false);
            out.push('\n');
            block.lines().for_each(|line| out.push_str(&format!("# {line}\n")));
        }
    }
    out
}

fn every(candidate: &Candidate<'_>) -> f64 {
    candidate.seen.every_s.unwrap_or(f64::MAX)
}

/// The name of a point whose role is known.
fn name(candidate: &Candidate<'_>, by_phase: bool) -> Option<String> {
    let role = candidate.role?;
    if register_side(candidate).is_some() {
        return None;
    }
    match (role, candidate.phase, by_phase) {
        (Role::Grid, Some(phase), true) => Some(format!("grid-{phase}")),
        (Role::Grid, None, true) => None,
        _ => Some(role.word().to_owned()),
    }
}

/// Which side a register of the grid counts: one register never counts both.
fn register_side(candidate: &Candidate<'_>) -> Option<&'static str> {
    let register = matches!(candidate.kind, Kind::WattHours | Kind::KilowattHours);
    side(candidate.place).filter(|_| register && candidate.role == Some(Role::Grid))
}

fn head(heard: &Heard, url: &str, by_phase: bool) -> String {
    let phases = if by_phase { "phases = 3                   # by the names of the topics\n" } else { "" };
    format!(
        "# A draft, from {:.0} s of listening. What each topic measures is guessed from its name and its numbers: prove it with\n\
         # `overspill commission`. Write a value where {GAP} stands; `overspill check` tells which are left.\n\
         \n\
         [home]\n\
         id = \"{GAP}\"               # short, small letters, such as \"wren\"\n\
         timezone = \"{GAP}\"         # such as \"Europe/London\"\n\
         \n\
         [supply]\n\
         {phases}rating_a = \"{GAP}\"         # amps of the main fuse, as a number without quotes\n\
         \n\
         [mqtt]\n\
         url = {}\n",
        heard.seconds(),
        quoted(url)
    )
}

fn point(name: &str, candidate: &Candidate<'_>, by_phase: bool) -> String {
    let seen = candidate.seen;
    let role = candidate.role;
    let mut lines = vec![format!("[point.{name}]")];
    let range = format!("{} to {}", number(seen.low), number(seen.high));
    let often = seen.every_s.map_or("once".to_owned(), |every| format!("every {}", seconds(every)));
    lines.push(format!("# heard {often}, {range}"));
    let counts = register_side(candidate);
    lines.push(match counts.or(role.map(Role::word)) {
        Some(word) => format!("measures = \"{word}\""),
        None => format!("measures = \"{GAP}\"         # grid, solar, house, battery or load.NAME"),
    });
    lines.push(format!("topic = {}", quoted(&candidate.place.topic)));
    if !candidate.place.pointer.is_empty() {
        lines.push(format!("pointer = {}", quoted(&candidate.place.pointer)));
    }
    let unit = candidate.kind.unit().unwrap_or("W");
    lines.push(format!(
        "unit = \"{unit}\"{}",
        if unit == "kW" { "                  # by its small numbers" } else { "" }
    ));
    if counts.is_none() && role == Some(Role::Grid) {
        lines.push(format!(
            "positive = \"{GAP}\"         # import or export: what does a positive number mean?"
        ));
    } else if role == Some(Role::Battery) {
        lines.push(format!(
            "positive = \"{GAP}\"         # charge or discharge: what does a positive number mean?"
        ));
    }
    if let (true, Some(Role::Grid), Some(phase)) = (by_phase, role, candidate.phase) {
        lines.push(format!("phase = {phase}"));
    }
    lines.extend(seen.every_s.map(|every| format!("interval = \"{}\"", interval(every))));
    lines.join("\n") + "\n"
}

/// Whole seconds, and not less than the home file takes.
fn interval(every_s: f64) -> String {
    format!("{:.0}s", every_s.ceil().clamp(1.0, 3600.0))
}

/// A text as TOML writes it.
pub(super) fn quoted(text: &str) -> String {
    toml_edit::Value::from(clean(text)).to_string().trim().to_owned()
}
