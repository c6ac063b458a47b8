//! Texts with a grammar of their own: ids, topics, pointers, addresses.

use jiff::tz::TimeZoneDatabase;

use super::nearest::nearest;

/// The grammars.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Grammar {
    /// `[a-z][a-z0-9-]*`.
    Id,
    /// The same, and `_`, since rules read inputs by these names.
    InputId,
    /// A user of the embedded broker or of the page.
    UserName,
    /// A topic to listen to or to publish below.
    Topic,
    /// A topic to send commands to.
    CommandTopic,
    /// A JSON Pointer (RFC 6901).
    Pointer,
    /// A zone by its IANA name.
    TimeZone,
    /// A zone by its IANA name, or the home's winter time.
    MeterZone,
    /// A time of day.
    TimeOfDay,
    /// A date.
    Date,
    /// A currency.
    Currency,
    /// The address of a broker.
    Url,
    /// The address of an InfluxDB.
    InfluxUrl,
    /// An IP address and a port to listen at.
    Address,
    /// The same, or `none`.
    WebAddress,
    /// What a point measures.
    Measures,
    /// The name of an environment variable.
    EnvName,
    /// The argon2id hash of a password.
    PasswordHash,
}

/// What is wrong with a text, and how to mend it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fault {
    /// What is wrong, to stand beside the text.
    pub(crate) label: String,
    /// How to mend it, where more can be said than what is allowed.
    pub(crate) help: Option<String>,
}

/// The longest topic in bytes (MQTT 5 section 4.7.3).
const TOPIC_BYTES: usize = 65_535;

/// The longest id in characters, so that topics and pages stay readable.
const ID_CHARS: usize = 48;

