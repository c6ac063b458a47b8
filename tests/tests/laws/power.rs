//! The laws of power: the balance closes, and no rating is exceeded by what is permitted.

use overspill_rules::home::LoadId;
use overspill_rules::output::{BalanceReport, BalanceValues, LoadReport};
use proptest::prelude::*;
use proptest::test_runner::TestCaseResult;

use super::witness::{VOLTS, Witness};

impl Witness {
    pub fn balance_closes(&mut self, balance: &BalanceReport, complete: bool) -> TestCaseResult {
        for values in std::iter::once(&balance.total).chain(&balance.phases) {
            closes(values, complete)?;
        }
        let phases: Option<Vec<f64>> = balance.phases.iter().map(|p| p.base_w).collect();
        if let Some(sum) = balance.total.base_w {
            self.base_w = Some(match phases.as_deref() {
                Some([a, b, c]) => [*a, *b, *c],
                _ if self.home.supply.phases == 3 => [sum / 3.0; 3],
                _ => [sum, 0.0, 0.0],
            });
        }
        Ok(())
    }

    /// Base and what is permitted stay within every rating less 10 %, or everything on it is off. What is permitted lies
    /// between the set-points alone (after a cut) and the greater of draw and set-point.
    pub fn ratings(&self, ratios: [f64; 3]) -> TestCaseResult {
        let reports: Option<Vec<&LoadReport>> = self.loads.iter().map(|l| l.report.as_ref()).collect();
        let (Some(reports), false) = (reports, self.watching) else { return Ok(()) };
        for phase in 0..usize::from(self.home.supply.phases) {
            let circuits =
                self.home.circuits.iter().enumerate().map(|(c, circuit)| (Some(c), circuit.rating_a));
            for (circuit, rating_a) in circuits.chain([(None, self.home.supply.rating_a)]) {
                let base = if circuit.is_none() { self.base_w.map(|b| b[phase]) } else { Some(0.0) };
                let Some(base) = base else { continue };
                let on_it: Vec<&LoadReport> =
                    reports.iter().copied().filter(|r| self.draws_on(r.load, phase, circuit)).collect();
                let (mut least_w, mut most_w) = (base, base);
                for report in &on_it {
                    let phases = f64::from(self.home.load(report.load).phases);
                    let told_w = report.setpoint_w * ratios[usize::from(report.load.0)];
                    least_w += told_w / phases;
                    most_w += told_w.max(self.draw_w(report)) / phases;
                }
                let most_allowed_w = 0.9 * rating_a * VOLTS + 1e-6;
                let over = least_w > most_allowed_w || most_w < -most_allowed_w;
                let all_off = on_it.iter().all(|r| r.setpoint_w == 0.0);
                prop_assert!(
                    !over || all_off,
                    "{least_w} to {most_w} W on {phase} of {circuit:?}: {on_it:?}"
                );
            }
        }
        Ok(())
    }

    fn draw_w(&self, report: &LoadReport) -> f64 {
        let metered = self.loads[usize::from(report.load.0)].metered_w;
        metered.or(report.draw_w).unwrap_or(0.0).max(0.0)
    }

    fn draws_on(&self, id: LoadId, phase: usize, circuit: Option<usize>) -> bool {
        let load = self.home.load(id);
        let mut fed_by = load.circuit;
        let mut feeds = circuit.is_none();
        while let Some(c) = fed_by {
            feeds |= circuit == Some(usize::from(c.0));
            fed_by = self.home.circuit(c).within;
        }
        feeds && load.phase_indices().contains(&phase)
    }
}

/// Import and export are the two sides of the grid; what comes in is used. A value derived from several points waits for
/// all of them, so the sum is exact where all have reported together.
fn closes(v: &BalanceValues, complete: bool) -> TestCaseResult {
    let near = |a: f64, b: f64| (a - b).abs() <= 1e-6 * (1.0 + a.abs().max(b.abs()));
    if let (Some(grid), Some(import), Some(export)) = (v.grid_w, v.import_w, v.export_w) {
        prop_assert!(near(import - export, grid) && import >= 0.0 && export >= 0.0, "{v:?}");
    }
    prop_assert_eq!(v.grid_w.is_some(), v.import_w.is_some() && v.export_w.is_some());
    if let (true, Some(grid), Some(solar), Some(house)) = (complete, v.grid_w, v.solar_w, v.house_w) {
        prop_assert!(near(grid + solar + v.battery_w.unwrap_or(0.0), house), "{v:?}");
    }
    if let (true, Some(house), Some(loads), Some(base)) = (complete, v.house_w, v.loads_w, v.base_w) {
        prop_assert!(near(house - loads, base), "{v:?}");
    }
    Ok(())
}
