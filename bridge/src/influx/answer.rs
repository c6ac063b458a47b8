//! What the database answered, by what has to be done about it.

use overspill_rules::time::Span;

/// The answer to one batch.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Answer {
    /// 204: it has everything.
    Accepted,
    /// 400 or 422: a line in it is wrong; with what the database says.
    Malformed(String),
    /// 413: the batch is too large.
    TooLarge(String),
    /// Anything else: the same batch has to be sent again later.
    Trouble(Trouble),
}

/// Why a batch has to be sent again later. Each with what is known, for people.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Trouble {
    /// No answer, half an answer, 408 or 5xx.
    Away(String),
    /// 429, or 503 with a `Retry-After`.
    Busy { after: Option<Span>, why: String },
    /// 401 or 403.
    Denied(String),
    /// 404.
    NotFound(String),
    /// An answer that no such database gives: it is something else.
    Strange(String),
    /// Line after line is called wrong.
    RefusesAll(String),
}

/// What of an answer's text is kept.
const CHARS: usize = 300;

/// Sorts an answer by its status.
pub(super) fn sorted(status: u16, retry_after: Option<Span>, text: &str) -> Answer {
    let why = in_words(status, text);
    Answer::Trouble(match status {
        204 => return Answer::Accepted,
        400 | 422 => return Answer::Malformed(why),
        413 => return Answer::TooLarge(why),
        401 | 403 => Trouble::Denied(why),
        404 => Trouble::NotFound(why),
        429 => Trouble::Busy { after: retry_after, why },
        503 if retry_after.is_some() => Trouble::Busy { after: retry_after, why },
        408 | 500..=599 => Trouble::Away(why),
        _ => Trouble::Strange(why),
    })
}

/// The status and what the database says, on one line and not too long.
fn in_words(status: u16, text: &str) -> String {
    let said = serde_json::from_str::<serde_json::Value>(text).ok();
    let said = said.as_ref().and_then(|v| v.get("message")).and_then(|m| m.as_str()).unwrap_or(text);
    let words: Vec<&str> = said.split_whitespace().collect();
    let short: String = words.join(" ").chars().filter(|c| !c.is_control()).take(CHARS).collect();
    match short.is_empty() {
        true => format!("status {status}"),
        false => format!("status {status}: {short}"),
    }
}

/// `Retry-After` in seconds (RFC 9110 section 10.2.3); a date is left to our own pauses.
pub(super) fn retry_after(header: &str) -> Option<Span> {
    header.trim().parse::<u32>().ok().map(|seconds| Span::seconds(i64::from(seconds)))
}

impl Trouble {
    /// A stable word for its kind.
    pub(super) fn word(&self) -> &'static str {
        match self {
            Trouble::Away(_) => "away",
            Trouble::Busy { .. } => "busy",
            Trouble::Denied(_) => "denied",
            Trouble::NotFound(_) => "not_found",
            Trouble::Strange(_) => "no_database",
            Trouble::RefusesAll(_) => "refuses_all",
        }
    }

    /// Whether it may pass by itself, so that people need not know of it at once.
    pub(super) fn may_pass(&self) -> bool {
        matches!(self, Trouble::Away(_) | Trouble::Busy { .. })
    }

    /// What is wrong and how to mend it, for the database at `url`.
    pub(super) fn in_words(&self, url: &str) -> String {
        match self {
            Trouble::Away(why) => {
                format!(
                    "InfluxDB at {url} can't be reached or does not work ({why}). Is it running, and is `url` in [influxdb] right?"
                )
            }
            Trouble::Busy { why, .. } => format!("InfluxDB at {url} asks to be sent less ({why})."),
            Trouble::Denied(why) => format!(
                "InfluxDB at {url} does not let Overspill write ({why}). Give it a token that may write to the bucket: \
                 `token_file` or `token_env` in [influxdb]."
            ),
            Trouble::NotFound(why) => format!(
                "InfluxDB at {url} does not know the organisation or the bucket ({why}). Make the bucket there, or \
                 change `org` and `bucket` in [influxdb]."
            ),
            Trouble::Strange(why) => format!(
                "what answers at {url} is no InfluxDB 2, or something stands in between ({why}). \
                 Look at `url` in [influxdb]."
            ),
            Trouble::RefusesAll(why) => format!(
                "InfluxDB at {url} calls every point malformed ({why}), so none is set aside. Look at the database; \
                 its version must take the InfluxDB 2 write API."
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_sorted_by_what_has_to_be_done() {
        let trouble = |status, after| match sorted(status, after, "") {
            Answer::Trouble(trouble) => trouble.word(),
            _ => "none",
        };
        let second = Some(Span::seconds(1));
        for (status, after, word) in [
            (200, None, "no_database"),
            (301, None, "no_database"),
            (401, None, "denied"),
            (403, None, "denied"),
            (404, None, "not_found"),
            (405, None, "no_database"),
            (408, None, "away"),
            (429, None, "busy"),
            (500, None, "away"),
            (503, None, "away"),
            (503, second, "busy"),
        ] {
            assert_eq!(trouble(status, after), word, "{status}");
        }
        assert_eq!(sorted(204, None, ""), Answer::Accepted);
        assert_eq!(sorted(422, None, ""), Answer::Malformed("status 422".to_owned()));
    }

    #[test]
    fn the_message_is_taken_out_of_json_and_kept_short() {
        let json = r#"{"code":"invalid","message":"unable to parse\n 'x'"}"#;
        assert_eq!(sorted(400, None, json), Answer::Malformed("status 400: unable to parse 'x'".to_owned()));
        let Answer::Malformed(long) = sorted(400, None, &"a".repeat(10_000)) else { unreachable!() };
        assert!(long.len() < 400);
    }

    #[test]
    fn retry_after_is_read_in_seconds() {
        assert_eq!(retry_after(" 12 "), Some(Span::seconds(12)));
        for odd in ["", "-1", "1.5", "Wed, 21 Oct 2015 07:28:00 GMT", "99999999999999"] {
            assert_eq!(retry_after(odd), None, "{odd}");
        }
    }
}
