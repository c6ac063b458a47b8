//! What people and suppliers had said before a time, and what still holds then.

use overspill_rules::home::Home;
use overspill_rules::input::{End, Input};
use overspill_rules::limits::PRICES_BACK;
use overspill_rules::tariff::{Price, Side};
use overspill_rules::time::{Span, WallTime};
use rusqlite::params;

use super::inputs::parse_event;
use super::{Run, StoreReader};
use crate::store::error::StoreError;
use crate::store::names::Names;

/// A list of prices that came longer ago than this has nothing to say any more: the day ahead is published, rarely a week.
const PRICES_CAME_WITHIN: Span = Span::hours(24 * 8 + PRICES_BACK.0 / 3_600_000);

impl StoreReader {
    /// The settings, prices, plugs, services and the island flag that came before `at`, in order: those of `run` that hold
    /// until something else is said, and the prices of the last days. A time that was said as a length is given as an end.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn standing(&self, home: &Home, run: &Run, at: WallTime) -> Result<Vec<Input>, StoreError> {
        let sql = "SELECT event.kind, event.json, tick.at FROM event JOIN tick ON tick.id = event.tick
                   WHERE tick.at < ?1
                     AND (event.kind = 'prices' AND tick.at >= ?2
                          OR event.kind IN ('setting', 'island', 'out_of_service') AND tick.id >= ?3
                          OR event.kind = 'load_state' AND tick.id >= ?3
                             AND json_extract(event.json, '$.plugged') IS NOT NULL)
                   ORDER BY tick.id, event.n";
        let names = Names::of(home);
        let values = params![at.0, (at + Span(-PRICES_CAME_WITHIN.0)).0, run.first_tick];
        let rows = self.rows(sql, values, |r| {
            let (kind, json, came): (String, Option<String>, i64) = (r.get(0)?, r.get(1)?, r.get(2)?);
            Ok(parse_event(&kind, json.as_deref(), &names).ok().map(|input| placed(input, WallTime(came))))
        })?;
        Ok(rows.into_iter().flatten().collect())
    }

    /// Whether prices of one side came in the span.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn has_prices(&self, side: Side, from: WallTime, to: WallTime) -> Result<bool, StoreError> {
        let sql = "SELECT event.json FROM event JOIN tick ON tick.id = event.tick
                   WHERE event.kind = 'prices' AND tick.at >= ?1 AND tick.at < ?2
                     AND json_extract(event.json, '$.side') = ?3 LIMIT 1";
        Ok(!self.rows(sql, params![from.0, to.0, side.word()], |_| Ok(()))?.is_empty())
    }

    /// The lists of prices that came before `to`, and may still speak of `from`, in the order in which they came.
    ///
    /// # Errors
    /// When the file can't be read.
    pub fn prices(&self, from: WallTime, to: WallTime) -> Result<Vec<(Side, Vec<Price>)>, StoreError> {
        let sql = "SELECT event.json FROM event JOIN tick ON tick.id = event.tick
                   WHERE event.kind = 'prices' AND tick.at >= ?1 AND tick.at < ?2 ORDER BY tick.id, event.n";
        #[derive(serde::Deserialize)]
        struct List {
            side: Side,
            prices: Vec<Price>,
        }
        let rows = self.rows(sql, [(from + Span(-PRICES_CAME_WITHIN.0)).0, to.0], |r| {
            let json: Option<String> = r.get(0)?;
            Ok(json.and_then(|json| serde_json::from_str::<List>(&json).ok()))
        })?;
        Ok(rows.into_iter().flatten().map(|list| (list.side, list.prices)).collect())
    }
}

fn placed(input: Input, came: WallTime) -> Input {
    match input {
        Input::Setting(mut request) => {
            if let Some(End::For(span)) = request.end {
                request.end = Some(End::Until(came + span));
            }
            Input::Setting(request)
        }
        other => other,
    }
}
