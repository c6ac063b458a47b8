//! What was found wrong with numbers after they were forwarded, for whoever forwards them again.

use overspill_rules::time::WallTime;
use rusqlite::Connection;

/// What a number truly was, where a correction reaches it.
#[derive(Debug, Clone, PartialEq)]
pub struct Righted {
    /// Power and current are to be multiplied by this.
    pub factor: f64,
    /// What a register counted as drawn was sent out, and the other way round.
    pub turned: bool,
    /// The point whose clamp it truly was.
    pub point: String,
}

/// The corrections that hold, in their order.
#[derive(Debug, Default)]
pub(super) struct Corrections(Vec<Correction>);

#[derive(Debug)]
struct Correction {
    point: String,
    from: WallTime,
    to: WallTime,
    what: What,
}

#[derive(Debug)]
enum What {
    Negate,
    Scale(f64),
    Swap(String),
}

impl Corrections {
    pub(super) fn read(conn: &Connection) -> rusqlite::Result<Corrections> {
        let mut query = conn.prepare_cached(
            "SELECT point, start, until, kind, factor, other FROM correction
             WHERE undone_at IS NULL AND kind IN ('negate', 'scale', 'swap') ORDER BY id",
        )?;
        let each = query.query_map([], |r| {
            let what = match r.get::<_, String>(3)?.as_str() {
                "negate" => What::Negate,
                "scale" => What::Scale(r.get(4)?),
                _ => What::Swap(r.get(5)?),
            };
            let (from, to) = (WallTime(r.get(1)?), WallTime(r.get(2)?));
            Ok(Correction { point: r.get(0)?, from, to, what })
        })?;
        Ok(Corrections(each.collect::<rusqlite::Result<_>>()?))
    }

    /// What a number of `series` at `at` truly was; `None` where nothing was found wrong with it.
    pub(super) fn of(&self, series: &str, at: WallTime) -> Option<Righted> {
        let rest = series.strip_prefix("point.")?;
        let point = rest.split_once('.').map_or(rest, |(point, _)| point);
        let own = Righted { factor: 1.0, turned: false, point: point.to_owned() };
        let reached = self.0.iter().filter(|c| at >= c.from && at < c.to);
        let righted = reached.fold(own.clone(), |going, c| c.apply(going));
        (righted != own).then_some(righted)
    }
}

impl Correction {
    fn apply(&self, going: Righted) -> Righted {
        match &self.what {
            What::Negate if going.point == self.point => {
                Righted { factor: -going.factor, turned: !going.turned, ..going }
            }
            What::Scale(factor) if going.point == self.point => {
                Righted { factor: going.factor * factor, ..going }
            }
            What::Swap(other) if going.point == self.point => Righted { point: other.clone(), ..going },
            What::Swap(other) if going.point == *other => Righted { point: self.point.clone(), ..going },
            _ => going,
        }
    }
}
