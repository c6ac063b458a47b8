//! What the points can tell together: the grid, the house, spare power.

use overspill_rules::home::{Measures, Point, Side, Unit};

use crate::config::block::Place;
use crate::config::build::{Draft, Item};
use crate::config::diagnostic::Diagnostics;

pub(super) fn check(draft: &Draft<'_>, found: &mut Diagnostics) {
    directions(draft, found);
    meters(draft, found);
    // A point that could not be read may be the very one that is missed here.
    if draft.points.iter().any(|p| p.made.is_none()) {
        return;
    }
    same_role(draft, found);
    grid(draft, found);
    battery(draft, found);
}

/// The points that measure `what`.
fn measuring<'d, 'b>(draft: &'d Draft<'b>, what: Measures) -> Vec<&'d Item<'b, Point>> {
    draft.points.iter().filter(|p| p.made.as_ref().is_some_and(|p| p.measures == what)).collect()
}

fn has(draft: &Draft<'_>, what: Measures) -> bool {
    !measuring(draft, what).is_empty()
}

/// Where the file says that power may flow out of the home.
fn generation(draft: &Draft<'_>) -> Option<Place> {
    let sources = [Measures::Solar, Measures::Battery, Measures::Grid(Side::Export)];
    let point =
        sources.iter().find_map(|what| measuring(draft, *what).first().map(|p| p.block.place("measures")));
    point.or_else(|| draft.root.block("battery").map(|b| b.header.clone()))
}

/// Amps times volts and unsigned pulses have no direction.
fn directions(draft: &Draft<'_>, found: &mut Diagnostics) {
    let Some(generation) = generation(draft) else { return };
    for item in &draft.points {
        let Some(point) = &item.made else { continue };
        let Measures::Grid(side) = point.measures else { continue };
        let block = item.block;
        match (point.unit, side) {
            (Unit::A, _) => {
                found
                    .error("no-direction", block.place("unit"), "amps don't tell import from export")
                    .label("a current has no direction")
                    .also(generation, "and this home generates")
                    .help(
                        "measure the grid with a device that sends signed power, or import and export apart",
                    );
                return;
            }
            (Unit::Pulses { .. } | Unit::PulseCount { .. }, Side::Both) => {
                found
                    .error("no-direction", block.place("unit"), "pulses don't tell import from export")
                    .label("a pulse has no direction")
                    .also(generation, "and this home generates")
                    .help("where the meter has an output that counts import only, write measures = \"grid.import\"; else measure signed power");
                return;
            }
            (Unit::Pulses { .. } | Unit::PulseCount { .. }, Side::Import) => {
                found
                    .warning("pulse-direction", block.place("unit"), "do these pulses really count import only?")
                    .label("many meters blink both ways")
                    .note("the lamp of most meters blinks for export too; then export would read as import, and every figure made of it would be wrong");
            }
            (Unit::Wh | Unit::Kwh, Side::Both) => {
                found
                    .warning("register-direction", block.place("unit"), "does this register run backwards on export?")
                    .label("one register for both directions")
                    .help("where the meter has a register for each, write one point with \"grid.import\" and one with \"grid.export\"");
            }
            _ => {}
        }
    }
}

/// A load has one meter.
fn meters(draft: &Draft<'_>, found: &mut Diagnostics) {
    let mut seen: Vec<(Measures, Place)> = Vec::new();
    for item in &draft.points {
        let Some(point) = &item.made else { continue };
        if !matches!(point.measures, Measures::Load(_)) {
            continue;
        }
        match seen.iter().find(|(m, _)| *m == point.measures) {
            Some((_, first)) => {
                found
                    .error("two-meters", item.place.clone(), "a load has one meter")
                    .label("the second")
                    .also(first.clone(), "the first")
                    .help("keep the one that measures the whole load");
            }
            None => seen.push((point.measures, item.place.clone())),
        }
    }
}

/// Two arrays add up; two grids are most likely one that was described twice.
fn same_role(draft: &Draft<'_>, found: &mut Diagnostics) {
    let both = measuring(draft, Measures::Grid(Side::Both));
    for side in [Side::Import, Side::Export] {
        if let (Some(whole), Some(part)) = (both.first(), measuring(draft, Measures::Grid(side)).first()) {
            found
                .error("grid-twice", part.block.place("measures"), "the grid is measured in two ways")
                .label("one side of it")
                .also(whole.block.place("measures"), "both sides by sign")
                .help("keep the signed point; a register beside it is written there: import_kwh = { pointer = \"..\" }");
            return;
        }
    }
    for side in [Side::Both, Side::Import, Side::Export] {
        let points = measuring(draft, Measures::Grid(side));
        for (n, item) in points.iter().enumerate() {
            let phase = item.made.as_ref().and_then(|p| p.phase);
            let first = points.iter().take(n).find(|p| p.made.as_ref().and_then(|p| p.phase) == phase);
            if let Some(first) = first {
                found
                    .warning(
                        "grid-twice",
                        item.block.place("measures"),
                        "two points measure the same side of the grid",
                    )
                    .label("added to the other")
                    .also(first.block.place("measures"), "the other")
                    .help("that is right where the home has two supplies; else leave one out");
            }
        }
    }
}

/// Two of grid, solar and house give the third; without the grid no load can run.
fn grid(draft: &Draft<'_>, found: &mut Diagnostics) {
    let sided = |side| has(draft, Measures::Grid(side));
    let derived = has(draft, Measures::Solar) && has(draft, Measures::House);
    if sided(Side::Both) || (sided(Side::Import) && sided(Side::Export)) || derived {
        return;
    }
    let points = draft.root.named("point");
    let place = points.first().map_or(0..0, |(id, _)| id.place.clone());
    let loads = draft.root.named("load");
    if sided(Side::Import) {
        let import = measuring(draft, Measures::Grid(Side::Import));
        let place = import.first().map_or(place, |p| p.block.place("measures"));
        found
            .warning("no-spare", place, "spare power can't be told from import alone")
            .label("0 means \"not importing\", no more")
            .note("loads run only when a rule asks for them by the clock or by other readings; taking spare power waits for ever")
            .help("measure the grid with its sign, or add a point that measures \"grid.export\"; or solar and house together");
        return;
    }
    let help = "measure \"grid\", or \"solar\" and \"house\" together: any two of the three give the third";
    match loads.first() {
        Some((load, _)) => {
            found
                .error("no-grid", place, "nothing tells what the grid gives or takes")
                .label("no point measures it")
                .also(load.place.clone(), "and every load depends on it")
                .help(help);
        }
        None => {
            found
                .warning("no-grid", place, "nothing tells what the grid gives or takes")
                .label("no point measures it")
                .note("import, export and what the house uses stay unknown")
                .help(help);
        }
    }
}

/// A battery that can't be seen may be emptied into a load.
fn battery(draft: &Draft<'_>, found: &mut Diagnostics) {
    let Some(block) = draft.root.block("battery") else { return };
    if has(draft, Measures::Battery) {
        return;
    }
    found
        .warning(
            "no-spare",
            block.header.clone(),
            "with a battery that is not measured there is no spare power",
        )
        .label("no point measures it")
        .note("what looks spare may be the battery emptying itself into a load")
        .help("add a point that measures \"battery\"");
}
