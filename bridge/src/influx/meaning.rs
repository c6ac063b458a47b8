//! What entries of the journal mean, as points: in the program's units and with its signs.

use std::collections::BTreeMap;

use overspill_rules::home::{Positive, Unit};
use overspill_rules::output::BalanceValues;
use overspill_rules::time::WallTime;
use serde::Deserialize;

use super::line::Point;
use crate::store::outbox::{Entry, Righted, What};

/// So many points of one series can share a stamp; stamps are a tenth of a second apart.
const PLACES: i64 = 100;

/// How the numbers of a point are to be understood, as the store keeps it.
#[derive(Debug, Deserialize)]
struct Definition {
    measures: Option<String>,
    unit: Option<serde_json::Value>,
    positive: Option<Positive>,
    #[serde(default = "one")]
    scale: f64,
    phase: Option<u8>,
    #[serde(default)]
    more: Vec<More>,
}

#[derive(Debug, Deserialize)]
struct More {
    quantity: String,
    scale: f64,
}

fn one() -> f64 {
    1.0
}

/// The lines of these entries, which must be in the order of their stamps, all entries of a stamp together.
///
/// Points of one series with one stamp are a millisecond apart, in the order of their arrival, since the database
/// would take the later for a correction of the earlier. The hundredth and later ones share the last place: that
/// is a flood, not a meter.
pub(super) fn lines(home: &str, entries: &[Entry]) -> Vec<String> {
    let mut places = Places::default();
    let points = entries.iter().map(|entry| point(home, entry));
    points.filter_map(|point| places.placed(point).line()).collect()
}

/// How many points each series has had at the present stamp.
#[derive(Debug, Default)]
struct Places {
    at_ms: i64,
    taken: BTreeMap<String, i64>,
}

impl Places {
    fn placed(&mut self, mut point: Point) -> Point {
        if point.at_ms != self.at_ms {
            self.at_ms = point.at_ms;
            self.taken.clear();
        }
        let taken = self.taken.entry(point.series()).or_insert(0);
        point.at_ms += (*taken).min(PLACES - 1);
        *taken += 1;
        point
    }
}

fn point(home: &str, entry: &Entry) -> Point {
    let mut point = match &entry.what {
        What::Sample { series, value, definition, righted } => {
            let received = sample(series, *value, definition.as_deref());
            match righted {
                None => received,
                Some((right, truly)) => put_right(received, right, truly.as_deref()),
            }
        }
        What::Balance { phase, values } => balance(*phase, values),
        What::Setpoint { load, watts } => about_load(load, "setpoint_w", *watts),
        What::Switched { load, on } => about_load(load, "on", f64::from(u8::from(*on))),
        What::Energy { flow, kwh, covered_s } => energy(flow, *kwh, *covered_s),
    };
    point.tags.insert(0, ("home", home.to_owned()));
    let WallTime(at_ms) = entry.at;
    point.at_ms = at_ms;
    point
}

