//! What is missing, plainly, and what completes it, each said once.

use std::fmt::Write as _;

use super::Context;
use crate::commission::keeping::NOT_BEGUN;
use crate::commission::record::{Record, Standing, WhyNot};
use crate::report::html::{list, paragraph};

/// What completes them in one way, with why each is open.
struct Together<'a> {
    next: &'a str,
    whys: Vec<(&'a str, Vec<&'a str>)>,
}

pub(super) fn still_open(page: &mut String, record: &Record, context: &Context, missing: &[WhyNot]) {
    if missing.is_empty() {
        return;
    }
    let _ = writeln!(page, "<div class=\"open\"><p><b>Still open</b></p>");
    let told: Vec<String> = together(missing).iter().map(|t| t.words(context)).collect();
    list(page, "", told.iter().map(String::as_str));
    let waits = |t: &crate::commission::record::Test| t.verdict == Standing::Open && t.at.is_some();
    if record.tests.iter().any(waits) {
        paragraph(
            page,
            "What waits for sun, a car or a cool tank can be completed later from recorded history; the sheet is then \
             issued again.",
        );
    }
    page.push_str("</div>\n");
}

fn together(missing: &[WhyNot]) -> Vec<Together<'_>> {
    let mut all: Vec<Together<'_>> = Vec::new();
    for one in missing {
        let (why, next) = (one.why.trim_end_matches('.'), one.next.trim_end_matches('.'));
        let at = all.iter().position(|t| t.next == next).unwrap_or_else(|| {
            all.push(Together { next, whys: Vec::new() });
            all.len() - 1
        });
        let Some(group) = all.get_mut(at) else { continue };
        match group.whys.iter_mut().find(|(w, _)| *w == why) {
            Some((_, whats)) => whats.push(&one.what),
            None => group.whys.push((why, vec![&one.what])),
        }
    }
    all
}

impl Together<'_> {
    fn words(&self, context: &Context) -> String {
        let one = |(why, whats): &(&str, Vec<&str>)| {
            let titles = whats.join("; ");
            match why.strip_prefix("It was ") {
                Some(how) if self.is_not_begun() => format!("{}: {titles}.", capital(how)),
                _ => format!("{}: {why}.", capital(&titles)),
            }
        };
        let whys: Vec<String> = self.whys.iter().map(one).collect();
        format!("{} {}", whys.join(" "), self.order(context))
    }

    /// Whether it was only left out.
    fn is_not_begun(&self) -> bool {
        self.next == NOT_BEGUN.trim_end_matches('.')
    }

    /// What to do, as a sentence.
    fn order(&self, context: &Context) -> String {
        if self.is_not_begun() {
            return format!("Run overspill commission {} again: it goes on there.", context.home_file);
        }
        let several = self.whys.iter().map(|(_, whats)| whats.len()).sum::<usize>() > 1;
        let next = if several { self.next.replace("this step", "these steps") } else { self.next.to_owned() };
        format!("{}.", capital(&next))
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
