//! What a step asks of the installer, and what may be typed.

/// One question.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// Its name in a file of answers: the step's id, a dot, and what is asked.
    pub key: String,
    /// What is asked, in words.
    pub words: String,
    /// What may be answered.
    pub ask: Ask,
}

/// What may be answered.
#[derive(Debug, Clone, PartialEq)]
pub enum Ask {
    /// That something was done.
    Done,
    /// Words.
    Text {
        /// Whether nothing is an answer too.
        optional: bool,
    },
    /// A number.
    Number {
        /// Its unit.
        unit: &'static str,
        /// At least.
        low: f64,
        /// At most.
        high: f64,
        /// Whether nothing is an answer too.
        optional: bool,
    },
    /// One of these words.
    Choice(Vec<&'static str>),
    /// Yes or no.
    YesNo,
}

/// An answer that fits its question.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// It was done.
    Done,
    /// Words, or a chosen one.
    Text(String),
    /// A number.
    Number(f64),
    /// Yes or no.
    Yes(bool),
    /// Nothing, where that is allowed.
    Nothing,
}

/// What an installer may say at any question.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// An answer.
    Answer(Answer),
    /// Do this step again from its beginning.
    Repeat,
    /// Leave this step open and go on.
    Skip,
    /// Keep everything and end.
    Stop,
}

impl Question {
    pub(super) fn new(key: impl Into<String>, words: impl Into<String>, ask: Ask) -> Question {
        Question { key: key.into(), words: words.into(), ask }
    }

    pub(super) fn done(key: impl Into<String>, words: impl Into<String>) -> Question {
        Question::new(key, words, Ask::Done)
    }

    /// What was typed, understood.
    ///
    /// # Errors
    /// What would be an answer, in a sentence.
    pub fn read(&self, typed: &str) -> Result<Said, String> {
        let word = typed.trim();
        match word.to_lowercase().as_str() {
            "repeat" => return Ok(Said::Repeat),
            "skip" => return Ok(Said::Skip),
            "stop" => return Ok(Said::Stop),
            _ => {}
        }
        self.ask.read(word).map(Said::Answer)
    }
}

impl Ask {
    fn read(&self, word: &str) -> Result<Answer, String> {
        match self {
            Ask::Done => match word.to_lowercase().as_str() {
                "" | "done" | "ok" | "y" | "yes" => Ok(Answer::Done),
                _ => Err("press Enter when it is done; or type repeat, skip or stop".to_owned()),
            },
            Ask::Text { optional: true } if word.is_empty() => Ok(Answer::Nothing),
            Ask::Text { .. } if word.is_empty() => Err("this can't be left out".to_owned()),
            Ask::Text { .. } => Ok(Answer::Text(word.chars().take(200).collect())),
            Ask::Number { optional: true, .. } if word.is_empty() => Ok(Answer::Nothing),
            Ask::Number { unit, low, high, .. } => number(word, unit, *low, *high),
            Ask::Choice(words) => {
                let same = |w: &&&str| w.eq_ignore_ascii_case(word);
                let by_number = || word.parse::<usize>().ok().and_then(|n| words.get(n.checked_sub(1)?));
                let found = words.iter().find(same).or_else(by_number);
                found
                    .map(|w| Answer::Text((*w).to_owned()))
                    .ok_or_else(|| format!("write one of: {}", words.join(", ")))
            }
            Ask::YesNo => match word.to_lowercase().as_str() {
                "y" | "yes" => Ok(Answer::Yes(true)),
                "n" | "no" => Ok(Answer::Yes(false)),
                _ => Err("write yes or no".to_owned()),
            },
        }
    }
}

/// A number with or without its unit behind it; a decimal comma is one too.
fn number(word: &str, unit: &str, low: f64, high: f64) -> Result<Answer, String> {
    let bare = word.strip_suffix(unit).unwrap_or(word).trim().replace(',', ".");
    let space = if unit.is_empty() { "" } else { " " };
    let wanted = format!("write a number from {low} to {high}{space}{unit}");
    match bare.parse::<f64>() {
        Ok(number) if number.is_finite() && (low..=high).contains(&number) => Ok(Answer::Number(number)),
        _ => Err(wanted),
    }
}

impl Answer {
    /// Its words, where it has any.
    pub fn text(&self) -> Option<&str> {
        match self {
            Answer::Text(text) => Some(text),
            _ => None,
        }
    }

    /// Its number, where it is one.
    pub fn number(&self) -> Option<f64> {
        match self {
            Answer::Number(number) => Some(*number),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn numbers_are_read_as_people_write_them() {
        let ask = Ask::Number { unit: "W", low: 100.0, high: 10_000.0, optional: false };
        let question = Question::new("test-load.rated-w", "Rating", ask);
        for typed in ["2400", " 2400 W", "2400W", "2400,0"] {
            assert_eq!(question.read(typed).unwrap(), Said::Answer(Answer::Number(2400.0)), "{typed}");
        }
        assert_eq!(question.read("2.4").unwrap_err(), "write a number from 100 to 10000 W");
        assert!(question.read("NaN").is_err() && question.read("").is_err());
        assert_eq!(question.read("Skip").unwrap(), Said::Skip);
    }

    #[test]
    fn choices_are_taken_by_word_or_place() {
        let question = Question::new("a.b", "Which", Ask::Choice(vec!["line", "neutral"]));
        assert_eq!(question.read("Neutral").unwrap(), question.read("2").unwrap());
        assert!(question.read("0").is_err() && question.read("3").is_err());
    }
}
