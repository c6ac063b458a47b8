//! A question as a form: the field or the buttons for its answer, in words for a thumb.

use overspill_rules::commission::procedure::{Ask, Question};

/// A question as a form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Asked {
    /// The question.
    pub(super) words: String,
    /// What may be answered, where that is not plain.
    pub(super) hint: String,
    /// What is typed into; `None` where buttons are enough.
    pub(super) field: Option<Field>,
    /// Buttons: what each says to the sitting, and what is on it.
    pub(super) buttons: Vec<(String, String)>,
    /// What the button says that leaves the answer out, where that may be.
    pub(super) none: Option<&'static str>,
}

/// What is typed into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Field {
    /// The kind of the field, as HTML has it.
    pub(super) kind: &'static str,
    /// Which keys a phone shows.
    pub(super) keys: &'static str,
    /// The unit behind it.
    pub(super) unit: &'static str,
}

/// What the sitting asks when a caution comes before a step.
pub(super) const CAUTION: &str = "caution";

/// What it asks after a step that was not good.
pub(super) const AGAIN: &str = "again";

/// A question as a form.
pub(super) fn asked(question: &Question) -> Asked {
    let plain = |field, hint: String, none| Asked {
        words: on_page(&question.words),
        hint,
        field,
        buttons: Vec::new(),
        none,
    };
    let buttons = |buttons: Vec<(String, String)>| Asked { buttons, ..plain(None, String::new(), None) };
    let button = |says: &str, shows: &str| (says.to_owned(), shows.to_owned());
    match &question.ask {
        Ask::Done if question.key == AGAIN => Asked {
            words: "What now?".to_owned(),
            ..buttons(vec![button("repeat", "Do this step again"), button("done", "Go on")])
        },
        Ask::Done => buttons(vec![button("done", done_words(&question.key))]),
        Ask::YesNo => buttons(vec![button("yes", "Yes"), button("no", "No")]),
        Ask::Choice(words) => buttons(words.iter().map(|word| button(word, word)).collect()),
        Ask::Text { optional } => {
            plain(Some(Field { kind: "text", keys: "text", unit: "" }), String::new(), none(*optional))
        }
        Ask::Number { unit, low, high, optional } => {
            let space = if unit.is_empty() { "" } else { " " };
            let hint = format!("A number from {low} to {high}{space}{unit}.");
            plain(Some(Field { kind: "text", keys: "decimal", unit }), hint, none(*optional))
        }
        Ask::Date { optional } => {
            plain(Some(Field { kind: "date", keys: "text", unit: "" }), String::new(), none(*optional))
        }
    }
}

fn none(optional: bool) -> Option<&'static str> {
    optional.then_some("Leave it out")
}

/// What is on the one button of a question that asks for something to be done.
fn done_words(key: &str) -> &'static str {
    match key.rsplit('.').next().unwrap_or_default() {
        CAUTION => "I have read this",
        "ready" => "I am ready",
        "on" => "It is on",
        "off" => "It is off",
        "first" | "last" => "Now",
        _ => "Done",
    }
}

/// Words that speak of keys, as they read where there are buttons.
pub(super) fn on_page(words: &str) -> String {
    // What is longer comes first.
    const INSTEAD: [(&str, &str); 13] = [
        (", or type repeat to do this step again", ""),
        ("; or type repeat, back, skip or stop", ""),
        (
            "or Enter to press a key at the first and the last",
            "or leave it out to press a button at the first and the last",
        ),
        ("press Enter to leave it out", "leave it out"),
        ("press Enter where", "leave it out where"),
        ("press Enter", "press the button"),
        ("Press Enter", "Press the button"),
        ("Enter was pressed", "the button was pressed"),
        ("Enter where", "leave it out where"),
        ("Enter for", "leave it out for"),
        ("Type stop at the next question", "Pause"),
        ("Type stop to leave.", "Pause to leave."),
        ("the same command asks for it again", "this page asks for it again"),
    ];
    typeset(&INSTEAD.iter().fold(words.to_owned(), |words, (key, button)| words.replace(key, button)))
}

/// Plain text as print has it: names between proper quotes, and a true minus.
pub(super) fn typeset(words: &str) -> String {
    let mut out = String::with_capacity(words.len());
    let (mut is_open, mut last) = (false, ' ');
    let mut letters = words.chars().peekable();
    while let Some(letter) = letters.next() {
        let counts = letters.peek().is_some_and(char::is_ascii_digit) && [' ', '('].contains(&last);
        match letter {
            '`' => {
                out.push(if is_open { '’' } else { '‘' });
                is_open = !is_open;
            }
            '-' if counts => out.push('−'),
            _ => out.push(letter),
        }
        last = letter;
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn question(key: &str, ask: Ask) -> Question {
        Question { key: key.to_owned(), words: "Switch it ON now, and press Enter at once.".to_owned(), ask }
    }

    #[test]
    fn what_is_done_is_one_button_that_says_what() {
        let asked = asked(&question("test-load.on", Ask::Done));
        assert_eq!(asked.words, "Switch it ON now, and press the button at once.");
        assert_eq!(asked.buttons, [("done".to_owned(), "It is on".to_owned())]);
        assert!(asked.field.is_none() && asked.none.is_none());
    }

    /// Every sentence of the procedure that speaks of keys reads well where there are buttons.
    #[test]
    fn no_words_of_the_keys_are_left() {
        let folder =
            std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../rules/src/commission/procedure");
        let mut folders = vec![folder];
        let (mut sentences, mut left) = (0, Vec::new());
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(folder).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    folders.push(path);
                    continue;
                }
                let text = std::fs::read_to_string(&path).unwrap();
                let told =
                    text.lines().filter(|line| !line.trim_start().starts_with("//") && line.contains('"'));
                for line in told.filter(|line| {
                    ["Enter", "ype repeat", "ype stop", "a key"].iter().any(|w| line.contains(w))
                }) {
                    sentences += 1;
                    let words = on_page(line);
                    if ["Enter", "ype repeat", "ype stop", "a key"].iter().any(|w| words.contains(w)) {
                        left.push(words);
                    }
                }
            }
        }
        assert!(left.is_empty() && sentences > 10, "{left:#?}");
    }

    #[test]
    fn names_and_numbers_are_set_as_in_print() {
        assert_eq!(typeset("`grid` moved by -12 W (-3 to 4-5)"), "‘grid’ moved by −12 W (−3 to 4-5)");
        assert_eq!(typeset("run it with --from and -x"), "run it with --from and -x");
    }

    #[test]
    fn choices_are_buttons_that_the_question_understands() {
        for ask in [Ask::YesNo, Ask::Choice(vec!["line", "neutral", "none"]), Ask::Done] {
            let question = question("a.b", ask);
            for (says, _) in asked(&question).buttons {
                assert!(question.read(&says).is_ok(), "{says}");
            }
        }
    }

    #[test]
    fn numbers_bring_their_bounds_and_what_may_be_left_out_says_so() {
        let asked =
            asked(&question("a.b", Ask::Number { unit: "W", low: 500.0, high: 4000.0, optional: true }));
        assert_eq!(asked.hint, "A number from 500 to 4000 W.");
        assert_eq!(asked.none, Some("Leave it out"));
        assert_eq!(asked.field.map(|field| field.keys), Some("decimal"));
    }
}
