//! What a point would read of each source if a suspect were true.

use super::super::cause::Cause;
use super::super::site::{Clamp, Conductor, Flow, Site};
use super::super::suspect::Suspect;
use super::interval::Interval;
use super::sources::{Source, Sources};

/// What a good point may be off by, as a share: as in the steps that are switched on purpose.
const GOOD: Interval = Interval { low: 0.95, high: 1.05 };

/// What other phase's voltage makes of a roof's power (cos 120 degrees), and of whatever a house uses at power factors down
/// to 0.8 (computed: -0.9196/0.8 and +0.1196/0.8).
const WRONG_PHASE_ROOF: Interval = Interval { low: -0.5, high: -0.5 };
const WRONG_PHASE_USE: Interval = Interval { low: -1.15, high: 0.15 };

/// One point under one suspect.
#[derive(Debug, Clone)]
pub(super) struct View {
    /// Watts read for each watt of each source.
    pub(super) reads: Vec<Interval>,
    /// The same at a scale of exactly 1.
    nominal: Vec<Interval>,
    /// It tells no direction.
    pub(super) unsigned: bool,
    /// Its scale is still to be found.
    pub(super) scaled: bool,
    /// It reads the steps of its own conductor not at all or far too small, so that it can't vouch for stillness.
    pub(super) hides: bool,
}

/// Whether recorded readings can tell this cause.
fn is_judged(cause: Cause) -> bool {
    matches!(
        cause,
        Cause::Reversed
            | Cause::Swapped(_)
            | Cause::Encloses { .. }
            | Cause::Downstream
            | Cause::NoReading
            | Cause::Scale
            | Cause::KilowattsAsWatts
            | Cause::WattsAsKilowatts
            | Cause::WrongPhase
            | Cause::Unsigned
    )
}

impl View {
    /// `None` for a suspect that recorded readings can't tell.
    pub(super) fn of(site: &Site, sources: &Sources, clamp: &Clamp, suspect: &Suspect) -> Option<View> {
        if !suspect.causes.iter().all(|c| is_judged(*c)) {
            return None;
        }
        let has = |cause| suspect.causes.contains(&cause);
        let sign = if has(Cause::Reversed) { -1.0 } else { 1.0 };
        let unit = match (has(Cause::KilowattsAsWatts), has(Cause::WattsAsKilowatts)) {
            (true, _) => 0.001,
            (_, true) => 1000.0,
            _ => 1.0,
        };
        let factor = Interval::of(sign * unit, sign * unit);
        let phase = |source: Source| match (has(Cause::WrongPhase), source) {
            (false, _) => Interval::of(1.0, 1.0),
            (true, Source::Roof(_)) => WRONG_PHASE_ROOF,
            (true, _) => WRONG_PHASE_USE,
        };
        let enclosed = enclosed(site, sources, clamp, suspect);
        let each = enclosed.iter().zip(&sources.all);
        let read = |(share, source): (&f64, &Source)| {
            factor.times(phase(*source)).times(Interval::of(*share, *share))
        };
        let nominal: Vec<Interval> = each.map(read).collect();
        Some(View {
            reads: nominal.iter().map(|n| n.times(GOOD)).collect(),
            nominal,
            unsigned: has(Cause::Unsigned),
            scaled: has(Cause::Scale),
            hides: suspect.causes.iter().any(|c| !matches!(c, Cause::Reversed | Cause::Scale)),
        })
    }

    /// The same with its scale in this range.
    pub(super) fn at_scale(&self, scale: Interval) -> View {
        let reads = self.nominal.iter().map(|r| r.times(scale)).collect();
        View { reads, scaled: false, ..self.clone() }
    }

    /// Whether both would read the same.
    pub(super) fn is_like(&self, other: &View) -> bool {
        self.reads == other.reads && self.unsigned == other.unsigned && self.scaled == other.scaled
    }

    pub(super) fn is_nothing(&self) -> bool {
        self.reads.iter().all(|r| r.size() == 0.0)
    }
}

/// What runs through the jaw of each source.
fn enclosed(site: &Site, sources: &Sources, clamp: &Clamp, suspect: &Suspect) -> Vec<f64> {
    let own = sources.in_clamp(clamp);
    let of = |conductor: Conductor| match site.clamps.iter().find(|c| c.own == conductor) {
        Some(other) => sources.in_clamp(other),
        None => sources.in_conductor(conductor),
    };
    for cause in &suspect.causes {
        match *cause {
            Cause::Swapped(other) => return of(other),
            Cause::Downstream => return sources.in_conductor(Conductor { flow: Flow::House, ..clamp.own }),
            Cause::Encloses { other, opposed } => {
                let sign = if opposed { -1.0 } else { 1.0 };
                return own.iter().zip(of(other)).map(|(a, b)| a + sign * b).collect();
            }
            Cause::NoReading => return vec![0.0; own.len()],
            _ => {}
        }
    }
    own
}
