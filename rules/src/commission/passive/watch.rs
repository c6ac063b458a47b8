//! Readings taken in, slot by slot, and the report at their end. What is kept does not grow with the length of the record.

use crate::home::{Home, PointId};
use crate::time::{Span, WallTime};

use super::super::cause::Cause;
use super::super::site::{Flow, Site};
use super::super::suspect::Suspect;
use super::alone::{Bounds, Levels};
use super::edges::Edges;
use super::finding::{Answer, Finding, Held, Need, PassiveReport, Proven};
use super::light::Light;
use super::slope::{Slope, slope};
use super::sources::Sources;
use super::suppose::{Evidence, Standing, Supposed};
use super::together::Balance;

const DAY: Span = Span::hours(24);

/// So much darkness tells whether a house is in use.
const DARK_WANTED: Span = Span::hours(12);

/// Takes in the readings of a home.
#[derive(Debug, Clone)]
pub struct Watch {
    site: Site,
    sources: Sources,
    slot: Span,
    light: Option<Light>,
    levels: Vec<Levels>,
    edges: Edges,
    /// What the house uses, and what of it no meter of its own sees.
    balances: Vec<(Vec<(usize, f64)>, Balance)>,
    bounds: Bounds,
    span: Option<(WallTime, WallTime)>,
    dark: u64,
}

impl Watch {
    /// For readings in slots of this length; see [`super::Slots`].
    pub fn new(home: &Home, slot: Span) -> Watch {
        let site = Site::of(home);
        let supply = &home.supply;
        let supply_w = supply.rating_a * supply.volts * f64::from(supply.phases);
        Watch {
            sources: Sources::of(home, &site),
            light: home.coordinates.map(Light::new),
            levels: vec![Levels::default(); site.clamps.len()],
            edges: Edges::new(site.clamps.len(), slot),
            balances: balances(&site),
            bounds: Bounds { supply_w, slots_in_day: (DAY.0 / slot.0.max(1)).max(1) as u64 },
            span: None,
            dark: 0,
            slot,
            site,
        }
    }

    /// The points, in the order in which a slot must give them.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// The next slot, in order of time: the mean of each point in watts, as the home file understands it. `restless` says
    /// that the program was driving something that no point measures, so that no step is one alone.
    pub fn take(&mut self, at: WallTime, watts: &[Option<f64>], restless: bool) {
        if watts.iter().all(Option::is_none) {
            return;
        }
        self.span = Some((self.span.map_or(at, |s| s.0), at + self.slot));
        let dark = self.light.as_mut().is_some_and(|light| light.is_dark(at, self.slot));
        self.dark += u64::from(dark);
        for (levels, watts) in self.levels.iter_mut().zip(watts) {
            let Some(watts) = watts.filter(|w| w.is_finite()) else { continue };
            levels.all.add(watts);
            if dark {
                levels.dark.add(watts);
            }
        }
        for (summed, balance) in &mut self.balances {
            balance.take(summed.iter().map(|(i, sign)| watts.get(*i).copied().flatten().map(|w| w * sign)));
        }
        if restless { self.edges.interrupt() } else { self.edges.take(at, watts) }
    }

    /// What the readings say.
    pub fn report(&self) -> PassiveReport {
        let slopes = self.slopes();
        let flows: Vec<bool> = self.site.clamps.iter().map(|c| is_source(c.own.flow)).collect();
        let evidence = Evidence {
            site: &self.site,
            sources: &self.sources,
            levels: &self.levels,
            bounds: self.bounds,
            slopes: &slopes,
            coarse: self.edges.is_coarse(),
            balances: &self.balances,
            flows: &flows,
        };
        let standing = evidence.standing();
        let findings: Vec<Finding> =
            (0..self.site.clamps.len()).filter_map(|i| self.finding(i, &standing, &slopes)).collect();
        let times = |count: u64| Span(self.slot.0.saturating_mul(count as i64));
        PassiveReport {
            span: self.span,
            slot: self.slot,
            dark: self.light.is_some().then(|| times(self.dark)),
            answers: slopes.iter().filter_map(|s| self.answer(s)).collect(),
            below_zero: self.balances.first().map_or((Span::ZERO, Span::ZERO), |(_, balance)| {
                (times(balance.below_zero), times(balance.slots))
            }),
            may_be_good: standing.good,
            explanations: self.explanations(&standing),
            needs: self.needs(&findings, &slopes),
            findings,
        }
    }

