//! JSON Pointer (RFC 6901).

use std::fmt;

use serde_json::Value;

use super::json::{keys, kind};

/// A place in a JSON text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pointer {
    text: String,
    tokens: Vec<String>,
}

impl Pointer {
    /// Reads a pointer: empty for the whole text, else tokens that each begin with `/`, with `~1` for `/` and `~0`
    /// for `~` in them.
    ///
    /// # Errors
    /// A sentence that says how to write it.
    pub fn parse(text: &str) -> Result<Pointer, String> {
        if text.is_empty() {
            return Ok(Pointer { text: String::new(), tokens: Vec::new() });
        }
        let Some(rest) = text.strip_prefix('/') else {
            let bare = text.trim_start_matches(['#', '$', '.', '/']).replace('.', "/");
            return Err(format!("`{text}` is no JSON Pointer: it begins with `/`, as in \"/{bare}\""));
        };
        let tokens = rest.split('/').map(|token| unescaped(token, text)).collect::<Result<_, _>>()?;
        Ok(Pointer { text: text.to_owned(), tokens })
    }

    /// What stands there.
    ///
    /// # Errors
    /// How far the way goes, and what is there instead.
    pub fn find<'a>(&self, value: &'a Value) -> Result<&'a Value, String> {
        let mut here = value;
        for (depth, token) in self.tokens.iter().enumerate() {
            here = step(here, token).ok_or_else(|| self.missing(here, depth))?;
        }
        Ok(here)
    }

    /// Whether nothing stands there.
    pub(super) fn is_absent(&self, value: &Value) -> bool {
        self.find(value).is_err()
    }

    fn missing(&self, here: &Value, depth: usize) -> String {
        if depth == 0 && !here.is_object() && !here.is_array() {
            return format!(
                "the message is {} and has nothing at {self}; leave `pointer` out where it is the number",
                kind(here)
            );
        }
        let way: String = self.tokens.iter().take(depth).map(|t| format!("/{}", escaped(t))).collect();
        let what = if way.is_empty() { "it".to_owned() } else { way };
        let there = match here {
            Value::Object(map) if map.is_empty() => format!("{what} is an empty object"),
            Value::Object(map) => format!("{what} has: {}", keys(map)),
            Value::Array(list) if list.is_empty() => format!("{what} is an empty list"),
            Value::Array(list) => format!("{what} is a list with the items 0 to {}", list.len() - 1),
            other => format!("{what} is {}", kind(other)),
        };
        format!("the message is JSON but has nothing at {self}; {there}")
    }
}

impl fmt::Display for Pointer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.text.is_empty() { write!(f, "\"\"") } else { write!(f, "{}", self.text) }
    }
}

fn step<'a>(value: &'a Value, token: &str) -> Option<&'a Value> {
    match value {
        Value::Object(map) => map.get(token),
        Value::Array(list) => list.get(index(token)?),
        _ => None,
    }
}

/// An index has no sign and no leading zero (RFC 6901, section 4); `-` is the item after the last, which is not there.
fn index(token: &str) -> Option<usize> {
    let plain = token == "0" || (!token.starts_with('0') && token.bytes().all(|b| b.is_ascii_digit()));
    if plain { token.parse().ok() } else { None }
}

fn unescaped(token: &str, pointer: &str) -> Result<String, String> {
    let mut text = String::with_capacity(token.len());
    let mut letters = token.chars();
    while let Some(letter) = letters.next() {
        match (letter, letter == '~') {
            (_, false) => text.push(letter),
            _ => match letters.next() {
                Some('0') => text.push('~'),
                Some('1') => text.push('/'),
                _ => {
                    return Err(format!(
                        "`{pointer}` is no JSON Pointer: `~` is written `~0` in it, and `/` `~1`"
                    ));
                }
            },
        }
    }
    Ok(text)
}

fn escaped(token: &str) -> String {
    token.replace('~', "~0").replace('/', "~1")
}
