//! Measuring points, and the loads' own meters.

use overspill_rules::home::{Extra, ExtraKind, LoadId, Measures, Point, PointId, Positive, Side, Unit};
use overspill_rules::limits::{POINTS, STALE_INTERVALS};
use overspill_rules::time::Span;

use crate::config::block::Block;
use crate::config::checks::point as check;
use crate::config::form::one_of;
use crate::config::route::Target;
use crate::config::table::EXTRAS;

use super::{Build, Item};

impl<'b> Build<'b, '_> {
    pub(super) fn points(&mut self) -> Vec<Item<'b, Point>> {
        let points = self.items("point", |build, at, id, block| {
            let measures = build.measures(block);
            let positive = measures.and_then(|m| build.positive(block, m));
            build.point_phase(block);
            build.readable_name("point", id, block);
            build.point(PointId(at), id, block, measures, positive)
        });
        if let Some(first_over) = points.get(POINTS) {
            let message = format!("a home has at most {POINTS} points");
            self.found.error("too-many", first_over.place.clone(), message).label("one too many");
        }
        points
    }

    /// Points made of `feedback.draw` of the loads; the first has the number `next`.
    pub(super) fn own_meters(&mut self, next: usize) -> Vec<Item<'b, Point>> {
        let mut meters = Vec::new();
        for (at, (id, load)) in self.root.named("load").iter().enumerate() {
            let Some(block) = load.block("feedback").and_then(|f| f.block("draw")) else { continue };
            let name = draw_id(&id.value);
            let point = PointId((next + meters.len()) as u16);
            let measures = Measures::Load(LoadId(at as u16));
            let made = self.point(point, &name, block, Some(measures), Some(Positive::Use));
            if self.names.points.contains(&name.as_str()) {
                self.found
                    .error(
                        "taken-name",
                        block.header.clone(),
                        format!("the load's meter would be called `{name}`"),
                    )
                    .label("a point has this name")
                    .help(format!("give `[point.{name}]` another name"));
            }
            meters.push(Item { id: name, place: load.key_place("feedback"), block, made });
        }
        meters
    }

    fn measures(&mut self, block: &Block) -> Option<Measures> {
        let text = block.text("measures")?;
        if let Some(load) = text.strip_prefix("load.") {
            let names = self.names.loads.clone();
            let at = self.find(load, block.place("measures"), "measures", "load", &names)?;
            return Some(Measures::Load(LoadId(at)));
        }
        match text {
            "grid" => Some(Measures::Grid(Side::Both)),
            "grid.import" => Some(Measures::Grid(Side::Import)),
            "grid.export" => Some(Measures::Grid(Side::Export)),
            "solar" => Some(Measures::Solar),
            "house" => Some(Measures::House),
            "battery" => Some(Measures::Battery),
            _ => None,
        }
    }

    /// What a positive number means: it must fit what is measured, and be said where both directions occur.
    fn positive(&mut self, block: &Block, measures: Measures) -> Option<Positive> {
        let fitting = fitting(measures);
        let Some(word) = block.text("positive") else {
            if block.is_broken("positive") {
                return None;
            }
            let both = matches!(measures, Measures::Grid(Side::Both) | Measures::Battery);
            if both {
                let words: Vec<&str> = fitting.iter().map(|(w, _)| *w).collect();
                self.found
                    .error(
                        "missing-key",
                        block.header.clone(),
                        format!("`[{}]` lacks `positive`", block.name),
                    )
                    .label("`positive` is missing")
                    .help(format!(
                        "power goes both ways here: say what a positive number from the device means, {}",
                        one_of(&words)
                    ));
                return None;
            }
            return fitting.first().map(|(_, p)| *p);
        };
        if let Some((_, positive)) = fitting.iter().find(|(w, _)| *w == word) {
            return Some(*positive);
        }
        let words: Vec<&str> = fitting.iter().map(|(w, _)| *w).collect();
        let what = block.text("measures").unwrap_or_default();
        self.found
            .error(
                "positive-unfit",
                block.place("positive"),
                format!("`positive` does not fit what is measured: {what}"),
            )
            .label(format!("{} fits", one_of(&words)))
            .also(block.place("measures"), "measured here");
        None
    }

    fn point_phase(&mut self, block: &Block) {
        let single = self.supply.is_some_and(|s| s.phases == 1);
        if single && block.whole("phase").is_some_and(|p| p > 1) {
            self.found
                .error("single-phase", block.place("phase"), "the supply has a single phase")
                .label("no such phase")
                .help("leave `phase` out, or write phases = 3 in `[supply]`");
        }
    }

    fn point(
        &mut self,
        at: PointId,
        id: &str,
        block: &Block,
        measures: Option<Measures>,
        positive: Option<Positive>,
    ) -> Option<Point> {
        self.route(block, Target::Point(at));
        self.nonzero_scale(block);
        let extras = self.extras(at, block);
        let unit = self.unit(block);
        let (lag, interval) = (block.duration("lag"), block.duration("interval"));
        let stale_after = stale_after(block);
        check::ages(block, self.found);
        check::plausible(block, measures, self.found);
        check::scale(block, measures, self.found);
        check::amps(block, self.found);
        check::peak(block, measures, self.found);
        let has_phase = block.knows("phase");
        let broken = (has_phase && block.is_broken("phase"))
            || ["plausible", "interval", "gap_after", "power_factor"].iter().any(|k| block.is_broken(k));
        let made = Point {
            id: id.to_owned(),
            measures: measures?,
            unit: unit?,
            positive: positive?,
            scale: block.number("scale")? * turned(block),
            phase: if has_phase { block.whole("phase").map(|p| p as u8) } else { None },
            lag: lag?,
            stale_after: stale_after?,
            gap_after: block.duration("gap_after"),
            interval,
            plausible: block.range("plausible"),
            power_factor: block.number("power_factor").unwrap_or(1.0),
            extras,
        };
        (!broken).then_some(made)
    }

    fn extras(&mut self, at: PointId, block: &Block) -> Vec<Extra> {
        let mut extras = Vec::new();
        for name in EXTRAS.iter().filter(|n| block.knows(n)) {
            let (Some(kind), Some(extra)) = (extra_kind(name), block.block(name)) else { continue };
            self.extra_route(block, extra, Target::Extra(at, kind));
            extras.push(Extra { kind, scale: extra.number("scale").unwrap_or(1.0) });
        }
        extras
    }

    fn unit(&mut self, block: &Block) -> Option<Unit> {
        let word = block.text("unit")?;
        let pulses = word == "pulses" || word == "count";
        if pulses {
            self.need(block, "per_kwh", "How many impulses make a kilowatt-hour is printed on the meter.");
        } else if block.is_written("per_kwh") {
            self.found
                .error("unused-key", block.key_place("per_kwh"), "`per_kwh` is for pulses")
                .label(format!("the unit is {word}"))
                .help("write unit = \"pulses\" (how many since the last message) or \"count\" (a running count), or leave it out");
        }
        Some(match word {
            "W" => Unit::W,
            "kW" => Unit::Kw,
            "A" => Unit::A,
            "Wh" => Unit::Wh,
            "kWh" => Unit::Kwh,
            "pulses" => Unit::Pulses { per_kwh: block.number("per_kwh")? },
            _ => Unit::PulseCount { per_kwh: block.number("per_kwh")? },
        })
    }
}

