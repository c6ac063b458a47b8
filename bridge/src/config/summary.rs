//! A good home file in plain words: what is measured, and what each load does when.

use overspill_rules::home::{CountedBy, Fallback, Home, Kind, LoadId, Measures, Point, Side};
use overspill_rules::time::Span;
use serde::Serialize;

use super::Config;
use super::render::wrapped;

/// A home file in short.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// The home's id.
    pub home: String,
    /// The name people use.
    pub name: String,
    /// Phases of the supply.
    pub phases: u8,
    /// Rating of the supply in amps per phase.
    pub rating_a: f64,
    /// Nominal voltage, line to neutral.
    pub volts: f64,
    /// What is measured, each with the points that do it.
    pub measured: Vec<Measured>,
    /// What is worked out from other readings.
    pub derived: Vec<String>,
    /// Why spare power can't be told; `None` where it can.
    pub no_spare: Option<String>,
    /// The rules, highest rank first.
    pub rules: Vec<String>,
    /// Candidate rules that run beside them and command nothing.
    pub shadows: Vec<String>,
    /// The loads, in the order in which they are served with spare power.
    pub loads: Vec<LoadSummary>,
}

/// Something measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Measured {
    /// What, as the home file calls it.
    pub what: String,
    /// The points that measure it.
    pub points: Vec<String>,
}

/// A load in short.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LoadSummary {
    /// Its id.
    pub load: String,
    /// The name people use.
    pub name: String,
    /// Its range in its own unit and in watts.
    pub range: String,
    /// The circuit that feeds it.
    pub circuit: Option<String>,
    /// Whether it has a meter of its own.
    pub metered: bool,
    /// Whether a clamp counts it.
    pub counted: bool,
    /// What it gets when in doubt and when Overspill stops.
    pub fallback: String,
    /// What happens when Overspill or its computer fails.
    pub on_failure: String,
    /// When it starts and stops with spare power.
    pub manners: String,
    /// How long a sudden house load can exceed the rating.
    pub exposure: Exposure,
}

/// How long a sudden house load can exceed a rating: the reading's age, and the time the load takes to obey.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Exposure {
    /// Seconds until the reading shows it, where the points say how often they send.
    pub reading_s: Option<f64>,
    /// Seconds until the reading counts as unknown, if the meter falls silent just then.
    pub stale_s: f64,
    /// Seconds for the load to obey.
    pub obey_s: f64,
}

impl Exposure {
    /// For `load` in `home`; `None` where nothing tells the grid.
    pub fn of(home: &Home, load: LoadId) -> Option<Exposure> {
        let meters = main_points(home);
        let stale = meters.iter().map(|p| p.stale_after).max()?;
        let reading: Option<Vec<Span>> = meters.iter().map(|p| p.interval.map(|i| i + p.lag)).collect();
        Some(Exposure {
            reading_s: reading.and_then(|r| r.into_iter().max()).map(Span::as_seconds),
            stale_s: stale.as_seconds(),
            obey_s: home.load(load).settle.as_seconds(),
        })
    }

    fn in_words(&self) -> String {
        let worst = seconds(self.stale_s + self.obey_s);
        let (stale, obey) = (seconds(self.stale_s), seconds(self.obey_s));
        match self.reading_s {
            Some(reading) => format!(
                "for up to {} ({} until a reading shows it, {obey} for the load to obey); {worst} if the meter falls silent just then",
                seconds(reading + self.obey_s),
                seconds(reading),
            ),
            None => format!(
                "for up to {worst} ({stale} until the reading counts as unknown, {obey} for the load to obey); declare the point's `interval` to know the usual case",
            ),
        }
    }
}

fn seconds(s: f64) -> String {
    Span((s * 1000.0).round() as i64).to_string()
}

/// The points from which the grid is known.
fn main_points(home: &Home) -> Vec<&Point> {
    let grid: Vec<&Point> = home.points.iter().filter(|p| matches!(p.measures, Measures::Grid(_))).collect();
    if grid.is_empty() {
        return home
            .points
            .iter()
            .filter(|p| matches!(p.measures, Measures::Solar | Measures::House))
            .collect();
    }
    grid
}

impl Summary {
    /// Of `config`, whose rules are these, highest rank first.
    pub fn of(config: &Config, rules: Vec<String>) -> Summary {
        let home = &config.home;
        Summary {
            home: home.id.clone(),
            name: home.name.clone(),
            phases: home.supply.phases,
            rating_a: home.supply.rating_a,
            volts: home.supply.volts,
            measured: measured(home),
            derived: derived(home),
            no_spare: no_spare(home),
            rules,
            shadows: config.shadows.iter().map(|s| s.name.clone()).collect(),
            loads: home.loads_by_turn().into_iter().filter_map(|id| load(home, id)).collect(),
        }
    }

    /// As text for a terminal of this width.
    pub fn to_text(&self, columns: usize) -> String {
        let mut lines = Lines { columns, text: String::new() };
        let phases = if self.phases == 3 { "three phases" } else { "one phase" };
        lines.item("Home", &format!("{} ({})", self.name, self.home));
        lines.item("Supply", &format!("{phases}, {} A at {} V", self.rating_a, self.volts));
        let measured: Vec<String> = self.measured.iter().map(Measured::in_words).collect();
        lines.item("Measured", &listed(&measured, "nothing"));
        if !self.derived.is_empty() {
            lines.item("Worked out", &self.derived.join(", "));
        }
        lines.item("Spare power", self.no_spare.as_deref().unwrap_or("can be told"));
        lines.item("Rules", &listed(&self.rules, "none"));
        if !self.shadows.is_empty() {
            lines.item("Shadows", &format!("{}, beside the live rules", self.shadows.join(", ")));
        }
        for load in &self.loads {
            load.write(&mut lines);
        }
        lines.text
    }
}

