//! Finding and opening sealed stretches.

use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::Arc;

use rusqlite::{OptionalExtension, Row};

use super::StoreReader;
use crate::store::blocks;
use crate::store::sealed::{Body, Stamps, Tick};

/// Where a stretch lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stretch {
    pub(super) first_tick: i64,
    pub(super) last_tick: i64,
    pub(super) first_at: i64,
    pub(super) last_at: i64,
}

/// A stretch with everything in it.
#[derive(Debug)]
pub(super) struct Opened {
    pub(super) stretch: Stretch,
    pub(super) stamps: Rc<Stamps>,
    /// The parts in order of their series' numbers; each with its name and the places of its entries.
    pub(super) parts: Vec<Part>,
}

/// One series of an open stretch.
#[derive(Debug)]
pub(super) struct Part {
    pub(super) name: Arc<str>,
    pub(super) places: Vec<u32>,
    pub(super) body: Body,
}

impl Part {
    /// The entries that belong to stamp number `place`, by their number in the body.
    pub(super) fn at(&self, place: u32) -> std::ops::Range<usize> {
        self.places.partition_point(|p| *p < place)..self.places.partition_point(|p| *p <= place)
    }
}

const STRETCH: &str = "SELECT first_tick, last_tick, first_at, last_at FROM stretch";

impl StoreReader {
    /// Stretches that have something in the span, the earliest first.
    pub(super) fn stretches(&self, from: i64, to: i64) -> rusqlite::Result<Vec<Stretch>> {
        let sql = format!("{STRETCH} WHERE first_at < ?2 AND last_at >= ?1 ORDER BY first_at, first_tick");
        self.conn.prepare_cached(&sql)?.query_map([from, to], stretch)?.collect()
    }

    /// Stretches that have a stamp numbered `first` to `last`, in the order of their stamps.
    pub(super) fn stretches_of_ticks(&self, first: i64, last: i64) -> rusqlite::Result<Vec<Stretch>> {
        let sql = format!("{STRETCH} WHERE first_tick <= ?2 AND last_tick >= ?1 ORDER BY first_tick");
        self.conn.prepare_cached(&sql)?.query_map([first, last], stretch)?.collect()
    }

    /// The first stretch with a stamp after `tick`.
    pub(super) fn stretch_after(&self, tick: i64) -> rusqlite::Result<Option<Stretch>> {
        let before = format!("{STRETCH} WHERE first_tick <= ?1 ORDER BY first_tick DESC LIMIT 1");
        let held = self.conn.prepare_cached(&before)?.query_row([tick], stretch).optional()?;
        if let Some(held) = held.filter(|s| s.last_tick > tick) {
            return Ok(Some(held));
        }
        let next = format!("{STRETCH} WHERE first_tick > ?1 ORDER BY first_tick LIMIT 1");
        self.conn.prepare_cached(&next)?.query_row([tick], stretch).optional()
    }

    /// Hands each entry of one series in the span to `each`: its stamp, the body, its place in that.
    pub(super) fn each_in_stretch(
        &self,
        stretch: &Stretch,
        series: i64,
        (from, to): (i64, i64),
        mut each: impl FnMut(&Tick, &Body, usize),
    ) -> rusqlite::Result<()> {
        let Some(stamps) = self.stamps_of(stretch)? else { return Ok(()) };
        let Some((_, places)) = stamps.members.iter().find(|(number, _)| *number == series) else {
            return Ok(());
        };
        let Some(body) = blocks::body(&self.conn, stretch.first_tick, series, &stamps.ticks, places)? else {
            return Ok(());
        };
        for (i, place) in places.iter().enumerate() {
            if let Some(tick) = stamps.ticks.get(*place as usize).filter(|t| t.at >= from && t.at < to) {
                each(tick, &body, i);
            }
        }
        Ok(())
    }

    /// The stamps of a stretch, unpacked once as long as the same one is read.
    pub(super) fn stamps_of(&self, stretch: &Stretch) -> rusqlite::Result<Option<Rc<Stamps>>> {
        if let Some((_, stamps)) = self.stamps.borrow().as_ref().filter(|(of, _)| of == stretch) {
            return Ok(Some(Rc::clone(stamps)));
        }
        let Some(stamps) = blocks::stamps(&self.conn, stretch.first_tick)? else { return Ok(None) };
        let stamps = Rc::new(stamps);
        self.stamps.replace(Some((*stretch, Rc::clone(&stamps))));
        Ok(Some(stamps))
    }

    /// Opens a whole stretch, or gives it again where it was the last one opened.
    pub(super) fn open_stretch(&self, stretch: &Stretch) -> rusqlite::Result<Option<Rc<Opened>>> {
        if let Some(opened) = self.opened.borrow().as_ref().filter(|o| o.stretch == *stretch) {
            return Ok(Some(Rc::clone(opened)));
        }
        let Some(stamps) = self.stamps_of(stretch)? else { return Ok(None) };
        let names = self.series_names()?;
        let mut parts = Vec::with_capacity(stamps.members.len());
        for (series, places) in &stamps.members {
            let body = blocks::body(&self.conn, stretch.first_tick, *series, &stamps.ticks, places)?;
            let (Some(body), Some(name)) = (body, names.get(series)) else { continue };
            parts.push(Part { name: Arc::clone(name), places: places.clone(), body });
        }
        let opened = Rc::new(Opened { stretch: *stretch, stamps, parts });
        self.opened.replace(Some(Rc::clone(&opened)));
        Ok(Some(opened))
    }

    /// All series by number, those of the balance and the like too.
    pub(super) fn series_names(&self) -> rusqlite::Result<BTreeMap<i64, Arc<str>>> {
        let mut query = self.conn.prepare_cached("SELECT id, name FROM series")?;
        let rows = query.query_map([], |r| Ok((r.get(0)?, Arc::from(r.get::<_, String>(1)?))))?;
        rows.collect()
    }
}

fn stretch(row: &Row<'_>) -> rusqlite::Result<Stretch> {
    Ok(Stretch {
        first_tick: row.get(0)?,
        last_tick: row.get(1)?,
        first_at: row.get(2)?,
        last_at: row.get(3)?,
    })
}

/// `None` for what is not a number.
pub(super) fn known(value: f64) -> Option<f64> {
    (!value.is_nan()).then_some(value)
}

/// One number of a body.
pub(super) fn number(body: &Body, column: usize, place: usize) -> Option<f64> {
    body.columns.get(column).and_then(|c| c.get(place)).copied().and_then(known)
}