/// Words that fit what is measured; the first holds where nothing is written and only one direction makes sense.
fn fitting(measures: Measures) -> &'static [(&'static str, Positive)] {
    match measures {
        Measures::Grid(Side::Both) => &[("import", Positive::Import), ("export", Positive::Export)],
        Measures::Grid(Side::Import) => &[("import", Positive::Import)],
        // Its own direction is out: the balance takes it off.
        Measures::Grid(Side::Export) => &[("export", Positive::Import)],
        Measures::Solar => &[("generation", Positive::Generation), ("use", Positive::Use)],
        Measures::House | Measures::Load(_) => &[("use", Positive::Use)],
        Measures::Battery => &[("charge", Positive::Charge), ("discharge", Positive::Discharge)],
    }
}

/// The point of a load's own meter.
pub(crate) fn draw_id(load: &str) -> String {
    format!("{load}-draw")
}

/// A meter on the solar circuit may count generation as negative use: its scale is turned, since by itself "use" is the
/// program's own direction.
fn turned(block: &Block) -> f64 {
    let solar = block.knows("measures") && block.text("measures") == Some("solar");
    if solar && block.text("positive") == Some("use") { -1.0 } else { 1.0 }
}

/// As written; else the usual 30 s, or what the declared interval asks for where that is longer.
fn stale_after(block: &Block) -> Option<Span> {
    let stale_after = block.duration("stale_after")?;
    match (block.is_written("stale_after"), block.duration("interval"), block.duration("lag")) {
        (false, Some(interval), Some(lag)) => Some(stale_after.max(interval.times(STALE_INTERVALS) + lag)),
        _ => Some(stale_after),
    }
}

fn extra_kind(name: &str) -> Option<ExtraKind> {
    match name {
        "volts" => Some(ExtraKind::Volts),
        "amps" => Some(ExtraKind::Amps),
        "power_factor" => Some(ExtraKind::PowerFactor),
        "import_kwh" => Some(ExtraKind::ImportKwh),
        "export_kwh" => Some(ExtraKind::ExportKwh),
        _ => None,
    }
}
