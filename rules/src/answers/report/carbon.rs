//! What the bought electricity emitted, by dated factors.

use super::halves::{Half, IMPORT};
use super::history::History;

/// A carbon factor of one year.
#[derive(Debug, Clone, PartialEq)]
pub struct CarbonFactor {
    /// The year whose use it is for; `None` for all.
    pub year: Option<i16>,
    /// Kilograms of CO2 equivalent for a kilowatt-hour.
    pub kg_per_kwh: f64,
    /// Who says so.
    pub source: String,
}

/// What the bought electricity emitted.
#[derive(Debug, Clone, PartialEq)]
pub struct Carbon {
    /// Kilograms of CO2 equivalent.
    pub kg: f64,
    /// The factors that were used, each with the kilowatt-hours it was used for.
    pub used: Vec<(CarbonFactor, f64)>,
}

/// Factors that are known for a zone; none for most.
///
/// Great Britain: DESNZ/Defra, Government conversion factors for company reporting, electricity generation, location
/// based, without losses in transmission and distribution. 2023 and 2024 from memory.
pub fn known_factors(zone: &str) -> Vec<CarbonFactor> {
    const GREAT_BRITAIN: [(i16, f64); 3] = [(2023, 0.20707), (2024, 0.20705), (2025, 0.17700)];
    if zone != "Europe/London" {
        return Vec::new();
    }
    let source = "UK government conversion factors, electricity generated, average, without grid losses";
    let each = GREAT_BRITAIN.iter().map(|(year, kg_per_kwh)| CarbonFactor {
        year: Some(*year),
        kg_per_kwh: *kg_per_kwh,
        source: source.to_owned(),
    });
    each.collect()
}

/// Each half hour by the factor of its year, else by that of the nearest year.
pub(super) fn carbon(history: &History, halves: &[Half], factors: &[CarbonFactor]) -> Option<Carbon> {
    let mut used: Vec<(CarbonFactor, f64)> = factors.iter().map(|factor| (factor.clone(), 0.0)).collect();
    for day in &history.days {
        let year = day.date.year();
        let nearest =
            used.iter_mut().min_by_key(|(factor, _)| factor.year.map_or(0, |of| (of - year).abs()))?;
        nearest.1 +=
            (day.slots.0..day.slots.1).filter_map(|place| halves.get(place)?.known(IMPORT)).sum::<f64>();
    }
    used.retain(|(_, kwh)| *kwh > 0.0);
    let kg = used.iter().map(|(factor, kwh)| factor.kg_per_kwh * kwh).sum();
    Some(Carbon { kg, used })
}
