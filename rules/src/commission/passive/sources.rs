//! What flows where: every conductor as a sum of what makes or uses power.

use crate::home::{Home, Kind, LoadId, PointId};

use super::super::site::{Clamp, Conductor, Flow, Site};

/// What makes or uses power by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Source {
    /// What no meter of its own sees, on this phase; never less than nothing.
    Rest(u8),
    /// A roof, by its point; never less than nothing, and nothing in the dark.
    Roof(PointId),
    /// A controlled load; never less than nothing.
    Draw(LoadId),
    /// A battery, by its point; it may do anything.
    Cell(PointId),
    /// A battery without a point.
    Unmeasured,
}

/// All sources of a home, and how much of each flows in a conductor.
#[derive(Debug, Clone)]
pub(super) struct Sources {
    pub(super) all: Vec<Source>,
    site: Site,
    /// Loads that follow spare power in small steps.
    following: Vec<LoadId>,
}

impl Sources {
    pub(super) fn of(home: &Home, site: &Site) -> Sources {
        let mut all: Vec<Source> = (1..=site.phases).map(Source::Rest).collect();
        let own = site.clamps.iter().filter_map(|c| match c.own.flow {
            Flow::Solar => Some(Source::Roof(c.point)),
            Flow::Battery => Some(Source::Cell(c.point)),
            _ => None,
        });
        all.extend(own);
        all.extend(site.consumers.iter().map(|c| Source::Draw(c.load)));
        if home.battery.is_some() && !site.clamps.iter().any(|c| c.own.flow == Flow::Battery) {
            all.push(Source::Unmeasured);
        }
        let ids = (0..home.loads.len()).map(|i| LoadId(i as u16));
        let following = ids.filter(|id| !matches!(home.load(*id).kind, Kind::Switch { .. })).collect();
        Sources { all, site: site.clone(), following }
    }

    /// How much of each source flows in `conductor`, as its own clamp should count it.
    pub(super) fn in_conductor(&self, conductor: Conductor) -> Vec<f64> {
        self.all.iter().map(|source| self.share(conductor, *source)).collect()
    }

    /// The same for a clamp: of several roofs it sees its own.
    pub(super) fn in_clamp(&self, clamp: &Clamp) -> Vec<f64> {
        match clamp.own.flow {
            Flow::Solar => self.only(Source::Roof(clamp.point)),
            Flow::Battery => self.only(Source::Cell(clamp.point)),
            _ => self.in_conductor(clamp.own),
        }
    }

    fn only(&self, one: Source) -> Vec<f64> {
        self.all.iter().map(|source| f64::from(u8::from(*source == one))).collect()
    }

    fn share(&self, conductor: Conductor, source: Source) -> f64 {
        let phase = self.phase_of(source);
        let here = match (conductor.phase, phase) {
            (None, _) => 1.0,
            (Some(_), None) => 1.0 / f64::from(self.site.phases.max(1)),
            (Some(seen), Some(of)) => f64::from(u8::from(seen == of)),
        };
        let used = matches!(source, Source::Rest(_)) || self.is_counted(source);
        match (conductor.flow, source) {
            (Flow::Tail | Flow::House, _) if used => here,
            (Flow::Tail, Source::Roof(_) | Source::Cell(_) | Source::Unmeasured) => -here,
            (Flow::Solar, Source::Roof(_)) | (Flow::Battery, Source::Cell(_)) => here,
            (Flow::Load(own), Source::Draw(load)) if own == load => here,
            _ => 0.0,
        }
    }

    fn is_counted(&self, source: Source) -> bool {
        let Source::Draw(load) = source else { return false };
        self.site.consumers.iter().any(|c| c.load == load && c.counted)
    }

    fn phase_of(&self, source: Source) -> Option<u8> {
        let three = self.site.phases == 3;
        match source {
            Source::Rest(phase) => Some(phase).filter(|_| three),
            Source::Roof(point) | Source::Cell(point) => self.site.clamp(point).and_then(|c| c.own.phase),
            Source::Draw(load) => self.site.consumers.iter().find(|c| c.load == load).and_then(|c| c.phase),
            Source::Unmeasured => None,
        }
    }

    /// Whether a source may move because another one did.
    pub(super) fn follows(&self, source: Source) -> bool {
        match source {
            Source::Cell(_) | Source::Unmeasured => true,
            Source::Draw(load) => self.following.contains(&load),
            Source::Rest(_) | Source::Roof(_) => false,
        }
    }
}
