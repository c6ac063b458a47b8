//! The steps of a home, in their order.

use crate::home::{ExtraKind, Home, LoadId, PointId};
use crate::time::Span;

use super::super::{BEFORE_ALL, Clamp, Flow, Site, What, caution};
use super::compare::{Flashes, Instrument};
use super::daylight::Daylight;
use super::fallback::{Fallen, Way};

use super::load::Commanded;
use super::machine::Machine;
use super::often::Often;
use super::paper;
use super::points::Judged;
use super::switching::Switching;
use super::voltage::Voltage;
use super::watch::Watch;

/// A step as people see it.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Its id: letters, digits, dots and hyphens.
    pub id: String,
    /// Its title.
    pub title: String,
    /// What to do, in sentences.
    pub what: String,
    /// What must be known before hands move; may be empty.
    pub cautions: Vec<&'static str>,
    /// About how long it takes.
    pub lasts: Span,
    /// What it proves, as `point.<id>` and `load.<id>`.
    pub proves: Vec<String>,
    pub(super) kind: Kind,
}

/// What a step is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Kind {
    Cautions,
    Sources,
    Watch,
    Voltage,
    Instruments,
    TestLoad(Option<u8>),
    Roof,
    Point(PointId),
    Clamp(PointId),
    Flashes,
    Instrument(PointId),
    Load(LoadId),
    Fallback(LoadId, Way),
    Daylight,
    Registers,
    Fuse,
    Contacts,
}

fn step(id: impl Into<String>, title: impl Into<String>, kind: Kind, lasts: Span, what: &str) -> Step {
    Step {
        id: id.into(),
        title: title.into(),
        what: what.to_owned(),
        cautions: Vec::new(),
        lasts,
        proves: Vec::new(),
        kind,
    }
}

impl Step {
    fn caution(mut self, words: &'static str) -> Step {
        self.cautions.push(words);
        self
    }

    fn proves(mut self, what: impl IntoIterator<Item = String>) -> Step {
        self.proves.extend(what);
        self
    }

    /// The step at work.
    pub(super) fn machine(&self, home: &Home) -> Box<dyn Machine> {
        let point_id = |p: PointId| home.points.get(usize::from(p.0)).map_or("", |p| p.id.as_str());
        match self.kind {
            Kind::Cautions => Box::new(paper::cautions()),
            Kind::Sources => Box::new(paper::sources(home)),
            Kind::Watch => Box::new(Watch::default()),
            Kind::Voltage => {
                let british =
                    home.timezone.iana_name().is_some_and(|z| z == "Europe/London" || z == "Europe/Belfast");
                Box::new(Voltage::new(home.supply.volts, british))
            }
            Kind::Instruments => Box::new(paper::instruments()),
            Kind::TestLoad(phase) => Box::new(Switching::test_load(&self.id, phase)),
            Kind::Roof => Box::new(Switching::roof(&self.id)),
            Kind::Point(point) => Box::new(Judged(point)),
            Kind::Clamp(point) => Box::new(paper::clamp(point_id(point))),
            Kind::Flashes => Box::new(Flashes::default()),
            Kind::Instrument(point) => Box::new(Instrument::new(point, point_id(point))),
            Kind::Load(load) => Box::new(Commanded::new(load, &self.id)),
            Kind::Fallback(load, way) => Box::new(Fallen::new(load, way, &self.id)),
            Kind::Daylight => Box::new(Daylight::default()),
            Kind::Registers => Box::new(paper::registers()),
            Kind::Fuse => Box::new(paper::fuse(home)),
            Kind::Contacts => Box::new(paper::contacts(home)),
        }
    }
}

/// Moving or comparing anything with covers off.
const AT_THE_BOARD: &str = "Live parts may be within reach. Use the instrument only as its own instructions say, on insulated conductors.";

/// Ends commands by force.
const UNATTENDED: &str = "The load may go on drawing power for a while with nobody in command. Stay with it, with its own switch within reach.";

