//! The terminal: lines that are drawn over themselves in place, in the normal flow of the terminal, so that what was
//! printed before stays above and what comes after goes below.

use std::io::{self, Stdout, Write};

use crossterm::cursor::{Hide, MoveUp, Show};
use crossterm::terminal::{Clear, ClearType, size};
use crossterm::{execute, queue};

/// Where the terminal does not tell its size.
const USUAL: (u16, u16) = (80, 24);

/// Columns and rows; some terminals say that they have none of either when they do not know.
fn told_size() -> (u16, u16) {
    size().ok().filter(|(columns, rows)| *columns > 0 && *rows > 0).unwrap_or(USUAL)
}

/// The part of the terminal that is drawn again and again. The cursor is hidden while this lives.
pub struct Screen {
    out: Stdout,
    /// Lengths of the lines as they stand there.
    drawn: Vec<usize>,
}

impl Screen {
    /// Begins below what has been printed.
    ///
    /// # Errors
    /// When the terminal can't be written to.
    pub fn new() -> io::Result<Screen> {
        let mut out = io::stdout();
        execute!(out, Hide)?;
        Ok(Screen { out, drawn: Vec::new() })
    }

    /// Columns of the terminal.
    pub fn columns(&self) -> usize {
        usize::from(told_size().0)
    }

    /// Draws these lines over the last ones. Those for which there is no room are left out.
    ///
    /// # Errors
    /// When the terminal can't be written to.
    pub fn draw(&mut self, lines: &[String]) -> io::Result<()> {
        let (columns, rows) = told_size();
        let most = usize::from(rows).saturating_sub(1).max(1);
        self.back(usize::from(columns).max(1), most)?;
        self.drawn.clear();
        for line in lines.iter().take(most) {
            queue!(self.out, Clear(ClearType::UntilNewLine))?;
            writeln!(self.out, "{line}")?;
            self.drawn.push(line.chars().count());
        }
        queue!(self.out, Clear(ClearType::FromCursorDown))?;
        self.out.flush()
    }

    /// Up to the first line; a terminal that was made narrower has broken them into more rows.
    fn back(&mut self, columns: usize, most: usize) -> io::Result<()> {
        let rows: usize = self.drawn.iter().map(|length| length.div_ceil(columns).max(1)).sum();
        match u16::try_from(rows.min(most)) {
            Ok(up) if up > 0 => queue!(self.out, MoveUp(up)),
            _ => Ok(()),
        }
    }
}

impl Drop for Screen {
    /// Also when the program panics: a terminal without a cursor is a nuisance.
    fn drop(&mut self) {
        let _ = execute!(self.out, Show);
    }
}
