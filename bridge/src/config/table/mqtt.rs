//! Keys of the broker.

use crate::config::form::{Form, Key};
use crate::config::grammar::Grammar;

const NO_PASSWORD: &str = "a password in the home file ends up in backups, mails and screenshots: put it in a file of its own (`password_file`) or in an environment variable (`password_env`)";

const PASSWORD_FILE: Key = Key::new(
    "password_file",
    Form::Text,
    "A file that holds the password and nothing else, relative to the home file's folder.",
);
const PASSWORD_ENV: Key = Key::new(
    "password_env",
    Form::Checked(Grammar::EnvName),
    "An environment variable that holds the password.",
);
const PASSWORD: Key = Key::new("password", Form::Refused(NO_PASSWORD), "");

pub(super) const MQTT: &[Key] = &[
    Key::new(
        "url",
        Form::Checked(Grammar::Url),
        "The broker: mqtt://HOST:PORT, or mqtts://HOST:PORT for TLS. Overspill's own where `embedded` is written.",
    ),
    Key::new("user", Form::Text, "The user to log in as."),
    PASSWORD_FILE,
    PASSWORD_ENV,
    PASSWORD,
    Key::new(
        "ca_file",
        Form::Text,
        "Certificate (PEM) of the authority that signed the broker's, relative to the home file's folder; for mqtts://.",
    ),
    Key::new("client_id", Form::Text, "The name to connect under; `overspill-ID` where it is not written."),
    Key::new("version", Form::Word(&["5", "3.1.1"]), "The MQTT version to try first; 5 falls back to 3.1.1.")
        .or_text("5"),
    Key::new(
        "prefix",
        Form::Checked(Grammar::Topic),
        "Everything is published below this topic; `overspill/ID` where it is not written.",
    ),
    Key::new(
        "retain_commands",
        Form::Flag,
        "Whether commands to loads are kept by the broker; a device that restarts then obeys an old one.",
    )
    .or_flag(false),
    Key::new(
        "embedded",
        Form::Checked(Grammar::Address),
        "Be the broker as well, at this address and port; loopback unless `users` are set.",
    ),
    Key::new(
        "users",
        Form::Named { one: "user", ids: Grammar::UserName, keys: USER },
        "Who may log in to the embedded broker, `[mqtt.users.NAME]`.",
    ),
];

const USER: &[Key] = &[PASSWORD_FILE, PASSWORD_ENV, PASSWORD];
