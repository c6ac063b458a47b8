//! The home as it was described when numbers were recorded, from the definitions in the journal.

use std::sync::Arc;

use overspill_rules::home::{
    Extra, ExtraKind, Home, InputId, Measures, Point, PointId, Positive, Side, Unit,
};
use overspill_rules::output::{EnergyRow, Flow};
use overspill_rules::time::Span;
use serde_json::Value;

use super::columns::{Column, Meaning};
use crate::store::{StoreError, StoreReader};

/// Every point that the journal or today's home file knows; readings of any time find their place in it.
pub(crate) fn all_points(reader: &StoreReader, home: &Home) -> Result<Home, StoreError> {
    let mut wide = home.clone();
    for name in reader.defined()? {
        let Some(id) = name.strip_prefix("point.") else { continue };
        if wide.point_named(id).is_none() {
            wide.points.push(nameless(id));
        }
    }
    Ok(wide)
}

/// What makes watts of every number that this point ever sent, imports included; `None` where that was not one and the
/// same factor.
pub(crate) fn watts_for_one(reader: &StoreReader, id: &str, home: &Home) -> Result<Option<f64>, StoreError> {
    let of = |point: Point| match point.unit {
        Unit::W => Some(point.scale * point.positive.sign()),
        Unit::Kw => Some(point.scale * point.positive.sign() * 1000.0),
        _ => None,
    };
    let all = reader.definitions(&format!("point.{id}"))?;
    let mut factors = all.iter().map(|json| of(described(id, json, home)?));
    let Some(first) = factors.next().flatten() else { return Ok(None) };
    Ok(factors.all(|factor| factor == Some(first)).then_some(first))
}

/// A point of which only the name counts.
fn nameless(id: &str) -> Point {
    Point {
        id: id.to_owned(),
        measures: Measures::House,
        unit: Unit::W,
        positive: Positive::Use,
        scale: 1.0,
        phase: None,
        lag: Span::ZERO,
        stale_after: Span::ZERO,
        gap_after: None,
        interval: None,
        plausible: None,
        power_factor: 1.0,
        extras: Vec::new(),
    }
}

/// The home of one run of the daemon, and where each of all points stands in it.
#[derive(Debug, Clone)]
pub(crate) struct RunHome {
    pub(crate) home: Arc<Home>,
    places: Vec<Option<PointId>>,
}

impl RunHome {
    /// As the definitions in force at `run` say.
    pub(crate) fn of(
        reader: &StoreReader,
        run: i64,
        all: &Home,
        today: &Home,
    ) -> Result<RunHome, StoreError> {
        let whole = reader.definition("home", run)?.and_then(|json| parse(&json));
        let listed: Option<Vec<String>> =
            whole.as_ref().and_then(|w| serde_json::from_value(w.get("points")?.clone()).ok());
        let mut home = today.clone();
        home.points.clear();
        if let Some(volts) = whole.as_ref().and_then(|w| w.get("volts")?.as_f64()) {
            home.supply.volts = volts;
        }
        let mut places = vec![None; all.points.len()];
        for (place, point) in places.iter_mut().zip(&all.points) {
            // Journals from before the list was kept: today's points, as far as they were defined then.
            let there = match &listed {
                Some(ids) => ids.contains(&point.id),
                None => today.point_named(&point.id).is_some(),
            };
            let json = if there { reader.definition(&format!("point.{}", point.id), run)? } else { None };
            if let Some(described) = json.and_then(|json| described(&point.id, &json, today)) {
                *place = Some(PointId(home.points.len() as u16));
                home.points.push(described);
            }
        }
        for input in &mut home.inputs {
            let json = reader.definition(&format!("input.{}", input.id), run)?.and_then(|json| parse(&json));
            if let Some(scale) = json.and_then(|json| json.get("scale")?.as_f64()) {
                input.scale = scale;
            }
        }
        Ok(RunHome { home: Arc::new(home), places })
    }

    /// As today's home file says.
    pub(crate) fn of_today(all: &Home, today: &Home) -> RunHome {
        let places = all.points.iter().map(|p| today.point_named(&p.id)).collect();
        RunHome { home: Arc::new(today.clone()), places }
    }

    /// Energy with its points as today's home numbers them; that of a point which it no longer has is left out.
    pub(crate) fn as_today(&self, rows: Vec<EnergyRow>, today: &Home) -> Vec<EnergyRow> {
        let place = |PointId(i)| today.point_named(&self.home.points.get(usize::from(i))?.id);
        let each = rows.into_iter().filter_map(|row| {
            let flow = match row.flow {
                Flow::MeterIn(point) => Flow::MeterIn(place(point)?),
                Flow::MeterOut(point) => Flow::MeterOut(place(point)?),
                other => other,
            };
            Some(EnergyRow { flow, ..row })
        });
        each.collect()
    }

