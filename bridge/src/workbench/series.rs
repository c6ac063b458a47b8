//! The notation for how something goes with time, and its value at a moment.
//!
//! ```text
//! 500                                    all the time
//! 500 for 10m, 3000                      500 for ten minutes, then 3000 to the end
//! ramp 500..3000 over 1h                 evenly from 500 to 3000, which then stays
//! step 500..3000 by 500 every 10m        500 for ten minutes, 1000 for ten minutes, .. up to 3000
//! (3000 for 5m, 400 for 5m) x 6          what is in brackets, six times
//! silent for 5m                          the device sends nothing: its last value goes stale
//! unreadable for 5m                      what it sends is no number
//! metered                                what the home's own flows make (points only)
//! no for 30m, yes                        yes and no, for `plugged` and `ready`
//! ```
//!
//! The last value stays to the end of the test. A part without `for` lasts to the end, so only the last can be without.

use std::ops::Range;

use overspill_rules::time::Span;

/// Brackets that repeat brackets make at most this many parts.
const MOST_PARTS: usize = 20_000;

/// What a device tells at a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Says {
    /// This number; yes is 1 and no is 0.
    Value(f64),
    /// Nothing.
    Nothing,
    /// Something that is no number.
    Unreadable,
    /// What the home's own flows make.
    Metered,
}

/// How something goes with time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Series {
    parts: Vec<Part>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Part {
    from: Says,
    to: Says,
    /// Where it ends, in milliseconds since the start of the test; `None` is never.
    until_ms: Option<i64>,
    /// Where it begins.
    since_ms: i64,
}

/// What is wrong with a notation, and where in it, in bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Misread {
    /// What is wrong.
    pub(crate) message: String,
    /// The place.
    pub(crate) place: Range<usize>,
}

impl Series {
    /// Nothing is ever told.
    pub(crate) fn nothing() -> Series {
        let says = Says::Nothing;
        Series { parts: vec![Part { from: says, to: says, until_ms: None, since_ms: 0 }] }
    }

    /// Reads the notation.
    ///
    /// # Errors
    /// What is wrong with it.
    pub(crate) fn parse(text: &str) -> Result<Series, Misread> {
        let mut reader = Reader { text, at: 0 };
        let pieces = reader.list()?;
        reader.blank();
        if reader.at < text.len() {
            return Err(reader.wrong("this was not expected; parts are separated by \",\""));
        }
        let mut parts = Vec::new();
        let mut since_ms = 0;
        for piece in pieces {
            let until_ms = piece.lasts.map(|span| since_ms + span.0);
            parts.push(Part { from: piece.from, to: piece.to, until_ms, since_ms });
            since_ms = until_ms.unwrap_or(since_ms);
        }
        Ok(Series { parts })
    }

    /// What is told so many milliseconds after the start.
    pub(crate) fn at(&self, ms: i64) -> Says {
        let next = self.parts.partition_point(|p| p.until_ms.is_some_and(|until| until <= ms));
        let Some(part) = self.parts.get(next) else {
            return self.parts.last().map_or(Says::Nothing, |p| p.to);
        };
        match (part.from, part.to, part.until_ms) {
            (Says::Value(from), Says::Value(to), Some(until)) => {
                let share = (ms - part.since_ms) as f64 / (until - part.since_ms) as f64;
                Says::Value(from + (to - from) * share)
            }
            (from, ..) => from,
        }
    }

    /// What truly is at a moment: the number, or the last one while none is told. `None` while the home's own flows
    /// make it, and before the first number.
    pub(crate) fn held_at(&self, ms: i64) -> Option<f64> {
        match self.at(ms) {
            Says::Value(value) => Some(value),
            Says::Metered => None,
            Says::Nothing | Says::Unreadable => {
                let begun = self.parts.partition_point(|p| p.since_ms <= ms);
                let told = self.parts.get(..begun)?.iter().rev();
                told.map(|p| p.to)
                    .find(|to| !matches!(to, Says::Nothing | Says::Unreadable))
                    .and_then(value_of)
            }
        }
    }

