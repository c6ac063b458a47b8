//! Three aligned rows of bars in one SVG: made, kept at home, bought. Across in parts of the width, down in units of the
//! text's size, so that text keeps its size on every page. All rows have one scale. Areas differ by pattern, not by
//! colour.

use jiff::Zoned;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use overspill_rules::time::WallTime;

use super::energy::{Bar, Energy, Step};
use super::span::Asked;
use crate::report::svg::{mark, marks};
use crate::report::words::kwh;

/// Height of the highest bar in rem, and the least height of a row's bars.
const BARS_REM: f64 = 7.0;
const LEAST_REM: f64 = 1.6;

/// Room for a row's words above it, and for what stands below its line.
const WORDS_REM: f64 = 1.9;
const FOOT_REM: f64 = 0.55;

/// Height of the line of times at the foot.
const TIMES_REM: f64 = 1.6;

/// The share of its room that a bar takes.
const BAR_SHARE: f64 = 0.86;

/// A bar is told to be incomplete where less than this of its time is known.
const COMPLETE: f64 = 0.9;

/// Labels at the foot, at most.
const LABELS: usize = 8;

/// A rectangle: `x` and `width` in percent, `y` and `height` in rem.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Area {
    /// `stayed`, `left`, `kept`, `bought`, `gap` or `base`.
    pub(crate) class: &'static str,
    pub(crate) x: String,
    pub(crate) y: String,
    pub(crate) width: String,
    pub(crate) height: String,
}

/// Words in the picture.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Words {
    /// `row`, `scale` or `time`, with the pages that have room for it.
    pub(crate) class: &'static str,
    pub(crate) x: String,
    pub(crate) y: String,
    pub(crate) text: String,
}

/// A line across, with its height in rem.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Line {
    pub(crate) y: String,
}

/// The whole picture.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Picture {
    pub(crate) height: String,
    pub(crate) areas: Vec<Area>,
    pub(crate) lines: Vec<Line>,
    pub(crate) words: Vec<Words>,
    /// Some of the bars are marked as not wholly known.
    pub(crate) has_gaps: bool,
}