/// All steps of a home, in their order.
pub(super) fn steps(home: &Home, site: &Site) -> Vec<Step> {
    let mut all = before_switching(home);
    all.extend(by_hand(home, site));
    let (commanded, fallbacks) = of_loads(home);
    all.extend(commanded);
    // Judged before anything else is switched: a heater beside an instrument would pass for the house's own.
    all.extend(site.clamps.iter().map(|c| verdict(home, c)));
    all.extend(compared(home, site));
    all.extend(fallbacks);
    if site.solar {
        let point = |id: PointId| home.points.get(usize::from(id.0)).map_or("", |p| p.id.as_str());
        let roofs = home.points_measuring(crate::home::Measures::Solar);
        all.push(
            step(
                "daylight",
                "Night and day",
                Kind::Daylight,
                Span::ZERO,
                "What the roof gives is held against the sun.",
            )
            .proves(roofs.map(|p| format!("point.{}", point(p)))),
        );
    }
    all.extend(paper_work(home, site));
    all
}

fn verdict(home: &Home, clamp: &Clamp) -> Step {
    let id = home.points.get(usize::from(clamp.point.0)).map_or("", |p| p.id.as_str());
    step(
        format!("point.{id}"),
        format!("Verdict on `{id}`"),
        Kind::Point(clamp.point),
        Span::ZERO,
        "What it answered is judged.",
    )
    .proves([format!("point.{id}")])
}

/// The supply's meter and the installer's instrument beside the points.
fn compared(home: &Home, site: &Site) -> Vec<Step> {
    let grids = home.points.iter().filter(|p| matches!(p.measures, crate::home::Measures::Grid(_)));
    let flashes = step(
        "flashes",
        "Flashes of the supply meter",
        Kind::Flashes,
        Span::minutes(2),
        "The lamp of the supply meter flashes for a fixed energy. Count flashes while a heater runs.",
    )
    .proves(grids.map(|p| format!("point.{}", p.id)));
    let beside = |c: &Clamp| {
        let id = home.points.get(usize::from(c.point.0)).map_or("", |p| p.id.as_str());
        step(
            format!("instrument.{id}"),
            format!("An instrument beside `{id}`"),
            Kind::Instrument(c.point),
            Span::minutes(2),
            "Hold your instrument on the same conductor while a steady load runs, and type what it reads.",
        )
        .caution(AT_THE_BOARD)
        .proves([format!("point.{id}")])
    };
    let by_hand = site.clamps.iter().filter(|c| !matches!(c.own.flow, Flow::Load(_)));
    std::iter::once(flashes).chain(by_hand.map(beside)).collect()
}

fn before_switching(home: &Home) -> Vec<Step> {
    let mut cautions = step(
        "cautions",
        "Before anything else",
        Kind::Cautions,
        Span::minutes(2),
        "Read these, and say who you are.",
    );
    cautions.cautions.extend(BEFORE_ALL);
    let measured = home.points.iter().any(|p| p.has_extra(ExtraKind::Volts));
    vec![
        cautions,
        step(
            "sources",
            "Sources of energy",
            Kind::Sources,
            Span::minutes(3),
            "List everything that can feed this home, and where each is isolated.",
        ),
        step(
            "watch",
            "Watching",
            Kind::Watch,
            Span::minutes(1),
            "Touch nothing: every point is watched for a minute.",
        )
        .proves(home.points.iter().map(|p| format!("point.{}", p.id))),
        step(
            "voltage",
            "Voltage",
            Kind::Voltage,
            if measured { Span::ZERO } else { Span::minutes(1) },
            "The voltage must lie within the statutory band.",
        ),
        step(
            "instruments",
            "Your instrument",
            Kind::Instruments,
            Span::minutes(1),
            "What readings are compared with.",
        ),
    ]
}

