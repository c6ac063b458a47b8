//! What the dialogue says, as plain lines: at most 80 columns, and as few as a phone shows. Colour only adds.

use overspill_rules::commission::procedure::{Ask, HELP, Question, Standing, Step, StepResult};
use overspill_rules::time::Span;

use super::keeping::{LAPSED, NOT_BEGUN};
use crate::words::wrapped;

/// What the dialogue is shown on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Paper {
    /// Columns of a line.
    pub columns: usize,
    /// Whether colours may be added.
    pub styled: bool,
    /// Whether one line may be refreshed while something is awaited.
    pub live: bool,
}

/// Wider lines are hard to read; narrower ones hold no sentence.
const COLUMNS: (usize, usize) = (30, 80);

/// What whoever begins should have beside them.
const AT_HAND: &str = "Have at hand: a plain heater or kettle whose rating is printed on it, a calibrated clamp meter, and `overspill run` with \
                       this home file in another terminal.";

impl Paper {
    /// For a screen of so many columns.
    pub fn new(columns: usize, styled: bool, live: bool) -> Paper {
        Paper { columns: columns.clamp(COLUMNS.0, COLUMNS.1), styled, live }
    }

    /// A paragraph.
    pub(super) fn lines(self, text: &str, indent: &str) -> String {
        wrapped(text, indent, self.columns)
    }

    fn word(self, standing: Standing) -> String {
        let word = standing.word();
        if !self.styled {
            return word.to_owned();
        }
        let colour = match standing {
            Standing::Good => 32,
            Standing::Wrong => 31,
            Standing::Open => 33,
        };
        format!("\u{1b}[{colour}m{word}\u{1b}[0m")
    }

    /// What stands before the first step: how long it takes, what must be at hand, what may be typed.
    pub(super) fn opening(self, to_do: &[&Step]) -> String {
        let [first, .., last] = to_do else { return String::new() };
        let all = to_do.iter().fold(Span::ZERO, |sum, s| sum + s.lasts);
        let mut out = self.lines(
            &format!(
                "{} steps, from \"{}\" to \"{}\": about {} in all, and any of them can be done another day.",
                to_do.len(),
                first.title,
                last.title,
                rounded(all)
            ),
            "",
        );
        out += &self.lines(AT_HAND, "");
        out += &self.lines(&format!("{HELP}. ? at a question tells what fits."), "");
        out
    }

    /// The line that is refreshed while something is awaited: what is left of the time, and the newest readings.
    pub(super) fn live_line<'a>(
        self,
        left: Span,
        readings: impl Iterator<Item = (&'a str, Option<f64>)>,
    ) -> String {
        let mut line = left.to_string();
        for (id, watts) in readings {
            let told = watts.map_or_else(|| format!("  {id} -"), |w| format!("  {id} {w:.0} W"));
            if line.chars().count() + told.chars().count() < self.columns {
                line += &told;
            }
        }
        line
    }

    /// The head of a step: place, title, what to do, cautions.
    pub(super) fn begin(self, place: (usize, usize), step: &Step) -> String {
        let mut out = format!("\n{}\n", "-".repeat(self.columns.min(40)));
        let lasts =
            if step.lasts > Span::ZERO { format!(" (about {})", rounded(step.lasts)) } else { String::new() };
        out += &self.lines(&format!("Step {} of {}: {}{lasts}", place.0, place.1, step.title), "");
        out += &self.lines(&step.what, "  ");
        for caution in &step.cautions {
            out += &self.lines(&format!("! {caution}"), "  ");
        }
        out
    }

