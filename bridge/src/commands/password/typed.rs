//! A password typed at a terminal that does not show it.

use std::io::{Write, stderr};

use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers, read};
use crossterm::terminal::{disable_raw_mode, enable_raw_mode};

/// Asks for a password twice.
///
/// # Errors
/// When the two differ, or nobody wants to type them.
pub(super) fn twice() -> Result<String, String> {
    let first = asked("Password: ")?;
    let second = asked("The same again: ")?;
    match first == second {
        true => Ok(first),
        false => Err("The two passwords differ; nothing was made of them.".to_owned()),
    }
}

fn asked(question: &str) -> Result<String, String> {
    let unreadable = |why: std::io::Error| format!("The password can't be asked for: {why}.");
    let _ = write!(stderr(), "{question}");
    let _ = stderr().flush();
    enable_raw_mode().map_err(unreadable)?;
    let typed = line();
    let shown_again = disable_raw_mode();
    let _ = writeln!(stderr());
    shown_again.map_err(unreadable)?;
    typed.map_err(unreadable)?.ok_or_else(|| "Nothing was made: it was broken off.".to_owned())
}

/// One line; `None` when it was broken off.
fn line() -> std::io::Result<Option<String>> {
    let mut line = Line::default();
    loop {
        match read()? {
            Event::Key(key) if key.kind != KeyEventKind::Release => match line.take(key) {
                Then::More => {}
                Then::Done => return Ok(Some(line.0)),
                Then::Broken => return Ok(None),
            },
            _ => {}
        }
    }
}

/// What is typed so far.
#[derive(Default)]
struct Line(String);

/// What comes after a key.
#[derive(Debug, PartialEq, Eq)]
enum Then {
    More,
    Done,
    Broken,
}

impl Line {
    fn take(&mut self, key: KeyEvent) -> Then {
        let control = key.modifiers.contains(KeyModifiers::CONTROL);
        match key.code {
            KeyCode::Enter => return Then::Done,
            KeyCode::Esc => return Then::Broken,
            KeyCode::Char('c' | 'd') if control => return Then::Broken,
            // What terminals send for Enter when it is typed as a control key.
            KeyCode::Char('j' | 'm') if control => return Then::Done,
            KeyCode::Char('u') if control => self.0.clear(),
            KeyCode::Char('h') if control => drop(self.0.pop()),
            KeyCode::Backspace => drop(self.0.pop()),
            KeyCode::Char(char) if !control => self.0.push(char),
            _ => {}
        }
        Then::More
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(keys: &[(KeyCode, KeyModifiers)]) -> (String, Then) {
        let mut line = Line::default();
        let last = keys.iter().map(|(code, with)| line.take(KeyEvent::new(*code, *with))).last();
        (line.0, last.unwrap_or(Then::More))
    }

    #[test]
    fn a_line_is_what_was_typed_and_left_standing() {
        let plain = |c| (KeyCode::Char(c), KeyModifiers::NONE);
        let control = |c| (KeyCode::Char(c), KeyModifiers::CONTROL);
        let enter = (KeyCode::Enter, KeyModifiers::NONE);
        let back = (KeyCode::Backspace, KeyModifiers::NONE);
        assert_eq!(typed(&[plain('a'), plain('x'), back, plain('ß'), enter]), ("aß".to_owned(), Then::Done));
        assert_eq!(typed(&[plain('a'), control('u'), plain('b')]), ("b".to_owned(), Then::More));
        assert_eq!(typed(&[(KeyCode::Char('A'), KeyModifiers::SHIFT), plain(' ')]).0, "A ");
        assert_eq!(typed(&[plain('a'), control('c')]).1, Then::Broken);
    }
}
