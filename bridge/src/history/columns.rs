//! The header of a CSV file: which column is which quantity of which point.
//!
//! A column's name is a point's id and a unit: `grid_w`, `solar_kwh`; energy of what goes both ways says which way:
//! `grid_import_kwh`, `battery_charge_kwh`. Volts, amps and power factor of a point are `grid_volts`, `grid_amps`,
//! `grid_power_factor`. An input's column is its id alone.

use overspill_rules::home::{ExtraKind, Home, InputId, Measures, Point, PointId, Side, Unit};
use overspill_rules::output::Flow;

use crate::config::nearest;

/// The first column of every file.
pub(crate) const TIME: &str = "time";

/// What a column's numbers are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Meaning {
    /// Power of a point, in the program's signs; the unit is watts or kilowatts.
    Power(PointId, Unit),
    /// A further quantity of a point.
    Extra(PointId, ExtraKind),
    /// Numbers of another input.
    Input(InputId),
    /// Energy of the row's interval.
    Energy(Energy),
}

/// Energy of a point in one direction, or both netted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Energy {
    pub(crate) point: PointId,
    pub(crate) way: Way,
    /// What makes kilowatt-hours of its numbers.
    pub(crate) kwh: f64,
}

/// A direction, in the program's signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Way {
    /// Positive power: imported, generated, used, discharged.
    In,
    /// Negative power: exported, charged.
    Out,
    /// What remains of both over the interval.
    Netted,
}

/// One column that is read.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Column {
    /// Its name in the file, after renaming.
    pub(crate) name: String,
    /// Its place among the fields, from 0.
    pub(crate) place: usize,
    pub(crate) meaning: Meaning,
}

/// The columns of a file.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Columns {
    /// The place of the time among the fields.
    pub(crate) time: usize,
    /// How many fields a line has.
    pub(crate) fields: usize,
    pub(crate) columns: Vec<Column>,
    /// Columns that the home works out itself, and that are left out.
    pub(crate) worked_out: Vec<String>,
}

/// What people may say about columns of a file that is not in the usual form.
#[derive(Debug, Clone, Default)]
pub(crate) struct Wishes {
    /// Names to read otherwise: as in the file, as meant.
    pub(crate) rename: Vec<(String, String)>,
    /// Columns to leave out.
    pub(crate) ignore: Vec<String>,
}

impl Columns {
    /// Reads a header.
    ///
    /// # Errors
    /// Every column that can't be placed, each in a sentence.
    pub(crate) fn read(header: &[String], home: &Home, wishes: &Wishes) -> Result<Columns, Vec<String>> {
        let mut faults = Vec::new();
        let asked = wishes.rename.iter().map(|(from, _)| from).chain(&wishes.ignore);
        for name in asked.filter(|n| !header.contains(n)) {
            let near = nearest(name, header.iter().map(String::as_str));
            faults.push(format!("the file has no column `{name}`{}", meant(near)));
        }
        let (mut time, mut columns, mut left) = (None, Vec::<Column>::new(), Vec::new());
        for (place, written) in header.iter().enumerate() {
            if wishes.ignore.contains(written) {
                continue;
            }
            let renamed = wishes.rename.iter().find(|(from, _)| from == written).map(|(_, to)| to);
            let name = renamed.unwrap_or(written);
            if name == TIME {
                if time.replace(place).is_some() {
                    faults.push("two columns are called `time`".to_owned());
                }
                continue;
            }
            match meaning(name, home) {
                Ok(meaning) if columns.iter().any(|c| same(&c.meaning, &meaning)) => {
                    faults.push(format!("column {}, `{name}`: another column has this already", place + 1));
                }
                Ok(meaning) => columns.push(Column { name: name.clone(), place, meaning }),
                Err(_) if worked_out(name, home) => left.push(name.clone()),
                Err(why) => faults.push(format!("column {}, `{name}`: {why}", place + 1)),
            }
        }
        if time.is_none() {
            faults.push("there is no column `time`".to_owned());
        }
        if columns.is_empty() && faults.is_empty() {
            faults.push("there is no column beside `time`".to_owned());
        }
        match time {
            Some(time) if faults.is_empty() => {
                Ok(Columns { time, fields: header.len(), columns, worked_out: left })
            }
            _ => Err(faults),
        }
    }
}

