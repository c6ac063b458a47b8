//! How the numbers of a point or an input are to be understood, in JSON, kept beside the numbers as received.

use overspill_rules::home::{Home, Measures, OtherInput, Point};
use serde_json::{Value, json};

use super::names::extra_word;

/// Name of the series and its definition, for every point and input of the home; and `home` for the whole.
pub(super) fn definitions(home: &Home) -> Vec<(String, String)> {
    let points = home.points.iter().map(|p| (format!("point.{}", p.id), point(home, p).to_string()));
    let inputs = home.inputs.iter().map(|i| (format!("input.{}", i.id), input(i).to_string()));
    points.chain(inputs).chain([("home".to_owned(), whole(home).to_string())]).collect()
}

/// What belongs together: without the list, a point that was taken out of the home file could not be told from one that
/// was silent.
fn whole(home: &Home) -> Value {
    json!({
        "points": home.points.iter().map(|p| &p.id).collect::<Vec<_>>(),
        "volts": home.supply.volts,
    })
}

fn point(home: &Home, point: &Point) -> Value {
    let extras = point.extras.iter().map(|e| json!({ "quantity": extra_word(e.kind), "scale": e.scale }));
    json!({
        "measures": measures(home, point.measures),
        "unit": point.unit,
        "positive": point.positive,
        "scale": point.scale,
        "phase": point.phase,
        "lag_ms": point.lag.0,
        "stale_after_ms": point.stale_after.0,
        "interval_ms": point.interval.map(|s| s.0),
        "gap_after_ms": point.gap_after.map(|s| s.0),
        "plausible": point.plausible,
        "power_factor": point.power_factor,
        "more": extras.collect::<Vec<_>>(),
    })
}

fn measures(home: &Home, what: Measures) -> String {
    match what {
        Measures::Load(id) => {
            format!("load.{}", home.loads.get(usize::from(id.0)).map_or("", |l| l.id.as_str()))
        }
        other => other.to_string(),
    }
}

fn input(input: &OtherInput) -> Value {
    json!({
        "unit": input.unit,
        "scale": input.scale,
        "stale_after_ms": input.stale_after.0,
        "plausible": input.plausible,
    })
}