    /// Whether it is ever told by the home's own flows.
    pub(crate) fn is_ever_metered(&self) -> bool {
        self.parts.iter().any(|p| p.from == Says::Metered)
    }
}

fn value_of(says: Says) -> Option<f64> {
    match says {
        Says::Value(value) => Some(value),
        _ => None,
    }
}

/// One part before it has its place in time.
#[derive(Debug, Clone, Copy)]
struct Piece {
    from: Says,
    to: Says,
    lasts: Option<Span>,
}

struct Reader<'t> {
    text: &'t str,
    at: usize,
}

impl Reader<'_> {
    fn rest(&self) -> &str {
        self.text.get(self.at..).unwrap_or_default()
    }

    fn blank(&mut self) {
        self.at += self.rest().len() - self.rest().trim_start().len();
    }

    /// The word, number or sign that comes next.
    fn peek(&mut self) -> &str {
        self.blank();
        let rest = self.rest();
        let end = rest.find(|c: char| c.is_whitespace() || "(),".contains(c)).unwrap_or(rest.len());
        let end = if end == 0 { rest.chars().next().map_or(0, char::len_utf8) } else { end };
        rest.get(..end).unwrap_or_default()
    }

    fn next(&mut self) -> (String, Range<usize>) {
        let word = self.peek().to_owned();
        let place = self.at..self.at + word.len();
        self.at = place.end;
        (word, place)
    }

    fn takes(&mut self, word: &str) -> bool {
        let here = self.peek() == word;
        if here {
            self.at += word.len();
        }
        here
    }

    fn wrong(&mut self, message: &str) -> Misread {
        let place = self.at..self.at + self.peek().len();
        let place = if place.is_empty() {
            self.at.saturating_sub(1)..self.at
        } else {
            self.at..self.at + self.peek().len()
        };
        Misread { message: message.to_owned(), place }
    }

    fn list(&mut self) -> Result<Vec<Piece>, Misread> {
        let mut pieces = Vec::new();
        loop {
            let before = pieces.last().is_some_and(|p: &Piece| p.lasts.is_none());
            if before {
                return Err(
                    self.wrong("the part before this lasts to the end; say how long, as in \"500 for 10m\"")
                );
            }
            self.item(&mut pieces)?;
            if pieces.len() > MOST_PARTS {
                return Err(self.wrong(&format!("this makes more than {MOST_PARTS} parts")));
            }
            if !self.takes(",") {
                return Ok(pieces);
            }
        }
    }

    fn item(&mut self, pieces: &mut Vec<Piece>) -> Result<(), Misread> {
        if self.takes("(") {
            return self.repeated(pieces);
        }
        let (word, place) = self.next();
        match word.as_str() {
            "ramp" => {
                let (from, to) = self.span_of_values()?;
                self.wants("over")?;
                let lasts = Some(self.duration()?);
                pieces.push(Piece { from: Says::Value(from), to: Says::Value(to), lasts });
                Ok(())
            }
            "step" => self.steps(pieces),
            other => {
                let says = said(other).ok_or_else(|| Misread {
                    message: match other {
                        "" => "a value is missing".to_owned(),
                        _ => format!(
                            "`{other}` is no value: write a number, yes, no, ramp, step, silent, unreadable or metered"
                        ),
                    },
                    place: if place.is_empty() { place.start.saturating_sub(1)..place.start } else { place },
                })?;
                let lasts = if self.takes("for") { Some(self.duration()?) } else { None };
                pieces.push(Piece { from: says, to: says, lasts });
                Ok(())
            }
        }
    }

    fn repeated(&mut self, pieces: &mut Vec<Piece>) -> Result<(), Misread> {
        let inner = self.list()?;
        if !self.takes(")") {
            return Err(self.wrong("`)` is missing"));
        }
        if inner.iter().any(|p| p.lasts.is_none()) {
            return Err(self.wrong(
                "what is repeated needs an end: say how long each part lasts, as in \"500 for 10m\"",
            ));
        }
        self.wants("x")?;
        let (word, place) = self.next();
        let times: Option<usize> = word.parse().ok().filter(|n| (1..=MOST_PARTS).contains(n));
        let Some(times) = times.filter(|n| inner.len().saturating_mul(*n) <= MOST_PARTS) else {
            let message = format!(
                "`{word}` is no number of times: 1 or more, and no more than {MOST_PARTS} parts in all"
            );
            return Err(Misread { message, place });
        };
        for _ in 0..times {
            pieces.extend(&inner);
        }
        Ok(())
    }

    fn steps(&mut self, pieces: &mut Vec<Piece>) -> Result<(), Misread> {
        let (from, to) = self.span_of_values()?;
        self.wants("by")?;
        let (word, place) = self.next();
        let by = number(&word).map(f64::abs).filter(|by| *by > 0.0);
        let count = by.map(|by| ((to - from).abs() / by + 1e-9).floor());
        let (Some(by), Some(count)) = (by, count.filter(|n| *n < MOST_PARTS as f64)) else {
            let message = format!("`{word}` is no step from {from} to {to}");
            return Err(Misread { message, place });
        };
        self.wants("every")?;
        let lasts = Some(self.duration()?);
        for n in 0..=(count as usize) {
            let says = Says::Value(from + (to - from).signum() * by * n as f64);
            pieces.push(Piece { from: says, to: says, lasts });
        }
        Ok(())
    }

    fn span_of_values(&mut self) -> Result<(f64, f64), Misread> {
        let (word, place) = self.next();
        let ends = word.split_once("..").and_then(|(from, to)| Some((number(from)?, number(to)?)));
        ends.ok_or_else(|| Misread {
            message: format!("`{word}` is not from one value to another; write it as in 500..3000"),
            place,
        })
    }

    fn wants(&mut self, word: &str) -> Result<(), Misread> {
        if self.takes(word) { Ok(()) } else { Err(self.wrong(&format!("`{word}` is missing before this"))) }
    }

    /// A duration up to the next sign, spaces included.
    fn duration(&mut self) -> Result<Span, Misread> {
        self.blank();
        let rest = self.rest();
        let end = rest.find([',', ')', '(']).unwrap_or(rest.len());
        let text = rest.get(..end).unwrap_or_default().trim_end().to_owned();
        let place = self.at..self.at + text.len();
        self.at = place.end;
        match Span::parse(&text) {
            Ok(span) if span > Span::ZERO => Ok(span),
            _ => Err(Misread {
                message: format!("`{text}` is no duration: write it as in 30s, 10m or 1h 30m"),
                place: if place.is_empty() { place.start.saturating_sub(1)..place.start } else { place },
            }),
        }
    }
}

