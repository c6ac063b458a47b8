//! What could be changed in the home file so that a point reads right.

use super::cause::Cause;
use super::diagnosis::{PointReport, Verdict};
use super::site::{Conductor, Flow, Site};
use crate::home::PointId;

/// A change of the home file. It puts the numbers right, not the wiring: the next run of the steps proves it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Correction {
    /// The other meaning of a positive number.
    FlipSign,
    /// Multiply `scale` by this.
    Scale(f64),
    /// Exchange the sources (topic and pointer) of this point and that one.
    ExchangeWith(PointId),
    /// Write `unit = "kW"`.
    Kilowatts,
    /// Write `unit = "W"`.
    Watts,
    /// Write `measures = "house"`.
    MeasuresHouse,
}

/// Scales known less well than this ratio of high to low are not proposed: an instrument must tell.
const WELL_KNOWN: f64 = 1.4;

/// The correction of a point that is wrong, where just one single cause explains it and a home file can mend it.
pub fn correction(site: &Site, report: &PointReport) -> Option<Correction> {
    let Verdict::Wrong(open) = &report.verdict else {
        return None;
    };
    let mut single = open.iter().filter(|s| s.causes.len() == 1);
    let (Some(only), None) = (single.next(), single.next()) else {
        return None;
    };
    match *only.causes.first()? {
        Cause::Reversed => Some(Correction::FlipSign),
        Cause::Scale => scale(report),
        Cause::Swapped(other) => measured_by(site, other).map(Correction::ExchangeWith),
        Cause::KilowattsAsWatts => Some(Correction::Kilowatts),
        Cause::WattsAsKilowatts => Some(Correction::Watts),
        Cause::Downstream if !site.clamps.iter().any(|c| c.own.flow == Flow::House) => {
            Some(Correction::MeasuresHouse)
        }
        _ => None,
    }
}

fn measured_by(site: &Site, conductor: Conductor) -> Option<PointId> {
    site.clamps.iter().find(|c| c.own == conductor).map(|c| c.point)
}

/// The likely factor where one lies within what was seen, else the middle.
fn scale(report: &PointReport) -> Option<Correction> {
    let (low, high) = report.reads_times?;
    let reads = report.likely_factor().unwrap_or_else(|| (low * high).sqrt());
    (high / low <= WELL_KNOWN).then_some(Correction::Scale(1.0 / reads))
}
