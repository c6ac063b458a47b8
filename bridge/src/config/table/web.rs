//! Keys of the page, of its users and of the tokens of programs.

use crate::config::form::{Form, Key};
use crate::config::grammar::Grammar;
use crate::config::web::PageRole;

const NO_PASSWORD: &str = "a password in the home file ends up in backups, mails and screenshots: run `overspill password` and write what it prints, `password_hash = \"$argon2id$..\"`";
const NO_TOKEN: &str = "a token in the home file ends up in backups, mails and screenshots: put it in a file of its own (`token_file`) or in an environment variable (`token_env`)";

pub(super) const WEB: &[Key] = &[
    Key::new(
        "listen",
        Form::Checked(Grammar::WebAddress),
        "Where the page is served: an address and a port, or \"none\" for no page. Beyond loopback it needs a `[user.NAME]`.",
    )
    .or_text("127.0.0.1:8180"),
    Key::new(
        "behind_https",
        Form::Flag,
        "Whether a proxy stands before the page that speaks https to the viewers; then the login goes by https alone.",
    )
    .or_flag(false),
];

const ROLE: Key = Key::new(
    "role",
    Form::Word(&PageRole::WORDS),
    "What is allowed: to see everything; also to override loads and change settings; also to change rules.",
)
.required();

pub(super) const USER: &[Key] = &[
    ROLE,
    Key::new(
        "password_hash",
        Form::Checked(Grammar::PasswordHash),
        "The argon2id hash of the password, as `overspill password` prints it.",
    ),
    Key::new(
        "password_hash_file",
        Form::Text,
        "A file that holds the hash and nothing else, relative to the home file's folder.",
    ),
    Key::new(
        "password_hash_env",
        Form::Checked(Grammar::EnvName),
        "An environment variable that holds the hash.",
    ),
    Key::new("password", Form::Refused(NO_PASSWORD), ""),
];

pub(super) const TOKEN: &[Key] = &[
    ROLE,
    Key::new(
        "token_file",
        Form::Text,
        "A file that holds the token and nothing else, relative to the home file's folder; at least 32 characters.",
    ),
    Key::new(
        "token_env",
        Form::Checked(Grammar::EnvName),
        "An environment variable that holds the token; at least 32 characters.",
    ),
    Key::new("token", Form::Refused(NO_TOKEN), ""),
];