impl Grammar {
    /// What is allowed, so that it completes "takes ...".
    pub(crate) fn allowed(self) -> &'static str {
        match self {
            Grammar::Id => "a small letter, then small letters, digits and \"-\", at most 48 characters",
            Grammar::InputId => {
                "a small letter, then small letters, digits, \"-\" and \"_\", at most 48 characters"
            }
            Grammar::UserName => "letters, digits, \"-\" and \"_\", at most 48 characters",
            Grammar::Topic | Grammar::CommandTopic => "an MQTT topic in quotes, such as \"house/grid\"",
            Grammar::Pointer => "a JSON Pointer in quotes, such as \"/power\" or \"/phases/0/watts\"",
            Grammar::TimeZone => "the IANA name of a time zone in quotes, such as \"Europe/London\"",
            Grammar::InfluxUrl => "\"http://HOST:PORT\", or \"https://HOST:PORT\" for TLS",
            Grammar::MeterZone => "the IANA name of a time zone in quotes, or \"winter\"",
            Grammar::TimeOfDay => "a time of day in quotes, such as \"00:30\"",
            Grammar::Date => "a date in quotes, such as \"2026-04-01\"",
            Grammar::Currency => "the three letters of a currency (ISO 4217), such as \"GBP\"",
            Grammar::Url => "\"mqtt://HOST:PORT\", or \"mqtts://HOST:PORT\" for TLS",
            Grammar::Address => "an IP address and a port in quotes, such as \"127.0.0.1:1883\"",
            Grammar::WebAddress => {
                "an IP address and a port in quotes, such as \"127.0.0.1:8180\", or \"none\""
            }
            Grammar::Measures => {
                "\"grid\", \"grid.import\", \"grid.export\", \"solar\", \"house\", \"battery\" or \"load.NAME\""
            }
            Grammar::EnvName => "the name of an environment variable: letters, digits and \"_\"",
            Grammar::PasswordHash => "the argon2id hash that `overspill password` prints",
        }
    }

    /// What a text that is not of this grammar is, so that it completes "is ...".
    pub(crate) fn fault(self) -> &'static str {
        match self {
            Grammar::Id | Grammar::InputId | Grammar::UserName => "no valid name",
            Grammar::Topic | Grammar::CommandTopic => "no topic to use here",
            Grammar::Pointer => "no JSON Pointer",
            Grammar::InfluxUrl => "no address of a database",
            Grammar::TimeZone | Grammar::MeterZone => "no time zone",
            Grammar::TimeOfDay => "no time of day",
            Grammar::Date => "no date",
            Grammar::Currency => "no currency",
            Grammar::Url => "no address of a broker",
            Grammar::Address | Grammar::WebAddress => "no address to listen at",
            Grammar::Measures => "nothing that can be measured",
            Grammar::EnvName => "no environment variable",
            Grammar::PasswordHash => "no hash of a password",
        }
    }

    /// A regular expression (ECMA-262) that texts of this grammar match, for the JSON Schema.
    pub(crate) fn pattern(self) -> &'static str {
        match self {
            Grammar::Id => "^[a-z][a-z0-9-]{0,47}$",
            Grammar::InputId => "^[a-z][a-z0-9_-]{0,47}$",
            Grammar::UserName => "^[A-Za-z0-9_-]{1,48}$",
            Grammar::Topic | Grammar::CommandTopic => "^[^+#\\u0000]+$",
            Grammar::Pointer => "^(/([^~]|~[01])*)?$",
            Grammar::InfluxUrl => "^https?://[^/?#@ ]+/?$",
            Grammar::TimeOfDay => "^([01][0-9]|2[0-3]):[0-5][0-9]$|^24:00$",
            Grammar::Date => "^[0-9]{4}-[0-9]{2}-[0-9]{2}$",
            Grammar::Currency => "^[A-Z]{3}$",
            Grammar::TimeZone | Grammar::MeterZone => "^[A-Za-z0-9_+-]+(/[A-Za-z0-9_+-]+)*$",
            Grammar::Url => "^mqtts?://.+$",
            Grammar::Address => "^.+:[0-9]{1,5}$",
            Grammar::WebAddress => "^none$|^.+:[0-9]{1,5}$",
            Grammar::Measures => {
                "^(grid|grid\\.import|grid\\.export|solar|house|battery|load\\.[a-z][a-z0-9-]*)$"
            }
            Grammar::EnvName => "^[A-Za-z_][A-Za-z0-9_]*$",
            Grammar::PasswordHash => r"^\$argon2id\$.+$",
        }
    }

    /// Whether `text` is of this grammar.
    ///
    /// # Errors
    /// What is wrong with it.
    pub(crate) fn check(self, text: &str) -> Result<(), Fault> {
        match self {
            Grammar::Id => check_id(text, "-"),
            Grammar::InputId => check_id(text, "-_"),
            Grammar::UserName => check_user(text),
            Grammar::Topic => check_topic(text),
            Grammar::CommandTopic => check_topic(text).and_then(|()| check_no_system(text)),
            Grammar::Pointer => check_pointer(text),
            Grammar::TimeZone => check_timezone(text),
            Grammar::InfluxUrl => super::influx::read_url(text).map(|_| ()),
            Grammar::MeterZone if text == "winter" => Ok(()),
            Grammar::MeterZone => check_timezone(text),
            Grammar::TimeOfDay => check_time_of_day(text),
            Grammar::Date => check_date(text),
            Grammar::Currency => check_currency(text),
            Grammar::Url => check_url(text),
            Grammar::WebAddress if text == "none" => Ok(()),
            Grammar::Address => check_address(text, 1883),
            Grammar::WebAddress => check_address(text, 8180),
            Grammar::Measures => check_measures(text),
            Grammar::EnvName => check_env(text),
            Grammar::PasswordHash => super::web::check_hash(text),
        }
    }
}

fn fault(label: impl Into<String>) -> Result<(), Fault> {
    Err(Fault { label: label.into(), help: None })
}

fn fault_with(label: impl Into<String>, help: impl Into<String>) -> Result<(), Fault> {
    Err(Fault { label: label.into(), help: Some(help.into()) })
}

