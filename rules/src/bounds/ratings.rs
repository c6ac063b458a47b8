//! Ratings of the supply and of circuits, per phase, in amps.
//!
//! What counts is what is *permitted*: of each load the greater of draw and set-point, so that a load that wakes up
//! finds its place kept. A cut is immediate and takes the latest turn first; raising again needs headroom for a while.

use crate::home::{CircuitId, Home, LoadId};
use crate::limits;
use crate::loads::Scene;
use crate::output::Limit;
use crate::time::Moment;

/// One bound: the supply, or a circuit, on one phase.
#[derive(Debug, Clone)]
struct Bound {
    /// `None` is the supply itself.
    circuit: Option<CircuitId>,
    phase: usize,
    limit_a: f64,
    loads: Vec<LoadId>,
    over_at: Option<Moment>,
}

/// All ratings of a home, and when each was last exceeded by what was permitted.
#[derive(Debug, Clone)]
pub(crate) struct Ratings {
    bounds: Vec<Bound>,
}

/// What one load is about to get.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Wanted {
    pub(crate) id: LoadId,
    /// Set-point until now, in watts.
    pub(crate) before_w: f64,
    /// Set-point wanted, in watts.
    pub(crate) watts: f64,
    /// Least set-point at which it can run, in watts.
    pub(crate) floor_w: f64,
    /// Draw that counts even where the set-point is lower, in watts: 0 from a cut until it has settled.
    pub(crate) draw_w: f64,
    /// Watts drawn for each watt commanded.
    pub(crate) ratio: f64,
    /// What a rating did to it.
    pub(crate) limited: Option<Limit>,
}

impl Wanted {
    /// Watts that count for the ratings at a set-point of `watts`. A set-point below the one that stands is a cut: from
    /// then on it counts itself, or one kettle would cascade everything off.
    fn permitted_w(&self, watts: f64) -> f64 {
        let draw = if watts < self.before_w { 0.0 } else { self.draw_w };
        draw.max(watts * self.ratio)
    }
}

impl Ratings {
    pub(crate) fn new(home: &Home) -> Ratings {
        let everything: Vec<LoadId> = (0..home.loads.len()).map(|i| LoadId(i as u16)).collect();
        let mut bounds = Vec::new();
        for phase in 0..usize::from(home.supply.phases) {
            let on_phase = |ids: &[LoadId]| -> Vec<LoadId> {
                ids.iter().copied().filter(|id| home.load(*id).phase_indices().contains(&phase)).collect()
            };
            bounds.push(bound(None, phase, home.supply.rating_a, on_phase(&everything)));
            for (i, circuit) in home.circuits.iter().enumerate() {
                let id = CircuitId(i as u16);
                let fed: Vec<LoadId> = everything.iter().copied().filter(|l| feeds(home, id, *l)).collect();
                bounds.push(bound(Some(id), phase, circuit.rating_a, on_phase(&fed)));
            }
        }
        Ratings { bounds }
    }

    /// Lowers what is wanted until every rating holds. `base_w` is the last known base per phase.
    ///
    /// `wanted` is in the order in which loads are served.
    pub(crate) fn keep(&mut self, scene: &Scene<'_>, base_w: [f64; 3], wanted: &mut [Wanted]) {
        // Before anything is cut: a load on three phases that is cut for one of them frees room on the others, which is
        // no headroom that has lasted either.
        for bound in &mut self.bounds {
            bound.note_excess(scene, base_w, wanted);
        }
        for bound in &self.bounds {
            bound.cut(scene, base_w, wanted);
        }
        for bound in &self.bounds {
            bound.hold_raises(scene, base_w, wanted);
        }
    }

    /// When the earliest wait for headroom ends.
    pub(crate) fn next_change(&self, now: Moment) -> Option<Moment> {
        let ends = self.bounds.iter().filter_map(|b| b.over_at).map(|at| at + limits::HEADROOM_FOR);
        ends.filter(|end| *end > now).min()
    }
}

