//! What the dialogue says, as plain lines: at most 80 columns, and as few as a phone shows. Colour only adds.

use overspill_rules::commission::procedure::{Ask, Question, Standing, Step, StepResult};
use overspill_rules::time::Span;

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
            Ask::Done | Ask::Text { .. } => String::new(),
            Ask::Number { unit, .. } if unit.is_empty() => " (number)".to_owned(),
            Ask::Number { unit, .. } => format!(" ({unit})"),
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
        self.lines(&format!("{}: {} since an earlier session.", result.title, Standing::Good.word()), "")
    }

    /// How all stands.
    pub(crate) fn summary(self, results: &[(String, Standing, String)]) -> String {
        let count = |standing| results.iter().filter(|r| r.1 == standing).count();
        let (good, wrong, open) = (count(Standing::Good), count(Standing::Wrong), count(Standing::Open));
        let mut out = format!("\n{}\n", "=".repeat(self.columns.min(40)));
        out += &self.lines(&format!("{good} steps good, {wrong} wrong, {open} not proven yet."), "");
        for (title, standing, next) in results.iter().filter(|r| r.1 != Standing::Good) {
            out += &self.lines(&format!("{title}: {}. {next}", standing.word()), "  ");
        }
        out
    }
}

/// A length of time as one says it beforehand.
fn rounded(span: Span) -> Span {
    let minute = 60_000;
    if span.0 < minute { span } else { Span((span.0 + minute / 2) / minute * minute) }
}
