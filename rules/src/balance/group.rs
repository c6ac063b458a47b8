//! The points that share a role, taken together: one value that changes as a whole.

use crate::home::{Home, Measures, Netting, PointId, Side};
use crate::reading::{History, Meter};
use crate::time::Moment;

/// A value of the whole home, and per phase where its points say which phase they are on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Phased {
    pub(crate) sum: f64,
    pub(crate) phases: Option<[f64; 3]>,
}

impl Phased {
    pub(crate) const ZERO: Phased = Phased { sum: 0.0, phases: Some([0.0; 3]) };

    /// This and `factor` times `other`; per phase only where both know it.
    pub(crate) fn plus(self, factor: f64, other: Phased) -> Phased {
        let phases = match (self.phases, other.phases) {
            (Some(a), Some(b)) => Some(std::array::from_fn(|i| a[i] + factor * b[i])),
            _ => None,
        };
        Phased { sum: self.sum + factor * other.sum, phases }
    }

    /// What is bought and what is sent out, as the home's meter counts: in sum, or each phase by itself.
    pub(crate) fn exchanged(self, netting: Netting) -> (f64, f64) {
        match (netting, self.phases) {
            (Netting::Phase, Some(each)) => {
                (each.iter().map(|w| w.max(0.0)).sum(), each.iter().map(|w| (-w).max(0.0)).sum())
            }
            _ => (self.sum.max(0.0), (-self.sum).max(0.0)),
        }
    }
}

/// The points of one role. Its value changes only when each of them has reported since the last change, so that a sum
/// never mixes a new part with an old one.
///
/// A report out of turn would make every later sum take that point's value from the round before: a part of which a
/// newer value is due is waited for, once.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    members: Vec<Member>,
    waited: bool,
    value: Option<(Moment, Phased)>,
    /// When the last part of the value arrived.
    completed: Option<Moment>,
    sums: History,
    /// The same per phase; empty where a point does not say which phase it is on.
    phases: [History; 3],
}

#[derive(Debug, Clone)]
struct Member {
    point: PointId,
    factor: f64,
    reported: bool,
}

impl Group {
    /// The group of all points for which `factor_of` gives a factor.
    pub(crate) fn of(home: &Home, factor_of: impl Fn(Measures) -> Option<f64>) -> Group {
        let members = home.points.iter().enumerate().filter_map(|(i, p)| {
            let factor = factor_of(p.measures)?;
            Some(Member { point: PointId(i as u16), factor, reported: false })
        });
        Group {
            members: members.collect(),
            waited: false,
            value: None,
            completed: None,
            sums: History::default(),
            phases: Default::default(),
        }
    }

    /// Whether any point has this role.
    pub(crate) fn exists(&self) -> bool {
        !self.members.is_empty()
    }

