//! Keys of loads.

use overspill_rules::time::Span;

use crate::config::form::{Form, Key, duration};
use crate::config::grammar::Grammar;

use super::point::{DRAW, POINTER, SCRIPT, TOPIC, YES};

/// The kinds of load.
pub(crate) const KINDS: &[&str] = &["charge-point", "modulated", "switch"];

/// Ways to write a command.
const SENDS: &[&str] = &["amps", "watts", "percent", "on-off", "duty", "json", "script"];

/// Ways to write a command that only charge points take.
pub(crate) const AMPS_SENDS: &[&str] = &["amps", "duty"];

const HALF_A_DAY: Span = Span::hours(12);

const fn watts(name: &'static str, doc: &'static str) -> Key {
    Key::new(name, Form::Number { least: 0.0, most: 100_000.0, unit: "W" }, doc)
}

const fn amps(name: &'static str, doc: &'static str) -> Key {
    Key::new(name, Form::Whole { least: 0, most: 80, unit: "A" }, doc)
}

const fn wait(name: &'static str, default: &'static str, doc: &'static str) -> Key {
    Key::new(name, duration(Span::ZERO, HALF_A_DAY), doc).or_text(default)
}

pub(super) const LOAD: &[Key] = &[
    Key::new("name", Form::Text, "The name people use; the id where it is not written."),
    Key::new("kind", Form::Word(KINDS), "What kind of load it is.").required(),
    Key::new("topic", Form::Checked(Grammar::CommandTopic), "The topic its commands go to.").required(),
    Key::new("send", Form::Word(SENDS), "How a command is written for its device.").required(),
    Key::new("on_word", Form::Text, "Sent to switch on, with send = \"on-off\".").or_text("on"),
    Key::new("off_word", Form::Text, "Sent to switch off, with send = \"on-off\".").or_text("off"),
    Key::new("send_script", Form::Text, "A Rhai expression that makes the command, with send = \"script\"."),
    amps("floor_a", "Least current a charge point can offer; 6 A in IEC 61851-1.").or_number(6.0),
    amps("ceiling_a", "Greatest current a charge point may offer; must be written for one."),
    watts("floor_w", "Least power a modulated load can run at.").or_number(0.0),
    watts("ceiling_w", "Greatest power a modulated load may be set to; must be written for one."),
    watts("rating_w", "What a switch draws when it is on; must be written for one."),
    Key::new("phases", Form::OneOf(&[1, 3]), "Phases it draws from.").or_number(1.0),
    Key::new(
        "phase",
        Form::Whole { least: 1, most: 3, unit: "" },
        "The phase it is on; must be written for a single-phase load on a three-phase supply.",
    ),
    Key::new(
        "turn",
        Form::Whole { least: 1, most: 1000, unit: "" },
        "Who is served first with spare power, 1 first; the order in the file where turns are the same.",
    )
    .or_number(100.0),
    Key::new(
        "circuit",
        Form::Checked(Grammar::Id),
        "The circuit that feeds it; the supply itself where it is not written.",
    ),
    Key::new(
        "counted_by",
        Form::Checked(Grammar::Id),
        "The point that counts its draw: the main one where it is not written, \"none\" where it is split off before the clamps.",
    ),
    wait("start_after", "60s", "Spare power must be enough for this long before a start."),
    wait("stop_after", "3m", "Spare power must fall short for this long before a stop."),
    wait(
        "raise_after",
        "30s",
        "There must be room for a higher current for this long before a raise (charge points).",
    ),
    wait("min_on", "5m", "Once on it stays on at least this long."),
    wait("min_off", "5m", "Once off it stays off at least this long, always."),
    Key::new("refresh", duration(Span::seconds(1), Span::hours(1)), "How often the command is sent again.")
        .or_text("30s"),
    Key::new(
        "device_timeout",
        Form::Duration { least: Span::seconds(2), most: Span::hours(24), or_none: true },
        "How long the device keeps a command without hearing it again; \"none\" for ever.",
    ),
    Key::new(
        "settle",
        duration(Span::ZERO, Span::minutes(10)),
        "How long after a command its effect is complete; 30s for a charge point, 5s for a modulated load, 3s for a switch where it is not written.",
    ),
    Key::new(
        "ramp_w_per_s",
        Form::Number { least: 1.0, most: 100_000.0, unit: "W/s" },
        "How fast the device moves to a new set-point; at once where it is not written.",
    ),
    Key::new(
        "fallback",
        Form::WordOrTable(&["off", "release"], FALLBACK),
        "What the load gets when in doubt and when Overspill stops; must be chosen.",
    )
    .required(),
    Key::new(
        "unattended",
        Form::Flag,
        "Whether a switch may start with nobody present; a switch must say true.",
    )
    .or_flag(false),
    Key::new(
        "too_hot",
        Form::Table(TOO_HOT),
        "The input and the value above which, or while it is unknown, nothing switches it on.",
    ),
    Key::new(
        "hot_water",
        Form::WordOrTable(&["none", "lifted-otherwise"], HOT_WATER),
        "For a load that heats water: what tells that it gets hot. `check` then tries whether the rules lift it to 60 °C for an hour a week. \"lifted-otherwise\" where something else does, \"none\" where it heats no water.",
    ),
    Key::new(
        "own_sun_first",
        Form::Flag,
        "Whether spare power is wanted in it even while sending it out pays more; `check` then says nothing of it.",
    )
    .or_flag(false),
    Key::new(
        "when_moved",
        Form::Word(&["tell", "yield"]),
        "When the load moves without being told: only tell, or leave it for a while to whoever moved it.",
    )
    .or_text("tell"),
    Key::new("feedback", Form::Table(FEEDBACK), "What its device tells about itself."),
];

const FALLBACK: &[Key] = &[
    watts("watts", "This much power (modulated loads and switches)."),
    amps("amps", "This much current (charge points)."),
];

const TOO_HOT: &[Key] = &[
    Key::new("input", Form::Checked(Grammar::InputId), "The input that tells the temperature.").required(),
    Key::new(
        "above",
        Form::Number { least: -50.0, most: 1000.0, unit: "in the input's unit" },
        "Above this nothing switches it on.",
    )
    .required(),
];

const HOT_WATER: &[Key] = &[
    Key::new(
        "temperature",
        Form::Checked(Grammar::InputId),
        "The input that tells the water's temperature in °C.",
    ),
    Key::new(
        "thermostat_c",
        Form::Number { least: 30.0, most: 90.0, unit: "°C" },
        "The temperature at which the heater's own thermostat opens.",
    ),
];

const FEEDBACK: &[Key] = &[
    Key::new("draw", Form::Table(DRAW), "Its own power meter; the same as a point that measures load.NAME."),
    Key::new("plugged", Form::Table(YES_OR_NO), "Whether something is plugged in."),
    Key::new("ready", Form::Table(YES_OR_NO), "Whether it is ready to take power."),
];

const YES_OR_NO: &[Key] = &[TOPIC.required(), POINTER, SCRIPT, YES];