impl Bound {
    fn note_excess(&mut self, scene: &Scene<'_>, base_w: [f64; 3], wanted: &[Wanted]) {
        if self.exceeded(self.total_a(scene, base_w, wanted, true)) {
            self.over_at = Some(scene.now);
        }
    }

    /// Takes back from loads that already have it: latest turn first, to the floor, then off.
    fn cut(&self, scene: &Scene<'_>, base_w: [f64; 3], wanted: &mut [Wanted]) {
        if !self.exceeded(self.total_a(scene, base_w, wanted, true)) {
            return;
        }
        for i in (0..wanted.len()).rev() {
            for target in [wanted[i].floor_w, 0.0] {
                let over = self.exceeded(self.total_a(scene, base_w, wanted, true));
                let standing = wanted[i].watts.min(wanted[i].before_w);
                if over && self.loads.contains(&wanted[i].id) && standing > target {
                    wanted[i].watts = target;
                    wanted[i].limited = Some(self.limit());
                }
            }
        }
    }

    /// Gives raises only what fits, earliest turn first, and none until there has been headroom for a while.
    fn hold_raises(&self, scene: &Scene<'_>, base_w: [f64; 3], wanted: &mut [Wanted]) {
        let recently = self.over_at.is_some_and(|at| scene.now - at < limits::HEADROOM_FOR);
        let mut room_a = self.limit_a - self.total_a(scene, base_w, wanted, true).abs();
        for want in wanted.iter_mut().filter(|w| self.loads.contains(&w.id) && w.watts > w.before_w) {
            let load = scene.home.load(want.id);
            let volts_amps = scene.volts[self.phase] * f64::from(load.phases);
            let standing_w = want.permitted_w(want.before_w);
            let most_w = (standing_w + room_a.max(0.0) * volts_amps) / want.ratio;
            let fits_w = if recently { want.before_w } else { load.quantised(most_w, scene.volts_of(load)) };
            if fits_w < want.watts {
                want.watts = fits_w.max(want.before_w);
                want.limited = Some(self.limit());
            }
            room_a -= (want.permitted_w(want.watts) - standing_w) / volts_amps;
        }
    }

    /// Amps on this bound: base (for the supply) and everything permitted. With `standing`, raises do not count yet.
    fn total_a(&self, scene: &Scene<'_>, base_w: [f64; 3], wanted: &[Wanted], standing: bool) -> f64 {
        let base = if self.circuit.is_none() { base_w[self.phase] } else { 0.0 };
        let permitted = wanted.iter().filter(|w| self.loads.contains(&w.id)).map(|w| {
            let watts = if standing { w.watts.min(w.before_w) } else { w.watts };
            w.permitted_w(watts) / f64::from(scene.home.load(w.id).phases)
        });
        (base + permitted.sum::<f64>()) / scene.volts[self.phase]
    }

    /// The size of the current counts, whatever its sign: with a reversed clamp import looks like export.
    fn exceeded(&self, total_a: f64) -> bool {
        total_a.abs() > self.limit_a
    }

    fn limit(&self) -> Limit {
        if self.circuit.is_some() { Limit::Circuit } else { Limit::Supply }
    }
}

fn bound(circuit: Option<CircuitId>, phase: usize, rating_a: f64, loads: Vec<LoadId>) -> Bound {
    Bound { circuit, phase, limit_a: rating_a * limits::RATING_SHARE, loads, over_at: None }
}

/// Whether `circuit` feeds `load`, directly or through circuits within it.
fn feeds(home: &Home, circuit: CircuitId, load: LoadId) -> bool {
    let mut at = home.load(load).circuit;
    for _ in 0..=home.circuits.len() {
        match at {
            Some(id) if id == circuit => return true,
            Some(id) => at = home.circuit(id).within,
            None => return false,
        }
    }
    false
}