    /// A question.
    pub(super) fn ask(self, question: &Question) -> String {
        let how = match &question.ask {
            Ask::Text { optional: true } | Ask::Date { optional: true }
                if !question.words.contains("Enter") =>
            {
                " (or Enter)".to_owned()
            }
            Ask::Done | Ask::Text { .. } | Ask::Date { .. } => String::new(),
            Ask::Number { unit: "", .. } => " (number)".to_owned(),
            Ask::Number { unit, .. } => format!(" ({unit})"),
            Ask::Choice(words) if Ask::is_of_numbers(words) => format!(" ({})", words.join(", ")),
            Ask::Choice(words) => {
                let all: Vec<String> =
                    words.iter().enumerate().map(|(i, w)| format!("{} {w}", i + 1)).collect();
                format!(" ({})", all.join(", "))
            }
            Ask::YesNo => " (yes or no)".to_owned(),
        };
        self.lines(&format!("? {}{how}", question.words), "  ")
    }

    /// What came of a step.
    pub(super) fn result(self, result: &StepResult) -> String {
        let mut out = format!("  => {}\n", self.word(result.standing));
        out += &self.lines(&result.words, "     ");
        if !result.next.is_empty() {
            out += &self.lines(&result.next, "     -> ").replacen("\n     -> ", "\n        ", usize::MAX);
        }
        out
    }

    /// A step that was good before.
    pub(super) fn held(self, result: &StepResult) -> String {
        let mut out = self.lines(&format!("{}: {} since before.", result.title, Standing::Good.word()), "");
        if result.id == "cautions" {
            let other = "Is another person at work now? Then stop, and begin with `--step cautions`.";
            out += &self.lines(&format!("{} {other}", result.words), "  ");
        }
        out
    }

    /// How all stands.
    pub(crate) fn summary(self, results: &[(String, Standing, String)]) -> String {
        let count = |standing| results.iter().filter(|r| r.1 == standing).count();
        let (good, wrong, open) = (count(Standing::Good), count(Standing::Wrong), count(Standing::Open));
        let mut out = format!("\n{}\n", "=".repeat(self.columns.min(40)));
        out += &self.lines(&format!("Steps: {good} good, {wrong} wrong, {open} not proven yet."), "");
        // What has no reason of its own is a list, so that what has one is seen.
        let lists = [(LAPSED, "To do again, since the home file changed"), (NOT_BEGUN, "Still to do")];
        let listed = |next: &str| lists.iter().any(|(of, _)| *of == next);
        for (title, standing, next) in results.iter().filter(|r| r.1 != Standing::Good && !listed(&r.2)) {
            out += &self.lines(&format!("{title}: {}. {next}", standing.word()), "  ");
        }
        for (of, words) in lists {
            let titles: Vec<&str> = results.iter().filter(|r| r.2 == of).map(|r| r.0.as_str()).collect();
            if !titles.is_empty() {
                out += &self.lines(&format!("{words}: {}.", titles.join("; ")), "  ");
            }
        }
        out
    }
}

