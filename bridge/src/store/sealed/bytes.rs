//! Bytes of a sealed block: whole numbers of variable length, and pieces with their length before them.

use super::Unreadable;

/// Puts pieces one after the other.
#[derive(Debug, Default)]
pub(super) struct Put(pub(super) Vec<u8>);

impl Put {
    pub(super) fn byte(&mut self, byte: u8) {
        self.0.push(byte);
    }

    /// Seven bits a byte, the lowest first; the high bit says that more follow.
    pub(super) fn number(&mut self, mut n: u64) {
        while n >= 0x80 {
            self.0.push((n as u8) | 0x80);
            n >>= 7;
        }
        self.0.push(n as u8);
    }

    /// Small numbers of either sign stay short.
    pub(super) fn signed(&mut self, n: i64) {
        self.number(((n << 1) ^ (n >> 63)) as u64);
    }

    pub(super) fn piece(&mut self, bytes: &[u8]) {
        self.number(bytes.len() as u64);
        self.0.extend_from_slice(bytes);
    }
}

/// Takes them off again.
#[derive(Debug, Clone, Copy)]
pub(super) struct Take<'a>(pub(super) &'a [u8]);

impl<'a> Take<'a> {
    pub(super) fn byte(&mut self) -> Result<u8, Unreadable> {
        let (first, rest) = self.0.split_first().ok_or(Unreadable("it ends too soon"))?;
        self.0 = rest;
        Ok(*first)
    }

    pub(super) fn number(&mut self) -> Result<u64, Unreadable> {
        let mut n = 0;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            n |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return Ok(n);
            }
        }
        Err(Unreadable("a number is too long"))
    }

    pub(super) fn signed(&mut self) -> Result<i64, Unreadable> {
        let n = self.number()?;
        Ok((n >> 1) as i64 ^ -((n & 1) as i64))
    }

    /// A count of things, at most `most`, so that damage can't ask for all memory there is.
    pub(super) fn count(&mut self, most: usize) -> Result<usize, Unreadable> {
        let n = self.number()?;
        usize::try_from(n).ok().filter(|n| *n <= most).ok_or(Unreadable("a count is too large"))
    }

    pub(super) fn piece(&mut self) -> Result<&'a [u8], Unreadable> {
        let length = self.count(self.0.len())?;
        let (piece, rest) = self.0.split_at_checked(length).ok_or(Unreadable("it ends too soon"))?;
        self.0 = rest;
        Ok(piece)
    }
}