/// Whether two columns would give one thing twice.
fn same(one: &Meaning, other: &Meaning) -> bool {
    match (one, other) {
        (Meaning::Power(a, _), Meaning::Power(b, _)) => a == b,
        (Meaning::Energy(a), Meaning::Energy(b)) => {
            let clash = a.way == b.way || a.way == Way::Netted || b.way == Way::Netted;
            a.point == b.point && clash
        }
        _ => one == other,
    }
}

fn meant(name: Option<&str>) -> String {
    name.map_or(String::new(), |n| format!("; did you mean `{n}`?"))
}

fn meaning(name: &str, home: &Home) -> Result<Meaning, String> {
    if let Some(input) = home.input_named(name) {
        return Ok(Meaning::Input(input));
    }
    let all = || home.points.iter().enumerate().map(|(i, p)| (PointId(i as u16), p));
    // The longest id first, so that `roof_east_w` is never taken for a point `roof`.
    let mut fitting: Vec<(PointId, &Point)> =
        all().filter(|(_, p)| name.strip_prefix(p.id.as_str()).is_some_and(|r| r.starts_with('_'))).collect();
    fitting.sort_by_key(|(_, p)| std::cmp::Reverse(p.id.len()));
    for (id, point) in &fitting {
        let rest = name.get(point.id.len() + 1..).unwrap_or("");
        if let Some(meaning) = of_point(*id, point.measures, rest) {
            return Ok(meaning);
        }
    }
    if let Some((_, point)) = all().find(|(_, p)| p.id == name).or(fitting.first().copied()) {
        return Err(format!("it can be {}", one_of(&point_columns(point))));
    }
    let names = known_columns(home);
    let near = nearest(name, names.iter().map(String::as_str));
    Err(format!("the home has no such point or input{}", meant(near)))
}

fn of_point(point: PointId, measures: Measures, rest: &str) -> Option<Meaning> {
    let energy = |way, kwh| Some(Meaning::Energy(Energy { point, way, kwh }));
    match rest {
        "w" => return Some(Meaning::Power(point, Unit::W)),
        "kw" => return Some(Meaning::Power(point, Unit::Kw)),
        "volts" => return Some(Meaning::Extra(point, ExtraKind::Volts)),
        "amps" => return Some(Meaning::Extra(point, ExtraKind::Amps)),
        "power_factor" => return Some(Meaning::Extra(point, ExtraKind::PowerFactor)),
        _ => {}
    }
    let (word, unit) = rest.rsplit_once('_').unwrap_or(("", rest));
    let kwh = match unit {
        "kwh" => 1.0,
        "wh" => 0.001,
        _ => return None,
    };
    match (measures, word) {
        (Measures::Grid(Side::Both), "import") => energy(Way::In, kwh),
        (Measures::Grid(Side::Both), "export") => energy(Way::Out, kwh),
        (Measures::Battery, "discharge") => energy(Way::In, kwh),
        (Measures::Battery, "charge") => energy(Way::Out, kwh),
        (Measures::Grid(Side::Both) | Measures::Battery, "") => energy(Way::Netted, kwh),
        (_, "") => energy(Way::In, kwh),
        _ => None,
    }
}

/// The names of columns that people are shown for a point: power and energy.
pub(crate) fn point_columns(point: &Point) -> Vec<String> {
    let energy: &[&str] = match point.measures {
        Measures::Grid(Side::Both) => &["import_kwh", "export_kwh"],
        Measures::Battery => &["charge_kwh", "discharge_kwh"],
        _ => &["kwh"],
    };
    let units = ["w", "kw"].iter().chain(energy);
    units.map(|unit| format!("{}_{unit}", point.id)).collect()
}

