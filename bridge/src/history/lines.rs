//! A CSV file line by line, in bounded memory.
//!
//! A field of such a file never holds a line break, so lines are read first and split then: a stray quote spoils one line
//! and not the rest of the file.

use std::io::{self, BufRead, Read};

/// Bytes of the longest line; a row of a thousand columns fits.
const LONGEST_LINE: u64 = 64 * 1024;

/// The lines of a file, with their numbers from 1.
#[derive(Debug)]
pub(crate) struct Lines<R> {
    source: R,
    number: u64,
    bytes: u64,
    buffer: Vec<u8>,
}

/// One line without its end.
#[derive(Debug, PartialEq)]
pub(crate) enum Text<'a> {
    /// As it stands.
    Line(&'a str),
    /// It can't be read, and why.
    Bad(&'static str),
}

impl<R: BufRead> Lines<R> {
    pub(crate) fn new(source: R) -> Lines<R> {
        Lines { source, number: 0, bytes: 0, buffer: Vec::new() }
    }

    /// Number of the newest line.
    pub(crate) fn number(&self) -> u64 {
        self.number
    }

    /// Bytes read so far.
    pub(crate) fn bytes(&self) -> u64 {
        self.bytes
    }

    /// The next line that is not blank.
    pub(crate) fn next_line(&mut self) -> io::Result<Option<Text<'_>>> {
        loop {
            self.buffer.clear();
            let read = (&mut self.source).take(LONGEST_LINE).read_until(b'\n', &mut self.buffer)?;
            if read == 0 {
                return Ok(None);
            }
            self.number += 1;
            self.bytes += read as u64;
            if read as u64 == LONGEST_LINE && self.buffer.last() != Some(&b'\n') {
                self.skip_rest()?;
                return Ok(Some(Text::Bad("the line is longer than 64 KiB")));
            }
            if self.number == 1 && self.buffer.starts_with("\u{feff}".as_bytes()) {
                self.buffer.drain(..3);
            }
            if !self.buffer.trim_ascii().is_empty() {
                break;
            }
        }
        let line = std::str::from_utf8(self.buffer.trim_ascii_end());
        Ok(Some(line.map_or(Text::Bad("the line is not UTF-8 text"), Text::Line)))
    }

    /// The rest of a line that is too long.
    fn skip_rest(&mut self) -> io::Result<()> {
        loop {
            self.buffer.clear();
            let read = (&mut self.source).take(LONGEST_LINE).read_until(b'\n', &mut self.buffer)?;
            self.bytes += read as u64;
            if read == 0 || self.buffer.last() == Some(&b'\n') {
                return Ok(());
            }
        }
    }
}

/// What separates the fields: the one of comma, semicolon and tab that the header has most of.
pub(crate) fn separator(header: &str) -> char {
    let count = |c: char| header.matches(c).count();
    [';', '\t'].into_iter().find(|c| count(*c) > count(',')).unwrap_or(',')
}

/// The fields of a line, without the white space and the quotes around them.
pub(crate) fn fields(line: &str, separator: char) -> Vec<String> {
    let mut fields = vec![String::new()];
    let mut quoted = false;
    let mut signs = line.chars().peekable();
    while let Some(sign) = signs.next() {
        let Some(field) = fields.last_mut() else { break };
        match sign {
            '"' if quoted && signs.peek() == Some(&'"') => {
                signs.next();
                field.push('"');
            }
            '"' if quoted || field.trim().is_empty() => quoted = !quoted,
            c if c == separator && !quoted => fields.push(String::new()),
            c => field.push(c),
        }
    }
    for field in &mut fields {
        if field.trim().len() != field.len() {
            *field = field.trim().to_owned();
        }
    }
    fields
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn fields_are_split_with_and_without_quotes() {
        assert_eq!(fields("a,b , c", ','), ["a", "b", "c"]);
        assert_eq!(fields(r#""2026-01-01","1,5","say ""so""""#, ','), ["2026-01-01", "1,5", "say \"so\""]);
        assert_eq!(fields("a;;c;", ';'), ["a", "", "c", ""]);
        assert_eq!(fields(r#"a,"never closed,b"#, ','), ["a", "never closed,b"]);
    }

    #[test]
    fn the_separator_is_the_commonest_sign_of_the_header() {
        assert_eq!(separator("time,grid_w"), ',');
        assert_eq!(separator("time;grid_w"), ';');
        assert_eq!(separator("time\tgrid_w\tsolar_w"), '\t');
        assert_eq!(separator("time"), ',');
    }

    #[test]
    fn lines_are_counted_and_too_long_ones_do_not_fill_the_memory() {
        let long = "x".repeat(300_000);
        let text = format!("\u{feff}time,grid_w\r\n\r\n{long}\nlast");
        let mut lines = Lines::new(text.as_bytes());
        assert_eq!(lines.next_line().unwrap(), Some(Text::Line("time,grid_w")));
        assert!(matches!(lines.next_line().unwrap(), Some(Text::Bad(_))));
        assert_eq!(lines.number(), 3);
        assert_eq!(lines.next_line().unwrap(), Some(Text::Line("last")));
        assert_eq!((lines.number(), lines.bytes()), (4, text.len() as u64));
        assert_eq!(lines.next_line().unwrap(), None);
        let mut broken = Lines::new(&b"\xff\xfe\n"[..]);
        assert!(matches!(broken.next_line().unwrap(), Some(Text::Bad(_))));
    }
}