fn of(
    measurement: &'static str,
    tags: Vec<(&'static str, String)>,
    fields: Vec<(&'static str, f64)>,
) -> Point {
    Point { measurement, tags, fields, at_ms: 0 }
}

/// A number as received. One that nobody can explain any more is sent as it is, under a name of its own.
fn sample(series: &str, value: f64, definition: Option<&str>) -> Point {
    let definition = definition.and_then(|json| serde_json::from_str::<Definition>(json).ok());
    let known = definition.and_then(|definition| {
        if let Some(input) = series.strip_prefix("input.") {
            return Some(of(
                "input",
                vec![("input", input.to_owned())],
                vec![("value", value * definition.scale)],
            ));
        }
        of_point(series.strip_prefix("point.")?, value, &definition)
    });
    known.unwrap_or_else(|| of("unexplained", vec![("series", series.to_owned())], vec![("value", value)]))
}

/// The number as it truly was. What a register shows stays as it is, since it goes on from there; its energy is put right in
/// the half hours.
fn put_right(mut point: Point, right: &Righted, definition: Option<&str>) -> Point {
    for (field, value) in &mut point.fields {
        match *field {
            "power_w" | "current_a" => *value *= right.factor,
            "import_kwh" if right.turned => *field = "export_kwh",
            "export_kwh" if right.turned => *field = "import_kwh",
            _ => {}
        }
    }
    let own = point.tags.iter().any(|(tag, value)| *tag == "point" && *value == right.point);
    let truly = definition.and_then(|json| serde_json::from_str::<Definition>(json).ok());
    if !own && let Some((measurement, tags)) = truly.as_ref().and_then(|d| whose(&right.point, d)) {
        (point.measurement, point.tags) = (measurement, tags);
    }
    point
}

/// Measurement and tags of a point.
fn whose(id: &str, definition: &Definition) -> Option<(&'static str, Vec<(&'static str, String)>)> {
    let (measurement, load) = measured(definition.measures.as_deref()?)?;
    let mut tags = vec![("point", id.to_owned())];
    tags.extend(load.map(|load| ("load", load)));
    tags.extend(definition.phase.map(|phase| ("phase", phase.to_string())));
    Some((measurement, tags))
}

fn of_point(name: &str, value: f64, definition: &Definition) -> Option<Point> {
    let (id, extra) = match name.split_once('.') {
        Some((id, extra)) => (id, Some(extra)),
        None => (name, None),
    };
    let (measurement, tags) = whose(id, definition)?;
    let field = match extra {
        Some(quantity) => more(quantity, value, definition)?,
        None => main(value, definition)?,
    };
    Some(of(measurement, tags, vec![field]))
}

/// The measurement, and the load where it is one's draw.
fn measured(measures: &str) -> Option<(&'static str, Option<String>)> {
    Some(match measures {
        "grid" | "grid.import" | "grid.export" => ("grid", None),
        "solar" => ("solar", None),
        "house" => ("house", None),
        "battery" => ("battery", None),
        other => ("load", Some(other.strip_prefix("load.")?.to_owned())),
    })
}

/// The point's own value: power and current with the program's sign; what only counts has none.
fn main(value: f64, definition: &Definition) -> Option<(&'static str, f64)> {
    let unit: Unit = serde_json::from_value(definition.unit.clone()?).ok()?;
    let scaled = value * definition.scale;
    // Under one name with the other grid points: what goes out is negative.
    let out = definition.measures.as_deref() == Some("grid.export");
    let signed = scaled * definition.positive.map_or(1.0, Positive::sign) * if out { -1.0 } else { 1.0 };
    Some(match unit {
        Unit::W => ("power_w", signed),
        Unit::Kw => ("power_w", signed * 1000.0),
        Unit::A => ("current_a", signed),
        Unit::Wh => ("register_kwh", scaled / 1000.0),
        Unit::Kwh => ("register_kwh", scaled),
        Unit::Pulses { .. } => ("pulses", scaled),
        Unit::PulseCount { .. } => ("pulse_count", scaled),
    })
}

fn more(quantity: &str, value: f64, definition: &Definition) -> Option<(&'static str, f64)> {
    let scale = definition.more.iter().find(|m| m.quantity == quantity).map_or(1.0, |m| m.scale);
    let field = match quantity {
        "volts" => "voltage_v",
        "amps" => "current_a",
        "power_factor" => "power_factor",
        "import_kwh" => "import_kwh",
        "export_kwh" => "export_kwh",
        _ => return None,
    };
    Some((field, value * scale))
}

fn balance(phase: u8, values: &BalanceValues) -> Point {
    let named = [
        ("grid_w", values.grid_w),
        ("solar_w", values.solar_w),
        ("battery_w", values.battery_w),
        ("house_w", values.house_w),
        ("import_w", values.import_w),
        ("export_w", values.export_w),
        ("loads_w", values.loads_w),
        ("base_w", values.base_w),
        ("spare_w", values.spare_w),
    ];
    let phase = if phase == 0 { "all".to_owned() } else { phase.to_string() };
    let known = named.into_iter().filter_map(|(name, value)| Some((name, value?)));
    of("balance", vec![("phase", phase)], known.collect())
}

fn about_load(load: &str, field: &'static str, value: f64) -> Point {
    of("load", vec![("load", load.to_owned())], vec![(field, value)])
}

fn energy(flow: &str, kwh: f64, covered_s: f64) -> Point {
    let meter = flow.strip_prefix("meter.").and_then(|rest| rest.rsplit_once('.'));
    let tags = match (flow.strip_prefix("load."), meter) {
        (Some(load), _) => vec![("flow", "load".to_owned()), ("load", load.to_owned())],
        (None, Some((point, way))) => vec![("flow", format!("meter_{way}")), ("point", point.to_owned())],
        (None, None) => vec![("flow", flow.to_owned())],
    };
    of("energy", tags, vec![("kwh", kwh), ("covered_s", covered_s)])
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use std::sync::Arc;

    const GRID: &str = r#"{"measures":"grid","unit":"Kw","positive":"Export","scale":2.0,"phase":null,
        "more":[{"quantity":"volts","scale":0.1}]}"#;

    fn entry(at: i64, what: What) -> Entry {
        Entry { at: WallTime(at), what }
    }

    fn number(series: &str, value: f64, definition: &str) -> What {
        What::Sample {
            series: series.to_owned(),
            value,
            definition: Some(Arc::from(definition)),
            righted: None,
        }
    }

    fn of_unit(unit: &str) -> String {
        format!(r#"{{"measures":"load.car","unit":{unit},"positive":"Use","scale":1.0,"phase":2,"more":[]}}"#)
    }

    #[test]
    fn every_kind_of_entry_has_its_line() {
        let values = BalanceValues { grid_w: Some(-500.0), spare_w: Some(500.0), ..BalanceValues::default() };
        let entries = [
            entry(100, number("point.grid", 1.5, GRID)),
            entry(100, number("point.grid.volts", 2301.0, GRID)),
            entry(100, number("point.car-meter", 7.0, &of_unit("\"A\""))),
            entry(100, number("point.car-meter", 12500.0, &of_unit("\"Wh\""))),
            entry(100, number("point.car-meter", 1.0, &of_unit(r#"{"Pulses":{"per_kwh":1000.0}}"#))),
            entry(100, number("point.car-meter", 9.0, &of_unit(r#"{"PulseCount":{"per_kwh":1000.0}}"#))),
            entry(100, number("input.tank_c", 512.0, r#"{"unit":"°C","scale":0.1}"#)),
            entry(100, What::Balance { phase: 0, values }),
            entry(100, What::Balance { phase: 3, values }),
            entry(100, What::Setpoint { load: "car".to_owned(), watts: 1380.0 }),
            entry(100, What::Switched { load: "car".to_owned(), on: true }),
            entry(200, What::Energy { flow: "import".to_owned(), kwh: 0.25, covered_s: 1800.0 }),
            entry(200, What::Energy { flow: "load.car".to_owned(), kwh: 0.5, covered_s: 900.0 }),
            entry(200, What::Energy { flow: "meter.roof-east.in".to_owned(), kwh: 0.5, covered_s: 900.0 }),
            entry(200, number("point.gone", 5.0, "no json")),
        ];
        insta::assert_snapshot!(lines("wren", &entries).join("\n"), @r"
        grid,home=wren,point=grid power_w=-3000 100
        grid,home=wren,point=grid voltage_v=230.10000000000002 100
        load,home=wren,point=car-meter,load=car,phase=2 current_a=7 100
        load,home=wren,point=car-meter,load=car,phase=2 register_kwh=12.5 100
        load,home=wren,point=car-meter,load=car,phase=2 pulses=1 100
        load,home=wren,point=car-meter,load=car,phase=2 pulse_count=9 100
        input,home=wren,input=tank_c value=51.2 100
        balance,home=wren,phase=all grid_w=-500,spare_w=500 100
        balance,home=wren,phase=3 grid_w=-500,spare_w=500 100
        load,home=wren,load=car setpoint_w=1380 100
        load,home=wren,load=car on=1 100
        energy,home=wren,flow=import kwh=0.25,covered_s=1800 200
        energy,home=wren,flow=load,load=car kwh=0.5,covered_s=900 200
        energy,home=wren,flow=meter_in,point=roof-east kwh=0.5,covered_s=900 200
        unexplained,home=wren,series=point.gone value=5 200
        ");
    }

    #[test]
    fn what_was_found_wrong_is_sent_as_it_truly_was() {
        let solar =
            r#"{"measures":"solar","unit":"W","positive":"Generation","scale":1.0,"phase":null,"more":[]}"#;
        let right = |series: &str, value: f64, factor: f64, point: &str, definition: &str| {
            let right = Righted { factor, turned: factor < 0.0, point: point.to_owned() };
            let righted = Some((right, Some(Arc::from(definition))));
            let definition = Some(Arc::from(GRID));
            entry(100, What::Sample { series: series.to_owned(), value, definition, righted })
        };
        let entries = [
            right("point.grid", 1.5, -1.0, "grid", GRID),
            right("point.grid.volts", 2300.0, -1.0, "grid", GRID),
            right("point.grid.import_kwh", 7.0, -1.0, "grid", GRID),
            right("point.grid", 1.5, 0.5, "roof", solar),
        ];
        insta::assert_snapshot!(lines("wren", &entries).join("\n"), @r"
        grid,home=wren,point=grid power_w=3000 100
        grid,home=wren,point=grid voltage_v=230 100
        grid,home=wren,point=grid export_kwh=7 100
        solar,home=wren,point=roof power_w=-1500 100
        ");
    }

    #[test]
    fn points_of_one_series_with_one_stamp_stand_apart() {
        let w = of_unit("\"W\"");
        let one = |at, value| entry(at, number("point.car-meter", value, &w));
        let other = |at| entry(at, number("point.other", 9.0, &w));
        let lines = lines("wren", &[one(100, 1.0), one(100, 2.0), other(100), one(100, 3.0), one(200, 4.0)]);
        let times: Vec<&str> = lines.iter().map(|l| l.rsplit(' ').next().unwrap()).collect();
        assert_eq!(times, ["100", "101", "100", "102", "200"]);
    }

    #[test]
    fn a_flood_never_reaches_into_the_next_stamp() {
        let w = of_unit("\"W\"");
        let flood: Vec<Entry> =
            (0..300).map(|i| entry(100, number("point.car-meter", f64::from(i), &w))).collect();
        let last = lines("wren", &flood).pop().unwrap();
        assert!(last.ends_with(" 199"), "{last}");
    }
}
