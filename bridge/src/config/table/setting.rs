//! Keys of settings.

use overspill_rules::limits::SETTING_LONGEST;
use overspill_rules::time::Span;

use crate::config::form::{Form, Key, duration};

/// Bounds of a setting's own bounds: whatever a household counts is less.
const ANY: Form = Form::Number { least: -1e9, most: 1e9, unit: "" };

pub(super) const SETTING: &[Key] = &[
    Key::new("name", Form::Text, "The name people use; the id where it is not written."),
    Key::new("description", Form::Text, "What it is for, in a sentence."),
    Key::new(
        "default",
        Form::Scalar,
        "What it is where nobody changes it: a number, true or false, a time of day (\"07:00\"), or one of `choices`.",
    )
    .required(),
    Key::new("unit", Form::Text, "The unit of a number, shown to people."),
    Key::new("low", ANY, "The least that a number may be; must be written for one."),
    Key::new("high", ANY, "The most that a number may be; must be written for one."),
    Key::new(
        "step",
        Form::Number { least: 1e-6, most: 1e9, unit: "" },
        "A number may only be `low` or so many of these above it; anything in between where it is not written.",
    ),
    Key::new("choices", Form::Texts, "The words that it may be."),
    Key::new(
        "expires_after",
        duration(Span::minutes(1), SETTING_LONGEST),
        "A change that does not say its end returns to the default after this long; it stays where this is not written.",
    ),
];
