//! What a page shows, made from what the sitting shows.

use askama::Template;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use overspill_rules::commission::procedure::{DO_IT, Question, Standing as Stands, StepResult};
use overspill_rules::time::{Span, WallTime};

use super::evidence::{Reading, reading};
use super::fields::{AGAIN, Asked, CAUTION, asked, on_page, typeset};
use super::guard::Visitor;
use super::serve::Site;
use crate::commission::board::{Correction, Row, Shown, Stage, Told};
use crate::commission::record::Standing;
use crate::commission::{LAPSED, NOT_BEGUN};
use crate::web::assets;
use crate::web::speech::sentence;

/// What all pages of a commissioning share.
pub(super) struct Frame {
    pub(super) home: String,
    pub(super) style: &'static str,
    pub(super) script: &'static str,
    pub(super) proof: String,
    /// A page without a script looks again after so many seconds; not where something is typed.
    pub(super) again_s: Option<u32>,
}

impl Frame {
    pub(super) fn new(site: &Site, visitor: Option<&Visitor>) -> Frame {
        Frame {
            // Whoever is not let in is not told whose home it is.
            home: visitor.map(|_| site.home.clone()).unwrap_or_default(),
            style: assets::style_path(),
            script: assets::commission_path(),
            proof: visitor.map(|visitor| visitor.proof.clone()).unwrap_or_default(),
            again_s: None,
        }
    }
}

/// What changes by itself.
#[derive(Template)]
#[template(path = "commission_live.html")]
pub(super) struct Live {
    /// What is awaited.
    waits: Option<(String, String)>,
    told: Vec<Line>,
    readings: Vec<Reading>,
    /// What is wrong with the daemon, where it is.
    daemon: &'static str,
}

/// One thing told.
pub(super) struct Line {
    /// A word before it: how a step stands.
    pub(super) verdict: String,
    pub(super) words: String,
}

/// The step at work.
#[derive(Template)]
#[template(path = "commission_step.html")]
pub(super) struct StepPage {
    frame: Frame,
    turn: u64,
    id: String,
    place: String,
    title: String,
    what: String,
    cautions: Vec<&'static str>,
    /// The caution stands first and by itself, until it was read.
    caution_first: bool,
    /// What came of the step, where it is over.
    verdict: Option<Verdict>,
    ask: Option<Asked>,
    live: String,
    /// Why what was said was not taken.
    refused: Option<String>,
    /// What was typed and did not fit.
    typed: String,
    /// Why it did not fit.
    unfit: Option<String>,
}

/// What came of a step.
pub(super) struct Verdict {
    word: &'static str,
    words: String,
    /// What stands before what is next.
    lead: &'static str,
    next: String,
}

/// Between the steps, and after them.
#[derive(Template)]
#[template(path = "commission_rest.html")]
pub(super) struct RestPage {
    frame: Frame,
    turn: u64,
    heading: String,
    /// The first step that is not good: its id and its title.
    next: Option<(String, String)>,
    told: Vec<Line>,
    corrects: bool,
    no_correction: Option<String>,
    groups: Vec<Group>,
    sheet: Option<String>,
    done: Option<String>,
    refused: Option<String>,
    ended: bool,
}

/// All steps.
#[derive(Template)]
#[template(path = "commission_steps.html")]
pub(super) struct StepsPage {
    frame: Frame,
    counts: String,
    groups: Vec<Group>,
    corrects: bool,
    at_work: Option<String>,
}

/// Steps that stand alike.
pub(super) struct Group {
    heading: &'static str,
    /// Whether it is worth seeing at once.
    open: bool,
    steps: Vec<StepStands>,
}

/// A step as it stands.
pub(super) struct StepStands {
    id: String,
    title: String,
    words: String,
    next: String,
    when: String,
}

