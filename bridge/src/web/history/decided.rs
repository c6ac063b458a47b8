//! What was decided for the loads in a span: marks on the time of the curves, and the same as a list.

use jiff::tz::TimeZone;
use overspill_rules::home::{Home, Load};
use overspill_rules::time::WallTime;

use super::curves::{Curves, Stroke};
use super::picture::{Area, Words, percent, rem};
use super::span::Asked;
use crate::store::{DecisionRow, StoreError, StoreReader};
use crate::web::loads::did;
use crate::web::speech;

/// Decisions are told for so many days at once.
const DECIDED_DAYS: f64 = 7.1;

/// So many marks are told for one load: more can't be told apart.
const MOST: usize = 60;

const WORDS_REM: f64 = 1.9;
const STRIP_REM: f64 = 0.9;
const FOOT_REM: f64 = 0.4;

/// One decision.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Mark {
    pub(crate) at: WallTime,
    pub(crate) on: bool,
    /// What it had the load do and why.
    pub(crate) said: String,
}

/// What was decided for one load.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LoadDecided {
    /// Its id.
    pub(crate) id: String,
    /// What it is called.
    pub(crate) name: String,
    /// Whether it was on when the span began.
    pub(crate) was_on: bool,
    /// How many decisions there are.
    pub(crate) count: usize,
    /// How many of them switched it on or off.
    pub(crate) switchings: usize,
    /// Every decision, or where they are too many its starts and stops; none where these are too many.
    pub(crate) marks: Vec<Mark>,
}

/// What was decided in a span; nothing where that is too long.
///
/// # Errors
/// When the journal can't be read.
pub(crate) fn decided(
    journal: &StoreReader,
    home: &Home,
    asked: &Asked,
    now: WallTime,
) -> Result<Vec<LoadDecided>, StoreError> {
    if asked.length_days() > DECIDED_DAYS {
        return Ok(Vec::new());
    }
    let mut all = Vec::new();
    for id in home.loads_by_turn() {
        let load = home.load(id);
        let within = journal.decided_within(&load.id, asked.past(now), MOST)?;
        if within.count == 0 && within.was_on.is_none() {
            continue;
        }
        all.push(LoadDecided {
            id: load.id.clone(),
            name: load.name.clone(),
            was_on: within.was_on.unwrap_or(false),
            count: within.count,
            switchings: within.switchings,
            marks: within.rows.iter().filter_map(|row| mark(home, load, row)).collect(),
        });
    }
    Ok(all)
}

fn mark(home: &Home, load: &Load, row: &DecisionRow) -> Option<Mark> {
    let said = match row.reason.as_str() {
        "" => did(home, load, row),
        reason => format!("{}: {reason}", did(home, load, row)),
    };
    Some(Mark { at: row.at?, on: row.on, said })
}

impl LoadDecided {
    /// Whether its marks are left out because they are too many.
    fn is_too_many(&self) -> bool {
        self.marks.is_empty() && self.count > 0
    }

    /// What stands above its strip: what is marked, short enough for a phone.
    fn title(&self) -> String {
        let (count, word) = match self.marks.len() < self.count {
            true => (self.marks.len(), "start or stop"),
            false => (self.count, "decision"),
        };
        match (count, word) {
            (0, word) => format!("{}: no {word}", self.name),
            (1, word) => format!("{}: 1 {word}", self.name),
            (n, "decision") => format!("{}: {n} decisions", self.name),
            (n, _) => format!("{}: {n} starts and stops", self.name),
        }
    }

    /// When it was on, as far as is known at `end`.
    fn runs(&self, begin: WallTime, end: WallTime) -> Vec<(WallTime, WallTime)> {
        let mut runs = Vec::new();
        let mut since = self.was_on.then_some(begin);
        for mark in &self.marks {
            match (since, mark.on) {
                (None, true) => since = Some(mark.at),
                (Some(from), false) => {
                    runs.push((from, mark.at));
                    since = None;
                }
                _ => {}
            }
        }
        runs.extend(since.map(|from| (from, end)));
        runs
    }
}

/// Why some are not marked, in sentences.
pub(super) fn unmarked(decided: &[LoadDecided], asked: &Asked, home: &Home) -> Vec<String> {
    if asked.length_days() > DECIDED_DAYS {
        return match home.loads.is_empty() {
            true => Vec::new(),
            false => vec!["What was decided for the loads is marked for at most a week at once.".to_owned()],
        };
    }
    let too_many = decided.iter().filter(|load| load.is_too_many());
    let told = |load: &LoadDecided| {
        format!(
            "{}: {} starts and stops are too many to be marked here; look at a shorter time.",
            load.name, load.switchings
        )
    };
    too_many.map(told).collect()
}

