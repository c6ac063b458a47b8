//! The code that the terminal shows and a phone is let in by, once.

use std::time::{Duration, Instant};

use crate::web::access::random;

/// Digits of a code.
const DIGITS: usize = 8;

/// Wrong codes before one has to wait.
const FREE: u32 = 3;

/// The first wait; each further one is twice as long.
const FIRST: Duration = Duration::from_secs(2);

/// The longest wait.
const LONGEST: Duration = Duration::from_secs(60);

/// Wrong codes after which there is another one: nobody gets far through a hundred million.
const RENEWED_AFTER: u32 = 30;

/// Why somebody was not let in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum NotIn {
    /// It is not the code.
    Wrong,
    /// So many were wrong that one waits first.
    Wait(Duration),
}

/// The code that lets the next phone in.
#[derive(Debug)]
pub(super) struct Code {
    digits: String,
    wrong: u32,
    last: Instant,
}

impl Code {
    /// A new one.
    ///
    /// # Errors
    /// When the system gives no random numbers.
    pub(super) fn new(now: Instant) -> Result<Code, String> {
        Ok(Code { digits: digits()?, wrong: 0, last: now })
    }

    /// As people read it: in two groups.
    pub(super) fn words(&self) -> String {
        let (one, other) = self.digits.split_at(DIGITS / 2);
        format!("{one} {other}")
    }

    /// Tries one. The right one is used up: there is another for the next phone.
    ///
    /// # Errors
    /// When it is wrong, or tried too soon after others.
    pub(super) fn try_one(&mut self, typed: &str, now: Instant) -> Result<(), NotIn> {
        if let Some(wait) = self.wait(now) {
            return Err(NotIn::Wait(wait));
        }
        let bare: String = typed.chars().filter(char::is_ascii_digit).collect();
        let right = random::same(&random::digest(&bare), &random::digest(&self.digits));
        let used = right || self.wrong + 1 >= RENEWED_AFTER;
        (self.wrong, self.last) = (self.wrong + 1, now);
        if used && let Ok(other) = digits() {
            self.digits = other;
        }
        if right {
            self.wrong = 0;
            return Ok(());
        }
        Err(NotIn::Wrong)
    }

    fn wait(&self, now: Instant) -> Option<Duration> {
        let beyond = self.wrong.checked_sub(FREE)?;
        let wait = FIRST.saturating_mul(2_u32.saturating_pow(beyond.min(8))).min(LONGEST);
        let left = wait.saturating_sub(now.saturating_duration_since(self.last));
        (!left.is_zero()).then_some(left)
    }
}

/// Random digits, out of random words of hexadecimal ones: those above nine are left out, so that each digit is as likely
/// as any other.
fn digits() -> Result<String, String> {
    let mut digits = String::new();
    while digits.len() < DIGITS {
        let drawn = random::word()?;
        digits.extend(drawn.chars().filter(char::is_ascii_digit).take(DIGITS - digits.len()));
    }
    Ok(digits)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_code_opens_once_however_it_is_spaced() {
        let now = Instant::now();
        let mut code = Code::new(now).unwrap();
        let first = code.words();
        assert_eq!(first.len(), DIGITS + 1);
        assert_eq!(code.try_one(&format!(" {} ", first.replace(' ', "-")), now), Ok(()));
        assert_ne!(code.words(), first);
        assert_eq!(code.try_one(&first, now), Err(NotIn::Wrong));
    }

    #[test]
    fn guessing_is_slowed_and_in_vain() {
        let mut now = Instant::now();
        let mut code = Code::new(now).unwrap();
        let wrong = |code: &Code| if code.digits == "00000000" { "11111111" } else { "00000000" };
        for _ in 0..FREE {
            assert_eq!(code.try_one(wrong(&code), now), Err(NotIn::Wrong));
        }
        let mut waits = Vec::new();
        let first = code.words();
        for _ in 0..RENEWED_AFTER - FREE {
            let right = code.digits.clone();
            let Err(NotIn::Wait(wait)) = code.try_one(&right, now) else {
                unreachable!("it must wait first")
            };
            waits.push(wait.as_secs());
            now += wait;
            assert_eq!(code.try_one(wrong(&code), now), Err(NotIn::Wrong));
        }
        assert_eq!(waits.get(..7), Some(&[2, 4, 8, 16, 32, 60, 60][..]));
        assert_ne!(code.words(), first, "after so many there is another");
    }
}