/// The proposed correction.
#[derive(Template)]
#[template(path = "commission_correction.html")]
pub(super) struct CorrectionPage {
    frame: Frame,
    changes: Vec<String>,
    /// Lines of the difference: a class, and the line.
    lines: Vec<(&'static str, String)>,
    refused: Option<String>,
}

/// How times read in the home.
pub(super) fn time(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned(zone.clone()).strftime("%-d %b, %H:%M").to_string()
}

/// What changes by itself, as it stands at `now`.
pub(super) fn live(shown: &Shown, now: WallTime) -> Live {
    let waits = match &shown.stage {
        Stage::Waits { until, words } => {
            let left = Span((*until - now).0.max(0) / 1000 * 1000);
            Some((format!("Wait: {}", on_page(words)), format!("at most {left} more")))
        }
        Stage::Taken | Stage::Begins => Some(("One moment".to_owned(), String::new())),
        _ => None,
    };
    let matters =
        shown.step.as_ref().is_none_or(|(_, _, step)| !step.proves.is_empty() || step.id == "voltage");
    Live {
        waits,
        told: told(shown),
        readings: if matters {
            shown.looks.iter().map(|look| reading(look, now)).collect()
        } else {
            Vec::new()
        },
        daemon: match shown.daemon {
            Some(true) => "",
            Some(false) => "The daemon is not heard: it is stopped, or away from the broker.",
            None => "No daemon was heard yet.",
        },
    }
}

/// What was told since the last answer. The verdict of the step that is over has a place of its own.
fn told(shown: &Shown) -> Vec<Line> {
    let apart = over(shown).map(|result| &result.id);
    let line = |told: &Told| match told {
        Told::Words(words) => Some(Line { verdict: String::new(), words: on_page(words) }),
        Told::Result(result) if Some(&result.id) == apart => None,
        Told::Result(result) => Some(Line {
            verdict: format!("{}: {}. ", typeset(&result.title), result.standing.word()),
            words: sentence(&on_page(&result.words)),
        }),
    };
    shown.lately.iter().filter_map(line).collect()
}

/// The step that is over, where it is asked whether to do it again.
fn over(shown: &Shown) -> Option<&StepResult> {
    let again = matches!(&shown.stage, Stage::Asks(question) if question.key == AGAIN);
    let (_, _, step) = shown.step.as_ref().filter(|_| again)?;
    shown.lately.iter().rev().find_map(|told| match told {
        Told::Result(result) if result.id == step.id => Some(result),
        _ => None,
    })
}

/// What a visitor said that was not taken.
#[derive(Debug, Clone, Default)]
pub(super) struct Refused {
    /// Why, for the whole page.
    pub(super) why: Option<String>,
    /// What was typed, and why it does not fit.
    pub(super) typed: Option<(String, String)>,
}

fn is_caution(question: Option<&Question>) -> bool {
    question.is_some_and(|question| question.key == CAUTION)
}

/// The page of what is at work, or of the rest between.
pub(super) fn page(
    site: &Site,
    visitor: &Visitor,
    shown: &Shown,
    refused: Refused,
) -> Result<String, askama::Error> {
    match (&shown.step, &shown.stage) {
        (Some(_), stage) if !matches!(stage, Stage::Rests | Stage::Ended) => {
            step_page(site, visitor, shown, refused).render()
        }
        _ => rest_page(site, visitor, shown, refused).render(),
    }
}

fn step_page(site: &Site, visitor: &Visitor, shown: &Shown, refused: Refused) -> StepPage {
    let mut frame = Frame::new(site, Some(visitor));
    let question = match &shown.stage {
        Stage::Asks(question) => Some(question),
        _ => None,
    };
    frame.again_s = match &shown.stage {
        Stage::Waits { .. } => Some(3),
        Stage::Asks(_) => None,
        _ => Some(1),
    };
    let (place, title, what, cautions, id) = match &shown.step {
        Some((place, all, step)) => {
            let lasts =
                if step.lasts > Span::ZERO { format!(", about {}", step.lasts) } else { String::new() };
            let place = format!("Step {place} of {all}{lasts}");
            (place, typeset(&step.title), on_page(&step.what), step.cautions.clone(), step.id.clone())
        }
        None => Default::default(),
    };
    let (typed, unfit) =
        refused.typed.map_or_else(Default::default, |(typed, why)| (typed, Some(on_page(&why))));
    let caution_first = is_caution(question) || question.is_some_and(|q| q.key == "cautions.agreed");
    StepPage {
        frame,
        turn: shown.turn,
        id,
        place,
        title,
        what,
        cautions,
        caution_first,
        verdict: over(shown).map(|result| Verdict {
            word: result.standing.word(),
            words: sentence(&on_page(&result.words)),
            lead: if result.standing == Stands::Wrong { "To mend it" } else { "To complete it" },
            next: on_page(&result.next),
        }),
        ask: question.map(asked),
        // Rendering into memory can't fail.
        live: live(shown, site.clock.wall()).render().unwrap_or_default(),
        refused: refused.why,
        typed,
        unfit,
    }
}

fn rest_page(site: &Site, visitor: &Visitor, shown: &Shown, refused: Refused) -> RestPage {
    let mut frame = Frame::new(site, Some(visitor));
    let begins = matches!(shown.stage, Stage::Begins | Stage::Taken);
    frame.again_s = begins.then_some(1);
    let next = shown.rows.iter().find(|row| row.standing != Standing::Good);
    let heading = match (begins, next, &shown.stage) {
        (_, _, Stage::Ended) => "The program has ended".to_owned(),
        (true, ..) => "One moment".to_owned(),
        (_, None, _) => "Every step is good".to_owned(),
        _ => "Not everything is proved yet".to_owned(),
    };
    let sheet = shown.sheet.map(|(at, complete)| {
        let word = if complete { "complete" } else { "not complete" };
        format!("Issued {}: {word}.", time(at, &site.zone))
    });
    RestPage {
        frame,
        turn: shown.turn,
        heading,
        next: next.map(|row| (row.id.clone(), typeset(&row.title))),
        told: told(shown),
        corrects: matches!(shown.correction, Correction::Proposed(_)),
        no_correction: match &shown.correction {
            Correction::Refused(why) => Some(why.clone()),
            _ => None,
        },
        groups: groups(&shown.rows, &site.zone),
        sheet,
        done: shown.done.clone(),
        refused: refused.why,
        ended: shown.stage == Stage::Ended,
    }
}

/// The page of all steps.
pub(super) fn steps_page(site: &Site, visitor: &Visitor, shown: &Shown) -> StepsPage {
    let count = |standing| shown.rows.iter().filter(|row| row.standing == standing).count();
    let counts = [
        (Standing::Wrong, "wrong"),
        (Standing::Lapsed, "lapsed"),
        (Standing::Open, "not proven yet"),
        (Standing::Good, "good"),
    ];
    let counts = counts.into_iter().map(|(standing, word)| (count(standing), word)).filter(|(n, _)| *n > 0);
    StepsPage {
        frame: Frame::new(site, Some(visitor)),
        counts: counts.map(|(n, word)| format!("{n} {word}")).collect::<Vec<_>>().join(", "),
        groups: groups(&shown.rows, &site.zone),
        corrects: matches!(shown.correction, Correction::Proposed(_)),
        at_work: shown.step.as_ref().map(|(_, _, step)| typeset(&step.title)),
    }
}

/// All steps by how they stand, what needs somebody first.
fn groups(rows: &[Row], zone: &TimeZone) -> Vec<Group> {
    let all = [
        (Standing::Wrong, "Wrong", true),
        (Standing::Lapsed, "Lapsed: proved for another home file", true),
        (Standing::Open, "Not proven yet", true),
        (Standing::Good, "Good", false),
    ];
    let group = |(standing, heading, open)| Group {
        heading,
        open,
        steps: rows.iter().filter(|row| row.standing == standing).map(|row| stands(row, zone)).collect(),
    };
    all.into_iter().map(group).filter(|group| !group.steps.is_empty()).collect()
}

fn stands(row: &Row, zone: &TimeZone) -> StepStands {
    let when = row.at.map(|at| {
        let by = row.by.as_ref().map(|by| format!(", {by}")).unwrap_or_default();
        format!("{}{by}", time(at, zone))
    });
    StepStands {
        id: row.id.clone(),
        title: typeset(&row.title),
        words: sentence(&on_page(&row.words)),
        // A button beside it says the same.
        next: match row.next.as_str() {
            NOT_BEGUN | LAPSED | DO_IT => String::new(),
            next => on_page(next),
        },
        when: when.unwrap_or_default(),
    }
}

/// The page of the proposed correction; `None` where there is none.
pub(super) fn correction_page(site: &Site, visitor: &Visitor, shown: &Shown) -> Option<CorrectionPage> {
    let Correction::Proposed(proposal) = &shown.correction else { return None };
    let text = crate::commission::proposal::unified(&site.file, &proposal.before, &proposal.after, 400);
    // Its first two lines name the files, which the page does.
    let lines = text.lines().skip(2).map(changed).collect();
    Some(CorrectionPage {
        frame: Frame::new(site, Some(visitor)),
        changes: proposal.changes.iter().map(|change| typeset(change)).collect(),
        lines,
        refused: None,
    })
}

/// A line of a difference, with its class; where it goes on further down, the number of the line there.
fn changed(line: &str) -> (&'static str, String) {
    let class = match line.as_bytes().first() {
        Some(b'+') => "added",
        Some(b'-') => "removed",
        Some(b'@') => {
            let place = line.split('+').nth(1).and_then(|rest| rest.split([',', ' ']).next());
            return ("place", format!("from line {}", place.unwrap_or("1")));
        }
        _ => "kept",
    };
    (class, line.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_says_its_lines_in_words() {
        assert_eq!(changed("@@ -28,7 +30,7 @@"), ("place", "from line 30".to_owned()));
        assert_eq!(changed("@@ -1 +1 @@").1, "from line 1");
        assert_eq!(changed("+a = 1"), ("added", "+a = 1".to_owned()));
    }
}
