//! Circuits: which feeds which, and what their ratings leave to the loads.

use overspill_rules::home::{Circuit, Load};
use overspill_rules::limits::RATING_SHARE;

use crate::config::block::Place;
use crate::config::build::{Draft, Item};
use crate::config::diagnostic::Diagnostics;

pub(super) fn check(draft: &Draft<'_>, found: &mut Diagnostics) {
    circles(draft, found);
    for circuit in &draft.circuits {
        outer_rating(draft, circuit, found);
    }
    for load in &draft.loads {
        load_fits(draft, load, found);
    }
}

/// Each circle is told once, at its first member in the file.
fn circles(draft: &Draft<'_>, found: &mut Diagnostics) {
    for (at, item) in draft.circuits.iter().enumerate() {
        let chain = chain_from(draft, at);
        let returns = chain.iter().skip(1).any(|c| *c == at);
        if returns && chain.iter().all(|c| *c >= at) {
            let members: Vec<&str> =
                chain.iter().filter_map(|c| draft.circuits.get(*c)).map(|c| c.id.as_str()).collect();
            found
                .error("circle", item.block.place("within"), "a circuit can't feed itself")
                .label(format!(
                    "{} within {}",
                    members.first().copied().unwrap_or(""),
                    members.get(1..).unwrap_or(&[]).join(" within ")
                ))
                .help("the outermost circuit has no `within`: the supply feeds it");
        }
    }
}

/// The circuit `at` and those around it, inside out; ends at the supply or where it comes back to one it passed.
fn chain_from(draft: &Draft<'_>, at: usize) -> Vec<usize> {
    let mut chain = vec![at];
    let mut next = within(draft, at);
    while let Some(outer) = next {
        let seen = chain.contains(&outer);
        chain.push(outer);
        next = if seen { None } else { within(draft, outer) };
    }
    chain
}

fn within(draft: &Draft<'_>, at: usize) -> Option<usize> {
    let circuit = draft.circuits.get(at)?.made.as_ref()?;
    circuit.within.map(|c| usize::from(c.0))
}

fn outer_rating(draft: &Draft<'_>, item: &Item<'_, Circuit>, found: &mut Diagnostics) {
    let (Some(circuit), Some(supply)) = (&item.made, draft.supply) else { return };
    let outer = circuit.within.and_then(|c| draft.circuits.get(usize::from(c.0)));
    let (rating_a, place, name) = match outer {
        Some(outer) => match &outer.made {
            Some(made) => (made.rating_a, outer.block.place("rating_a"), format!("circuit `{}`", outer.id)),
            None => return,
        },
        None => (supply.rating_a, supply_rating(draft), "the supply".to_owned()),
    };
    if circuit.rating_a > rating_a {
        found
            .warning(
                "rating-above",
                item.block.place("rating_a"),
                format!("the circuit is rated above what feeds it, {name}"),
            )
            .label("more than it can be given")
            .also(place, format!("{rating_a} A"));
    }
}

fn supply_rating(draft: &Draft<'_>) -> Place {
    draft.root.block("supply").map_or(0..0, |s| s.place("rating_a"))
}

/// The lowest rating on the way to a load, with its place.
fn lowest_rating(draft: &Draft<'_>, load: &Load) -> Option<(f64, Place)> {
    let supply = (draft.supply?.rating_a, supply_rating(draft));
    let start = load.circuit.map(|c| usize::from(c.0));
    let chain = start.map_or(Vec::new(), |at| chain_from(draft, at));
    let circuits = chain.iter().filter_map(|c| draft.circuits.get(*c));
    let ratings = circuits.filter_map(|c| Some((c.made.as_ref()?.rating_a, c.block.place("rating_a"))));
    ratings.chain([supply]).min_by(|a, b| a.0.total_cmp(&b.0))
}

fn load_fits(draft: &Draft<'_>, item: &Item<'_, Load>, found: &mut Diagnostics) {
    let (Some(load), Some(supply)) = (&item.made, draft.supply) else { return };
    let Some((rating_a, place)) = lowest_rating(draft, load) else { return };
    let kept_a = rating_a * RATING_SHARE;
    let amps = |watts: f64| watts / load.watts_per_amp(supply.volts);
    let (floor_a, ceiling_a) = (amps(load.floor_w(supply.volts)), amps(load.ceiling_w(supply.volts)));
    let ceiling = ["ceiling_a", "ceiling_w", "rating_w"].into_iter().find(|k| item.block.is_written(k));
    let ceiling = ceiling.map_or(item.block.header.clone(), |k| item.block.place(k));
    if floor_a > kept_a {
        let floor = ["floor_a", "floor_w"].into_iter().find(|k| item.block.is_written(k));
        found
            .error(
                "never-runs",
                floor.map_or(ceiling, |k| item.block.place(k)),
                "the load can never run within its rating",
            )
            .label(format!("needs {} A per phase", tenths(floor_a)))
            .also(place, format!("leaves {} A", tenths(kept_a)))
            .note("ratings are kept to 90 %");
    } else if ceiling_a > kept_a {
        found
            .warning("ceiling-above-rating", ceiling, "the load will never be given its ceiling")
            .label(format!("{} A per phase", tenths(ceiling_a)))
            .also(place, format!("leaves {} A", tenths(kept_a)))
            .note("ratings are kept to 90 %. This program is no protection: the circuit's own breaker must suit the load");
    }
}

fn tenths(number: f64) -> f64 {
    (number * 10.0).round() / 10.0
}
