//! What is wrong with a rule, and where.

use std::fmt;

/// A mistake in a rule or in a file that it imports.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The rule that can't be used because of it, by file name without ending; a library's own name where no rule
    /// is the reason for looking at it.
    pub rule: String,
    /// The file in which it is.
    pub file: SourceFile,
    /// What is wrong, in words, without the place.
    pub message: String,
    /// Line, from 1.
    pub line: Option<usize>,
    /// Column, from 1.
    pub column: Option<usize>,
    /// The text of the line.
    pub text: Option<String>,
    /// How to mend it, where that can be said.
    pub help: Option<String>,
}

/// A file of the household's rules.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum SourceFile {
    /// A rule, by its name without ending.
    Rule(String),
    /// A file of the library, by its name without ending.
    Library(String),
}

impl fmt::Display for SourceFile {
    /// The file's place below the rules folder: `car.rhai`, `lib/solar.rhai`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SourceFile::Rule(name) => write!(f, "{name}.rhai"),
            SourceFile::Library(name) => write!(f, "lib/{name}.rhai"),
        }
    }
}

impl fmt::Display for Fault {
    /// Several lines: place and message, the line with a mark below the column, the help.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if let Some(column) = self.column {
            write!(f, ", column {column}")?;
        }
        write!(f, ": {}", self.message)?;
        if let Some(text) = &self.text {
            write!(f, "\n    {}", text.trim_end())?;
            if let Some(column) = self.column {
                let before = text.chars().take(column.saturating_sub(1));
                let indent: String = before.map(|c| if c == '\t' { '\t' } else { ' ' }).collect();
                write!(f, "\n    {indent}^")?;
            }
        }
        match &self.help {
            Some(help) => write!(f, "\n  help: {help}"),
            None => Ok(()),
        }
    }
}
