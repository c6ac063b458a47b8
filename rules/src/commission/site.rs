//! The conductors of a home, and how each of them answers a step.

use crate::home::{CountedBy, Home, LoadId, Measures, PointId, Side};

use super::step::What;

/// Which current a jaw can enclose.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Flow {
    /// The supply tail.
    Tail,
    /// The solar circuit.
    Solar,
    /// The feed of the house downstream of the solar connection; also stands for the test load's circuit.
    House,
    /// The battery's circuit.
    Battery,
    /// A controlled load's circuit.
    Load(LoadId),
}

/// A conductor, or all of its phases together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Conductor {
    /// Which current.
    pub flow: Flow,
    /// 1 to 3; `None` is the sum of all.
    pub phase: Option<u8>,
}

/// One measuring point as it should be.
#[derive(Debug, Clone, PartialEq)]
pub struct Clamp {
    /// Its place in the home file.
    pub point: PointId,
    /// Its name there.
    pub id: String,
    /// The conductor that it should enclose.
    pub own: Conductor,
    /// Whether power flows both ways there in ordinary life.
    pub both_ways: bool,
}

/// A controlled load.
#[derive(Debug, Clone, PartialEq)]
pub struct Consumer {
    /// Which load.
    pub load: LoadId,
    /// Its phase; `None` for all of them, or a home with one.
    pub phase: Option<u8>,
    /// Whether its power flows through the supply tail's clamp.
    pub counted: bool,
}

/// What the diagnosis needs to know of a home.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// 1 or 3.
    pub phases: u8,
    /// Whether a roof generates here.
    pub solar: bool,
    /// The phase of the solar source; `None` for all of them, or a home with one.
    pub solar_phase: Option<u8>,
    /// The points that can be judged.
    pub clamps: Vec<Clamp>,
    /// The controlled loads.
    pub consumers: Vec<Consumer>,
}

impl Site {
    /// The site that a home file describes. Points that count one side of the grid only have no direction to be proved
    /// by a step and are left out.
    pub fn of(home: &Home) -> Site {
        let three = home.supply.phases == 3;
        let solar = home.points_measuring(Measures::Solar).next();
        let solar_phase = solar.and_then(|id| home.point(id).phase);
        let clamp = |(i, point): (usize, &crate::home::Point)| {
            let flow = flow_of(point.measures)?;
            // A phase without generation never sends anything out: there a sign proves nothing and matters to nobody.
            let sends = solar.is_some()
                && (solar_phase.is_none() || point.phase.is_none_or(|p| Some(p) == solar_phase));
            let both_ways =
                flow == Flow::Battery || (flow == Flow::Tail && (sends || home.battery.is_some()));
            let own = Conductor { flow, phase: point.phase };
            Some(Clamp { point: PointId(i as u16), id: point.id.clone(), own, both_ways })
        };
        let consumer = |(i, load): (usize, &crate::home::Load)| Consumer {
            load: LoadId(i as u16),
            phase: (three && load.phases != 3).then_some(load.phase),
            counted: match load.counted_by {
                CountedBy::Main => true,
                CountedBy::Point(point) => {
                    matches!(home.point(point).measures, Measures::Grid(_) | Measures::House)
                }
                CountedBy::Nothing => false,
            },
        };
        Site {
            phases: home.supply.phases,
            solar: solar.is_some(),
            solar_phase,
            clamps: home.points.iter().enumerate().filter_map(clamp).collect(),
            consumers: home.loads.iter().enumerate().map(consumer).collect(),
        }
    }

    /// What one watt of `what` does to `conductor`: what was switched on (or a solar source switched off).
    pub fn answer(&self, conductor: Conductor, what: What) -> f64 {
        match (what, conductor.flow) {
            (What::TestLoad(phase), Flow::Tail | Flow::House) => self.share(conductor.phase, phase),
            (What::SolarOff, Flow::Tail) => self.share(conductor.phase, self.solar_phase),
            (What::SolarOff, Flow::Solar) => -self.share(conductor.phase, self.solar_phase),
            (What::Load(load), Flow::Load(own)) if load == own => {
                self.share(conductor.phase, self.phase_of(load))
            }
            (What::Load(load), Flow::Tail | Flow::House) if self.is_counted(load) => {
                self.share(conductor.phase, self.phase_of(load))
            }
            _ => 0.0,
        }
    }

    /// How much of something on `of` (all phases alike when `None`) flows in phase `seen`.
    fn share(&self, seen: Option<u8>, of: Option<u8>) -> f64 {
        match (seen, of) {
            (None, _) => 1.0,
            (Some(_), None) => 1.0 / f64::from(self.phases.max(1)),
            (Some(seen), Some(of)) => f64::from(u8::from(seen == of)),
        }
    }

    fn consumer(&self, load: LoadId) -> Option<&Consumer> {
        self.consumers.iter().find(|c| c.load == load)
    }

    fn phase_of(&self, load: LoadId) -> Option<u8> {
        self.consumer(load).and_then(|c| c.phase)
    }

    fn is_counted(&self, load: LoadId) -> bool {
        self.consumer(load).is_some_and(|c| c.counted)
    }

    /// The clamp of a point.
    pub fn clamp(&self, point: PointId) -> Option<&Clamp> {
        self.clamps.iter().find(|c| c.point == point)
    }
}

fn flow_of(measures: Measures) -> Option<Flow> {
    match measures {
        Measures::Grid(Side::Both) => Some(Flow::Tail),
        Measures::Grid(_) => None,
        Measures::Solar => Some(Flow::Solar),
        Measures::House => Some(Flow::House),
        Measures::Battery => Some(Flow::Battery),
        Measures::Load(load) => Some(Flow::Load(load)),
    }
}
