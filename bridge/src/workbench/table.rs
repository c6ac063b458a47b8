//! The one table of everything that a test file may hold. Reading and checking follow it, as with the home file.

use overspill_rules::notices::NOTICE_CODES;
use overspill_rules::time::Span;

use crate::config::form::{Form, Key, duration};
use crate::config::grammar::Grammar;

/// The longest test.
pub(crate) const LONGEST: Span = Span::hours(24 * 14);

/// The controller remembers what a load took for so long.
pub(crate) const REMEMBERED: Span = Span::hours(48);

/// The words of `limited_by`, and none.
pub(crate) const LIMITS: &[&str] = &[
    "none",
    "spare",
    "start_wait",
    "turn",
    "min_off",
    "min_on",
    "supply",
    "circuit",
    "stale",
    "rule",
    "takes_nothing",
    "no_answer",
    "island",
    "clock",
    "restart",
    "too_hot",
    "not_ready",
    "out_of_service",
    "watching",
    "yielded",
];

/// The sections of a test file.
pub(crate) const ROOT: &[Key] =
    &[Key::new("test", Form::Named { one: "test", ids: Grammar::Id, keys: TEST }, "Tests, `[test.NAME]`.")
        .required()];

const TEST: &[Key] = &[
    Key::new("about", Form::Text, "What is shown, in a sentence."),
    Key::new("start", Form::Text, "When it begins by the household's clock, as in \"2026-06-18 09:00\".")
        .required(),
    Key::new(
        "lasts",
        duration(Span::seconds(1), LONGEST),
        "How long it lasts; to the last moment that is looked at where it is not written.",
    ),
    Key::new(
        "clock_unset_for",
        duration(Span::ZERO, LONGEST),
        "For so long after the start the clock can't be believed.",
    )
    .or_text("0s"),
    Key::new(
        "nothing_else",
        Form::Flag,
        "Whether starts, stops, warnings and problems that no expectation names are wrong.",
    )
    .or_flag(false),
    Key::new(
        "given",
        Form::SeriesByName,
        "What the devices tell: `base` (what the home uses beside its loads), points and inputs by their names; `import_price` and `export_price` where the prices come by a list.",
    ),
    Key::new(
        "load",
        Form::Named { one: "load", ids: Grammar::Id, keys: LOAD },
        "What happens to a load, `[test.NAME.load.LOAD]`.",
    ),
    Key::new(
        "island",
        Form::Series,
        "Whether a backup supply feeds the home, cut off from the grid: yes or no.",
    ),
    Key::new(
        "people",
        Form::List(PERSON),
        "What people ask of loads, past the rules, and which settings they change.",
    ),
    Key::new("expect", Form::List(EXPECT), "What must be seen.").required(),
];

const LOAD: &[Key] = &[
    Key::new("plugged", Form::Series, "Whether something is plugged in: yes or no."),
    Key::new("ready", Form::Series, "Whether it is ready to take power: yes or no."),
    Key::new(
        "takes",
        Form::Series,
        "The most that it takes in watts, whatever it is set to: 0 while it is full or hot.",
    ),
    Key::new(
        "before",
        Form::Table(BEFORE),
        "What it took before the start; nothing where it is not written.",
    ),
];

const BEFORE: &[Key] = &[
    Key::new("kwh", Form::Number { least: 0.0, most: 1000.0, unit: "kWh" }, "The energy that it took.")
        .required(),
    Key::new("run_time", duration(Span::seconds(1), REMEMBERED), "How long it was on, without a break.")
        .required(),
    Key::new("ended", duration(Span::ZERO, REMEMBERED), "How long before the start of the test that ended.")
        .or_text("0s"),
];

/// What a person may want of a load.
pub(crate) const WANTS: &[&str] = &["on", "off", "auto", "out-of-service", "in-service"];

const PERSON: &[Key] = &[
    Key::new("at", Form::Text, "When.").required(),
    Key::new("load", Form::Checked(Grammar::Id), "Of which load they ask something."),
    Key::new("want", Form::Word(WANTS), "What they want of it."),
    Key::new("watts", Form::Number { least: 0.0, most: 100_000.0, unit: "W" }, "How much, in watts."),
    Key::new("amps", Form::Number { least: 0.0, most: 80.0, unit: "A" }, "How much, in amps."),
    Key::new("setting", Form::Checked(Grammar::InputId), "Which setting they change."),
    Key::new("to", Form::Scalar, "What the setting shall be."),
    Key::new(
        "for",
        duration(Span::seconds(1), LONGEST),
        "For how long; unless said two hours of a load, and of a setting as the home file says.",
    ),
];

const EXPECT: &[Key] = &[
    Key::new("at", Form::Text, "The moment that is looked at."),
    Key::new("from", Form::Text, "The beginning of the time that is looked at."),
    Key::new("until", Form::Text, "Its end."),
    Key::new("load", Form::Checked(Grammar::Id), "The load that is looked at."),
    Key::new("on", Form::Flag, "Whether it is on."),
    Key::new("watts", Form::NumberOrRange { unit: "W" }, "Its set-point in watts; 0 while it is off."),
    Key::new("amps", Form::NumberOrRange { unit: "A" }, "Its set-point in amps; 0 while it is off."),
    Key::new("draws", Form::NumberOrRange { unit: "W" }, "What it truly draws, in watts."),
    Key::new("rule", Form::Text, "The rule whose request holds, or \"none\"."),
    Key::new("reason", Form::Text, "A part of the reason, in its own words."),
    Key::new("limited_by", Form::Word(LIMITS), "What keeps it from what was asked, or \"none\"."),
    Key::new("starts", Form::NumberOrRange { unit: "" }, "How often it starts in that time."),
    Key::new("stops", Form::NumberOrRange { unit: "" }, "How often it stops in that time."),
    Key::new(
        "changes",
        Form::NumberOrRange { unit: "" },
        "How often its set-point changes in that time while it is on.",
    ),
    Key::new("kwh", Form::NumberOrRange { unit: "kWh" }, "The energy that it takes in that time."),
    Key::new("notice", Form::Word(&NOTICE_CODES), "The code of a notice that comes in that time."),
    Key::new("text", Form::Text, "A part of that notice's text."),
];

#[cfg(test)]
mod tests {
    use overspill_rules::output::Limit;

    use super::*;

    #[test]
    fn every_word_of_limited_by_is_one_of_the_controllers() {
        for word in LIMITS.iter().filter(|w| **w != "none") {
            let limit: Result<Limit, _> = serde_json::from_value(serde_json::json!(word));
            assert!(limit.is_ok_and(|l| l.word() == *word), "{word}");
        }
    }

    #[test]
    fn every_key_says_what_it_is_for() {
        let all = [ROOT, TEST, LOAD, BEFORE, PERSON, EXPECT].concat();
        assert!(all.iter().all(|k| k.doc.ends_with('.')));
    }
}