    /// The points of the group.
    pub(crate) fn points(&self) -> impl Iterator<Item = PointId> + '_ {
        self.members.iter().map(|m| m.point)
    }

    /// Notes that `point` has reported at `now`; `true` when that changed the group's value.
    ///
    /// What arrives with one stamp belongs together: a part that follows the last missing one belongs to the same
    /// change, or the sum would for ever pair each new part with another's old one.
    pub(crate) fn reported(&mut self, point: PointId, now: Moment, home: &Home, meters: &[Meter]) -> bool {
        let Some(member) = self.members.iter_mut().find(|m| m.point == point) else { return false };
        member.reported = true;
        let same_change = self.completed == Some(now);
        let complete = self.members.iter().all(|m| m.reported);
        if !same_change && (!complete || self.waits_for_newer(home, meters)) {
            return false;
        }
        let Some((at, value)) = self.sum(home, meters) else { return false };
        self.completed = Some(now);
        self.members.iter_mut().for_each(|m| m.reported = false);
        self.waited = false;
        self.value = Some((at, value));
        self.sums.push(at, value.sum);
        for (history, watts) in self.phases.iter_mut().zip(value.phases.into_iter().flatten()) {
            history.push(at, watts);
        }
        true
    }

    /// Whether a part is so much older than the newest that its next value should come before the sum is made.
    fn waits_for_newer(&mut self, home: &Home, meters: &[Meter]) -> bool {
        let own = |m: &Member| meters[usize::from(m.point.0)].newest().map(|(own, _)| own);
        let Some(newest) = self.members.iter().filter_map(own).max() else { return false };
        if std::mem::replace(&mut self.waited, true) {
            return false;
        }
        for member in &mut self.members {
            let usual = meters[usize::from(member.point.0)].usual_interval(home.point(member.point));
            member.reported = own(member).is_some_and(|own| (newest - own).0 * 2 <= usual.0);
        }
        self.members.iter().any(|m| !m.reported)
    }

    fn sum(&self, home: &Home, meters: &[Meter]) -> Option<(Moment, Phased)> {
        let mut oldest: Option<Moment> = None;
        let mut total = Phased::ZERO;
        for member in &self.members {
            let (own, watts) = meters[usize::from(member.point.0)].newest()?;
            oldest = Some(oldest.map_or(own, |o| o.min(own)));
            let point = home.point(member.point);
            total =
                total.plus(member.factor, Phased { sum: watts, phases: on_phase(home, point.phase, watts) });
        }
        // The history asks for times that do not go back; a part that lags behind may not pull the sum there.
        let newest = self.sums.newest().map(|(t, _)| t);
        Some((newest.map_or(oldest?, |n| n.max(oldest.unwrap_or(n))), total))
    }

    /// The value with its own time (the oldest part's), while every part is fresh.
    pub(crate) fn value(&self, now: Moment, home: &Home, meters: &[Meter]) -> Option<(Moment, Phased)> {
        let (at, value) = self.all_fresh(now, home, meters).then_some(self.value).flatten()?;
        let fallen = self.members.iter().fold(value, |sum, m| sum.plus(1.0, m.fallen(now, home, meters)));
        Some((at, fallen))
    }

    /// The value as it last changed, however old.
    pub(crate) fn last(&self) -> Option<(Moment, Phased)> {
        self.value
    }

    /// The sum as it stood at `at`.
    pub(crate) fn at(&self, at: Moment) -> Option<f64> {
        self.sums.at(at)
    }

    /// The value as it stood at `at`, in sum and per phase.
    pub(crate) fn phased_at(&self, at: Moment) -> Option<Phased> {
        let [a, b, c] = &self.phases;
        let phases = a.at(at).zip(b.at(at)).zip(c.at(at)).map(|((a, b), c)| [a, b, c]);
        Some(Phased { sum: self.at(at)?, phases })
    }

    fn all_fresh(&self, now: Moment, home: &Home, meters: &[Meter]) -> bool {
        self.exists()
            && self.members.iter().all(|m| {
                let stale = meters[usize::from(m.point.0)].stale_at(home.point(m.point));
                stale.is_some_and(|at| now < at)
            })
    }

    /// The age of the oldest part; `None` where one never reported.
    pub(crate) fn age(&self, now: Moment, meters: &[Meter]) -> Option<crate::time::Span> {
        let ages =
            self.members.iter().map(|m| meters[usize::from(m.point.0)].newest().map(|(own, _)| now - own));
        ages.collect::<Option<Vec<_>>>()?.into_iter().max()
    }
}

impl Member {
    /// By how much its part has fallen since it reported: between pulses power falls by itself.
    fn fallen(&self, now: Moment, home: &Home, meters: &[Meter]) -> Phased {
        let (point, meter) = (home.point(self.point), &meters[usize::from(self.point.0)]);
        let (Some((_, then)), Some((_, watts)), false) =
            (meter.newest(), meter.power(now, point), self.reported)
        else {
            return Phased::ZERO;
        };
        if watts == then {
            return Phased::ZERO;
        }
        let less = self.factor * (watts - then);
        Phased { sum: less, phases: on_phase(home, point.phase, less) }
    }
}

fn on_phase(home: &Home, phase: Option<u8>, watts: f64) -> Option<[f64; 3]> {
    let mut phases = [0.0; 3];
    match (home.supply.phases, phase) {
        (1, _) => phases[0] = watts,
        (_, Some(p)) => phases[usize::from(p.clamp(1, 3) - 1)] = watts,
        (_, None) => return None,
    }
    Some(phases)
}

/// What a point of the grid adds to the power from the grid.
pub(crate) fn grid_factor(measures: Measures) -> Option<f64> {
    match measures {
        Measures::Grid(Side::Both | Side::Import) => Some(1.0),
        Measures::Grid(Side::Export) => Some(-1.0),
        _ => None,
    }
}