/// A length of time as one says it beforehand.
fn rounded(span: Span) -> Span {
    let minute = 60_000;
    if span.0 < minute { span } else { Span((span.0 + minute / 2) / minute * minute) }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use std::path::Path;

    use overspill_rules::commission::procedure::{Event, Procedure, Said};
    use overspill_rules::time::WallTime;

    use super::*;
    use crate::config;

    const HOME: &str = include_str!("../../../examples/wren/home.toml");

    fn procedure() -> Procedure {
        let home = config::parse(HOME, Path::new("home.toml")).unwrap().home;
        Procedure::new(&home, Vec::new())
    }

    fn all_steps(columns: usize) -> String {
        let paper = Paper::new(columns, false, false);
        let procedure = procedure();
        let all = procedure.steps().len();
        let lines: String =
            procedure.steps().iter().enumerate().map(|(i, step)| paper.begin((i + 1, all), step)).collect();
        assert!(lines.lines().all(|l| l.chars().count() <= columns), "{lines}");
        lines
    }

    #[test]
    fn every_step_on_a_wide_and_on_a_narrow_screen() {
        insta::assert_snapshot!("every_step_at_80_columns", all_steps(80));
        insta::assert_snapshot!("every_step_at_40_columns", all_steps(40));
    }

    #[test]
    fn what_is_skipped_stays_open_and_a_stop_ends_it() {
        let mut procedure = procedure();
        let now = WallTime(0);
        procedure.only("sources").unwrap();
        assert!(matches!(procedure.poll(now), Event::Begin(step) if step.id == "sources"));
        assert!(matches!(procedure.poll(now), Event::Ask(_)));
        procedure.answer(now, Said::Skip);
        let Event::Result(result) = procedure.poll(now) else { unreachable!("a skipped step has a result") };
        assert_eq!(result.standing, Standing::Open);
        insta::assert_snapshot!(Paper::new(40, false, false).result(&result), @r"
          => not proven yet
             It was skipped.
             -> Do it when the time is right:
                the same command asks for it
                again.
        ");
        procedure.stop();
        assert_eq!(procedure.poll(now), Event::Done);
    }

    #[test]
    fn what_lapsed_is_to_be_done_again_and_never_mended_again() {
        use crate::commission::record::{fingerprint, lapse};
        let mut record = crate::commission::sample::record();
        let flashes = record.tests.iter_mut().find(|t| t.id == "flashes").unwrap();
        flashes.verdict = crate::commission::record::Standing::Wrong;
        flashes.next = Some("Turn the clamp round.".to_owned());
        lapse(&mut record, &fingerprint(b"corrected"));
        let told = Paper::new(80, false, false).summary(&crate::commission::standing(&record));
        insta::assert_snapshot!(told, @"

        ========================================
        Steps: 2 good, 0 wrong, 6 not proven yet.
          To do again, since the home file changed: Known load on and off; Solar source
          off; Flashes of the supply meter; Car on and off; Cellar dehumidifier on and
          off; Nobody commands.
        ");
    }

    #[test]
    fn what_stands_before_the_first_step() {
        let procedure = procedure();
        insta::assert_snapshot!(Paper::new(42, false, false).opening(&procedure.to_do()), @r#"
        26 steps, from "Before anything else" to
        "Whom to call": about 1 h 49 min in all,
        and any of them can be done another day.
        Have at hand: a plain heater or kettle
        whose rating is printed on it, a
        calibrated clamp meter, and `overspill
        run` with this home file in another
        terminal.
        At any time: repeat does this step again,
        back the one before it, skip leaves it
        open, stop keeps what is done and ends. ?
        at a question tells what fits.
        "#);
    }

    #[test]
    fn the_line_of_live_readings_fits_a_narrow_screen() {
        let readings =
            [("grid", Some(-2832.4)), ("solar", Some(3201.0)), ("water-draw", None), ("battery", Some(0.0))];
        let line = Paper::new(42, true, true).live_line(Span::seconds(58), readings.into_iter());
        assert_eq!(line, "58 s  grid -2832 W  solar 3201 W");
        let line = Paper::new(60, true, true).live_line(Span::seconds(58), readings.into_iter());
        assert_eq!(line, "58 s  grid -2832 W  solar 3201 W  water-draw -  battery 0 W");
    }

    #[test]
    fn words_to_choose_from_are_numbered_unless_they_are_numbers() {
        let paper = Paper::new(80, false, false);
        let ask = |words: Vec<&'static str>| {
            let question =
                Question { key: "a".to_owned(), words: "Which?".to_owned(), ask: Ask::Choice(words) };
            paper.ask(&question)
        };
        assert_eq!(ask(vec!["line", "neutral"]), "  ? Which? (1 line, 2 neutral)\n");
        assert_eq!(ask(vec!["0.5", "1", "3"]), "  ? Which? (0.5, 1, 3)\n");
    }

    #[test]
    fn a_step_that_is_not_there_is_told_with_those_that_are() {
        let why = procedure().only("roofs").unwrap_err();
        assert!(why.contains("there is no step `roofs`") && why.contains("roof,"), "{why}");
    }
}