impl Measured {
    fn in_words(&self) -> String {
        let points = if self.points.len() == 1 { "point" } else { "points" };
        format!("{} ({points} {})", self.what, self.points.join(", "))
    }
}

impl LoadSummary {
    fn write(&self, lines: &mut Lines) {
        let circuit = self.circuit.as_ref().map_or(String::new(), |c| format!(", on circuit {c}"));
        lines.text.push('\n');
        lines.item("Load", &format!("{} ({}): {}{circuit}", self.name, self.load, self.range));
        let meter = if self.metered { "its own meter" } else { "none; told by the grid reading" };
        lines.item("  meter", meter);
        if !self.counted {
            lines.item("  clamps", "none counts it");
        }
        lines.item("  spare power", &self.manners);
        lines.item("  in doubt", &self.fallback);
        lines.item("  on failure", &self.on_failure);
        lines.item(
            "  over rating",
            &format!("a sudden house load can exceed the rating {}", self.exposure.in_words()),
        );
    }
}

/// Lines of a label and a text beside it.
struct Lines {
    columns: usize,
    text: String,
}

impl Lines {
    const LABEL: usize = 15;

    fn item(&mut self, label: &str, text: &str) {
        let text = wrapped(text, self.columns.saturating_sub(Lines::LABEL));
        for (n, line) in text.lines().enumerate() {
            let label = if n == 0 { label } else { "" };
            self.text.push_str(&format!("{label:<width$}{line}\n", width = Lines::LABEL));
        }
    }
}

fn listed(items: &[String], none: &str) -> String {
    if items.is_empty() { none.to_owned() } else { items.join(", ") }
}

fn measured(home: &Home) -> Vec<Measured> {
    let mut measured: Vec<Measured> = Vec::new();
    for point in &home.points {
        let what = match point.measures {
            Measures::Load(load) => format!("load.{}", home.load(load).id),
            other => other.to_string(),
        };
        match measured.iter_mut().find(|m| m.what == what) {
            Some(m) => m.points.push(point.id.clone()),
            None => measured.push(Measured { what, points: vec![point.id.clone()] }),
        }
    }
    measured
}

fn has_grid(home: &Home) -> bool {
    let side = |side| home.measures(Measures::Grid(side));
    side(Side::Both) || (side(Side::Import) && side(Side::Export))
}

fn derived(home: &Home) -> Vec<String> {
    let (solar, house) = (home.measures(Measures::Solar), home.measures(Measures::House));
    match (has_grid(home), solar, house) {
        (false, true, true) => vec!["grid".to_owned()],
        (true, true, false) => vec!["house".to_owned()],
        (true, false, true) => vec!["solar".to_owned()],
        _ => Vec::new(),
    }
}

fn no_spare(home: &Home) -> Option<String> {
    let derived = home.measures(Measures::Solar) && home.measures(Measures::House);
    if !has_grid(home) && !derived {
        return Some("can't be told: nothing measures both what is bought and what is sold".to_owned());
    }
    if home.battery.is_some() && !home.measures(Measures::Battery) {
        return Some("can't be told: the battery is not measured".to_owned());
    }
    None
}

fn load(home: &Home, id: LoadId) -> Option<LoadSummary> {
    let load = home.load(id);
    Some(LoadSummary {
        load: load.id.clone(),
        name: load.name.clone(),
        range: range(home, id),
        circuit: load.circuit.map(|c| home.circuit(c).id.clone()),
        metered: home.meter_of(id).is_some(),
        counted: load.counted_by != CountedBy::Nothing,
        fallback: fallback(load.fallback, load.device_timeout),
        on_failure: match load.device_timeout {
            Some(timeout) => format!("the device gives up on its last command after {timeout}"),
            None => "it keeps its last command for ever".to_owned(),
        },
        manners: format!(
            "starts after {} of enough, stops after {} of too little; on for {} and off for {} at least",
            load.start_after, load.stop_after, load.min_on, load.min_off
        ),
        exposure: Exposure::of(home, id)?,
    })
}

fn range(home: &Home, id: LoadId) -> String {
    let load = home.load(id);
    let volts = home.supply.volts;
    let phases = if load.phases == 3 { " on three phases" } else { "" };
    let (floor_w, ceiling_w) = (load.floor_w(volts), load.ceiling_w(volts));
    match load.kind {
        Kind::ChargePoint { floor_a, ceiling_a } => {
            format!("{floor_a} to {ceiling_a} A{phases} ({floor_w} to {ceiling_w} W)")
        }
        Kind::Modulated { .. } => format!("{floor_w} to {ceiling_w} W{phases}"),
        Kind::Switch { rating_w } => format!("{rating_w} W, on or off{phases}"),
    }
}

fn fallback(fallback: Fallback, device_timeout: Option<Span>) -> String {
    match (fallback, device_timeout) {
        (Fallback::Off, _) => "off".to_owned(),
        (Fallback::Watts { watts }, _) => format!("{watts} W"),
        (Fallback::Amps { amps }, _) => format!("{amps} A"),
        (Fallback::Release, Some(timeout)) => {
            format!("no command is sent; the device's own time-out acts after {timeout}")
        }
        (Fallback::Release, None) => "no command is sent".to_owned(),
    }
}
