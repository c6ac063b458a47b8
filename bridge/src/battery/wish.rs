//! What can be asked of a battery, and the bounds of it, for the command and the page alike.

use overspill_rules::answers::battery::{EFFICIENCY, Terms};
use overspill_rules::time::WallTime;
use rust_decimal::Decimal;

use super::Asked;

/// Sizes that are tried at once.
const SIZES: usize = 20;

/// A wish in numbers that are each within their bounds.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Wish {
    /// Usable sizes in kilowatt-hours.
    pub(crate) sizes: Vec<f64>,
    /// At the AC terminals; so much for each kilowatt-hour of size where not said.
    pub(crate) power_kw: Option<f64>,
    pub(crate) charge_efficiency: f64,
    pub(crate) discharge_efficiency: f64,
    pub(crate) idle_w: f64,
    pub(crate) reserve_kwh: f64,
    pub(crate) price_per_kwh: Option<Decimal>,
}

impl Default for Wish {
    fn default() -> Wish {
        Wish {
            sizes: vec![2.5, 5.0, 10.0],
            power_kw: None,
            charge_efficiency: EFFICIENCY,
            discharge_efficiency: EFFICIENCY,
            idle_w: 0.0,
            reserve_kwh: 0.0,
            price_per_kwh: None,
        }
    }
}

impl Wish {
    /// The question.
    ///
    /// # Errors
    /// What does not fit together, in a sentence.
    pub(crate) fn asked(&self, from: Option<WallTime>, to: Option<WallTime>) -> Result<Asked, String> {
        let mut sizes: Vec<f64> = self.sizes.iter().copied().filter(|size| *size > 0.0).collect();
        sizes.sort_by(f64::total_cmp);
        sizes.dedup();
        if sizes.is_empty() || sizes.len() > SIZES {
            return Err(format!(
                "1 to {SIZES} sizes above 0 can be tried at once; no battery is told in any case"
            ));
        }
        if let Some(small) = sizes.first().filter(|size| self.reserve_kwh >= **size) {
            let reserve = self.reserve_kwh;
            return Err(format!(
                "a battery of {small} kWh can't keep {reserve} kWh in reserve and still work"
            ));
        }
        let terms = sizes.iter().map(|size| {
            let usual = Terms::of_size(*size);
            Terms {
                power_kw: self.power_kw.unwrap_or(usual.power_kw),
                charge_efficiency: self.charge_efficiency,
                discharge_efficiency: self.discharge_efficiency,
                idle_w: self.idle_w,
                reserve_kwh: self.reserve_kwh,
                ..usual
            }
        });
        let (power_kw, price_per_kwh) = (self.power_kw, self.price_per_kwh);
        Ok(Asked { terms: terms.collect(), power_kw, price_per_kwh, from, to })
    }
}

fn within(text: &str, least: f64, most: f64, unit: &str) -> Result<f64, String> {
    let number: f64 = text.trim().parse().map_err(|_| "that is no number".to_owned())?;
    let fits = (least..=most).contains(&number);
    if fits { Ok(number) } else { Err(format!("it must be from {least} to {most}{unit}")) }
}

/// A usable size in kilowatt-hours.
pub(crate) fn size(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1000.0, " kWh")
}

/// Sizes with commas between them.
pub(crate) fn sizes(text: &str) -> Result<Vec<f64>, String> {
    text.split(',').map(size).collect()
}

/// Kilowatts at the AC terminals.
pub(crate) fn power(text: &str) -> Result<f64, String> {
    within(text, 0.01, 1000.0, " kW")
}

/// The share that is stored, or comes out.
pub(crate) fn efficiency(text: &str) -> Result<f64, String> {
    within(text, 0.3, 1.0, "; 0.95 is 95 %")
}

/// What a battery takes itself, in watts.
pub(crate) fn idle(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1000.0, " W")
}

/// What is kept for a power cut, in kilowatt-hours.
pub(crate) fn reserve(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1000.0, " kWh")
}

/// What a kilowatt-hour of size costs.
pub(crate) fn price(text: &str) -> Result<Decimal, String> {
    let price: Decimal =
        text.trim().parse().map_err(|_| "that is no amount: write it as 450.00".to_owned())?;
    let fits = price > Decimal::ZERO && price <= Decimal::from(1_000_000);
    if fits { Ok(price) } else { Err("it must be above 0 and at most 1000000".to_owned()) }
}