fn said(word: &str) -> Option<Says> {
    match word {
        "yes" => Some(Says::Value(1.0)),
        "no" => Some(Says::Value(0.0)),
        "silent" => Some(Says::Nothing),
        "unreadable" => Some(Says::Unreadable),
        "metered" => Some(Says::Metered),
        other => number(other).map(Says::Value),
    }
}

fn number(text: &str) -> Option<f64> {
    let plain = text.chars().all(|c| c.is_ascii_digit() || ".-+".contains(c));
    text.parse::<f64>().ok().filter(|n| plain && n.is_finite())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use proptest::prelude::*;

    use super::*;

    fn at(text: &str, minutes: f64) -> Says {
        Series::parse(text).unwrap().at((minutes * 60_000.0) as i64)
    }

    #[test]
    fn each_part_of_the_notation_says_what_it_reads_like() {
        let text = "500 for 10m, ramp 500..3500 over 1h, silent for 5m, unreadable for 5m, 3000";
        assert_eq!(at(text, 0.0), Says::Value(500.0));
        assert_eq!(at(text, 9.99), Says::Value(500.0));
        assert_eq!(at(text, 40.0), Says::Value(2000.0));
        assert_eq!(at(text, 70.0), Says::Nothing);
        assert_eq!(at(text, 75.0), Says::Unreadable);
        assert_eq!(at(text, 5000.0), Says::Value(3000.0));
    }

    #[test]
    fn what_is_in_brackets_repeats_and_steps_are_stairs() {
        let text = "(3000 for 5m, 400 for 5m) x 2, 7";
        let seen: Vec<Says> = [0.0, 5.0, 10.0, 15.0, 20.0].iter().map(|m| at(text, *m)).collect();
        assert_eq!(seen, [3000.0, 400.0, 3000.0, 400.0, 7.0].map(Says::Value));
        let stairs = "step 500..-500 by 500 every 10m";
        let seen: Vec<Says> = [0.0, 10.0, 20.0, 90.0].iter().map(|m| at(stairs, *m)).collect();
        assert_eq!(seen, [500.0, 0.0, -500.0, -500.0].map(Says::Value));
    }

    #[test]
    fn the_last_value_stays() {
        assert_eq!(at("ramp 0..10 over 1m", 3.0), Says::Value(10.0));
        assert_eq!(at("no for 30m, yes", 31.0), Says::Value(1.0));
        assert_eq!(at("5 for 1m, silent", 500.0), Says::Nothing);
    }

    fn misread(text: &str) -> String {
        let why = Series::parse(text).unwrap_err();
        format!("{} [{}]", why.message, text.get(why.place).unwrap())
    }

    #[test]
    fn a_slip_is_told_at_its_place() {
        insta::assert_snapshot!(misread("500, 300"), @r#"the part before this lasts to the end; say how long, as in "500 for 10m" [300]"#);
        insta::assert_snapshot!(misread("500 fro 10m"), @r#"this was not expected; parts are separated by "," [fro]"#);
        insta::assert_snapshot!(misread("500 for 10"), @"`10` is no duration: write it as in 30s, 10m or 1h 30m [10]");
        insta::assert_snapshot!(misread("ramp 500-3000 over 1h"), @"`500-3000` is not from one value to another; write it as in 500..3000 [500-3000]");
        insta::assert_snapshot!(misread("ramp 500..3000 for 1h"), @"`over` is missing before this [for]");
        insta::assert_snapshot!(misread("(500 for 1m"), @"`)` is missing [m]");
        insta::assert_snapshot!(misread("(500) x 3"), @r#"what is repeated needs an end: say how long each part lasts, as in "500 for 10m" [x]"#);
        insta::assert_snapshot!(misread("(5 for 1m) x 0"), @"`0` is no number of times: 1 or more, and no more than 20000 parts in all [0]");
        insta::assert_snapshot!(misread("silence for 5m"), @"`silence` is no value: write a number, yes, no, ramp, step, silent, unreadable or metered [silence]");
        insta::assert_snapshot!(misread("5 for 1m,"), @"a value is missing [,]");
        insta::assert_snapshot!(misread("((1 for 1s, 2 for 1s) x 10000) x 10000"), @"`10000` is no number of times: 1 or more, and no more than 20000 parts in all [10000]");
    }

    proptest! {
        #[test]
        fn no_text_does_harm(text in "[0-9a-z.,()x -]{0,60}") {
            if let Ok(series) = Series::parse(&text) {
                series.at(0);
                series.at(i64::MAX / 4);
            }
        }

        #[test]
        fn a_ramp_stays_between_its_ends(from in -9e3..9e3f64, to in -9e3..9e3f64, ms in 0..7_200_000i64) {
            let series = Series::parse(&format!("ramp {from}..{to} over 1h")).unwrap();
            let value = series.held_at(ms).unwrap();
            prop_assert!(value >= from.min(to) - 1e-6 && value <= from.max(to) + 1e-6);
        }
    }
}