fn by_hand(home: &Home, site: &Site) -> Vec<Step> {
    let phases: Vec<Option<u8>> = if site.phases == 3 { (1..=3).map(Some).collect() } else { vec![None] };
    let clamps: Vec<String> = site.clamps.iter().map(|c| format!("point.{}", c.id)).collect();
    let quiet = home
        .points
        .iter()
        .filter_map(|p| p.interval)
        .max()
        .unwrap_or(Span::ZERO)
        .times(9.0)
        .max(Span::seconds(20));
    let mut all: Vec<Step> = phases
        .into_iter()
        .map(|phase| {
            let (id, where_) = match phase {
                None => ("test-load".to_owned(), String::new()),
                Some(p) => (format!("test-load.l{p}"), format!(" on L{p}")),
            };
            let least = Often::of(What::TestLoad(phase)).least;
            step(
                id,
                format!("A known load{where_}"),
                Kind::TestLoad(phase),
                quiet.times(1.0 + least as f64) + Span::seconds(60),
                "A plain heater or kettle of 1 to 3 kW is switched on and off three times, or more where the house is lively, with quiet between. This screen says when.",
            )
            .caution(caution(What::TestLoad(phase)))
            .proves(clamps.clone())
        })
        .collect();
    if site.solar {
        all.push(
            step(
                "roof",
                "The roof off and on",
                Kind::Roof,
                quiet.times(6.0) + Span::minutes(12),
                "The roof is switched off at its own isolator, three times, or more where clouds pass. It comes back by itself after some minutes; only switching off is judged.",
            )
            .caution(caution(What::SolarOff))
            .proves(clamps),
        );
    }
    all
}

/// Each load on and off; each load without a commander.
fn of_loads(home: &Home) -> (Vec<Step>, Vec<Step>) {
    let (mut all, mut fallbacks) = (Vec::new(), Vec::new());
    for (i, load) in home.loads.iter().enumerate() {
        let id = LoadId(i as u16);
        let turns = (load.min_on + load.min_off).times(2.0) + Span::minutes(3);
        all.push(
            step(
                format!("load.{}", load.id),
                format!("{} on and off", load.name),
                Kind::Load(id),
                turns,
                "It is commanded on and off twice through the daemon; every bound of the home holds.",
            )
            .caution(caution(What::Load(id)))
            .proves([format!("load.{}", load.id)]),
        );
    }
    for (i, load) in home.loads.iter().enumerate() {
        let itself = load.device_timeout.unwrap_or(Span::ZERO) + load.settle + Span::minutes(1);
        fallbacks.extend(Way::ALL.map(|way| {
            step(
                format!("fallback.{}.{}", load.id, way.word()),
                format!("{}: {}", load.name, way.title()),
                Kind::Fallback(LoadId(i as u16), way),
                if way == Way::Network { itself } else { Span::minutes(2) },
                "What it does when nobody commands it is timed against what the home file declares.",
            )
            .caution(UNATTENDED)
            .proves([format!("load.{}", load.id)])
        }));
    }
    (all, fallbacks)
}

fn paper_work(home: &Home, site: &Site) -> Vec<Step> {
    let clamps = site.clamps.iter().map(|c| {
        let id = home.points.get(usize::from(c.point.0)).map_or("", |p| p.id.as_str());
        step(
            format!("clamp.{id}"),
            format!("The clamp of `{id}`"),
            Kind::Clamp(c.point),
            Span::ZERO,
            "What only eyes can tell.",
        )
    });
    let minute = Span::minutes(1);
    clamps
        .chain([
            step(
                "registers",
                "Opening registers",
                Kind::Registers,
                minute,
                "Read the registers of the supply meter.",
            ),
            step(
                "fuse",
                "The main fuse",
                Kind::Fuse,
                minute,
                "Seals stay as they are: read what is printed, or ask.",
            ),
            step(
                "contacts",
                "Whom to call",
                Kind::Contacts,
                minute,
                "What the household needs when something is wrong.",
            ),
        ])
        .collect()
}
