//! Curves of power as one SVG: a panel for each point, all with one scale. Lines are drawn in a picture that stretches
//! with the page; words stand beside it and keep their size.

use std::fmt::Write as _;

use jiff::tz::TimeZone;
use overspill_rules::home::Measures;
use overspill_rules::time::WallTime;

use super::decided::{self, LoadDecided};
use super::energy::Step;
use super::picture::{Area, Line, Words, percent, rem, times};
use super::power::Curve;
use super::span::Asked;
use crate::report::svg::{mark, marks};
use crate::report::words::power;
use crate::store::Bucket;

/// The highest panel, all of them together, and the least, in rem.
const PANEL_REM: f64 = 8.0;
const ALL_REM: f64 = 20.0;
const LEAST_REM: f64 = 1.6;

const WORDS_REM: f64 = 2.4;
const FOOT_REM: f64 = 0.5;
const TIMES_REM: f64 = 1.6;

/// Across, a panel has so many units; down, so many for each rem.
const ACROSS: f64 = 2000.0;
const DOWN: f64 = 100.0;

/// A line is broken where nothing was heard for so many times the usual interval.
const BROKEN_AFTER: f64 = 2.5;

/// The power of one point.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Panel {
    pub(crate) y: String,
    pub(crate) height: String,
    /// Its height in units of its own.
    pub(crate) down: String,
    /// From the least to the greatest.
    pub(crate) band: String,
    pub(crate) mean: String,
}

/// A line down.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Stroke {
    pub(crate) x: String,
    pub(crate) top: String,
    pub(crate) foot: String,
}

/// All of them.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Curves {
    pub(crate) height: String,
    pub(crate) panels: Vec<Panel>,
    /// Where nothing flows.
    pub(crate) zeros: Vec<Line>,
    pub(crate) lines: Vec<Line>,
    pub(crate) words: Vec<Words>,
    /// When each load was on.
    pub(crate) strips: Vec<Area>,
    /// Where something was decided for it.
    pub(crate) strokes: Vec<Stroke>,
    /// The greatest of each, in sentences.
    pub(crate) greatest: Vec<String>,
    /// Why some are not shown.
    pub(crate) unshown: Vec<String>,
    /// The ends in milliseconds since 1970, for the script.
    pub(crate) ends: (i64, i64),
}

/// The least and the greatest power of a point, with nothing between them.
fn range(curve: &Curve) -> (f64, f64) {
    let reach = |(low, high): (f64, f64), bucket: &Bucket| (low.min(bucket.min), high.max(bucket.max));
    curve.buckets.iter().fold((0.0, 0.0), reach)
}

impl Curves {
    /// Whether there is anything to see.
    pub(crate) fn is_empty(&self) -> bool {
        self.panels.is_empty()
    }

    /// The curves of a span.
    pub(crate) fn of(
        (curves, decided): (&[Curve], &[LoadDecided]),
        asked: &Asked,
        step: Step,
        zone: &TimeZone,
        now: WallTime,
    ) -> Curves {
        let mut all = Curves { ends: (asked.from.0, asked.to.0), ..Curves::default() };
        all.unshown = curves.iter().filter_map(|curve| curve.unshown.clone()).collect();
        let shown: Vec<&Curve> = curves.iter().filter(|curve| !curve.buckets.is_empty()).collect();
        let lengths: Vec<f64> =
            shown.iter().map(|curve| range(curve)).map(|(low, high)| high - low).collect();
        let most = lengths.iter().copied().fold(1.0, f64::max);
        let rem_per_w = (PANEL_REM / most).min(ALL_REM / lengths.iter().sum::<f64>().max(1.0));
        let mut y = 0.0;
        for curve in &shown {
            y = all.panel(curve, asked, rem_per_w, y);
            all.greatest.push(greatest(curve, step, zone));
        }
        if !shown.is_empty() {
            y = decided::draw(&mut all, decided, asked, now, y);
        }
        let across = |at: WallTime| (at - asked.from).as_hours() / (asked.to - asked.from).as_hours() * 100.0;
        for (class, at, text) in times(asked, step, zone) {
            all.words.push(Words { class, x: percent(across(at)), y: rem(y + 1.1), text });
        }
        all.height = rem(y + TIMES_REM);
        all
    }

    /// Gives where the next one begins.
    fn panel(&mut self, curve: &Curve, asked: &Asked, rem_per_w: f64, y: f64) -> f64 {
        let (low, high) = range(curve);
        let height = ((high - low) * rem_per_w).max(LEAST_REM);
        let top = y + WORDS_REM;
        // Where it is less high than its least height, zero is at its foot.
        let zero = top + height + low * rem_per_w;
        let name = match curve.measures {
            Measures::Grid(overspill_rules::home::Side::Both) => {
                format!("{}: in above the line, out below", curve.name)
            }
            Measures::Battery => format!("{}: out of it above the line, into it below", curve.name),
            _ => curve.name.clone(),
        };
        self.word("row", y + 1.1, name);
        self.zeros.push(Line { y: rem(zero) });
        for value in [one_mark(high), -one_mark(-low)].into_iter().filter(|value| *value != 0.0) {
            let at = zero - value * rem_per_w;
            self.lines.push(Line { y: rem(at) });
            self.word("scale", at - 0.2, format!("{} kW", mark(value.abs() / 1000.0)));
        }
        let length = (asked.to - asked.from).as_hours();
        let x = |at: f64| ((at - asked.from.0 as f64) / 3.6e6 / length * ACROSS).round();
        let down = |watts: f64| ((zero - top - watts * rem_per_w) * DOWN).round();
        let (mut band, mut mean) = (String::new(), String::new());
        for run in runs(&curve.buckets) {
            draw(run, x, down, &mut band, &mut mean);
        }
        let down = format!("{:.0}", height * DOWN);
        self.panels.push(Panel { y: rem(top), height: rem(height), down, band, mean });
        top + height + FOOT_REM
    }