    /// What the numbers of an input are multiplied by.
    pub(crate) fn input_scale(&self, input: InputId) -> f64 {
        self.home.inputs.get(usize::from(input.0)).map_or(1.0, |i| i.scale)
    }

    /// All points in watts, as imported numbers are once their unit is known.
    pub(crate) fn in_watts(all: &Home) -> RunHome {
        let places = (0..all.points.len()).map(|i| Some(PointId(i as u16))).collect();
        RunHome { home: Arc::new(plain(all)), places }
    }

    /// Where one of all points stands in this home.
    pub(crate) fn place(&self, point: PointId) -> Option<PointId> {
        self.places.get(usize::from(point.0)).copied().flatten()
    }

    /// One of all points, as this home describes it.
    pub(crate) fn point(&self, point: PointId) -> Option<&Point> {
        self.home.points.get(usize::from(self.place(point)?.0))
    }
}

fn parse(json: &str) -> Option<Value> {
    serde_json::from_str(json).ok()
}

/// A point from its definition in the journal; `None` where it measures a load that the home no longer has.
fn described(id: &str, json: &str, home: &Home) -> Option<Point> {
    let json = parse(json)?;
    let span = |key: &str| json.get(key).and_then(Value::as_i64).map(Span);
    let number = |key: &str| json.get(key).and_then(Value::as_f64);
    let taken = |key: &str| json.get(key).cloned().unwrap_or(Value::Null);
    Some(Point {
        id: id.to_owned(),
        measures: measures(json.get("measures")?.as_str()?, home)?,
        unit: serde_json::from_value(taken("unit")).ok()?,
        positive: serde_json::from_value(taken("positive")).ok()?,
        scale: number("scale").unwrap_or(1.0),
        phase: json.get("phase").and_then(Value::as_u64).and_then(|p| u8::try_from(p).ok()),
        lag: span("lag_ms").unwrap_or(Span::ZERO),
        stale_after: span("stale_after_ms").unwrap_or(Span::seconds(30)),
        gap_after: span("gap_after_ms"),
        interval: span("interval_ms"),
        plausible: serde_json::from_value(taken("plausible")).ok().flatten(),
        power_factor: number("power_factor").unwrap_or(1.0),
        extras: json.get("more").and_then(Value::as_array).map_or_else(Vec::new, |m| extras(m)),
    })
}

fn extras(list: &[Value]) -> Vec<Extra> {
    let one = |v: &Value| {
        let kind: ExtraKind = serde_json::from_value(v.get("quantity")?.clone()).ok()?;
        Some(Extra { kind, scale: v.get("scale").and_then(Value::as_f64).unwrap_or(1.0) })
    };
    list.iter().filter_map(one).collect()
}

fn measures(word: &str, home: &Home) -> Option<Measures> {
    Some(match word {
        "grid" => Measures::Grid(Side::Both),
        "grid.import" => Measures::Grid(Side::Import),
        "grid.export" => Measures::Grid(Side::Export),
        "solar" => Measures::Solar,
        "house" => Measures::House,
        "battery" => Measures::Battery,
        other => Measures::Load(home.load_named(other.strip_prefix("load.")?)?),
    })
}

/// The home with its points as the columns of a file mean them: the program's signs, no scale, no delay.
pub(crate) fn as_imported(home: &Home, columns: &[Column]) -> Home {
    let mut meant = plain(home);
    for column in columns {
        if let Meaning::Power(PointId(i), unit) = column.meaning
            && let Some(point) = meant.points.get_mut(usize::from(i))
        {
            point.unit = unit;
        }
    }
    for input in &mut meant.inputs {
        input.scale = 1.0;
    }
    meant
}

/// The home with every point in watts and the program's signs.
pub(crate) fn plain(home: &Home) -> Home {
    let mut plain = home.clone();
    for point in &mut plain.points {
        point.unit = Unit::W;
        point.positive = plain_sign(point.measures);
        point.scale = 1.0;
        point.lag = Span::ZERO;
        point.interval = None;
        // How long an imported number stands is known for each; no other rule is needed.
        point.gap_after = Some(Span::hours(24 * 3660));
        point.extras.iter_mut().for_each(|e| e.scale = 1.0);
    }
    plain
}

/// The word for the program's own sign.
fn plain_sign(measures: Measures) -> Positive {
    match measures {
        Measures::Grid(_) => Positive::Import,
        Measures::Solar => Positive::Generation,
        Measures::House | Measures::Load(_) => Positive::Use,
        Measures::Battery => Positive::Discharge,
    }
}
