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
    /// A day of the calendar, not after today.
    Date {
        /// Whether nothing is an answer too.
        optional: bool,
    },
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
    /// Do the step before it again.
    Back,
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
        match Said::at_any_time(word) {
            Some(said) => Ok(said),
            None if word == "?" || word.eq_ignore_ascii_case("help") => {
                Err(format!("{}. {HELP}", self.ask.wanted()))
            }
            None => self.ask.read(word).map(Said::Answer),
        }
    }
}

/// What may be typed at any question, and while something is awaited.
pub const HELP: &str = "At any time: repeat does this step again, back the one before it, skip leaves it open, stop keeps what is done and ends";

impl Said {
    /// What may be said at any time, also while nothing is asked.
    pub fn at_any_time(typed: &str) -> Option<Said> {
        Some(match typed.trim().to_lowercase().as_str() {
            "repeat" => Said::Repeat,
            "back" => Said::Back,
            "skip" => Said::Skip,
            "stop" => Said::Stop,
            _ => return None,
        })
    }
}

impl Ask {
    /// What would be an answer, in a sentence without its stop.
    fn wanted(&self) -> String {
        match self {
            Ask::Done => "Press Enter when it is done; or type repeat, back, skip or stop".to_owned(),
            Ask::Text { optional: true } => "Write it, or press Enter to leave it out".to_owned(),
            Ask::Text { optional: false } => "This can't be left out".to_owned(),
            Ask::Number { unit, low, high, optional } => {
                let space = if unit.is_empty() { "" } else { " " };
                let or_none = if *optional { ", or press Enter where there is none" } else { "" };
                format!("Write a number from {low} to {high}{space}{unit}{or_none}")
            }
            Ask::Choice(words) => format!("Write one of: {}", words.join(", ")),
            Ask::YesNo => "Write yes or no".to_owned(),
            Ask::Date { .. } => "Write a day that has been, as 2026-05-31".to_owned(),
        }
    }

    /// Whether the words of a choice are numbers themselves: then they are not numbered.
    pub fn is_of_numbers(words: &[&str]) -> bool {
        words.iter().any(|w| w.parse::<f64>().is_ok())
    }

    fn read(&self, word: &str) -> Result<Answer, String> {
        let found = match self {
            Ask::Done => {
                ["", "done", "ok", "y", "yes"].contains(&word.to_lowercase().as_str()).then_some(Answer::Done)
            }
            Ask::Text { optional: true }
            | Ask::Number { optional: true, .. }
            | Ask::Date { optional: true }
                if word.is_empty() =>
            {
                Some(Answer::Nothing)
            }
            Ask::Text { .. } => (!word.is_empty()).then(|| Answer::Text(word.chars().take(200).collect())),
            Ask::Number { unit, low, high, .. } => number(word, unit, *low, *high),
            Ask::Choice(words) => chosen(words, word),
            Ask::YesNo => match word.to_lowercase().as_str() {
                "y" | "yes" => Some(Answer::Yes(true)),
                "n" | "no" => Some(Answer::Yes(false)),
                _ => None,
            },
            Ask::Date { .. } => word.parse::<jiff::civil::Date>().ok().map(|d| Answer::Text(d.to_string())),
        };
        found.ok_or_else(|| self.wanted())
    }
}

/// One of the words, by itself or by its place.
fn chosen(words: &[&'static str], typed: &str) -> Option<Answer> {
    let same = |w: &&&str| w.eq_ignore_ascii_case(typed);
    let by_number = || {
        let place = typed.parse::<usize>().ok().filter(|_| !Ask::is_of_numbers(words))?;
        words.get(place.checked_sub(1)?)
    };
    words.iter().find(same).or_else(by_number).map(|w| Answer::Text((*w).to_owned()))
}

/// A number with or without its unit behind it; a decimal comma is one too, and kilowatts are watts.
fn number(word: &str, unit: &str, low: f64, high: f64) -> Option<Answer> {
    let (bare, times) = match word.strip_suffix("kW").filter(|_| unit == "W") {
        Some(kilo) => (kilo, 1000.0),
        None => (word.strip_suffix(unit).unwrap_or(word), 1.0),
    };
    let number = bare.trim().replace(',', ".").parse::<f64>().ok()? * times;
    (number.is_finite() && (low..=high).contains(&number)).then_some(Answer::Number(number))
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
        for typed in ["2400", " 2400 W", "2400W", "2400,0", "2.4 kW"] {
            assert_eq!(question.read(typed).unwrap(), Said::Answer(Answer::Number(2400.0)), "{typed}");
        }
        assert_eq!(question.read("2.4").unwrap_err(), "Write a number from 100 to 10000 W");
        assert!(question.read("NaN").is_err() && question.read("").is_err());
        assert_eq!(question.read("Skip").unwrap(), Said::Skip);
    }

    #[test]
    fn choices_are_taken_by_word_or_place() {
        let question = Question::new("a.b", "Which", Ask::Choice(vec!["line", "neutral"]));
        assert_eq!(question.read("Neutral").unwrap(), question.read("2").unwrap());
        assert!(question.read("0").is_err() && question.read("3").is_err());
        // Where the words are numbers, a number is the word.
        let class = Question::new("a.class", "Class", Ask::Choice(vec!["0.5", "1", "3"]));
        assert_eq!(class.read("1").unwrap(), Said::Answer(Answer::Text("1".to_owned())));
        assert!(class.read("2").is_err());
    }

    #[test]
    fn a_day_is_one_of_the_calendar() {
        let question = Question::new("a.b", "When", Ask::Date { optional: true });
        assert_eq!(question.read("2026-05-31").unwrap(), Said::Answer(Answer::Text("2026-05-31".to_owned())));
        assert_eq!(question.read("").unwrap(), Said::Answer(Answer::Nothing));
        for typed in ["2026-02-30", "yesterday", "31.5.2026"] {
            assert_eq!(question.read(typed).unwrap_err(), "Write a day that has been, as 2026-05-31");
        }
    }

    #[test]
    fn help_is_told_and_is_no_answer() {
        let question = Question::new("a.b", "Your name", Ask::Text { optional: false });
        for typed in ["?", "help"] {
            let told = question.read(typed).unwrap_err();
            assert!(told.contains("can't be left out") && told.contains("back"), "{told}");
        }
    }
}
