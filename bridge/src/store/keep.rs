//! For how long numbers are kept: for ever, unless the home says otherwise of a point or an input.

use std::collections::BTreeMap;

use overspill_rules::time::Span;
use rusqlite::{Connection, params};

use super::blocks;

/// How long to keep the numbers of a point (with all its quantities) or an input, by the name of its series. What is not
/// named is kept for ever. Half hours and days of energy always are.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Keep(BTreeMap<String, Span>);

impl Keep {
    /// Each name, `point.<id>` or `input.<id>`, with its time.
    pub fn of(each: impl IntoIterator<Item = (String, Span)>) -> Keep {
        Keep(each.into_iter().collect())
    }

    /// How long a series is kept; `None` for ever.
    pub fn of_series(&self, name: &str) -> Option<Span> {
        let own = self.0.get(name);
        let point = || name.rsplit_once('.').and_then(|(point, _)| self.0.get(point));
        own.or_else(point).copied()
    }

    /// Drops blocks of which the newest entry is past its time, as seen from `now`, a wall time in milliseconds. A
    /// stretch is dropped as a whole, at most a day later than it might; its stamps stay, which take next to no room.
    pub(super) fn drop_old(&self, conn: &Connection, now: i64) -> rusqlite::Result<()> {
        if self.0.is_empty() {
            return Ok(());
        }
        let mut query = conn.prepare_cached("SELECT id, name FROM series")?;
        let all = query.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?;
        let all: Vec<(i64, String)> = all.collect::<rusqlite::Result<_>>()?;
        for (series, name) in all {
            let Some(span) = self.of_series(&name) else { continue };
            let before = now.saturating_sub(span.0);
            conn.prepare_cached(
                "DELETE FROM block WHERE id IN (SELECT first_tick * ?1 + ?2 FROM stretch WHERE last_at < ?3)",
            )?
            .execute(params![blocks::SERIES, series, before])?;
        }
        Ok(())
    }
}
