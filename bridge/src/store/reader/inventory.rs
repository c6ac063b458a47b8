//! What is in the journal, and whether all of it can be read.

use std::collections::BTreeMap;

use serde::Serialize;

use super::inputs::is_received;
use super::{Extent, StoreReader};
use crate::store::blocks::{self, SERIES};
use crate::store::error::StoreError;

/// What is in the journal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Inventory {
    /// Version of the schema.
    pub version: i64,
    /// Bytes of the file.
    pub file_bytes: u64,
    /// Bytes of the write-ahead log beside it, which come to the file by and by.
    pub log_bytes: u64,
    /// Bytes of the file that hold nothing at present.
    pub free_bytes: u64,
    /// The first and the last wall time; `None` in an empty journal.
    pub extent: Option<Extent>,
    /// How often the daemon was started.
    pub runs: u64,
    /// Readings, of all series.
    pub samples: u64,
    /// Bytes of the whole file, whatever is in it, for each reading; `None` where there is none.
    pub bytes_per_sample: Option<f64>,
    /// Sealed stretches.
    pub stretches: u64,
    /// Bytes of their stamps, which all series share.
    pub stamp_bytes: u64,
    /// The series of readings, by name.
    pub series: Vec<SeriesSize>,
    /// The series that the program itself makes: balance, set-points, waking up.
    pub made: Vec<SeriesSize>,
    /// Half hours of energy.
    pub half_hours: u64,
    /// Decisions.
    pub decisions: u64,
}

/// One series.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeriesSize {
    /// Its name.
    pub name: String,
    /// Entries that are rows.
    pub rows: u64,
    /// Entries in sealed blocks.
    pub sealed: u64,
    /// Bytes of the blocks.
    pub block_bytes: u64,
}

/// What a check found.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Checked {
    /// Blocks that were unpacked.
    pub blocks: u64,
    /// Entries in them.
    pub entries: u64,
    /// What is wrong, a line for each.
    pub faults: Vec<String>,
}

/// More faults than this are not listed one by one.
const FAULTS_LISTED: usize = 20;

impl StoreReader {
    /// What is in the journal.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn inventory(&self) -> Result<Inventory, StoreError> {
        let extent = self.extent()?;
        let (file_bytes, log_bytes) = (size(&self.path, ""), size(&self.path, "-wal"));
        self.reading(|conn| {
            let number = |sql: &str| conn.query_row(sql, [], |r| whole(r, 0));
            let (series, made): (Vec<_>, Vec<_>) =
                self.series_sizes()?.into_iter().partition(|s| is_received(&s.name));
            let samples = series.iter().map(|s| s.rows + s.sealed).sum::<u64>();
            Ok(Inventory {
                version: number("PRAGMA user_version")?.try_into().unwrap_or(0),
                file_bytes,
                log_bytes,
                free_bytes: number("PRAGMA freelist_count")? * number("PRAGMA page_size")?,
                extent,
                runs: number("SELECT count(*) FROM run")?,
                samples,
                bytes_per_sample: (samples > 0).then(|| (file_bytes + log_bytes) as f64 / samples as f64),
                stretches: number("SELECT count(*) FROM stretch")?,
                stamp_bytes: number("SELECT coalesce(sum(length(stamps)), 0) FROM stretch")?,
                series,
                made,
                half_hours: number("SELECT count(*) FROM half_hour")?,
                decisions: number("SELECT count(*) FROM decision")?,
            })
        })
    }

    fn series_sizes(&self) -> rusqlite::Result<Vec<SeriesSize>> {
        let mut rows: BTreeMap<i64, u64> = BTreeMap::new();
        let mut query = self.conn.prepare_cached("SELECT series, count(*) FROM sample GROUP BY series")?;
        let mut found = query.query([])?;
        while let Some(row) = found.next()? {
            rows.insert(row.get(0)?, whole(row, 1)?);
        }
        let mut sealed: BTreeMap<i64, (u64, u64)> = BTreeMap::new();
        let mut query = self.conn.prepare_cached(
            "SELECT id % ?1, sum(count), sum(length(data) + coalesce(length(hours), 0)) FROM block GROUP BY 1",
        )?;
        let mut found = query.query([SERIES])?;
        while let Some(row) = found.next()? {
            sealed.insert(row.get(0)?, (whole(row, 1)?, whole(row, 2)?));
        }
        let each = self.series_names()?.into_iter().map(|(number, name)| {
            let (entries, block_bytes) = sealed.get(&number).copied().unwrap_or_default();
            let rows = rows.get(&number).copied().unwrap_or_default();
            SeriesSize { name: name.to_string(), rows, sealed: entries, block_bytes }
        });
        let mut all: Vec<SeriesSize> = each.collect();
        all.sort_by(|a, b| a.name.cmp(&b.name));
        Ok(all)
    }

    /// Has SQLite check the file, and unpacks every block. `tell` gets how many stretches are done and how many there
    /// are.
    ///
    /// # Errors
    /// When the file can't be read at all; what is wrong in it is in the result.
    pub fn check(&self, mut tell: impl FnMut(u64, u64)) -> Result<Checked, StoreError> {
        let mut found = Checked::default();
        let said = self.rows("PRAGMA integrity_check(20)", [], |r| r.get::<_, String>(0))?;
        found
            .faults
            .extend(said.into_iter().filter(|line| line != "ok").map(|line| format!("SQLite: {line}")));
        let stretches: Vec<i64> =
            self.rows("SELECT first_tick FROM stretch ORDER BY first_tick", [], |r| r.get(0))?;
        for (done, stretch) in (1..).zip(&stretches) {
            self.check_stretch(*stretch, &mut found);
            tell(done, stretches.len() as u64);
        }
        if found.faults.len() > FAULTS_LISTED {
            let more = found.faults.len() - FAULTS_LISTED;
            found.faults.truncate(FAULTS_LISTED);
            found.faults.push(format!("and {more} more"));
        }
        Ok(found)
    }

    fn check_stretch(&self, stretch: i64, found: &mut Checked) {
        let stamps = match blocks::stamps(&self.conn, stretch) {
            Ok(Some(stamps)) => stamps,
            Ok(None) => return,
            Err(why) => return found.faults.push(format!("stretch {stretch}: {why}")),
        };
        for (series, places) in &stamps.members {
            match blocks::body(&self.conn, stretch, *series, &stamps.ticks, places) {
                Ok(None) => {}
                Ok(Some(body)) => {
                    found.blocks += 1;
                    found.entries += body.len() as u64;
                }
                Err(why) => found.faults.push(format!("stretch {stretch}, series {series}: {why}")),
            }
        }
    }
}

/// A count or a size.
fn whole(row: &rusqlite::Row<'_>, column: usize) -> rusqlite::Result<u64> {
    row.get::<_, i64>(column).map(i64::unsigned_abs)
}

fn size(path: &std::path::Path, ending: &str) -> u64 {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    std::fs::metadata(std::path::PathBuf::from(name)).map_or(0, |file| file.len())
}
