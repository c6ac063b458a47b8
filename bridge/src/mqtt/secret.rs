//! A text that must not be shown.

use std::fmt;

/// A password. Printing it in any way shows a placeholder.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Keeps a text secret.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// The text itself, for the one place that needs it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}

impl fmt::Display for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(secret)")
    }
}

#[cfg(test)]
mod tests {
    use super::Secret;

    #[test]
    fn a_secret_is_never_printed() {
        let secret = Secret::new("hunter2");
        assert_eq!(format!("{secret} {secret:?} {:?}", Some(&secret)), "(secret) (secret) Some((secret))");
        assert_eq!(secret.reveal(), "hunter2");
    }
}
