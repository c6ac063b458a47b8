//! What a point's readings say by themselves: signs, darkness, sizes.

use super::sizes::Sizes;
use super::sources::{Source, Sources};
use super::views::View;

/// What one point read.
#[derive(Debug, Clone, Default)]
pub(super) struct Levels {
    pub(super) all: Sizes,
    pub(super) dark: Sizes,
}

/// What is known of the home beside its readings.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bounds {
    /// More than this can't flow through the supply, in watts.
    pub(super) supply_w: f64,
    /// Slots in a day.
    pub(super) slots_in_day: u64,
}

/// What clamps read on an idle circuit, and inverters draw at night, in watts; as in the report's dark hours.
const FAINT_W: f64 = 20.0;

/// The same as a share of what the point reads at most.
const FAINT_SHARE: f64 = 0.01;

/// The wrong sign for more of the time than this is no stray reading.
const STRAY: f64 = 0.01;

/// Slots needed before a share means something.
const LEAST_SLOTS: u64 = 60;

/// A house in use takes more than [`FAINT_W`] for at least this share of the dark.
const IN_USE: f64 = 0.1;

/// Nothing is said of a house without two days; with two it takes more than [`FAINT_W`] at times.
const DAYS_IN_USE: u64 = 2;

/// How far beyond the supply's rating a whole slot may lie: a fuse carries 1.45 times its rating for an hour (IEC 60269-1).
const OVER_RATING: f64 = 1.6;

/// Whether the readings can be those of `view`.
pub(super) fn allows(view: &View, levels: &Levels, sources: &Sources, bounds: &Bounds) -> bool {
    let greatest = levels.all.greatest();
    let gain = view.reads.iter().map(|r| r.size()).fold(0.0, f64::max);
    let least_gain = view.reads.iter().map(|r| r.least()).fold(0.0, f64::max);
    if view.is_nothing() {
        return greatest <= 1.5 * FAINT_W;
    }
    let faint = (FAINT_W * gain).max(FAINT_SHARE * greatest);
    let enough = |sizes: &Sizes| sizes.count() >= LEAST_SLOTS;
    if enough(&levels.all) && !signs(view, sources, false).allow(levels.all.beyond(faint), view.unsigned) {
        return false;
    }
    if enough(&levels.dark) && !signs(view, sources, true).allow(levels.dark.beyond(faint), view.unsigned) {
        return false;
    }
    let uses = |s: &Source| matches!(s, Source::Rest(_));
    let sees_house = view.reads.iter().zip(&sources.all).any(|(r, s)| uses(s) && r.least() > 0.0);
    let masked = sources.all.iter().any(|s| matches!(s, Source::Cell(_) | Source::Unmeasured));
    if sees_house && !masked && levels.dark.count() >= bounds.slots_in_day / 2 {
        let (above, below) = levels.dark.beyond(FAINT_W * gain);
        if above + below < IN_USE {
            return false;
        }
    }
    if sees_house
        && levels.all.count() >= DAYS_IN_USE * bounds.slots_in_day
        && greatest < FAINT_W * least_gain
    {
        return false;
    }
    !enough(&levels.all) || greatest <= OVER_RATING * bounds.supply_w * gain
}

/// Which signs a point may read.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Signs {
    positive: bool,
    negative: bool,
}

fn signs(view: &View, sources: &Sources, dark: bool) -> Signs {
    let mut signs = Signs::default();
    for (reads, source) in view.reads.iter().zip(&sources.all) {
        if reads.size() == 0.0 || (dark && matches!(source, Source::Roof(_))) {
            continue;
        }
        let any = matches!(source, Source::Cell(_) | Source::Unmeasured);
        signs.positive |= any || reads.high > 0.0;
        signs.negative |= any || reads.low < 0.0;
    }
    signs
}

impl Signs {
    fn allow(self, (above, below): (f64, f64), unsigned: bool) -> bool {
        let positive = self.positive || (unsigned && self.negative);
        let negative = self.negative && !unsigned;
        (positive || above <= STRAY) && (negative || below <= STRAY)
    }
}
