//! Filling at cheap hours as a household's own controller could have done it: nothing of the future is known but prices.
//!
//! Each day is planned from the days before it. Every one of those, followed by the day after it, is a way in which today
//! and tomorrow may go; for each the worth of charge is worked out backwards at the prices of today and tomorrow. What
//! charge is worth is the mean of them: recent days count more, and so do days of the same kind (working day or weekend)
//! and days whose eve resembled yesterday. The levels that follow from that mean steer today, half hour by half hour, and
//! what then really happens does the rest.
//!
//! Whether planning pays shows as time goes on: beside the battery one that always follows the plan and one that only
//! stores surplus go through the same days, and today follows the one that has done better so far.

use super::course::{Course, Levels};
use super::step::Step;
use super::terms::Terms;
use super::worth::Worth;

/// Half hours of a local day.
const SLOTS: usize = 48;

/// Days that are remembered: four weeks, so that the season is this one.
const REMEMBERED: usize = 28;

/// A day counts this share of the day after it.
const KEEPS: f64 = 0.93;

/// A weekend counts this share for a working day, and the other way round.
const OTHER_KIND: f64 = 0.5;

/// Days resemble each other within this share of the mean energy at the grid of a day.
const RESEMBLES: f64 = 1.0 / 3.0;

/// A day with fewer half hours teaches nothing. That a day of the change of clocks has 46 is enough.
const ENOUGH: usize = 46;

/// Parts of the battery for which the mean worth is worked out.
const PARTS: usize = 50;

/// Worths that differ by less are the same: the mean of equal prices must not exceed them.
const SAME: f64 = 1e-9;

/// What charge is worth after each half hour of a day.
type DayWorth = Vec<[f64; PARTS]>;

struct Day<'a> {
    steps: &'a [Step],
    slots: [Option<Step>; SLOTS],
    need_kwh: f64,
    surplus_kwh: f64,
}

impl<'a> Day<'a> {
    fn new(steps: &'a [Step]) -> Day<'a> {
        let mut day = Day { steps, slots: [None; SLOTS], need_kwh: 0.0, surplus_kwh: 0.0 };
        for step in steps {
            if let Some(slot) = day.slots.get_mut(usize::from(step.slot)) {
                *slot = Some(*step);
            }
            day.need_kwh += step.need_kwh;
            day.surplus_kwh += step.surplus_kwh;
        }
        day
    }

    fn is_weekend(&self) -> bool {
        self.steps.first().is_some_and(|step| step.is_weekend)
    }

    fn teaches(&self) -> bool {
        self.steps.len() >= ENOUGH
    }

    /// The steps of this day, last first, at the prices of another where that has them.
    fn back_at<'d>(&'d self, prices: &'d Day<'_>) -> impl Iterator<Item = Step> + 'd {
        self.slots.iter().zip(&prices.slots).rev().filter_map(|(own, priced)| {
            let (own, priced) = ((*own)?, priced.or(*own)?);
            Some(Step { import_price: priced.import_price, export_price: priced.export_price, ..own })
        })
    }
}

/// What steers in each step. `known_ahead` says whether the prices of tomorrow are known today; else they are taken to be
/// those of today.
pub(super) fn levels(steps: &[Step], terms: &Terms, known_ahead: bool) -> Vec<[Levels; 2]> {
    let days: Vec<Day<'_>> = steps.chunk_by(|a, b| a.day == b.day).map(Day::new).collect();
    let mut past: Vec<&Day<'_>> = Vec::new();
    let mut levels = Vec::with_capacity(steps.len());
    let (mut planning, mut storing) = (Trial::new(terms), Trial::new(terms));
    for (n, today) in days.iter().enumerate() {
        let tomorrow = days.get(n + 1).filter(|_| known_ahead).unwrap_or(today);
        let planned = plan(today, tomorrow, &past, terms);
        let stored = vec![[Levels::storing(terms); 2]; today.steps.len()];
        let pays = planning.cost(today, terms) < storing.cost(today, terms);
        planning.pass(today, &planned);
        storing.pass(today, &stored);
        levels.extend(if pays { planned } else { stored });
        if today.teaches() {
            past.push(today);
        }
        if past.len() > REMEMBERED + 1 {
            past.remove(0);
        }
    }
    levels
}

