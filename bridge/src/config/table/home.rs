//! Keys of the home, its supply, circuits, battery, store and rules.

use overspill_rules::time::Span;

use crate::config::form::{Form, Key, duration};
use crate::config::grammar::Grammar;

use super::point::{POINTER, SCRIPT, TOPIC, YES};

pub(super) const HOME: &[Key] = &[
    Key::new("id", Form::Checked(Grammar::Id), "The home's short name; part of every topic published.")
        .required(),
    Key::new("name", Form::Text, "The name people use; the id where it is not written."),
    Key::new(
        "timezone",
        Form::Checked(Grammar::TimeZone),
        "The zone in which the household lives, by its IANA name; compiled in, never the machine's.",
    )
    .required(),
    Key::new(
        "latitude",
        Form::Number { least: -90.0, most: 90.0, unit: "degrees north" },
        "For sunrise and sunset; goes with `longitude`.",
    ),
    Key::new(
        "longitude",
        Form::Number { least: -180.0, most: 180.0, unit: "degrees east" },
        "For sunrise and sunset; goes with `latitude`.",
    ),
    Key::new(
        "carbon_kg_per_kwh",
        Form::Number { least: 0.0, most: 5.0, unit: "kg per kWh" },
        "What a kilowatt-hour bought emits, in kilograms of CO2 equivalent, for `report`; in Great Britain the published factors of each year where it is not written.",
    ),
    Key::new("carbon_source", Form::Text, "Who says so and for which year; printed with the result."),
    Key::new(
        "blind_a",
        Form::Number { least: 1.0, most: 1000.0, unit: "A" },
        "What requests that read only the clock may draw in all while the grid reading is unknown; nothing where it is not written.",
    ),
    Key::new(
        "restart_gap",
        duration(Span::ZERO, Span::hours(1)),
        "After power returns, loads start this far apart.",
    )
    .or_text("10s"),
];

pub(super) const SUPPLY: &[Key] = &[
    Key::new("phases", Form::OneOf(&[1, 3]), "Phases of the supply.").or_number(1.0),
    Key::new(
        "netting",
        Form::Word(&["sum", "phase"]),
        "Whether a three-phase meter bills the sum of the phases or each by itself.",
    )
    .or_text("sum"),
    Key::new(
        "volts",
        Form::Number { least: 100.0, most: 300.0, unit: "V" },
        "Nominal voltage, line to neutral; used where none is measured.",
    )
    .or_number(230.0),
    Key::new(
        "rating_a",
        Form::Number { least: 1.0, most: 1000.0, unit: "A" },
        "What the supply may carry, in amps per phase: its main fuse.",
    )
    .required(),
    Key::new(
        "export_limit_w",
        Form::Number { least: 0.0, most: 1_000_000.0, unit: "W" },
        "What the home may send out at most, all phases together, where an inverter throttles there. Only a replay asks: \
         while export stands at its limit the roof could give more than it does.",
    ),
    Key::new(
        "island",
        Form::Table(ISLAND),
        "A message that says that the home is cut off from the grid and runs on its own supply.",
    ),
];

const ISLAND: &[Key] = &[TOPIC.required(), POINTER, SCRIPT, YES];

pub(super) const CIRCUIT: &[Key] = &[
    Key::new(
        "rating_a",
        Form::Number { least: 1.0, most: 1000.0, unit: "A" },
        "What the circuit may carry, in amps per phase.",
    )
    .required(),
    Key::new(
        "within",
        Form::Checked(Grammar::Id),
        "The circuit that feeds it; the supply itself where it is not written.",
    ),
];

pub(super) const BATTERY: &[Key] = &[
    Key::new("served", Form::Word(&["first", "last"]), "Whether the battery is served before the loads or after.")
        .or_text("first"),
    Key::new(
        "charge_limit_w",
        Form::Number { least: 0.0, most: 100_000.0, unit: "W" },
        "The charging power it would take while it is not full; left to it before the loads where it is served first.",
    )
    .or_number(0.0),
    Key::new(
        "charge",
        Form::Checked(Grammar::InputId),
        "The input that tells its state of charge in percent; without it the battery counts as never full.",
    ),
    Key::new(
        "full_above",
        Form::Number { least: 50.0, most: 100.0, unit: "%" },
        "State of charge from which it counts as full.",
    )
    .or_number(95.0),
];

pub(super) const STORE: &[Key] = &[
    Key::new(
        "path",
        Form::Text,
        "The file that keeps everything, relative to the home file's folder; `ID.db` where it is not written.",
    ),
    Key::new(
        "commit_every",
        duration(Span::seconds(1), Span::minutes(5)),
        "Readings reach the disk this often; a power cut costs at most so much of them, and a longer time spares a memory card.",
    )
    .or_text("10s"),
];

pub(super) const RULES: &[Key] = &[
    Key::new("folder", Form::Text, "The folder of the rules (*.rhai), relative to the home file's folder.")
        .or_text("rules"),
    Key::new(
        "order",
        Form::Texts,
        "Rules by file name without ending, highest rank first; those not named follow by name.",
    ),
];

pub(super) const SHADOW: &[Key] = &[
    Key::new(
        "folder",
        Form::Text,
        "The folder of the candidate's rules (*.rhai), relative to the home file's folder; by name they stand in the \
         place of live ones or are added.",
    )
    .required(),
    Key::new("without", Form::Texts, "Live rules, by file name without ending, that the candidate leaves out."),
];
