//! What could be wrong with the home as a whole: nothing, one thing, or two, and which of these explain the readings.

use std::collections::BTreeMap;

use super::super::cause::Cause;
use super::super::site::Site;
use super::super::suspect::{Suspect, suspects};
use super::alone::{Bounds, Levels, allows};
use super::interval::Interval;
use super::slope::Slope;
use super::sources::Sources;
use super::together::{Balance, explains};
use super::views::View;

/// Scales that count as a fault, and how finely they are tried: as in the steps that are switched on purpose.
const SCALES: [(f64, f64); 2] = [(0.08, 0.8), (1.25, 12.0)];
const CELL: f64 = 1.04;

/// What is supposed: which points are not as they should be, by their places.
pub(super) type Supposed = Vec<(usize, Suspect)>;

/// Suppositions that explain all readings.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Standing {
    /// Whether nothing need be wrong.
    pub(super) good: bool,
    /// One thing is wrong.
    pub(super) single: Vec<Supposed>,
    /// Two things are wrong.
    pub(super) double: Vec<Supposed>,
}

/// All that the readings say.
pub(super) struct Evidence<'a> {
    pub(super) site: &'a Site,
    pub(super) sources: &'a Sources,
    pub(super) levels: &'a [Levels],
    pub(super) bounds: Bounds,
    pub(super) slopes: &'a [Slope],
    /// Whether slots are too long to tell more than a sign.
    pub(super) coarse: bool,
    /// Sums of points, by their places with a sign, that are never less than nothing, and how often they were.
    pub(super) balances: &'a [(Vec<(usize, f64)>, Balance)],
    /// Which places are roofs, batteries and loads.
    pub(super) flows: &'a [bool],
}

/// The views of each point under each suspect that its own readings allow, every scale of them.
type Allowed = BTreeMap<(usize, Suspect), Vec<View>>;