fn check_id(text: &str, signs: &str) -> Result<(), Fault> {
    let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || signs.contains(c);
    if text.starts_with(|c: char| c.is_ascii_lowercase()) && text.chars().all(fits) && text.len() <= ID_CHARS
    {
        return Ok(());
    }
    let mended: String = text
        .to_lowercase()
        .chars()
        .map(|c| if fits(c) { c } else { '-' })
        .skip_while(|c| !c.is_ascii_lowercase())
        .take(ID_CHARS)
        .collect();
    match mended.is_empty() {
        true => fault("small letters, digits and \"-\" only"),
        false => fault(format!("\"{mended}\" would be one")),
    }
}

fn check_user(text: &str) -> Result<(), Fault> {
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    match !text.is_empty() && text.len() <= ID_CHARS && text.chars().all(fits) {
        true => Ok(()),
        false => fault("letters, digits, \"-\" and \"_\" only"),
    }
}

/// MQTT 5 section 4.7: no wildcards in the name of a topic, no null character, not empty, at most 65535 bytes.
fn check_topic(text: &str) -> Result<(), Fault> {
    if text.is_empty() {
        return fault("a topic is never empty");
    }
    if text.contains(['+', '#']) {
        return fault_with(
            "a wildcard is no topic",
            "name one topic; \"+\" and \"#\" stand for many (MQTT 5 section 4.7.1). One more [point.NAME] for each device, perhaps",
        );
    }
    if text.contains('\0') {
        return fault("a topic holds no null character");
    }
    if text.len() > TOPIC_BYTES {
        return fault("longer than MQTT allows");
    }
    if text.starts_with("$share/") {
        return fault("a shared subscription is no topic");
    }
    if text.trim() != text {
        return fault("a space at its start or end");
    }
    Ok(())
}

fn check_no_system(text: &str) -> Result<(), Fault> {
    match text.starts_with('$') {
        true => fault_with(
            "topics with \"$\" are the broker's own",
            "clients don't use topics that start with \"$\" among themselves (MQTT 5 section 4.7.2)",
        ),
        false => Ok(()),
    }
}

fn check_pointer(text: &str) -> Result<(), Fault> {
    if !text.is_empty() && !text.starts_with('/') {
        let mended = text.trim_start_matches("$.").replace('.', "/");
        return fault(format!("starts with \"/\"; \"/{mended}\" perhaps?"));
    }
    let stray = text.split('~').skip(1).any(|after| !after.starts_with(['0', '1']));
    match stray {
        true => fault("\"~\" is written \"~0\" (and \"/\" in a name \"~1\")"),
        false => Ok(()),
    }
}

fn check_timezone(text: &str) -> Result<(), Fault> {
    let zones = TimeZoneDatabase::bundled();
    let known: Vec<String> = zones.available().map(|n| n.to_string()).collect();
    if known.iter().any(|n| n == text) {
        return Ok(());
    }
    match nearest(text, known.iter().map(String::as_str)) {
        Some(near) => fault(format!("did you mean \"{near}\"?")),
        None => {
            let place = text.rsplit('/').next().unwrap_or(text).replace(' ', "_");
            let same = known.iter().find(|n| {
                n.rsplit('/').next().is_some_and(|last| last.eq_ignore_ascii_case(&place)) && n.contains('/')
            });
            match same {
                Some(near) => fault(format!("did you mean \"{near}\"?")),
                None => fault("unknown"),
            }
        }
    }
}

fn check_time_of_day(text: &str) -> Result<(), Fault> {
    let two = |part: &str| part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
    let good = text.split_once(':').is_some_and(|(hour, minute)| {
        two(hour) && two(minute) && (text == "24:00" || (hour < "24" && minute < "60"))
    });
    if good { Ok(()) } else { fault("two digits each, such as \"05:30\"") }
}

fn check_date(text: &str) -> Result<(), Fault> {
    match text.len() == 10 && text.parse::<jiff::civil::Date>().is_ok() {
        true => Ok(()),
        false => fault("year, month and day, such as \"2026-04-01\""),
    }
}

