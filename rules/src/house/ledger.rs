//! The simulated home's own meter.

/// What has happened so far, in kilowatt-hours, added up second by second inside the simulated home. The controller
/// has no part in it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ledger {
    /// Made by the roof.
    pub solar_kwh: f64,
    /// Used by everything, driven loads included.
    pub used_kwh: f64,
    /// Bought.
    pub import_kwh: f64,
    /// Sent out to the street.
    pub export_kwh: f64,
    /// What the roof made beyond what the people used: all that could have been caught.
    pub spare_kwh: f64,
    /// What the driven loads took of it; without them it would have gone to the street.
    pub caught_kwh: f64,
    /// What the driven loads drew beyond what was spare.
    pub bought_for_loads_kwh: f64,
    /// Into the car.
    pub car_kwh: f64,
    /// Into the tank.
    pub heater_kwh: f64,
    /// Into the pump.
    pub pump_kwh: f64,
}

/// One second in watts.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Flows {
    pub(super) solar_w: f64,
    pub(super) people_w: f64,
    pub(super) car_w: f64,
    pub(super) heater_w: f64,
    pub(super) pump_w: f64,
}

impl Flows {
    pub(super) fn loads_w(&self) -> f64 {
        self.car_w + self.heater_w + self.pump_w
    }

    pub(super) fn grid_w(&self) -> f64 {
        self.people_w + self.loads_w() - self.solar_w
    }
}

impl Ledger {
    pub(super) fn add_second(&mut self, flows: &Flows) {
        let kwh = |watts: f64| watts / 3.6e6;
        let (loads_w, grid_w) = (flows.loads_w(), flows.grid_w());
        let spare_w = (flows.solar_w - flows.people_w).max(0.0);
        let caught_w = loads_w.min(spare_w);
        self.solar_kwh += kwh(flows.solar_w);
        self.used_kwh += kwh(flows.people_w + loads_w);
        self.import_kwh += kwh(grid_w.max(0.0));
        self.export_kwh += kwh((-grid_w).max(0.0));
        self.spare_kwh += kwh(spare_w);
        self.caught_kwh += kwh(caught_w);
        self.bought_for_loads_kwh += kwh(loads_w - caught_w);
        self.car_kwh += kwh(flows.car_w);
        self.heater_kwh += kwh(flows.heater_w);
        self.pump_kwh += kwh(flows.pump_w);
    }
}
