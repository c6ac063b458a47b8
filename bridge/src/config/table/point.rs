//! Keys of measuring points and of other inputs.

use overspill_rules::time::Span;

use crate::config::form::{Form, Key, duration};
use crate::config::grammar::Grammar;

/// Units of the number that a device sends.
const UNITS: &[&str] = &["W", "kW", "A", "Wh", "kWh", "pulses", "count"];

/// What a positive number can mean.
const POSITIVES: &[&str] = &["import", "export", "generation", "use", "charge", "discharge"];

/// Further quantities of one device.
pub(crate) const EXTRAS: &[&str] = &["volts", "amps", "power_factor", "import_kwh", "export_kwh"];

pub(super) const TOPIC: Key = Key::new("topic", Form::Checked(Grammar::Topic), "The topic it comes on.");
pub(super) const POINTER: Key = Key::new(
    "pointer",
    Form::Checked(Grammar::Pointer),
    "Where in a JSON message the value stands (RFC 6901), such as \"/power\"; none for a bare value.",
);
pub(super) const SCRIPT: Key = Key::new(
    "script",
    Form::Text,
    "A Rhai expression that makes the value out of the message, instead of `pointer`.",
);
pub(super) const YES: Key = Key::new(
    "yes",
    Form::Texts,
    "Words that mean yes, whatever their case; true, 1, on and yes where it is not written.",
);
const SCALE: Key = Key::new(
    "scale",
    Form::Number { least: -1e6, most: 1e6, unit: "" },
    "What a received number is multiplied by, before unit and sign.",
)
.or_number(1.0);
const PLAUSIBLE: Key = Key::new(
    "plausible",
    Form::Range,
    "Numbers outside this range are refused and counted (after scale and sign).",
);
const TIME_POINTER: Key = Key::new(
    "time_pointer",
    Form::Checked(Grammar::Pointer),
    "Where in the message the device's own time stands; taken when it is within 5 minutes of the arrival.",
);
const UNIT: Key = Key::new(
    "unit",
    Form::Word(UNITS),
    "The unit of the number: power (W, kW), current (A), an energy register (Wh, kWh), pulses since the last message (pulses), or a running count of pulses (count).",
);
const PER_KWH: Key = Key::new(
    "per_kwh",
    Form::Number { least: 0.001, most: 1e6, unit: "impulses" },
    "Impulses per kilowatt-hour, as printed on the meter; for units pulses and count.",
);
const LAG: Key = Key::new(
    "lag",
    duration(Span::ZERO, Span::minutes(10)),
    "Age, on arrival, of the oldest part of a reading: averaging window plus transport.",
)
.or_text("0s");
const INTERVAL: Key = Key::new(
    "interval",
    duration(Span(50), Span::hours(24)),
    "How often the device usually sends; learnt where it is not written, but then `check` can tell less.",
);
const STALE_AFTER: Key = Key::new(
    "stale_after",
    duration(Span(500), Span::hours(24)),
    "The reading is unknown from this age on; at least 2.5 times `interval` plus `lag`, and 30s where it is not written.",
)
.or_text("30s");
const GAP_AFTER: Key = Key::new(
    "gap_after",
    duration(Span::seconds(1), Span::hours(48)),
    "A longer time between two readings is a gap in energy; 2.5 times the usual interval where it is not written.",
);
const KEEP: Key = Key::new(
    "keep",
    duration(Span::hours(24), Span::hours(24 * 3650)),
    "For how long its single readings are kept, such as \"400d\"; for ever where it is not written. Energy of half hours and days is kept for ever in any case.",
);
const WAS: Key = Key::new(
    "was",
    Form::Checked(Grammar::Id),
    "The name that this point had before, so that its history comes with it; written before the first start with the new name.",
);
const PEAK_W: Key = Key::new(
    "peak_w",
    Form::Number { least: 1.0, most: 1e6, unit: "W" },
    "For solar: what the panels behind this point give at most in full sun, their rated power together. Only `report` asks, to tell a yield that no roof of that size can give.",
);
const PHASE: Key = Key::new(
    "phase",
    Form::Whole { least: 1, most: 3, unit: "" },
    "The phase it is on, where the supply has three.",
);
const POWER_FACTOR: Key = Key::new(
    "power_factor",
    Form::NumberOrTable { least: 0.01, most: 1.0, keys: EXTRA },
    "The device's power factor: a number that holds always, or where to find it.",
);

const EXTRA: &[Key] = &[
    Key::new(
        "topic",
        Form::Checked(Grammar::Topic),
        "The topic it comes on; the point's own where it is not written.",
    ),
    POINTER,
    SCRIPT,
    SCALE,
];

const fn extra(name: &'static str, doc: &'static str) -> Key {
    Key::new(name, Form::Table(EXTRA), doc)
}

const VOLTS: Key = extra("volts", "The device's voltage, line to neutral.");
const AMPS: Key = extra("amps", "The device's current in amps.");
const IMPORT_KWH: Key =
    extra("import_kwh", "The device's register of energy drawn, generated or used, in kilowatt-hours.");
const EXPORT_KWH: Key = extra("export_kwh", "The device's register of energy sent out, in kilowatt-hours.");

pub(super) const POINT: &[Key] = &[
    Key::new(
        "measures",
        Form::Checked(Grammar::Measures),
        "What it measures: grid, grid.import, grid.export, solar, house, battery or load.NAME.",
    )
    .required(),
    TOPIC.required(),
    POINTER,
    SCRIPT,
    UNIT.required(),
    PER_KWH,
    Key::new(
        "positive",
        Form::Word(POSITIVES),
        "What a positive number means; must be written where it can go both ways (grid, battery).",
    ),
    SCALE,
    LAG,
    INTERVAL,
    STALE_AFTER,
    GAP_AFTER,
    PLAUSIBLE,
    TIME_POINTER,
    KEEP,
    WAS,
    PEAK_W,
    PHASE,
    POWER_FACTOR,
    VOLTS,
    AMPS,
    IMPORT_KWH,
    EXPORT_KWH,
];

/// A load's own meter, written with the load.
pub(super) const DRAW: &[Key] = &[
    TOPIC.required(),
    POINTER,
    SCRIPT,
    UNIT.or_text("W"),
    PER_KWH,
    SCALE,
    LAG,
    INTERVAL,
    STALE_AFTER,
    GAP_AFTER,
    PLAUSIBLE,
    TIME_POINTER,
    KEEP,
    POWER_FACTOR,
    VOLTS,
    AMPS,
    IMPORT_KWH,
];

pub(super) const INPUT: &[Key] = &[
    TOPIC.required(),
    POINTER,
    SCRIPT,
    Key::new("unit", Form::Text, "Its unit in words, shown to people."),
    SCALE,
    Key::new(
        "stale_after",
        duration(Span::seconds(1), Span::hours(24 * 7)),
        "The value is unknown from this age on.",
    )
    .or_text("10m"),
    PLAUSIBLE,
    TIME_POINTER,
    KEEP,
];
