//! The one table of everything that a home file may hold. Reading, checking, defaults and the JSON Schema all follow it,
//! so that what is documented is what is taken.

mod home;
mod influx;
mod load;
mod mqtt;
mod point;
mod setting;
mod tariff;
mod web;

use super::form::{Form, Key};
use super::grammar::Grammar;

pub(crate) use load::{AMPS_SENDS, KINDS};
pub(crate) use point::EXTRAS;
pub(crate) use tariff::DAYS;

const TARIFF: Key = Key::new("tariff", Form::Table(tariff::TARIFF), "What the household pays and is paid.");

/// A file that holds a tariff and nothing else, to be compared with.
pub(crate) const TARIFF_ALONE: &[Key] = &[TARIFF.required()];

/// The sections of a home file.
pub(crate) const ROOT: &[Key] = &[
    Key::new("home", Form::Table(home::HOME), "What the home is called and where it is.").required(),
    Key::new("supply", Form::Table(home::SUPPLY), "The connection to the grid and what it may carry.")
        .required(),
    Key::new(
        "circuit",
        Form::Named { one: "circuit", ids: Grammar::Id, keys: home::CIRCUIT },
        "Circuits with a rating of their own, `[circuit.NAME]`.",
    ),
    Key::new("battery", Form::Table(home::BATTERY), "The home's battery, and who is served first."),
    Key::new("mqtt", Form::Table(mqtt::MQTT), "The broker that readings and commands pass through.")
        .required(),
    Key::new("store", Form::Table(home::STORE), "Where everything is kept."),
    Key::new(
        "influxdb",
        Form::Table(influx::INFLUXDB),
        "An InfluxDB 2 that everything is forwarded to as well.",
    ),
    Key::new("web", Form::Table(web::WEB), "The page that the home serves."),
    Key::new(
        "user",
        Form::Named { one: "user", ids: Grammar::UserName, keys: web::USER },
        "Who may log in to the page, `[user.NAME]`.",
    ),
    Key::new(
        "token",
        Form::Named { one: "token", ids: Grammar::UserName, keys: web::TOKEN },
        "Tokens of programs that ask the page, `[token.NAME]`.",
    ),
    Key::new("rules", Form::Table(home::RULES), "The household's own rules."),
    Key::new(
        "shadow",
        Form::Named { one: "shadow", ids: Grammar::Id, keys: home::SHADOW },
        "Candidate rules that run beside the live ones and command nothing, `[shadow.NAME]`.",
    ),
    Key::new(
        "point",
        Form::Named { one: "point", ids: Grammar::Id, keys: point::POINT },
        "Measuring points, `[point.NAME]`.",
    ),
    Key::new(
        "input",
        Form::Named { one: "input", ids: Grammar::InputId, keys: point::INPUT },
        "Any other value that a rule may read, `[input.NAME]`: a temperature, a price, a forecast.",
    ),
    Key::new(
        "setting",
        Form::Named { one: "setting", ids: Grammar::InputId, keys: setting::SETTING },
        "What the household may change without editing a rule, `[setting.NAME]`: a ready-by time, guests.",
    ),
    TARIFF,
    Key::new(
        "load",
        Form::Named { one: "load", ids: Grammar::Id, keys: load::LOAD },
        "Loads that rules may drive, `[load.NAME]`.",
    ),
];
