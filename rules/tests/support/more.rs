//! Further ways to drive the bench and to look at what came out.

use super::*;

/// An input that rules read as `home.input("ask")`; it stays fresh for a day.
pub fn ask_input(id: &str) -> OtherInput {
    OtherInput { id: id.into(), unit: None, stale_after: Span::hours(24), plausible: None, scale: 1.0 }
}

/// A rule that does with `load` what the input `ask` says, so that a test can change its mind at any moment.
pub fn obedient(load: &str) -> String {
    format!(
        r#"let ask = home.input("ask"); let it = home.load("{load}");
        if ask == 1.0 {{ it.take_spare("spare"); }} else if ask == 2.0 {{ it.run("now"); }}
        else if ask == 3.0 {{ it.stop("enough"); }} else if ask >= 100.0 {{ it.run_at_w(ask, "so much"); }}"#
    )
}

/// What `obedient` is told.
pub const NOBODY: f64 = 0.0;
/// See [`NOBODY`].
pub const TAKE_SPARE: f64 = 1.0;
/// See [`NOBODY`].
pub const RUN: f64 = 2.0;
/// See [`NOBODY`].
pub const STOP: f64 = 3.0;

/// One load, driven by the input `ask`.
pub fn asked(load: Load, metered: bool) -> Bench {
    asked_in(home(vec![load], metered))
}

/// The first load of `home`, driven by the input `ask`.
pub fn asked_in(mut home: Home) -> Bench {
    home.inputs.insert(0, ask_input("ask"));
    let rule = obedient(&home.loads[0].id.clone());
    Bench::new(home, &[("ask", &rule)])
}

/// A person wants `want` of load 0, for as long as overrides last by default.
pub fn wish(want: Want) -> OverrideRequest {
    OverrideRequest {
        load: LoadId(0),
        want,
        amount: None,
        end: None,
        by: Some("Ada".into()),
        id: None,
        retained: false,
    }
}

/// A supply of three phases with a grid point and a solar point on each: points 0 to 2 and 3 to 5.
pub fn three_phase_home(loads: Vec<Load>, netting: Netting) -> Home {
    let mut home = home(loads, false);
    home.supply.phases = 3;
    home.supply.netting = netting;
    home.points.clear();
    for phase in 1..=3 {
        let grid = point(&format!("grid-{phase}"), Measures::Grid(Side::Both), Positive::Import);
        home.points.push(Point { phase: Some(phase), ..grid });
    }
    for phase in 1..=3 {
        let solar = point(&format!("solar-{phase}"), Measures::Solar, Positive::Generation);
        home.points.push(Point { phase: Some(phase), ..solar });
    }
    home
}

/// `kept` by a program that has just ended.
pub fn restarted(home: Home, kept: Kept, set: &[(&str, &str)], clock: WallTime) -> Bench {
    let mut bench = Bench::bare(home, kept);
    bench.input(Input::ClockSet { offset_ms: clock.0, believed: true });
    bench.input(Input::Rules(rules(set)));
    bench
}

impl Bench {
    pub fn report(&mut self, point: u16, watts: f64) {
        self.input(Bench::reading(point, watts));
    }

    pub fn other(&mut self, input: u16, value: f64) {
        self.input(Bench::other_reading(input, value));
    }

    pub fn other_reading(input: u16, value: f64) -> Input {
        let input = InputId(input);
        Input::Other(OtherReading { input, value, device_time: None, retained: false })
    }

    pub fn wish(&mut self, request: OverrideRequest) {
        self.input(Input::Override(request));
    }

    /// The grid and solar readings come again every ten seconds, always the same.
    pub fn hold(&mut self, seconds: i64, grid_w: f64, solar_w: f64) {
        let end = self.now + Span::seconds(seconds);
        while self.now + Span::seconds(10) <= end {
            self.after(10);
            self.power(grid_w, solar_w);
        }
        self.to(end);
    }

    /// Like `hold`, with inputs that each reading brings along.
    pub fn hold_with(&mut self, seconds: i64, every: i64, inputs: impl Fn(&Bench) -> Vec<Input>) {
        for _ in 0..(seconds / every) {
            self.after(every);
            let inputs = inputs(self);
            self.inputs(inputs);
        }
    }

    /// Texts of the notices of one kind.
    pub fn told(&self, code: &str) -> Vec<String> {
        let of = self.outputs.iter().filter_map(|(_, o)| match o {
            Output::Notice(n) if n.code == code => Some(n.text.clone()),
            _ => None,
        });
        of.collect()
    }

    pub fn rule(&self, name: &str) -> RuleReport {
        let of = self.outputs.iter().rev().find_map(|(_, o)| match o {
            Output::Rule(r) if r.rule == name => Some(r.clone()),
            _ => None,
        });
        of.expect("a report of the rule")
    }

    pub fn records(&self) -> Vec<(Moment, Record)> {
        let of = self.outputs.iter().filter_map(|(t, o)| match o {
            Output::Record(r) => Some((*t, r.clone())),
            _ => None,
        });
        of.collect()
    }

    pub fn rows(&self, flow: Flow) -> Vec<EnergyRow> {
        let of = self.records().into_iter().filter_map(|(_, r)| match r {
            Record::Energy(row) if row.flow == flow => Some(row),
            _ => None,
        });
        of.collect()
    }

    /// Every command, repeats too: second, on, watts.
    pub fn sent(&self, load: u16) -> Vec<(i64, bool, f64)> {
        let of = self.outputs.iter().filter_map(|(t, o)| match o {
            Output::Command(c) if c.load == LoadId(load) => Some((t.0 / 1000, c.on, c.watts)),
            _ => None,
        });
        of.collect()
    }

    /// When the load was switched on or off by command, in milliseconds.
    pub fn switched(&self, load: u16) -> Vec<(i64, bool)> {
        let mut list: Vec<(i64, bool)> = Vec::new();
        for (t, o) in &self.outputs {
            if let Output::Command(c) = o
                && c.load == LoadId(load)
                && list.last().map_or(c.on, |(_, on)| *on != c.on)
            {
                list.push((t.0, c.on));
            }
        }
        list
    }

    pub fn limit(&self, load: u16) -> Option<Limit> {
        self.load(load).limited_by
    }

    pub fn forget_outputs(&mut self) {
        self.outputs.clear();
    }
}

impl Bench {
    /// A home that answers at once: every ten seconds the grid reading tells base, roof and what the loads are set to.
    pub fn live(&mut self, seconds: i64, base_w: f64, solar_w: f64) {
        let end = self.now + Span::seconds(seconds);
        while self.now + Span::seconds(10) <= end {
            self.after(10);
            self.answer(base_w, solar_w);
        }
        self.to(end);
    }

    /// The reading of such a home now.
    pub fn answer(&mut self, base_w: f64, solar_w: f64) {
        let drawn = self.drawn_as_told();
        let loads = self.controller.home().loads.len();
        let meters = (0..loads).filter_map(|i| {
            let meter = self.controller.home().meter_of(LoadId(i as u16))?;
            Some(Bench::reading(meter.0, self.setpoint(i as u16)))
        });
        let mut inputs: Vec<Input> = meters.collect();
        inputs.extend([Bench::reading(1, solar_w), Bench::reading(0, base_w + drawn - solar_w)]);
        self.inputs(inputs);
    }

    fn drawn_as_told(&self) -> f64 {
        let loads = self.controller.home().loads.len();
        (0..loads).map(|i| self.setpoint(i as u16)).sum()
    }
}