/// A strip for each load below the curves: filled while it was on, a line for each mark.
pub(super) fn draw(
    curves: &mut Curves,
    decided: &[LoadDecided],
    asked: &Asked,
    now: WallTime,
    mut y: f64,
) -> f64 {
    let length = (asked.to - asked.from).as_hours();
    let across = |at: WallTime| ((at - asked.from).as_hours() / length * 100.0).clamp(0.0, 100.0);
    for load in decided.iter().filter(|load| !load.is_too_many()) {
        curves.words.push(Words { class: "row", x: percent(0.0), y: rem(y + 1.1), text: load.title() });
        let top = y + WORDS_REM;
        for (from, to) in load.runs(asked.from, asked.past(now).1) {
            curves.strips.push(Area {
                class: "ran",
                x: percent(across(from)),
                width: percent(across(to) - across(from)),
                y: rem(top),
                height: rem(STRIP_REM),
            });
        }
        for mark in &load.marks {
            let x = percent(across(mark.at));
            curves.strokes.push(Stroke { x, top: rem(top - 0.2), foot: rem(top + STRIP_REM) });
        }
        curves.zeros.push(super::picture::Line { y: rem(top + STRIP_REM) });
        y = top + STRIP_REM + FOOT_REM;
    }
    y
}

/// A mark as a row of the list.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Told {
    pub(super) load: String,
    pub(super) name: String,
    pub(super) when: String,
    pub(super) said: String,
}

/// All marks in order of time.
pub(super) fn list(decided: &[LoadDecided], asked: &Asked, zone: &TimeZone) -> Vec<Told> {
    let form = if asked.length_days() > 1.3 { "%a %H:%M:%S" } else { "%H:%M:%S" };
    let when = |at: WallTime| at.in_zone(zone).map_or(String::new(), |z| z.strftime(form).to_string());
    let marks = decided.iter().flat_map(|load| load.marks.iter().map(move |mark| (load, mark)));
    let mut all: Vec<_> = marks.collect();
    all.sort_by_key(|(_, mark)| mark.at);
    let told = |(load, mark): (&LoadDecided, &Mark)| Told {
        load: load.id.clone(),
        name: load.name.clone(),
        when: when(mark.at),
        said: speech::sentence(&mark.said),
    };
    all.into_iter().map(told).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::span::SpanQuery;
    use super::*;

    fn at(minute: i64) -> WallTime {
        WallTime(minute * 60_000)
    }

    fn load(was_on: bool, count: usize, marks: &[(i64, bool)]) -> LoadDecided {
        let mark =
            |(minute, on): &(i64, bool)| Mark { at: at(*minute), on: *on, said: "off: dusk".to_owned() };
        LoadDecided {
            id: "water".to_owned(),
            name: "Hot water".to_owned(),
            was_on,
            count,
            switchings: 70,
            marks: marks.iter().map(mark).collect(),
        }
    }

    fn day() -> Asked {
        let query = SpanQuery { from: Some("1970-01-01".to_owned()), to: None };
        Asked::read(&query, &TimeZone::UTC, at(1440)).unwrap()
    }

    #[test]
    fn what_was_on_is_on_until_it_is_switched_off() {
        let runs = load(true, 4, &[(10, true), (20, false), (30, false), (40, true)]).runs(at(0), at(60));
        assert_eq!(runs, [(at(0), at(20)), (at(40), at(60))]);
        assert_eq!(load(false, 0, &[]).runs(at(0), at(60)), []);
    }

    #[test]
    fn a_strip_has_a_line_for_each_mark_and_says_what_is_left_out() {
        let mut curves = Curves::default();
        let few = [load(false, 2, &[(360, true), (720, false)])];
        let y = draw(&mut curves, &few, &day(), at(1440), 0.0);
        assert!(y > 3.0 && curves.strokes.len() == 2, "{curves:?}");
        assert_eq!((curves.strips[0].x.as_str(), curves.strips[0].width.as_str()), ("25.00%", "25.00%"));
        assert_eq!(curves.words[0].text, "Hot water: 2 decisions");
        assert_eq!(load(false, 900, &[(1, true), (2, false)]).title(), "Hot water: 2 starts and stops");
        let many = [load(false, 900, &[])];
        assert_eq!(
            draw(&mut Curves::default(), &many, &day(), at(1440), 0.0),
            0.0,
            "no strip without its marks"
        );
    }

    #[test]
    fn the_list_is_in_order_of_time() {
        let both = [load(false, 2, &[(30, true), (90, false)]), load(false, 1, &[(60, true)])];
        let told: Vec<String> = list(&both, &day(), &TimeZone::UTC)
            .into_iter()
            .map(|t| format!("{} {}", t.when, t.said))
            .collect();
        assert_eq!(told, ["00:30:00 Off: dusk.", "01:00:00 Off: dusk.", "01:30:00 Off: dusk."]);
    }
}