    fn word(&mut self, class: &'static str, y: f64, text: String) {
        self.words.push(Words { class, x: percent(0.0), y: rem(y), text });
    }
}

/// A round power below `most` to read the curve by; 0 where there is none.
fn one_mark(most: f64) -> f64 {
    if most < 50.0 {
        return 0.0;
    }
    marks(most).into_iter().rfind(|value| *value <= most).unwrap_or(0.0)
}

/// Buckets between which nothing is missing.
fn runs(buckets: &[Bucket]) -> impl Iterator<Item = &[Bucket]> {
    let mut steps: Vec<i64> = buckets.windows(2).map(|pair| pair[1].start.0 - pair[0].start.0).collect();
    steps.sort_unstable();
    let usual = steps.get(steps.len() / 2).copied().unwrap_or(i64::MAX) as f64;
    buckets.chunk_by(move |a, b| ((b.start.0 - a.start.0) as f64) <= usual * BROKEN_AFTER)
}

/// One run: an area from the least to the greatest where they differ, and a line of the means.
fn draw(
    run: &[Bucket],
    x: impl Fn(f64) -> f64,
    down: impl Fn(f64) -> f64,
    band: &mut String,
    mean: &mut String,
) {
    let middle = |bucket: &Bucket| x((bucket.start.0 + bucket.end.0) as f64 / 2.0);
    if run.iter().any(|bucket| bucket.max > bucket.min) {
        for (n, bucket) in run.iter().enumerate() {
            let _ = write!(band, "{}{} {}", if n == 0 { "M" } else { "L" }, middle(bucket), down(bucket.max));
        }
        for bucket in run.iter().rev() {
            let _ = write!(band, "L{} {}", middle(bucket), down(bucket.min));
        }
        band.push('Z');
    }
    for (n, bucket) in run.iter().enumerate() {
        let _ = write!(mean, "{}{} {}", if n == 0 { "M" } else { "L" }, middle(bucket), down(bucket.mean));
    }
    // A line of one point would not be seen.
    if let [only] = run {
        let _ = write!(mean, "H{}", x(only.end.0 as f64).max(middle(only) + 2.0));
    }
}

/// The greatest power of a curve, and when.
fn greatest(curve: &Curve, step: Step, zone: &TimeZone) -> String {
    let form = if step == Step::HalfHour { "%H:%M" } else { "%-d %B, %H:%M" };
    let when = |at: WallTime| at.in_zone(zone).map_or(String::new(), |z| z.strftime(form).to_string());
    let high = curve.buckets.iter().max_by(|a, b| a.max.total_cmp(&b.max));
    let low = curve.buckets.iter().min_by(|a, b| a.min.total_cmp(&b.min));
    let told = |word: &str, watts: f64, at: WallTime| format!("{word}{} about {}", power(watts), when(at));
    let (up, down) = match curve.measures {
        Measures::Grid(overspill_rules::home::Side::Both) => ("at most in ", "at most out "),
        Measures::Battery => ("at most out of it ", "at most into it "),
        _ => ("at most ", ""),
    };
    let up = high.filter(|b| b.max > 0.0).map(|b| told(up, b.max, b.start));
    let below = low.filter(|b| b.min < 0.0 && !down.is_empty()).map(|b| told(down, -b.min, b.start));
    let all: Vec<String> = up.into_iter().chain(below).collect();
    let words = if all.is_empty() { "nothing".to_owned() } else { all.join(", ") };
    format!("{}: {words}.", curve.name)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn bucket(minute: i64, min: f64, max: f64) -> Bucket {
        let start = WallTime(minute * 60_000);
        Bucket { start, end: WallTime(start.0 + 60_000), min, max, mean: f64::midpoint(min, max), count: 2 }
    }

    #[test]
    fn a_line_is_broken_where_readings_are_missing_and_not_where_they_are_slow() {
        let slow: Vec<Bucket> = (0..10).map(|n| bucket(n * 15, 1.0, 1.0)).collect();
        assert_eq!(runs(&slow).count(), 1);
        let with_gap: Vec<Bucket> =
            (0..10).map(|n| bucket(if n < 5 { n } else { n + 3 }, 1.0, 1.0)).collect();
        assert_eq!(runs(&with_gap).map(<[Bucket]>::len).collect::<Vec<_>>(), [5, 5]);
        assert_eq!(runs(&[]).count(), 0);
    }

    #[test]
    fn every_column_reaches_from_its_least_to_its_greatest() {
        let (mut band, mut mean) = (String::new(), String::new());
        let run = [bucket(0, 0.0, 100.0), bucket(1, -50.0, 9000.0), bucket(2, 10.0, 10.0)];
        draw(&run, |at| at / 60_000.0, |watts| -watts, &mut band, &mut mean);
        assert_eq!(band, "M0.5 -100L1.5 -9000L2.5 -10L2.5 -10L1.5 50L0.5 -0Z");
        assert_eq!(mean, "M0.5 -50L1.5 -4475L2.5 -10");
        let (mut band, mut mean) = (String::new(), String::new());
        draw(&[bucket(0, 5.0, 5.0)], |at| at / 60_000.0, |watts| -watts, &mut band, &mut mean);
        assert_eq!((band.as_str(), mean.as_str()), ("", "M0.5 -5H2.5"), "one reading alone is seen");
    }
}