/// A battery that keeps to one way, and what that has cost lately.
struct Trial<'a> {
    course: Course<'a>,
    cost: f64,
}

impl<'a> Trial<'a> {
    fn new(terms: &'a Terms) -> Trial<'a> {
        Trial { course: Course::new(terms), cost: 0.0 }
    }

    /// What it has cost, less what the charge that is left is worth at the price of the beginning of `day`.
    fn cost(&self, day: &Day<'_>, terms: &Terms) -> f64 {
        let price = day.steps.first().map_or(0.0, |step| step.import_price);
        self.cost - self.course.charge_kwh() * terms.discharge_efficiency * price
    }

    fn pass(&mut self, day: &Day<'_>, levels: &[[Levels; 2]]) {
        self.cost *= KEEPS;
        for (step, levels) in day.steps.iter().zip(levels) {
            let flow = self.course.pass(step, levels);
            self.cost += flow.import_kwh * step.import_price - flow.export_kwh * step.export_price;
        }
    }
}

fn plan(today: &Day<'_>, tomorrow: &Day<'_>, past: &[&Day<'_>], terms: &Terms) -> Vec<[Levels; 2]> {
    let Some(yesterday) = past.last() else {
        return vec![[Levels::storing(terms); 2]; today.steps.len()];
    };
    let turnover_kwh: f64 = past.iter().map(|day| day.need_kwh + day.surplus_kwh).sum();
    let alike_kwh = RESEMBLES * turnover_kwh / past.len() as f64;
    let mut mean: DayWorth = vec![[0.0; PARTS]; SLOTS];
    let (mut weights, mut recent) = (0.0, 1.0);
    for (n, day) in past.iter().enumerate().rev().take(REMEMBERED) {
        let after = past.get(n + 1).unwrap_or(day);
        let eve = n.checked_sub(1).and_then(|n| past.get(n));
        let kind = if day.is_weekend() == today.is_weekend() { 1.0 } else { OTHER_KIND };
        let weight = recent * kind * eve.map_or(1.0, |eve| likeness(eve, yesterday, alike_kwh));
        recent *= KEEPS;
        weights += weight;
        add(&mut mean, weight, &worth([day, after], [today, tomorrow], terms));
    }
    let steered = today.steps.iter().filter_map(|step| {
        let worth = mean.get(usize::from(step.slot))?;
        Some([from_worth(step, worth, weights, terms); 2])
    });
    steered.collect()
}

/// How much two days resemble each other, above 0 to 1.
fn likeness(one: &Day<'_>, other: &Day<'_>, alike_kwh: f64) -> f64 {
    let apart = (one.need_kwh - other.need_kwh).powi(2) + (one.surplus_kwh - other.surplus_kwh).powi(2);
    if alike_kwh > 0.0 { (-apart / (2.0 * alike_kwh * alike_kwh)).exp().max(1e-9) } else { 1.0 }
}

/// What charge would be worth after each half hour of the first of two days, at the prices of two others.
fn worth([first, second]: [&Day<'_>; 2], [today, tomorrow]: [&Day<'_>; 2], terms: &Terms) -> DayWorth {
    let mut worth = Worth::at_end(terms);
    for step in second.back_at(tomorrow) {
        worth.before(&step, terms);
    }
    let mut steps = first.back_at(today).peekable();
    let mut all = vec![[0.0; PARTS]; SLOTS];
    for (slot, parts) in all.iter_mut().enumerate().rev() {
        worth.sample(terms, parts);
        if let Some(step) = steps.next_if(|step| usize::from(step.slot) == slot) {
            worth.before(&step, terms);
        }
    }
    all
}

fn add(mean: &mut DayWorth, weight: f64, worth: &DayWorth) {
    for (sum, more) in mean.iter_mut().flatten().zip(worth.iter().flatten()) {
        *sum += weight * more;
    }
}

fn from_worth(step: &Step, worth: &[f64; PARTS], weights: f64, terms: &Terms) -> Levels {
    let part_kwh = terms.in_use_kwh() / PARTS as f64;
    Levels::of(step, terms, |price| {
        let worthy = worth.iter().take_while(|sum| **sum / weights > price + SAME);
        worthy.count() as f64 * part_kwh
    })
}
