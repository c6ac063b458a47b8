//! Whole numbers in few bytes: nothing but the number where all are the same, else `pco` on the narrowest type.

use pco::ChunkConfig;
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress};

use super::bytes::{Put, Take};
use super::{MOST_ENTRIES, Unreadable};

/// Higher levels search longer for little gain; see DEVELOPERS.md for figures.
const LEVEL: usize = 8;

const SAME: u8 = 0;
const NARROW: u8 = 1;
const MIDDLE: u8 = 2;
const WIDE: u8 = 3;
const PLAIN: u8 = 4;

/// So few are written plainly, since `pco` has about 30 bytes of its own.
const FEW: usize = 24;

/// Writes `values`; their count must be known to the reader.
pub(super) fn put(out: &mut Put, values: &[i64]) {
    let first = values.first().copied().unwrap_or(0);
    if values.iter().all(|v| *v == first) {
        out.byte(SAME);
        out.signed(first);
        return;
    }
    let packed = packed(values);
    let plain = (values.len() <= FEW).then(|| plain(values));
    match plain {
        Some(plain) if packed.as_ref().is_none_or(|(_, p)| plain.len() <= p.len()) => {
            out.byte(PLAIN);
            out.piece(&plain);
        }
        _ => {
            let (kind, bytes) = packed.unwrap_or_else(|| (PLAIN, self::plain(values)));
            out.byte(kind);
            out.piece(&bytes);
        }
    }
}

/// Reads back `count` numbers.
pub(super) fn take(from: &mut Take<'_>, count: usize) -> Result<Vec<i64>, Unreadable> {
    if count > MOST_ENTRIES {
        return Err(Unreadable("a count is too large"));
    }
    let values = match from.byte()? {
        SAME => vec![from.signed()?; count],
        NARROW => unpacked::<i16>(from.piece()?)?,
        MIDDLE => unpacked::<i32>(from.piece()?)?,
        WIDE => unpacked::<i64>(from.piece()?)?,
        PLAIN => {
            let mut piece = Take(from.piece()?);
            (0..count).map(|_| piece.signed()).collect::<Result<Vec<i64>, Unreadable>>()?
        }
        _ => return Err(Unreadable("it holds numbers of an unknown kind")),
    };
    match values.len() == count {
        true => Ok(values),
        false => Err(Unreadable("it holds another count of numbers than it says")),
    }
}

/// Goes past what [`put`] wrote.
pub(super) fn skip(from: &mut Take<'_>) -> Result<(), Unreadable> {
    match from.byte()? {
        SAME => from.signed().map(|_| ()),
        _ => from.piece().map(|_| ()),
    }
}

fn plain(values: &[i64]) -> Vec<u8> {
    let mut out = Put::default();
    values.iter().for_each(|v| out.signed(*v));
    out.0
}

fn packed(values: &[i64]) -> Option<(u8, Vec<u8>)> {
    let narrow: Result<Vec<i16>, _> = values.iter().map(|v| i16::try_from(*v)).collect();
    if let Ok(narrow) = narrow {
        return compress(&narrow).map(|bytes| (NARROW, bytes));
    }
    let middle: Result<Vec<i32>, _> = values.iter().map(|v| i32::try_from(*v)).collect();
    if let Ok(middle) = middle {
        return compress(&middle).map(|bytes| (MIDDLE, bytes));
    }
    compress(values).map(|bytes| (WIDE, bytes))
}

pub(super) fn compress<T: Number>(values: &[T]) -> Option<Vec<u8>> {
    simple_compress(values, &ChunkConfig::default().with_compression_level(LEVEL)).ok()
}

pub(super) fn decompress<T: Number>(bytes: &[u8]) -> Result<Vec<T>, Unreadable> {
    simple_decompress(bytes).map_err(|_| Unreadable("its numbers can't be unpacked"))
}

fn unpacked<T: Number + Into<i64>>(bytes: &[u8]) -> Result<Vec<i64>, Unreadable> {
    Ok(decompress::<T>(bytes)?.into_iter().map(Into::into).collect())
}