fn check_currency(text: &str) -> Result<(), Fault> {
    if text.len() == 3 && text.bytes().all(|b| b.is_ascii_uppercase()) {
        return Ok(());
    }
    match text.len() == 3 && text.bytes().all(|b| b.is_ascii_alphabetic()) {
        true => fault(format!("\"{}\" would be one", text.to_uppercase())),
        false => fault("three capital letters"),
    }
}

fn check_url(text: &str) -> Result<(), Fault> {
    super::broker::read_url(text).map(|_| ())
}

fn check_address(text: &str, usual_port: u16) -> Result<(), Fault> {
    match text.parse::<std::net::SocketAddr>() {
        Ok(address) if address.port() == 0 => fault("port 0 is no port to find again"),
        Ok(_) => Ok(()),
        Err(_) if text.parse::<std::net::IpAddr>().is_ok() => {
            fault(format!("the port is missing; \"{text}:{usual_port}\" perhaps?"))
        }
        Err(_) => fault("an IP address and a port"),
    }
}

fn check_measures(text: &str) -> Result<(), Fault> {
    const WORDS: [&str; 6] = ["grid", "grid.import", "grid.export", "solar", "house", "battery"];
    if WORDS.contains(&text) {
        return Ok(());
    }
    if let Some(load) = text.strip_prefix("load.") {
        return check_id(load, "-");
    }
    match nearest(text, WORDS.into_iter()) {
        Some(near) => fault(format!("did you mean \"{near}\"?")),
        None => fault("unknown"),
    }
}

fn check_env(text: &str) -> Result<(), Fault> {
    let fits = |c: char| c.is_ascii_alphanumeric() || c == '_';
    match text.starts_with(|c: char| fits(c) && !c.is_ascii_digit()) && text.chars().all(fits) {
        true => Ok(()),
        false => fault("letters, digits and \"_\" only"),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn label(grammar: Grammar, text: &str) -> String {
        grammar.check(text).unwrap_err().label
    }

    #[test]
    fn valid_texts_pass() {
        for (grammar, text) in [
            (Grammar::Id, "car-2"),
            (Grammar::InputId, "tank_c"),
            (Grammar::Topic, "house/grid"),
            (Grammar::Topic, "$SYS/broker/uptime"),
            (Grammar::Topic, "/leading"),
            (Grammar::Pointer, ""),
            (Grammar::Pointer, "/a~1b/0"),
            (Grammar::TimeZone, "Europe/London"),
            (Grammar::TimeZone, "UTC"),
            (Grammar::Address, "[::1]:1883"),
            (Grammar::Measures, "load.car"),
            (Grammar::EnvName, "MQTT_PASSWORD"),
        ] {
            assert_eq!(grammar.check(text), Ok(()), "{grammar:?} {text}");
        }
    }

    #[test]
    fn a_fault_names_what_would_be_right() {
        assert_eq!(label(Grammar::Id, "My Car"), "\"my-car\" would be one");
        assert_eq!(label(Grammar::Pointer, "power"), "starts with \"/\"; \"/power\" perhaps?");
        assert_eq!(label(Grammar::Pointer, "$.phases.a"), "starts with \"/\"; \"/phases/a\" perhaps?");
        assert_eq!(label(Grammar::TimeZone, "Europe/Londn"), "did you mean \"Europe/London\"?");
        assert_eq!(label(Grammar::TimeZone, "London"), "did you mean \"Europe/London\"?");
        assert_eq!(label(Grammar::Measures, "gird"), "did you mean \"grid\"?");
        assert_eq!(label(Grammar::Address, "127.0.0.1"), "the port is missing; \"127.0.0.1:1883\" perhaps?");
    }

    #[test]
    fn topics_follow_section_4_7_of_mqtt_5() {
        for text in ["", "house/+", "house/#", "a\0b", "$share/group/x", " house"] {
            assert!(Grammar::Topic.check(text).is_err(), "{text:?}");
        }
        assert!(Grammar::Topic.check(&"x".repeat(65_536)).is_err());
        assert!(Grammar::CommandTopic.check("$SYS/x").is_err());
    }
}
