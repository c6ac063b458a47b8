//! Words that nobody can guess, and comparing without telling how far it went.

use sha2::{Digest, Sha256};
use subtle::ConstantTimeEq;

/// Random bits of a word: 256.
const BYTES: usize = 32;

/// A word of 256 random bits from the system, in hexadecimal.
///
/// # Errors
/// When the system gives no random numbers.
pub(crate) fn word() -> Result<String, String> {
    let mut bytes = [0_u8; BYTES];
    getrandom::fill(&mut bytes).map_err(|why| format!("the system gives no random numbers: {why}"))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// What stands for a secret where it is kept, so that it is not kept itself.
pub(crate) fn digest(secret: &str) -> [u8; 32] {
    Sha256::digest(secret.as_bytes()).into()
}

/// Whether two digests are the same, in a time that does not depend on them.
pub(crate) fn same(one: &[u8; 32], other: &[u8; 32]) -> bool {
    one.ct_eq(other).into()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn words_are_long_and_never_the_same() {
        let (one, other) = (word().unwrap(), word().unwrap());
        assert_eq!(one.len(), 64);
        assert_ne!(one, other);
        assert!(same(&digest(&one), &digest(&one)) && !same(&digest(&one), &digest(&other)));
    }
}
