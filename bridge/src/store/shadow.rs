//! What shadows came to: kept across a restart, and read by whoever asks.

use std::collections::BTreeMap;

use overspill_rules::time::WallTime;
use rusqlite::{Connection, Row, params};

use super::StoreError;
use super::reader::StoreReader;

/// The account of one shadow.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptShadow {
    /// When it began.
    pub since: WallTime,
    /// Up to when it reaches.
    pub at: WallTime,
    /// A mark of the texts of rules that it compares.
    pub mark: String,
    /// Its books, as JSON.
    pub books: String,
    /// What its rules remember, as JSON.
    pub memory: String,
}

const READ: &str = "SELECT name, since, at, mark, books, memory FROM shadow";

fn read(row: &Row<'_>) -> rusqlite::Result<(String, KeptShadow)> {
    let kept = KeptShadow {
        since: WallTime(row.get(1)?),
        at: WallTime(row.get(2)?),
        mark: row.get(3)?,
        books: row.get(4)?,
        memory: row.get(5)?,
    };
    Ok((row.get(0)?, kept))
}

pub(super) fn restore(conn: &Connection) -> rusqlite::Result<BTreeMap<String, KeptShadow>> {
    conn.prepare(READ)?.query_map([], read)?.collect()
}

pub(super) fn write(conn: &Connection, shadows: &BTreeMap<String, KeptShadow>) -> rusqlite::Result<()> {
    for (name, kept) in shadows {
        let row = params![name, kept.since.0, kept.at.0, kept.mark, kept.books, kept.memory];
        conn.prepare_cached("INSERT OR REPLACE INTO shadow VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?.execute(row)?;
    }
    Ok(())
}

impl StoreReader {
    /// The account of every shadow that there ever was, by name.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn shadows(&self) -> Result<BTreeMap<String, KeptShadow>, StoreError> {
        self.reading(restore)
    }
}
