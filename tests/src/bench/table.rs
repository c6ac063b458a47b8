//! The table that the bench prints.

use std::fmt::Write;

use serde_json::{Value, json};

use super::reference;

/// One figure of a row, with the bar it must reach.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What it is.
    pub name: String,
    /// What was reached.
    pub reached: f64,
    /// The bar.
    pub bar: f64,
    /// Whether more is better.
    pub more_is_better: bool,
    /// Its unit.
    pub unit: &'static str,
}

/// One row: a case and its figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The case.
    pub name: String,
    /// Its figures.
    pub figures: Vec<Figure>,
}

/// A figure that must not be below its bar.
pub fn at_least(name: &str, reached: f64, bar: f64, unit: &'static str) -> Figure {
    Figure { name: name.to_owned(), reached, bar, more_is_better: true, unit }
}

/// A figure that must not be above its bar.
pub fn at_most(name: &str, reached: f64, bar: f64, unit: &'static str) -> Figure {
    Figure { name: name.to_owned(), reached, bar, more_is_better: false, unit }
}

impl Figure {
    /// Whether it reaches its bar, at the precision at which the bar is given.
    pub fn is_reached(&self) -> bool {
        let half_a_digit = if self.unit == "%" { 0.5 } else { 0.005 };
        if self.more_is_better {
            self.reached >= self.bar - half_a_digit
        } else {
            self.reached <= self.bar + half_a_digit
        }
    }
}

impl Row {
    /// A row.
    pub fn new(name: &str, figures: Vec<Figure>) -> Row {
        Row { name: name.to_owned(), figures }
    }

    /// Whether every figure reaches its bar.
    pub fn is_reached(&self) -> bool {
        self.figures.iter().all(Figure::is_reached)
    }
}

/// One row as text: each figure with its bar, and what the reference reached where it had the case.
pub fn print(row: &Row) -> String {
    let mut text = format!("{}\n", row.name);
    for figure in &row.figures {
        let mark = if figure.is_reached() { "" } else { "   MISSED" };
        let sign = if figure.more_is_better { "at least" } else { "at most" };
        let reference = reference::of(&row.name, &figure.name).map_or_else(String::new, number);
        let (reached, bar) = (number(figure.reached), number(figure.bar));
        let _ = writeln!(
            text,
            "    {:<38} {reached:>9} {:<4} {sign:<8} {bar:>6}   {reference:>6}{mark}",
            figure.name, figure.unit
        );
    }
    text
}

/// What stands above the figures.
pub fn head() -> String {
    format!("    {:<38} {:>9} {:<4} {:<8} {:>6}   {:>6}", "", "reached", "", "bar", "", "design")
}

/// The rows for a machine.
pub fn json(rows: &[Row]) -> Value {
    let figure = |row: &Row, f: &Figure| {
        json!({
            "name": f.name, "unit": f.unit, "reached": f.reached, "bar": f.bar, "more_is_better": f.more_is_better,
            "reference": reference::of(&row.name, &f.name), "ok": f.is_reached(),
        })
    };
    let row = |r: &Row| {
        let figures: Vec<Value> = r.figures.iter().map(|f| figure(r, f)).collect();
        json!({ "case": r.name, "ok": r.is_reached(), "figures": figures })
    };
    rows.iter().map(row).collect()
}

fn number(value: f64) -> String {
    if value.fract() == 0.0 { format!("{value}") } else { format!("{value:.2}") }
}
