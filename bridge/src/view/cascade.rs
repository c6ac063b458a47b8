//! The picture: bars as long as their watts, each beginning where the one before ended.

use super::text::{cut, padded};
use super::whole;

/// Width of the words before the figure, and of the figure.
const WORDS: usize = 19;
const FIGURE: usize = 9;

/// A step of the cascade, from top to bottom.
#[derive(Debug, Clone, PartialEq)]
struct Step {
    words: String,
    watts: Option<f64>,
    way: Way,
    note: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    /// Power comes in.
    Source,
    /// Power is used.
    Use,
    /// What is left over, or missing.
    Street,
}

/// What [`Cascade::parts`] makes.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Part {
    /// One row of words, figure and bar.
    Row(String),
    /// Words that belong to the row above.
    Note(String),
}

/// The steps, collected.
#[derive(Debug, Clone, Default)]
pub(super) struct Cascade {
    steps: Vec<Step>,
}

impl Cascade {
    pub(super) fn source(&mut self, words: &str, watts: Option<f64>) {
        self.push(words, watts, Way::Source);
    }

    pub(super) fn using(&mut self, words: &str, watts: Option<f64>) {
        self.push(words, watts, Way::Use);
    }

    /// The street comes last: it gets what is left over, or gives what is missing.
    pub(super) fn street(&mut self, grid_w: Option<f64>) {
        let words = match grid_w.map(whole) {
            Some(w) if w > 0.0 => "the street gives",
            Some(w) if w < 0.0 => "the street gets",
            _ => "the street",
        };
        self.push(words, grid_w, Way::Street);
    }

    /// Words for the last step.
    pub(super) fn note(&mut self, text: &str) {
        if let Some(step) = self.steps.last_mut() {
            step.note = Some(text.to_owned());
        }
    }

    fn push(&mut self, words: &str, watts: Option<f64>, way: Way) {
        self.steps.push(Step { words: words.to_owned(), watts, way, note: None });
    }

    /// The picture, `columns` wide.
    pub(super) fn parts(&self, columns: usize, bars: bool, ascii: bool) -> Vec<Part> {
        let words = if bars { WORDS } else { columns.saturating_sub(FIGURE + 1).min(WORDS + 6) };
        let width = if bars { columns.saturating_sub(WORDS + FIGURE + 2) } else { 0 };
        let full_w = self.full_scale_w();
        let mut parts = Vec::new();
        if width > 0 {
            parts.push(Part::Row(axis(words, width, full_w)));
        }
        let (mut supplied_w, mut used_w) = (0.0, 0.0);
        for step in &self.steps {
            let watts = step.watts.unwrap_or(0.0);
            let (from, to) = match step.way {
                Way::Source => (supplied_w, supplied_w + watts),
                Way::Use => (used_w, used_w + watts),
                Way::Street if watts < 0.0 => (supplied_w + watts, supplied_w),
                Way::Street => (supplied_w, supplied_w + watts),
            };
            match step.way {
                Way::Source => supplied_w = to,
                Way::Use => used_w = to,
                Way::Street => {}
            }
            let bar = bar(from, to, full_w, width, ink(step, ascii));
            let figure = figure(step);
            parts.push(Part::Row(format!(
                "{} {figure:>FIGURE$} {bar}",
                padded(&cut(&step.words, words), words)
            )));
            parts.extend(step.note.clone().map(Part::Note));
        }
        parts
    }

    /// The power at the right end, in watts: a round figure, so that bars don't change with every reading.
    fn full_scale_w(&self) -> f64 {
        let sum = |way: Way| {
            let steps = self.steps.iter().filter(|s| s.way == way);
            steps.filter_map(|s| s.watts).filter(|w| *w > 0.0).sum::<f64>()
        };
        let most = sum(Way::Use).max(sum(Way::Source) + sum(Way::Street));
        let rounds =
            [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0, 40.0, 60.0, 80.0, 100.0];
        rounds.into_iter().map(|kw| kw * 1000.0).find(|w| *w >= most).unwrap_or(most)
    }
}

fn axis(words: usize, width: usize, full_w: f64) -> String {
    let end = format!("{:.0} kW", full_w / 1000.0);
    let gap = width.saturating_sub(1);
    format!("{:before$}0{end:>gap$}", "", before = words + FIGURE + 2)
}

fn figure(step: &Step) -> String {
    match (step.watts, step.way) {
        (None, _) => "not known".to_owned(),
        // The words say which way it flows.
        (Some(watts), Way::Street) => format!("{:.0} W", whole(watts).abs()),
        (Some(watts), _) => format!("{:.0} W", whole(watts)),
    }
}

fn ink(step: &Step, ascii: bool) -> char {
    let gets = step.watts.is_some_and(|w| w < 0.0);
    match (step.way, ascii) {
        (Way::Source, false) => '█',
        (Way::Source, true) => '=',
        (Way::Use, false) => '▓',
        (Way::Use, true) => '#',
        (Way::Street, false) => {
            if gets {
                '░'
            } else {
                '▒'
            }
        }
        (Way::Street, true) => {
            if gets {
                '>'
            } else {
                '+'
            }
        }
    }
}

/// Blank up to `from`, then ink up to `to`; something that flows is never shorter than one column.
fn bar(from: f64, to: f64, full_w: f64, width: usize, ink: char) -> String {
    if whole(to - from) <= 0.0 || width == 0 {
        return String::new();
    }
    let column = |watts: f64| ((watts.max(0.0) / full_w * width as f64).round() as usize).min(width);
    let start = column(from).min(width.saturating_sub(1));
    let length = column(to).saturating_sub(start).max(1);
    format!("{}{}", " ".repeat(start), String::from(ink).repeat(length))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_begins_where_the_one_before_ended() {
        assert_eq!(bar(0.0, 1000.0, 4000.0, 8, '#'), "##");
        assert_eq!(bar(1000.0, 4000.0, 4000.0, 8, '#'), "  ######");
    }

    #[test]
    fn a_little_is_seen_and_nothing_is_not() {
        assert_eq!(bar(4000.0, 4010.0, 4000.0, 8, '#'), "       #");
        assert_eq!(bar(100.0, 100.0, 4000.0, 8, '#'), "");
        assert_eq!(bar(0.0, -12.0, 4000.0, 8, '#'), "", "standby at night is no bar");
    }
}
