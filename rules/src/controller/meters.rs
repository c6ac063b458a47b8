//! Energy of each meter where several share a role: two arrays, or a meter for each phase.

use super::account::{Read, registers};
use crate::energy::{Calendar, Meterage};
use crate::home::{Home, Measures, PointId};
use crate::output::{EnergyRow, Flow};

/// The energy of one meter, both ways apart.
#[derive(Debug, Clone)]
pub(super) struct OwnMeter {
    point: PointId,
    into: Meterage,
    out: Meterage,
}

/// The meters that share their role with another. A meter alone in its role is that role's flow, and a load's is the
/// load's.
pub(super) fn shared(home: &Home) -> Vec<OwnMeter> {
    let shares = |measures: Measures| home.points.iter().filter(|p| p.measures == measures).count() > 1;
    let points = home.points.iter().enumerate();
    let sharing = points.filter(|(_, p)| !matches!(p.measures, Measures::Load(_)) && shares(p.measures));
    let own =
        |(i, _)| OwnMeter { point: PointId(i as u16), into: Meterage::default(), out: Meterage::default() };
    sharing.map(own).collect()
}

impl OwnMeter {
    fn flows(&self) -> (Flow, Flow) {
        (Flow::MeterIn(self.point), Flow::MeterOut(self.point))
    }

    /// The point has a new value: by its register where it sends one, else by its power.
    pub(super) fn account_for(
        &mut self,
        point: PointId,
        read: Read<'_>,
        calendar: Calendar,
        rows: &mut Vec<EnergyRow>,
    ) {
        if point != self.point {
            return;
        }
        let (into, out) = self.flows();
        let meter = &read.meters[usize::from(point.0)];
        let gap = meter.gap_after(read.home.point(point));
        let (imported, exported) = registers(read.home, read.meters, point);
        match (imported, meter.newest()) {
            (Some((at, kwh)), _) => self.into.register(into, at, kwh, calendar, rows),
            (None, Some((at, watts))) => self.into.sample(into, at, watts.max(0.0), gap, calendar, rows),
            (None, None) => {}
        }
        match (exported, meter.newest()) {
            (Some((at, kwh)), _) => self.out.register(out, at, kwh, calendar, rows),
            (None, Some((at, watts))) => self.out.sample(out, at, (-watts).max(0.0), gap, calendar, rows),
            (None, None) => {}
        }
    }

    pub(super) fn close(&mut self, calendar: Calendar, rows: &mut Vec<EnergyRow>) {
        let (into, out) = self.flows();
        rows.extend(self.into.close(into, calendar));
        rows.extend(self.out.close(out, calendar));
    }

    pub(super) fn ends(&mut self, point: PointId) {
        if point == self.point {
            self.into.ends();
            self.out.ends();
        }
    }
}