    fn point(&self, place: usize) -> Option<PointId> {
        self.site.clamps.get(place).map(|c| c.point)
    }

    /// Every point against every other.
    fn slopes(&self) -> Vec<Slope> {
        let count = self.site.clamps.len();
        let greatest: Vec<f64> = self.levels.iter().map(|l| l.all.greatest()).collect();
        let pairs = (0..count).flat_map(|of| (0..count).map(move |to| (of, to))).filter(|(a, b)| a != b);
        let each = pairs.map(|(of, seen_in)| {
            let others = self.site.clamps.iter().enumerate().filter(|(_, c)| is_source(c.own.flow));
            let beside: Vec<usize> = others.map(|(i, _)| i).filter(|i| *i != of && *i != seen_in).collect();
            slope(&self.edges, of, seen_in, &beside, &greatest)
        });
        each.collect()
    }

    fn answer(&self, slope: &Slope) -> Option<Answer> {
        let bounds = slope.bounds?;
        Some(Answer {
            of: self.point(slope.of)?,
            seen_in: self.point(slope.seen_in)?,
            slope: (slope.middle, bounds.low, bounds.high),
            steps: slope.steps,
        })
    }

    fn finding(&self, place: usize, standing: &Standing, slopes: &[Slope]) -> Option<Finding> {
        let point = self.point(place)?;
        let levels = self.levels.get(place)?;
        let known = Span(self.slot.0.saturating_mul(levels.all.count() as i64));
        let held = held(place, standing);
        let proven = self.proven(place, &held, slopes);
        Some(Finding { point, known, held, proven })
    }

    fn proven(&self, place: usize, held: &Held, slopes: &[Slope]) -> Vec<Proven> {
        let open: &[Suspect] = match held {
            Held::Good => &[],
            Held::Wrong(open) | Held::Open(open) if open.is_empty() => return Vec::new(),
            Held::Wrong(open) | Held::Open(open) => open,
        };
        let never = |which: &dyn Fn(Cause) -> bool| !open.iter().any(|s| s.causes.iter().any(|c| which(*c)));
        let mut proven = Vec::new();
        let is_place = |c| !is_turned(c) && !is_sized(c);
        // A second conductor that runs the same way makes it read too much, not the other way.
        let may_turn = |c| is_place(c) && !matches!(c, Cause::Encloses { opposed: false, .. });
        if never(&is_turned) && never(&may_turn) {
            proven.push(Proven::Direction);
        }
        if never(&is_place) {
            proven.push(Proven::Conductor);
        }
        if *held == Held::Good {
            proven.extend(slopes.iter().filter(|s| s.seen_in == place).filter_map(|s| self.scale_with(s)));
        }
        proven
    }

    /// Only a slope that is well away from 0 compares two scales, and only in slots that are not too long.
    fn scale_with(&self, slope: &Slope) -> Option<Proven> {
        let bounds = slope.bounds.filter(|b| b.least() > 0.5 && !self.edges.is_coarse())?;
        let of = self.site.clamps.get(slope.of)?;
        let ratio = (bounds.least(), bounds.size());
        is_source(of.own.flow).then_some(Proven::ScaleWith { point: of.point, ratio, steps: slope.steps })
    }

    fn explanations(&self, standing: &Standing) -> Vec<Vec<(PointId, Suspect)>> {
        let simplest = match (standing.good, standing.single.is_empty()) {
            (true, _) => return Vec::new(),
            (false, false) => &standing.single,
            (false, true) => &standing.double,
        };
        let told = |(place, suspect): &(usize, Suspect)| Some((self.point(*place)?, suspect.clone()));
        simplest.iter().map(|supposed| supposed.iter().filter_map(told).collect()).collect()
    }