impl Evidence<'_> {
    /// Tries everything.
    pub(super) fn standing(&self) -> Standing {
        let allowed = self.allowed();
        let good = Suspect::good();
        let default: Vec<Option<View>> = (0..self.site.clamps.len()).map(|i| self.view(i, &good)).collect();
        let Some(default) = default.into_iter().collect::<Option<Vec<View>>>() else {
            return Standing::default();
        };
        let stands = |supposed: &Supposed| self.stands(supposed, &default, &allowed);
        let (single, double) = self.suppositions(&allowed);
        Standing {
            good: stands(&Vec::new()),
            single: single.into_iter().filter(stands).collect(),
            double: double.into_iter().filter(stands).collect(),
        }
    }

    fn view(&self, place: usize, suspect: &Suspect) -> Option<View> {
        View::of(self.site, self.sources, self.site.clamps.get(place)?, suspect)
    }

    fn allowed(&self) -> Allowed {
        let mut allowed = Allowed::new();
        for (place, clamp) in self.site.clamps.iter().enumerate() {
            let Some(levels) = self.levels.get(place) else { continue };
            let good = self.view(place, &Suspect::good());
            for suspect in suspects(self.site, clamp) {
                let Some(view) = self.view(place, &suspect) else { continue };
                // Where nothing generates, the feed of the house is the tail over again.
                if !suspect.is_good() && good.as_ref().is_some_and(|g| g.is_like(&view)) {
                    continue;
                }
                let all = if view.scaled { scales().map(|s| view.at_scale(s)).collect() } else { vec![view] };
                let left: Vec<View> =
                    all.into_iter().filter(|v| allows(v, levels, self.sources, &self.bounds)).collect();
                if !left.is_empty() {
                    allowed.insert((place, suspect), left);
                }
            }
        }
        allowed
    }

    /// One fault, and two. Two points that are exchanged are one fault.
    fn suppositions(&self, allowed: &Allowed) -> (Vec<Supposed>, Vec<Supposed>) {
        let of = |count: usize| {
            let some = allowed.keys().filter(move |(_, s)| s.causes.len() == count);
            some.map(|(place, suspect)| vec![(*place, suspect.clone())])
        };
        let mut single: Vec<Supposed> = of(1).collect();
        single.extend(self.exchanges());
        let mut double: Vec<Supposed> = of(2).collect();
        for (i, one) in single.iter().enumerate() {
            for other in single.iter().skip(i + 1) {
                double.extend(both(one, other));
            }
        }
        (single, double)
    }

    fn exchanges(&self) -> Vec<Supposed> {
        let clamps = &self.site.clamps;
        let mut all = Vec::new();
        for (i, one) in clamps.iter().enumerate() {
            for (j, other) in clamps.iter().enumerate().skip(i + 1).filter(|(_, c)| c.own != one.own) {
                let swapped = |own| Suspect::of(&[Cause::Swapped(own)]);
                all.push(vec![(i, swapped(other.own)), (j, swapped(one.own))]);
            }
        }
        all
    }

    fn stands(&self, supposed: &Supposed, default: &[View], allowed: &Allowed) -> bool {
        let good = Suspect::good();
        let untouched = (0..default.len()).filter(|i| !supposed.iter().any(|(place, _)| place == i));
        if untouched.map(|i| (i, good.clone())).any(|key| !allowed.contains_key(&key)) {
            return false;
        }
        let choices: Option<Vec<(usize, &Vec<View>)>> =
            supposed.iter().map(|(place, s)| Some((*place, allowed.get(&(*place, s.clone()))?))).collect();
        let Some(choices) = choices else { return false };
        let mut views: Vec<&View> = default.iter().collect();
        // What no choice touches is looked at once, or every scale would be tried in vain.
        let touched = |s: &Slope| choices.iter().any(|(p, _)| s.of == *p || s.seen_in == *p);
        let hides = choices.iter().any(|(_, all)| all.iter().any(|v| v.hides));
        if !hides && self.slopes.iter().any(|s| !touched(s) && !self.explained(s, &views)) {
            return false;
        }
        self.some_choice(&choices, &mut views)
    }

    fn some_choice<'v>(&self, choices: &[(usize, &'v Vec<View>)], views: &mut Vec<&'v View>) -> bool {
        let Some(((place, all), rest)) = choices.split_first() else {
            return self.all_explained(views);
        };
        all.iter().any(|view| {
            if let Some(slot) = views.get_mut(*place) {
                *slot = view;
            }
            self.some_choice(rest, views)
        })
    }

    fn explained(&self, slope: &Slope, views: &[&View]) -> bool {
        explains(slope, views, self.sources, self.flows, self.coarse)
    }

    fn all_explained(&self, views: &[&View]) -> bool {
        let can_break = |summed: &[(usize, f64)]| {
            let each = summed.iter().filter_map(|(i, sign)| Some((*views.get(*i)?, *sign)));
            Balance::can_break(each, self.sources)
        };
        self.slopes.iter().all(|s| self.explained(s, views))
            && self.balances.iter().all(|(summed, balance)| !balance.is_broken() || can_break(summed))
    }
}

/// Two faults at once; on one point only where they can go together, which the suspects of one point already say.
fn both(one: &Supposed, other: &Supposed) -> Option<Supposed> {
    let exchange = one.len().max(other.len()) > 1;
    let mut all = one.clone();
    for (place, suspect) in other {
        match all.iter_mut().find(|(p, _)| p == place) {
            Some((_, first)) if exchange => {
                let is_place = |s: &Suspect| s.causes.iter().any(|c| !is_mark(*c));
                if is_place(first) && is_place(suspect) {
                    return None;
                }
                *first = Suspect::of(&[first.causes.clone(), suspect.causes.clone()].concat());
            }
            Some(_) => return None,
            None => all.push((*place, suspect.clone())),
        }
    }
    Some(all)
}

/// Whether a cause can be there wherever the clamp sits.
fn is_mark(cause: Cause) -> bool {
    !matches!(cause, Cause::Swapped(_) | Cause::Encloses { .. } | Cause::Downstream | Cause::NoReading)
}

fn scales() -> impl Iterator<Item = Interval> {
    SCALES.into_iter().flat_map(|(low, high)| {
        let cells = ((high / low).ln() / CELL.ln()).ceil() as i32;
        (0..cells).map(move |i| {
            let from = low * CELL.powi(i);
            Interval::of(from, (from * CELL).min(high))
        })
    })
}
