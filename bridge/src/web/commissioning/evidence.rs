//! How every point reads, with a line of the last minutes.

use overspill_rules::commission::Sample;
use overspill_rules::time::{Span, WallTime};

use crate::commission::board::Look;

/// The line shows so much time.
pub(crate) const LATELY: Span = Span::minutes(2);

/// The line's room: its viewBox.
const WIDTH: f64 = 120.0;
const HEIGHT: f64 = 30.0;

/// Steps smaller than this are noise on the line, in watts.
const LEAST_W: f64 = 100.0;

/// A point as a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Reading {
    pub(super) id: String,
    pub(super) measures: String,
    /// Watts, in words.
    pub(super) watts: String,
    /// How old that is, in words; or what is wrong.
    pub(super) age: String,
    pub(super) is_old: bool,
    /// Corners of its line, as SVG has them; empty where there is none.
    pub(super) line: String,
    /// Where nothing flows, in the line's room.
    pub(super) zero: String,
}

/// A point as a row, at this time.
pub(super) fn reading(look: &Look, now: WallTime) -> Reading {
    let newest = look.lately.last();
    let age = match (newest, &look.refused) {
        (Some(sample), None) => format!("{} ago", Span((now - sample.at).0.max(0) / 1000 * 1000)),
        (_, Some(why)) => format!("refused: {why}"),
        (None, None) => "nothing heard lately".to_owned(),
    };
    let (line, zero) = line(&look.lately, now);
    Reading {
        id: look.id.clone(),
        measures: look.measures.clone(),
        watts: newest.map_or_else(|| "–".to_owned(), |sample| watts(sample.watts)),
        age,
        is_old: look.is_old,
        line,
        zero,
    }
}

/// Whole watts, with a true minus.
pub(super) fn watts(w: f64) -> String {
    let whole = w.round();
    let sign = if whole < 0.0 { "\u{2212}" } else { "" };
    format!("{sign}{:.0} W", whole.abs())
}

/// The corners of the line and the height of zero. Each reading holds until the next.
fn line(lately: &[Sample], now: WallTime) -> (String, String) {
    let least = lately.iter().map(|s| s.watts).fold(0.0, f64::min);
    let most = lately.iter().map(|s| s.watts).fold(0.0, f64::max).max(least + LEAST_W);
    let y = |watts: f64| HEIGHT - 2.0 - (HEIGHT - 4.0) * (watts - least) / (most - least);
    let x = |at: WallTime| (WIDTH * (1.0 - (now - at).0 as f64 / LATELY.0 as f64)).clamp(0.0, WIDTH);
    let mut corners = Vec::new();
    for (i, sample) in lately.iter().enumerate() {
        let until = lately.get(i + 1).map_or(now, |next| next.at);
        let height = y(sample.watts);
        corners.push(format!("{:.1},{height:.1} {:.1},{height:.1}", x(sample.at), x(until)));
    }
    (corners.join(" "), format!("{:.1}", y(0.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(lately: &[(i64, f64)]) -> Look {
        Look {
            id: "grid".to_owned(),
            measures: "the supply".to_owned(),
            lately: lately
                .iter()
                .map(|(s, watts)| Sample { at: WallTime(s * 1000), watts: *watts })
                .collect(),
            is_old: false,
            refused: None,
        }
    }

    #[test]
    fn the_newest_reading_is_told_with_its_age() {
        let told = reading(&look(&[(100, 400.0), (110, -1234.6)]), WallTime(112_400));
        assert_eq!((told.watts.as_str(), told.age.as_str()), ("\u{2212}1235 W", "2 s ago"));
        let silent = reading(&look(&[]), WallTime(0));
        assert_eq!(
            (silent.watts.as_str(), silent.age.as_str(), silent.line.as_str()),
            ("–", "nothing heard lately", "")
        );
    }

    #[test]
    fn a_switched_kettle_is_a_step_of_the_line() {
        let told = reading(&look(&[(0, 0.0), (60, 2400.0)]), WallTime(120_000));
        assert_eq!(told.line, "0.0,28.0 60.0,28.0 60.0,2.0 120.0,2.0");
        assert_eq!(told.zero, "28.0");
    }
}