/// What is drawn of a bar, from its foot up: class and height in kilowatt-hours; `None` where that is not known.
type Parts = fn(&Bar) -> Option<Vec<(&'static str, f64)>>;

/// One row.
struct Row {
    name: &'static str,
    sum: Option<f64>,
    parts: Parts,
}

/// The rows of a span. A home without a roof has one.
fn rows(energy: &Energy) -> Vec<Row> {
    let totals = &energy.totals;
    let bought = Row {
        name: "Bought",
        sum: totals.import.map(|e| e.kwh),
        parts: |bar| Some(vec![("bought", bar.bought?.max(0.0))]),
    };
    if totals.solar.is_none() {
        return vec![bought];
    }
    let made = Row {
        name: "Made",
        sum: totals.solar.map(|e| e.kwh),
        parts: |bar| {
            let made = bar.made?.max(0.0);
            let left = bar.kept.map_or(0.0, |kept| made - kept.clamp(0.0, made));
            Some(vec![("stayed", made - left), ("left", left)])
        },
    };
    let kept = Row {
        name: "Kept at home",
        sum: totals.self_use_kwh.map(|kwh| kwh.max(0.0)),
        parts: |bar| Some(vec![("kept", bar.kept?.max(0.0))]),
    };
    vec![made, kept, bought]
}

impl Picture {
    /// The picture of a span's energy.
    pub(crate) fn of(energy: &Energy, asked: &Asked, zone: &TimeZone) -> Picture {
        let mut draw = Draw { picture: Picture::default(), from: asked.from, to: asked.to, y: 0.0 };
        let rows = rows(energy);
        let most = rows.iter().map(|row| highest(energy, row)).fold(0.0, f64::max);
        let scale = marks(most);
        let rem_per_kwh = BARS_REM / most.max(scale.get(1).copied().unwrap_or(1.0));
        for row in &rows {
            draw.row(energy, row, rem_per_kwh, &scale);
        }
        for (class, at, text) in times(asked, energy.step, zone) {
            draw.time(class, at, text);
        }
        draw.picture.height = rem(draw.y + TIMES_REM);
        draw.picture
    }
}

fn highest(energy: &Energy, row: &Row) -> f64 {
    let heights =
        energy.bars.iter().filter_map(row.parts).map(|parts| parts.iter().map(|(_, kwh)| kwh).sum());
    heights.fold(0.0, f64::max)
}

struct Draw {
    picture: Picture,
    from: WallTime,
    to: WallTime,
    y: f64,
}

impl Draw {
    fn percent(&self, at: WallTime) -> f64 {
        ((at - self.from).as_hours() / (self.to - self.from).as_hours() * 100.0).clamp(0.0, 100.0)
    }

    fn area(&mut self, class: &'static str, (from, to): (f64, f64), (y, height): (f64, f64)) {
        self.picture.areas.push(Area {
            class,
            x: percent(from),
            width: percent(to - from),
            y: rem(y),
            height: rem(height),
        });
    }

    fn row(&mut self, energy: &Energy, row: &Row, rem_per_kwh: f64, scale: &[f64]) {
        let most = highest(energy, row);
        let height = (most * rem_per_kwh).max(LEAST_REM);
        let foot = self.y + WORDS_REM + height;
        self.row_words(row, foot, (most, rem_per_kwh), scale);
        for bar in &energy.bars {
            let (left, right) = (self.percent(bar.from), self.percent(bar.to));
            let inset = (right - left) * (1.0 - BAR_SHARE) / 2.0;
            let Some(parts) = (row.parts)(bar) else { continue };
            let mut top = foot;
            for (class, kwh) in parts.into_iter().filter(|(_, kwh)| *kwh > 0.0) {
                let high = kwh * rem_per_kwh;
                top -= high;
                self.area(class, (left + inset, right - inset), (top, high));
            }
        }
        self.ground(energy, row, foot);
        self.y = foot + FOOT_REM;
    }

    /// A line where the row is known, a dotted strip where it is not or not wholly.
    fn ground(&mut self, energy: &Energy, row: &Row, foot: f64) {
        let state = |bar: &Bar| match (row.parts)(bar) {
            None => "gap",
            Some(_) if bar.covered < COMPLETE => "some",
            Some(_) => "base",
        };
        let alike = energy.bars.chunk_by(|a, b| state(a) == state(b));
        for run in alike {
            let (Some(first), Some(last)) = (run.first(), run.last()) else { continue };
            let across = (self.percent(first.from), self.percent(last.to));
            let state = state(first);
            if state != "gap" {
                self.area("base", across, (foot, 0.07));
            }
            if state != "base" {
                self.area("gap", across, (foot + 0.07, FOOT_REM - 0.14));
                self.picture.has_gaps = true;
            }
        }
    }

    fn row_words(&mut self, row: &Row, foot: f64, (most, rem_per_kwh): (f64, f64), scale: &[f64]) {
        let sum = row.sum.map_or("not known".to_owned(), |sum| format!("{} kWh", kwh(sum)));
        self.words("row", 0.0, self.y + 1.1, format!("{} {sum}", row.name));
        // One line that is not above the bars is enough to read them by.
        let Some(value) = scale.iter().copied().rfind(|value| *value > 0.0 && *value <= most) else {
            return;
        };
        let y = foot - value * rem_per_kwh;
        self.picture.lines.push(Line { y: rem(y) });
        self.words("scale", 100.0, self.y + 1.1, format!("line at {} kWh", mark(value)));
    }

    fn words(&mut self, class: &'static str, x: f64, y: f64, text: String) {
        self.picture.words.push(Words { class, x: percent(x), y: rem(y), text });
    }

    fn time(&mut self, class: &'static str, at: WallTime, text: String) {
        let (x, y) = (self.percent(at), self.y + 1.1);
        self.words(class, x, y, text);
    }
}

/// Where the foot has times, and what they are called, each with its class: of many a narrow page shows every other.
pub(crate) fn times(asked: &Asked, step: Step, zone: &TimeZone) -> Vec<(&'static str, WallTime, String)> {
    let all = named_times(asked, step, zone);
    let is_many = all.len() > LABELS;
    let class = |n: usize| if is_many && n % 2 == 1 { "time only-wide" } else { "time" };
    all.into_iter().enumerate().map(|(n, (at, text))| (class(n), at, text)).collect()
}

fn named_times(asked: &Asked, step: Step, zone: &TimeZone) -> Vec<(WallTime, String)> {
    let hours = (asked.to - asked.from).as_hours();
    match step {
        Step::HalfHour if hours <= 30.0 => clock_times(asked, zone, hours),
        Step::HalfHour | Step::Day => {
            let form = if hours <= 24.0 * 7.1 { "%a" } else { "%-d %b" };
            spread(asked, dates(asked, |_| true), form, zone)
        }
        Step::Month => {
            let years = hours > 24.0 * 800.0;
            let first = move |date: Date| date.day() == 1 && (!years || date.month() == 1);
            spread(asked, dates(asked, first), if years { "%Y" } else { "%b" }, zone)
        }
    }
}

fn clock_times(asked: &Asked, zone: &TimeZone, hours: f64) -> Vec<(WallTime, String)> {
    let every =
        [1, 2, 3, 6].into_iter().find(|every| hours / f64::from(*every) <= LABELS as f64 + 0.1).unwrap_or(6);
    let mut all = Vec::new();
    let Some(begin) = asked.from.in_zone(zone) else { return all };
    let last = asked.last_day();
    let mut day = begin.date();
    while day <= last {
        for hour in (0..24).step_by(every as usize) {
            let local = day.at(hour, 0, 0, 0);
            let Ok(at) = zone.to_ambiguous_zoned(local).compatible() else { continue };
            // An hour that the clock leaves out has no place.
            if at.datetime() == local {
                all.push((wall(&at), format!("{hour:02}:00")));
            }
        }
        let Ok(next) = day.tomorrow() else { break };
        day = next;
    }
    all.retain(|(at, _)| *at >= asked.from && *at < asked.to);
    all
}

/// Local days of the span that are wanted.
fn dates(asked: &Asked, wanted: impl Fn(Date) -> bool) -> Vec<Date> {
    let (mut all, mut date) = (Vec::new(), asked.first_day());
    while date <= asked.last_day() {
        if wanted(date) {
            all.push(date);
        }
        let Ok(next) = date.tomorrow() else { break };
        date = next;
    }
    all
}

/// No more of them than fit, and none that would stand out at the end.
fn spread(asked: &Asked, dates: Vec<Date>, form: &str, zone: &TimeZone) -> Vec<(WallTime, String)> {
    let (most, up_to) = match form {
        "%b" => (12, 0.95),
        "%-d %b" => (6, 0.88),
        _ => (7, 0.88),
    };
    let every = dates.len().div_ceil(most).max(1);
    let each = dates.into_iter().step_by(every);
    let each = each.filter_map(|date| {
        let start = wall(&date.to_zoned(zone.clone()).ok()?);
        let share = (start - asked.from).as_hours() / (asked.to - asked.from).as_hours();
        (share <= up_to).then(|| (start, date.strftime(form).to_string()))
    });
    each.collect()
}

fn wall(at: &Zoned) -> WallTime {
    WallTime(at.timestamp().as_millisecond())
}

pub(super) fn percent(value: f64) -> String {
    format!("{value:.2}%")
}

pub(super) fn rem(value: f64) -> String {
    format!("{value:.2}rem")
}
