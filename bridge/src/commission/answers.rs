//! A file of answers, so that a commissioning can be repeated without a person at the keys.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use overspill_rules::commission::procedure::{Ask, Question, Said};
use thiserror::Error;
use toml::{Table, Value};

use super::live::{Installer, Reply};

/// Why there are no answers.
#[derive(Debug, Error)]
pub enum AnswersError {
    /// The file can't be read.
    #[error("the file of answers {} can't be read: {why}", .path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: std::io::Error,
    },
    /// It is no TOML.
    #[error("the file of answers {} is no TOML: {why}", .path.display())]
    Form {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
}

/// Answers by the key of their question. A list answers one time after the other; its last entry stays.
#[derive(Debug, Clone)]
pub struct Answers {
    name: String,
    table: Table,
    asked: BTreeMap<String, usize>,
}

impl Answers {
    /// Reads a file.
    ///
    /// # Errors
    /// When it can't be read or is no TOML.
    pub fn read(path: &Path) -> Result<Answers, AnswersError> {
        let text =
            std::fs::read_to_string(path).map_err(|why| AnswersError::File { path: path.to_owned(), why })?;
        Answers::parse(&text, path)
    }

    /// Reads the text of a file.
    ///
    /// # Errors
    /// When it is no TOML.
    pub fn parse(text: &str, path: &Path) -> Result<Answers, AnswersError> {
        let form = |why: toml::de::Error| AnswersError::Form {
            path: path.to_owned(),
            why: why.message().to_owned(),
        };
        let table = text.parse::<Table>().map_err(form)?;
        Ok(Answers { name: path.display().to_string(), table, asked: BTreeMap::new() })
    }

    /// The answer to the question of this key, as it would be typed.
    fn find(&mut self, key: &str) -> Option<String> {
        let value = place(&self.table, key)?;
        let count = self.asked.entry(key.to_owned()).or_default();
        let value = match value {
            Value::Array(list) => list.get(*count).or(list.last())?,
            other => other,
        };
        *count += 1;
        typed(value)
    }
}

/// The value at a key of words with dots between; a key may also stand written whole, in quotes.
fn place<'a>(table: &'a Table, key: &str) -> Option<&'a Value> {
    if let Some(value) = table.get(key) {
        return Some(value);
    }
    let mut at = 0;
    while let Some(dot) = key.get(at..)?.find('.') {
        let (head, rest) = (key.get(..at + dot)?, key.get(at + dot + 1..)?);
        if let Some(Value::Table(inner)) = table.get(head)
            && let Some(found) = place(inner, rest)
        {
            return Some(found);
        }
        at += dot + 1;
    }
    None
}

/// A question with a stop at its end.
fn sentence(words: &str) -> String {
    let stop = if words.ends_with(['.', '?', ')']) { "" } else { "." };
    format!("{words}{stop}")
}

fn typed(value: &Value) -> Option<String> {
    Some(match value {
        Value::String(text) => text.clone(),
        Value::Integer(n) => n.to_string(),
        Value::Float(n) => n.to_string(),
        Value::Boolean(yes) => if *yes { "yes" } else { "no" }.to_owned(),
        Value::Datetime(time) => time.to_string(),
        Value::Array(_) | Value::Table(_) => return None,
    })
}

/// Whether an answer ends its step, so that nothing more is asked there.
fn leaves(value: &Value) -> bool {
    let last = value.as_array().map_or(Some(value), |list| list.last());
    let ends = |typed: &str| matches!(Said::at_any_time(typed), Some(Said::Skip | Said::Stop));
    last.and_then(Value::as_str).is_some_and(|typed| ends(typed) || typed.eq_ignore_ascii_case("none"))
}

impl Installer for Answers {
    fn lacks(&self, steps: &[Vec<Question>]) -> Vec<String> {
        let of_step = |questions: &Vec<Question>| -> Vec<String> {
            let found = |q: &Question| place(&self.table, &q.key);
            let asked =
                questions.iter().position(|q| found(q).is_some_and(leaves)).unwrap_or(questions.len());
            let asked = questions.iter().take(asked);
            asked.filter(|q| found(q).is_none()).map(|q| q.key.clone()).collect()
        };
        steps.iter().flat_map(of_step).collect()
    }

    fn ask(&mut self, question: &Question) -> Reply {
        if let Some(typed) = self.find(&question.key) {
            return Reply::Typed(typed);
        }
        let example = match &question.ask {
            Ask::Done => "\"done\"".to_owned(),
            Ask::Text { .. } => "\"..\"".to_owned(),
            Ask::Number { low, .. } => format!("{low}"),
            Ask::Choice(words) => format!("{:?}", words.first().copied().unwrap_or_default()),
            Ask::YesNo => "true".to_owned(),
            Ask::Date { .. } => "\"2026-05-31\"".to_owned(),
        };
        Reply::Missing(format!(
            "{} has no answer to `{}`: {} Add `{} = {example}`, or answer it with \"skip\"",
            self.name,
            question.key,
            sentence(&question.words),
            question.key
        ))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn answers_are_found_by_their_key_and_in_their_order() {
        let text =
            "[test-load]\nrated-w = 2400\non = [\"repeat\", \"done\"]\n[fallback.car]\nstopped.seen = true\n";
        let mut answers = Answers::parse(text, Path::new("a.toml")).unwrap();
        assert_eq!(answers.find("test-load.rated-w").as_deref(), Some("2400"));
        let on = |answers: &mut Answers| answers.find("test-load.on").unwrap();
        assert_eq!([on(&mut answers), on(&mut answers), on(&mut answers)], ["repeat", "done", "done"]);
        assert_eq!(answers.find("fallback.car.stopped.seen").as_deref(), Some("yes"));
        assert_eq!(answers.find("fallback.car"), None);
    }
}
