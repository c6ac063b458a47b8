//! Places in the home's lists, and the names by which the store keeps them.
//!
//! The core refers to points, inputs and loads by their place in the home file. Places shift when the file changes, so
//! nothing in the store is kept by place.

use overspill_rules::home::{ExtraKind, Home, InputId, LoadId, PointId, SettingId};
use overspill_rules::input::About;
use overspill_rules::output::Flow;
use serde_json::Value;

/// The names of one home, in its order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Names {
    pub(super) home: String,
    points: Vec<String>,
    inputs: Vec<String>,
    loads: Vec<String>,
    settings: Vec<String>,
}

impl Names {
    pub(crate) fn of(home: &Home) -> Names {
        Names {
            home: home.id.clone(),
            points: home.points.iter().map(|p| p.id.clone()).collect(),
            inputs: home.inputs.iter().map(|i| i.id.clone()).collect(),
            loads: home.loads.iter().map(|l| l.id.clone()).collect(),
            settings: home.settings.iter().map(|s| s.id.clone()).collect(),
        }
    }

    pub(super) fn load(&self, id: LoadId) -> String {
        named(&self.loads, id.0)
    }

    pub(super) fn setting(&self, id: SettingId) -> String {
        named(&self.settings, id.0)
    }

    pub(super) fn about(&self, about: &About) -> String {
        match about {
            About::Point(PointId(n)) => format!("point.{}", named(&self.points, *n)),
            About::Input(InputId(n)) => format!("input.{}", named(&self.inputs, *n)),
            About::Load(id) => format!("load.{}", self.load(*id)),
            About::Setting(id) => format!("setting.{}", self.setting(*id)),
            About::Rule(name) => format!("rule.{name}"),
            About::Home => "home".to_owned(),
        }
    }

    pub(crate) fn flow(&self, flow: Flow) -> String {
        match flow {
            Flow::Import => "import".to_owned(),
            Flow::Export => "export".to_owned(),
            Flow::Solar => "solar".to_owned(),
            Flow::House => "house".to_owned(),
            Flow::Charge => "charge".to_owned(),
            Flow::Discharge => "discharge".to_owned(),
            Flow::Load(id) => format!("load.{}", self.load(id)),
            Flow::MeterIn(id) => format!("meter.{}.in", named(&self.points, id.0)),
            Flow::MeterOut(id) => format!("meter.{}.out", named(&self.points, id.0)),
        }
    }

    pub(super) fn point_series(&self, id: PointId, extra: Option<ExtraKind>) -> String {
        let point = named(&self.points, id.0);
        match extra {
            None => format!("point.{point}"),
            Some(kind) => format!("point.{point}.{}", extra_word(kind)),
        }
    }

    pub(super) fn input_series(&self, id: InputId) -> String {
        format!("input.{}", named(&self.inputs, id.0))
    }

    /// What a series is in this home; `None` when it has no such point or input now.
    pub(super) fn series(&self, name: &str) -> Option<Source> {
        let place = |list: &[String], id: &str| list.iter().position(|n| n == id).map(|i| i as u16);
        if let Some(id) = name.strip_prefix("input.") {
            return place(&self.inputs, id).map(|n| Source::Input(InputId(n)));
        }
        let rest = name.strip_prefix("point.")?;
        let (id, extra) = match rest.split_once('.') {
            Some((id, word)) => (id, Some(EXTRAS.into_iter().find(|k| extra_word(*k) == word)?)),
            None => (rest, None),
        };
        place(&self.points, id).map(|n| Source::Point(PointId(n), extra))
    }

    /// Puts names in the place of the numbers under `load`, `point`, `input` and `setting`, at any depth.
    pub(super) fn name_places(&self, value: &mut Value) {
        walk(value, &|key, item| {
            let place = item.as_u64().and_then(|n| u16::try_from(n).ok())?;
            self.list(key).map(|list| Ok(Value::String(named(list, place))))
        })
        .ok();
    }

    /// The reverse of [`Names::name_places`].
    ///
    /// # Errors
    /// The name that this home does not have.
    pub(super) fn place_names(&self, value: &mut Value) -> Result<(), String> {
        walk(value, &|key, item| {
            let (name, list) = (item.as_str()?, self.list(key)?);
            let place = list.iter().position(|n| n == name);
            Some(place.map(Value::from).ok_or_else(|| format!("{key} `{name}`")))
        })
    }

    fn list(&self, key: &str) -> Option<&[String]> {
        match key {
            "load" => Some(&self.loads),
            "point" => Some(&self.points),
            "input" => Some(&self.inputs),
            "setting" => Some(&self.settings),
            _ => None,
        }
    }
}

/// Where a number comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Source {
    Point(PointId, Option<ExtraKind>),
    Input(InputId),
}

const EXTRAS: [ExtraKind; 5] =
    [ExtraKind::Volts, ExtraKind::Amps, ExtraKind::PowerFactor, ExtraKind::ImportKwh, ExtraKind::ExportKwh];

pub(crate) fn extra_word(kind: ExtraKind) -> &'static str {
    match kind {
        ExtraKind::Volts => "volts",
        ExtraKind::Amps => "amps",
        ExtraKind::PowerFactor => "power_factor",
        ExtraKind::ImportKwh => "import_kwh",
        ExtraKind::ExportKwh => "export_kwh",
    }
}

/// A place outside the list can only come from a fault of ours; it is kept visibly rather than lost.
fn named(list: &[String], place: u16) -> String {
    list.get(usize::from(place)).cloned().unwrap_or_else(|| format!("#{place}"))
}

type Change<'a> = &'a dyn Fn(&str, &Value) -> Option<Result<Value, String>>;

fn walk(value: &mut Value, change: Change<'_>) -> Result<(), String> {
    match value {
        Value::Array(items) => items.iter_mut().try_for_each(|item| walk(item, change)),
        Value::Object(map) => map.iter_mut().try_for_each(|(key, item)| {
            if let Some(new) = change(key, item) {
                *item = new?;
                return Ok(());
            }
            walk(item, change)
        }),
        _ => Ok(()),
    }
}