    fn needs(&self, findings: &[Finding], slopes: &[Slope]) -> Vec<Need> {
        let mut needs = Vec::new();
        let open: Vec<&Finding> = findings.iter().filter(|f| f.held != Held::Good).collect();
        needs.extend(open.iter().filter(|f| f.known == Span::ZERO).map(|f| Need::Readings(f.point)));
        if open.is_empty() || !needs.is_empty() {
            return needs;
        }
        let dark = Span(self.slot.0.saturating_mul(self.dark as i64));
        match self.light {
            None => needs.push(Need::Coordinates),
            Some(_) if dark < DARK_WANTED => needs.push(Need::Dark(DARK_WANTED - dark)),
            Some(_) => {}
        }
        let is_open = |place: usize| self.point(place).is_some_and(|p| open.iter().any(|f| f.point == p));
        let wanted = |s: &&Slope| {
            let flow = |place: usize| self.site.clamps.get(place).map(|c| c.own.flow);
            let compares = flow(s.of).is_some_and(is_source) && !flow(s.seen_in).is_some_and(is_source);
            compares && s.lacking() > 0 && (is_open(s.of) || is_open(s.seen_in))
        };
        let steps = slopes.iter().filter(wanted).filter_map(|s| {
            let (of, seen_in) = (self.point(s.of)?, self.point(s.seen_in)?);
            Some(Need::Steps { of, seen_in, used: s.steps, more: s.lacking() })
        });
        needs.extend(steps);
        if needs.is_empty() {
            needs.push(Need::Switching);
        }
        needs
    }
}

fn is_turned(cause: Cause) -> bool {
    matches!(cause, Cause::Reversed | Cause::WrongPhase | Cause::Unsigned)
}

fn is_sized(cause: Cause) -> bool {
    matches!(cause, Cause::Scale | Cause::KilowattsAsWatts | Cause::WattsAsKilowatts)
}

fn is_source(flow: Flow) -> bool {
    matches!(flow, Flow::Solar | Flow::Battery | Flow::Load(_))
}

/// Sums that are never less than nothing: what the house uses, and the same less the loads that its clamp counts. None
/// without a grid point.
fn balances(site: &Site) -> Vec<(Vec<(usize, f64)>, Balance)> {
    let clamps = || site.clamps.iter().enumerate();
    if !clamps().any(|(_, c)| c.own.flow == Flow::Tail) {
        return Vec::new();
    }
    let counted = |flow| match flow {
        Flow::Load(load) => site.consumers.iter().any(|c| c.load == load && c.counted),
        _ => false,
    };
    let main = clamps().filter(|(_, c)| matches!(c.own.flow, Flow::Tail | Flow::Solar | Flow::Battery));
    let house: Vec<(usize, f64)> = main.map(|(i, _)| (i, 1.0)).collect();
    let loads = clamps().filter(|(_, c)| counted(c.own.flow)).map(|(i, _)| (i, -1.0));
    let rest: Vec<(usize, f64)> = house.iter().copied().chain(loads).collect();
    [house, rest].into_iter().map(|summed| (summed, Balance::default())).collect()
}

fn held(place: usize, standing: &Standing) -> Held {
    let at = |supposed: &Supposed| supposed.iter().find(|(p, _)| *p == place).map(|(_, s)| s.clone());
    if standing.good && !standing.single.iter().any(|s| at(s).is_some()) {
        return Held::Good;
    }
    let mut open: Vec<Suspect> = Vec::new();
    // Where nothing need be wrong, two faults that look just like it are not listed: they can never be ruled out.
    let double = if standing.good { &[] } else { standing.double.as_slice() };
    if standing.good {
        open.push(Suspect::good());
    }
    for supposed in standing.single.iter().chain(double) {
        let suspect = at(supposed).unwrap_or_else(Suspect::good);
        if !open.contains(&suspect) {
            open.push(suspect);
        }
    }
    open.sort_by_key(|s| s.causes.len());
    match open.first() {
        Some(first) if !first.is_good() => Held::Wrong(open),
        _ => Held::Open(open),
    }
}
