//! Decisions in words.

use crate::output::Limit;
use crate::request::Request;
use crate::sharing::Intent;

/// A load's reason: the rule's own words, then what holds it back. No figures that change by themselves, so that a
/// change of words alone never looks like news.
pub(super) fn reason(own: &str, limit: Option<Limit>, on: bool) -> String {
    match limit.and_then(|l| holds_back(l, on)) {
        Some(held) if own.is_empty() => held.to_owned(),
        Some(held) => format!("{own}; {held}"),
        None => own.to_owned(),
    }
}

/// What a limit does, in words; `None` where the reason says it already.
fn holds_back(limit: Limit, on: bool) -> Option<&'static str> {
    Some(match limit {
        Limit::Spare if on => "no more than is spare",
        Limit::Spare => "not enough spare power",
        Limit::StartWait => "there is enough, if it lasts it starts",
        Limit::Turn => "another load is served first",
        Limit::MinOff => "it rests a while before it starts again",
        Limit::MinOn => "it stays on a while before it stops",
        Limit::Supply => "held down by the supply's rating",
        Limit::Circuit => "held down by its circuit's rating",
        Limit::TakesNothing if on => "it takes nothing now",
        Limit::TakesNothing => "it took nothing, tried again later",
        Limit::NoAnswer if on => "the grid reading did not follow its last step",
        Limit::Island => "not started while a backup supply feeds the home",
        Limit::Clock => "not started before the clock is set",
        Limit::Restart => "starts after the others, one by one",
        Limit::NoAnswer
        | Limit::Stale
        | Limit::Rule
        | Limit::TooHot
        | Limit::NotReady
        | Limit::OutOfService
        | Limit::Watching
        | Limit::Yielded => return None,
    })
}

/// The kind of what is asked, as one stable word.
pub(super) fn asks(intent: &Intent, request: Option<&Request>) -> &'static str {
    match (intent, request) {
        (Intent::Fallback(_), _) => "fallback",
        (Intent::Blocked, _) => "blocked",
        (Intent::Off { person: true }, _) => "override_off",
        (Intent::Fixed { person: true, .. }, _) => "override_on",
        (_, Some(Request::TakeSpare(_))) => "take_spare",
        (_, Some(Request::Run)) => "run",
        (_, Some(Request::RunAtW(_))) => "run_at_w",
        (_, Some(Request::RunAtA(_))) => "run_at_a",
        (_, Some(Request::Stop)) => "stop",
        (_, None) => "none",
    }
}