/// Every name of a column that this home can take.
fn known_columns(home: &Home) -> Vec<String> {
    let inputs = home.inputs.iter().map(|i| i.id.clone());
    home.points.iter().flat_map(point_columns).chain(inputs).collect()
}

/// The home's columns, a line for each point, for those whose header could not be read.
pub(crate) fn listing(home: &Home) -> String {
    let points = home.points.iter().map(|p| {
        let energy: Vec<String> = point_columns(p).into_iter().filter(|c| !c.ends_with("_kw")).collect();
        format!("  {:<14} {}\n", p.id, energy.join(", "))
    });
    let inputs = home.inputs.iter().map(|i| format!("  {:<14} {}\n", i.id, i.id));
    points.chain(inputs).collect()
}

fn one_of(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [only] => only.clone(),
        [first @ .., last] => format!("{} or {last}", first.join(", ")),
    }
}

/// The flow of a point's energy in one direction; `None` where it does not have that direction.
pub(crate) fn flow_of(measures: Measures, way: Way) -> Option<Flow> {
    match (measures, way) {
        (Measures::Grid(Side::Both | Side::Import), Way::In) => Some(Flow::Import),
        (Measures::Grid(Side::Export), Way::In) | (Measures::Grid(Side::Both), Way::Out) => {
            Some(Flow::Export)
        }
        (Measures::Solar, Way::In) => Some(Flow::Solar),
        (Measures::House, Way::In) => Some(Flow::House),
        (Measures::Battery, Way::In) => Some(Flow::Discharge),
        (Measures::Battery, Way::Out) => Some(Flow::Charge),
        (Measures::Load(load), Way::In) => Some(Flow::Load(load)),
        _ => None,
    }
}

/// The column of a flow, as the store names it: that of the one point that measures it, so that it can be imported again;
/// else the flow's own name, which an import leaves out.
pub(crate) fn column_of_flow(flow: &str, home: &Home) -> String {
    let named = |f: Flow| match f {
        Flow::Import => "import".to_owned(),
        Flow::Export => "export".to_owned(),
        Flow::Solar => "solar".to_owned(),
        Flow::House => "house".to_owned(),
        Flow::Charge => "charge".to_owned(),
        Flow::Discharge => "discharge".to_owned(),
        Flow::Load(load) => format!("load.{}", home.load(load).id),
        Flow::MeterIn(point) => format!("meter.{}.in", home.point(point).id),
        Flow::MeterOut(point) => format!("meter.{}.out", home.point(point).id),
    };
    let measured = home.points.iter().flat_map(|p| [Way::In, Way::Out].map(|way| (p, way)));
    let mut fitting = measured.filter(|(p, way)| flow_of(p.measures, *way).is_some_and(|f| named(f) == flow));
    match (fitting.next(), fitting.next()) {
        (Some((point, way)), None) => {
            let word = match (point.measures, way) {
                (Measures::Grid(Side::Both), Way::In) => "import_",
                (Measures::Grid(Side::Both), _) => "export_",
                (Measures::Battery, Way::In) => "discharge_",
                (Measures::Battery, _) => "charge_",
                _ => "",
            };
            format!("{}_{word}kwh", point.id)
        }
        _ => format!("{flow}_kwh"),
    }
}

/// Whether a column is a flow that this home works out, or sums up, and that can't be brought in as such.
fn worked_out(name: &str, home: &Home) -> bool {
    let flows = ["import", "export", "solar", "house", "charge", "discharge"].map(str::to_owned);
    let loads = home.loads.iter().map(|l| format!("load.{}", l.id));
    let meters = home.points.iter().flat_map(|p| ["in", "out"].map(|way| format!("meter.{}.{way}", p.id)));
    flows.into_iter().chain(loads).chain(meters).any(|flow| name == format!("{flow}_kwh"))
}
