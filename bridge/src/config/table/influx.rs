//! Keys of the database that everything is forwarded to.

use overspill_rules::time::Span;

use crate::config::form::{Form, Key, duration};
use crate::config::grammar::Grammar;

const NO_TOKEN: &str = "a token in the home file ends up in backups, mails and screenshots: put it in a file of its own (`token_file`) or in an environment variable (`token_env`)";

pub(super) const INFLUXDB: &[Key] = &[
    Key::new(
        "url",
        Form::Checked(Grammar::InfluxUrl),
        "Where InfluxDB 2 is: http://HOST:PORT, or https://HOST:PORT for TLS.",
    )
    .required(),
    Key::new("org", Form::Text, "The organisation there, by name or id.").required(),
    Key::new("bucket", Form::Text, "The bucket to write to.").required(),
    Key::new(
        "token_file",
        Form::Text,
        "A file that holds the token and nothing else, relative to the home file's folder.",
    ),
    Key::new("token_env", Form::Checked(Grammar::EnvName), "An environment variable that holds the token."),
    Key::new("token", Form::Refused(NO_TOKEN), ""),
    Key::new(
        "ca_file",
        Form::Text,
        "Certificate (PEM) of the authority that signed the database's, relative to the home file's folder; for https://.",
    ),
    Key::new("every", duration(Span::seconds(1), Span::hours(1)), "How often what is new is sent.")
        .or_text("10s"),
];
