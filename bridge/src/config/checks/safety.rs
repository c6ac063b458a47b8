//! Loads that should not start by themselves, and loads that nobody sees.

use overspill_rules::home::{CountedBy, Kind, Load, LoadId, Measures};

use crate::config::build::{Draft, Item};
use crate::config::diagnostic::Diagnostics;

/// Words in a name that suggest a load which must not start with nobody there.
const UNSUITABLE: [(&[&str], &str); 3] = [
    (
        &[
            "fan heater",
            "portable heater",
            "space heater",
            "oil radiator",
            "electric fire",
            "halogen heater",
            "heat gun",
            "blanket",
        ],
        "a portable heater may stand by a curtain",
    ),
    (
        &[
            "hob",
            "oven",
            "cooker",
            "kettle",
            "toaster",
            "grill",
            "fryer",
            "stove",
            "microwave",
            "iron",
            "hair",
        ],
        "what cooks or glows needs somebody there",
    ),
    (
        &[
            "saw",
            "lathe",
            "drill",
            "garage door",
            "gate",
            "shutter",
            "mower",
            "mixer",
            "press",
            "treadmill",
            "lift",
        ],
        "moving machinery may hurt somebody",
    ),
];

/// Words in a name of what may well be switched unattended.
const FIXED: [&str; 12] = [
    "water",
    "tank",
    "immersion",
    "cylinder",
    "boiler",
    "pool",
    "floor",
    "storage",
    "pump",
    "battery",
    "car",
    "heat pump",
];

/// Ratings of what portable heaters and kitchen appliances draw from a socket, in watts (common practice).
const SOCKET_HEATER_W: std::ops::RangeInclusive<f64> = 1500.0..=3100.0;

pub(super) fn check(draft: &Draft<'_>, found: &mut Diagnostics) {
    for (at, item) in draft.loads.iter().enumerate() {
        suitable(item, found);
        if let Some(load) = &item.made {
            counted(draft, LoadId(at as u16), load, item, found);
        }
    }
}

/// By name for every kind; by rating for switches of which neither name nor temperature says more.
fn suitable(item: &Item<'_, Load>, found: &mut Diagnostics) {
    let (id, name) = (&item.id, item.block.text("name").unwrap_or_default());
    let named = unsuitable(id, name);
    let place = if item.block.is_written("name") { item.block.place("name") } else { item.place.clone() };
    if let Some((word, why)) = named {
        found
            .warning("unsuitable", place, format!("a load called \"{word}\" should not start by itself"))
            .label(why)
            .help("leave it out, unless the name misleads: rules start loads at any hour, with nobody there");
        return;
    }
    let Some(Load { kind: Kind::Switch { rating_w }, too_hot: None, .. }) = &item.made else { return };
    if SOCKET_HEATER_W.contains(rating_w) && !FIXED.iter().any(|w| has_words(id, name, w)) {
        found
            .warning("unsuitable", item.block.place("rating_w"), "the rating suggests a heater on a socket")
            .label(format!("{rating_w} W, switched"))
            .note("portable heaters, cooking and moving machinery are not suitable: rules start loads at any hour, with nobody there")
            .help("where it is fixed and has its own thermostat, say so by its name, or name its temperature with `too_hot`");
    }
}

/// The word in the id or name of a load which suggests that it must not start with nobody there, and why.
pub(crate) fn unsuitable(id: &str, name: &str) -> Option<(&'static str, &'static str)> {
    let word = |list: &[&'static str]| list.iter().copied().find(|w| has_words(id, name, w));
    UNSUITABLE.iter().find_map(|(list, why)| Some((word(list)?, *why)))
}

/// Whether the id or name of a load has `word` as whole words, or as the plural.
pub(crate) fn has_words(id: &str, name: &str, word: &str) -> bool {
    let words = format!(" {id} {} ", name.to_lowercase()).replace(['-', '_'], " ");
    words.contains(&format!(" {word} ")) || words.contains(&format!(" {word}s "))
}

/// A load that no clamp sees needs its own meter.
fn counted(draft: &Draft<'_>, id: LoadId, load: &Load, item: &Item<'_, Load>, found: &mut Diagnostics) {
    let metered =
        draft.points.iter().any(|p| p.made.as_ref().is_some_and(|p| p.measures == Measures::Load(id)));
    match load.counted_by {
        CountedBy::Nothing if !metered && draft.points.iter().all(|p| p.made.is_some()) => {
            found
                .warning("unseen-load", item.block.place("counted_by"), "this load may not take spare power")
                .label("no clamp counts it, and it has no meter")
                .note("what it takes would never show, so it would be given the same spare power again and again")
                .help("give it a meter: a point that measures it, or feedback = { draw = { topic = \"..\" } }; requests by the clock work without");
        }
        CountedBy::Point(point) => {
            let Some(point) = draft.points.get(usize::from(point.0)) else { return };
            let Some(made) = &point.made else { return };
            if !matches!(made.measures, Measures::Grid(_) | Measures::House) {
                found
                    .error(
                        "counted-by-unfit",
                        item.block.place("counted_by"),
                        format!("`{}` can't count what a load draws", point.id),
                    )
                    .label("names a point of the grid or the house")
                    .also(point.block.place("measures"), "measures this");
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn suspected(name: &str) -> bool {
        unsuitable("", name).is_some()
    }

    #[test]
    fn names_are_matched_by_whole_words() {
        for name in ["fan heater", "hob", "ovens", "kettle", "band saw", "garage door", "iron"] {
            assert!(suspected(name), "{name}");
        }
        for name in ["pool pump", "immersion heater", "environment", "hobby room", "sawmill office", "car"] {
            assert!(!suspected(name), "{name}");
        }
    }
}
