//! Passwords and tokens: where they come from, and a type that never shows them.

use std::fmt;
use std::path::PathBuf;

use thiserror::Error;

/// Text that is never printed, logged or written down.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

/// Where a password or a token comes from. It is fetched at each connection, so that it can be changed without a restart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SecretSource {
    /// A file that holds the password and nothing else; a line end after it is left out.
    File(PathBuf),
    /// An environment variable.
    Env(String),
}

/// Why a password could not be had.
#[derive(Debug, Error)]
pub enum SecretError {
    /// The file could not be read.
    #[error("the file {} can't be read: {}", .file.display(), io_words(.why))]
    File {
        /// The file.
        file: PathBuf,
        /// What the system says.
        why: std::io::Error,
    },
    /// The file has nothing in it.
    #[error("the file {} is empty", .file.display())]
    Empty {
        /// The file.
        file: PathBuf,
    },
    /// The environment variable is not set, or is empty.
    #[error("the environment variable {name} is not set")]
    Env {
        /// Its name.
        name: String,
    },
}

impl Secret {
    /// Wraps `text`.
    pub fn new(text: String) -> Secret {
        Secret(text)
    }

    /// The text itself, for the one place that must have it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(..)")
    }
}

impl SecretSource {
    /// Fetches the password.
    ///
    /// # Errors
    /// When the file can't be read or is empty, or the variable is not set; the sentence names which.
    pub fn fetch(&self) -> Result<Secret, SecretError> {
        match self {
            SecretSource::File(file) => {
                let text = std::fs::read_to_string(file)
                    .map_err(|why| SecretError::File { file: file.clone(), why })?;
                let line = text.trim_end_matches(['\r', '\n']);
                match line.is_empty() {
                    true => Err(SecretError::Empty { file: file.clone() }),
                    false => Ok(Secret(line.to_owned())),
                }
            }
            SecretSource::Env(name) => match std::env::var(name) {
                Ok(text) if !text.is_empty() => Ok(Secret(text)),
                _ => Err(SecretError::Env { name: name.clone() }),
            },
        }
    }
}

/// What the system says of a file, the commonest in plain words.
pub(crate) fn io_words(why: &std::io::Error) -> String {
    match why.kind() {
        std::io::ErrorKind::NotFound => "it is not there".to_owned(),
        std::io::ErrorKind::PermissionDenied => "permission denied".to_owned(),
        std::io::ErrorKind::IsADirectory => "it is a folder".to_owned(),
        std::io::ErrorKind::InvalidData => "it is no UTF-8 text".to_owned(),
        _ => why.to_string(),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_secret_never_shows_itself() {
        let secret = Secret::new("hunter2".to_owned());
        assert!(!format!("{secret:?} {:?}", Some(&secret)).contains("hunter2"));
        assert_eq!(secret.reveal(), "hunter2");
    }

    #[test]
    fn a_password_file_is_its_first_line() {
        let file = std::env::temp_dir().join(format!("overspill-secret-{}", std::process::id()));
        std::fs::write(&file, "s3cret\r\n").unwrap();
        assert_eq!(SecretSource::File(file.clone()).fetch().unwrap().reveal(), "s3cret");
        std::fs::write(&file, "\n").unwrap();
        assert!(SecretSource::File(file.clone()).fetch().unwrap_err().to_string().contains("is empty"));
        std::fs::remove_file(&file).unwrap();
        assert!(SecretSource::File(file).fetch().unwrap_err().to_string().contains("can't be read"));
    }

    #[test]
    fn a_missing_variable_is_named() {
        let missing = SecretSource::Env("OVERSPILL_TEST_NOT_SET".to_owned());
        let why = missing.fetch().unwrap_err().to_string();
        assert_eq!(why, "the environment variable OVERSPILL_TEST_NOT_SET is not set");
    }
}
