//! Checks of one measuring point by itself.

use overspill_rules::home::{Measures, Side};
use overspill_rules::limits::STALE_INTERVALS;

use crate::config::block::Block;
use crate::config::diagnostic::Diagnostics;

/// `stale_after` must allow two missed readings and a late third; a gap is no shorter than that.
pub(crate) fn ages(block: &Block, found: &mut Diagnostics) {
    let (Some(stale), Some(lag)) = (block.duration("stale_after"), block.duration("lag")) else { return };
    if let Some(interval) = block.duration("interval")
        && block.is_written("stale_after")
    {
        let least = interval.times(STALE_INTERVALS) + lag;
        if stale < least {
            found
                .error("stale-too-soon", block.place("stale_after"), format!("`stale_after` is too short: at least {least}"))
                .label(format!("this is {stale}"))
                .also(block.place("interval"), "a reading comes this often")
                .note("2.5 times the interval plus the lag allows for two missed readings and a late third; anything shorter sends loads to their fallback for nothing");
        }
    }
    if lag >= stale && block.is_written("lag") {
        found
            .error("stale-too-soon", block.place("lag"), "every reading would be stale when it arrives")
            .label(format!("already {lag} old on arrival"))
            .help(format!("readings count as unknown after {stale}: write a longer `stale_after`"));
    }
    if let Some(gap) = block.duration("gap_after")
        && gap < stale
    {
        found
            .error(
                "gap-too-soon",
                block.place("gap_after"),
                format!("`gap_after` is shorter than `stale_after`, {stale}"),
            )
            .label("a gap before the reading is stale")
            .help("a reading that still counts can't be in a gap: write at least as much, or leave it out");
    }
}

/// Zero is always plausible, and so is generation where there is some.
pub(crate) fn plausible(block: &Block, measures: Option<Measures>, found: &mut Diagnostics) {
    let (Some((low, high)), Some(measures)) = (block.range("plausible"), measures) else { return };
    if low > 0.0 || high < 0.0 {
        found
            .warning("implausible-zero", block.place("plausible"), "0 W would be refused as implausible")
            .label("0 is not in this range")
            .help("the range is in watts, after scale and sign; power into the house is positive");
    } else if measures == Measures::Solar && high == 0.0 {
        found
            .error(
                "implausible-solar",
                block.place("plausible"),
                "all generation would be refused as implausible",
            )
            .label("generation is positive")
            .help("the range is in watts, after scale and sign");
    } else if measures == Measures::Grid(Side::Both) && low == 0.0 {
        found
            .warning(
                "implausible-export",
                block.place("plausible"),
                "all export would be refused as implausible",
            )
            .label("export is negative")
            .help("write a negative lower number, such as -10000, unless the home never exports");
    }
}

/// A sign is turned by `positive`, where a reader looks for it.
pub(crate) fn scale(block: &Block, measures: Option<Measures>, found: &mut Diagnostics) {
    let turnable = matches!(measures, Some(Measures::Grid(Side::Both) | Measures::Solar | Measures::Battery));
    if turnable && block.number("scale").is_some_and(|s| s < 0.0) {
        found
            .error("sign-twice", block.place("scale"), "a negative `scale` hides which way the device counts")
            .label("turns the sign")
            .help("write a positive scale, and say with `positive` what a positive number means");
    }
}

/// Panels have a size; nothing else that is measured has.
pub(crate) fn peak(block: &Block, measures: Option<Measures>, found: &mut Diagnostics) {
    let Some(measures) = measures.filter(|_| block.knows("peak_w") && block.is_written("peak_w")) else {
        return;
    };
    if measures != Measures::Solar {
        found
            .error("unused-key", block.key_place("peak_w"), "`peak_w` is the size of solar panels")
            .label(format!("this point measures {measures}"))
            .help("leave it out, or write it with a point that measures solar");
    }
}

/// A power factor only matters where power is made of amps and volts.
pub(crate) fn amps(block: &Block, found: &mut Diagnostics) {
    let Some(unit) = block.text("unit") else { return };
    if unit != "A" && block.number("power_factor").is_some() {
        found
            .error("unused-key", block.key_place("power_factor"), "a fixed `power_factor` is for amps")
            .label(format!("the unit is {unit}"))
            .help("leave it out: this point already tells power");
    }
    if unit == "A" && block.is_written("amps") {
        found
            .error("unused-key", block.key_place("amps"), "`amps` is what this point measures already")
            .label("the unit is A")
            .help("leave it out");
    }
}
