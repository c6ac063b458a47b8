//! What charge will be worth later: the cost still to come, as a function of the charge.
//!
//! That function is convex and made of straight pieces, as long as buying costs at least what sending out pays. Only its
//! slopes matter, so it is kept as pieces by rising slope. Going back over a phase adds what the battery can do in it as
//! further pieces (the smallest sum of two convex functions merges their slopes) and cuts both ends to what fits into the
//! battery. This solves the linear programme exactly.

use super::course::Levels;
use super::step::{Phase, Step};
use super::terms::Terms;

/// A straight piece.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    /// Cost for each kilowatt-hour of charge more; mostly below 0.
    slope: f64,
    /// Kilowatt-hours.
    width: f64,
}

/// The cost still to come, by its slopes from empty to full.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Worth {
    pieces: Vec<Piece>,
}

/// Prices as they are seen from inside the battery, for a stored kilowatt-hour.
#[derive(Debug, Clone, Copy)]
struct Inside {
    /// What one costs from the grid.
    bought: f64,
    /// What one costs that would be sent out otherwise.
    spared: f64,
    /// What one saves when it is used.
    used: f64,
}

fn inside(step: &Step, terms: &Terms) -> Inside {
    Inside {
        bought: step.import_price / terms.charge_efficiency,
        spared: step.export_price / terms.charge_efficiency,
        used: step.import_price * terms.discharge_efficiency,
    }
}

impl Worth {
    /// At the end charge is worth nothing.
    pub(super) fn at_end(terms: &Terms) -> Worth {
        Worth { pieces: vec![Piece { slope: 0.0, width: terms.in_use_kwh() }] }
    }

    /// Goes back over a step, its need first, and gives what steers best in each of its phases.
    pub(super) fn before(&mut self, step: &Step, terms: &Terms) -> [Levels; 2] {
        let [surplus, need] = step.phases(terms.idles_w());
        let prices = inside(step, terms);
        let in_need = Levels::of(step, terms, |price| self.level(price));
        self.back(&need_pieces(&need, prices, terms), terms);
        let in_surplus = Levels::of(step, terms, |price| self.level(price));
        self.back(&surplus_pieces(&surplus, prices, terms), terms);
        [in_surplus, in_need]
    }

    /// The charge up to which a kilowatt-hour more is worth more than `price`.
    fn level(&self, price: f64) -> f64 {
        self.pieces.iter().take_while(|piece| piece.slope < -price).map(|piece| piece.width).sum()
    }

    /// What a kilowatt-hour more is worth in the middle of each of the equal parts of the battery that `into` has.
    pub(super) fn sample(&self, terms: &Terms, into: &mut [f64]) {
        let part = terms.in_use_kwh() / into.len() as f64;
        let mut pieces = self.pieces.iter();
        let (mut slope, mut end) = (0.0, 0.0);
        for (n, value) in into.iter_mut().enumerate() {
            let middle = (n as f64 + 0.5) * part;
            while end < middle {
                let Some(piece) = pieces.next() else { break };
                (slope, end) = (piece.slope, end + piece.width);
            }
            *value = -slope;
        }
    }

    /// Merges what can be done, told from the most that is taken in to the most that is given out.
    fn back(&mut self, able: &Able, terms: &Terms) {
        let mut merged: Vec<Piece> = Vec::with_capacity(self.pieces.len() + able.pieces.len());
        let (mut ours, mut theirs) = (self.pieces.iter().peekable(), able.pieces.iter().peekable());
        loop {
            let next = match (ours.peek(), theirs.peek()) {
                (Some(a), Some(b)) if a.slope <= b.slope => ours.next(),
                (_, Some(_)) => theirs.next(),
                (Some(_), None) => ours.next(),
                (None, None) => break,
            };
            let Some(piece) = next else { break };
            match merged.last_mut() {
                Some(last) if last.slope == piece.slope => last.width += piece.width,
                _ => merged.push(*piece),
            }
        }
        self.pieces = window(&merged, able.in_kwh, terms.in_use_kwh());
    }
}

/// The pieces from `from` on, for `length`.
fn window(pieces: &[Piece], from: f64, length: f64) -> Vec<Piece> {
    let mut kept = Vec::with_capacity(pieces.len());
    let (mut skip, mut left) = (from, length);
    for piece in pieces {
        let width = (piece.width - skip).max(0.0).min(left);
        skip = (skip - piece.width).max(0.0);
        if width > 0.0 {
            kept.push(Piece { slope: piece.slope, width });
            left -= width;
        }
    }
    kept
}

/// What can be done in a phase, by rising slope.
struct Able {
    pieces: Vec<Piece>,
    /// The most that is taken in.
    in_kwh: f64,
}

/// Of the surplus some is stored; beyond it the grid fills, unless a kilowatt-hour sent out pays more than one bought
/// costs: buying then would sell the surplus first.
fn surplus_pieces(phase: &Phase, prices: Inside, terms: &Terms) -> Able {
    let limit_kwh = terms.power_kw * phase.hours;
    let stored_kwh = phase.surplus_kwh.min(limit_kwh);
    let bought_kwh = if prices.bought >= prices.spared { limit_kwh - stored_kwh } else { 0.0 };
    let (bought, stored) = (bought_kwh * terms.charge_efficiency, stored_kwh * terms.charge_efficiency);
    let pieces =
        vec![Piece { slope: -prices.bought, width: bought }, Piece { slope: -prices.spared, width: stored }];
    Able { pieces, in_kwh: bought + stored }
}

/// Need is covered, unless buying is paid for; or the grid fills.
fn need_pieces(phase: &Phase, prices: Inside, terms: &Terms) -> Able {
    let limit_kwh = terms.power_kw * phase.hours;
    let bought = limit_kwh * terms.charge_efficiency;
    let covers = if prices.used >= 0.0 { phase.need_kwh.min(limit_kwh) } else { 0.0 };
    let given = covers / terms.discharge_efficiency;
    let pieces =
        vec![Piece { slope: -prices.bought, width: bought }, Piece { slope: -prices.used, width: given }];
    Able { pieces, in_kwh: bought }
}
