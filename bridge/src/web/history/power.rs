//! Power of the points of a span, thinned so that no spike is lost.

use std::collections::BTreeMap;

use overspill_rules::home::{Home, Measures, Point, Side};
use overspill_rules::time::WallTime;

use super::span::Asked;
use crate::history::{PutRight, Retelling, Told, Which, watts_for_one};
use crate::store::{Bucket, Buckets, Kind, StoreError, StoreReader};

/// Columns of a picture; each has the least, the greatest and the mean of its readings.
pub(crate) const COLUMNS: usize = 480;

/// Readings that have to be worked out one by one are shown for so many days at once: a day of 10 s takes about 30 ms.
pub(crate) const ONE_BY_ONE_DAYS: f64 = 3.0;

/// The power of one point.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Curve {
    /// The point's id.
    pub(crate) id: String,
    /// What it is called.
    pub(crate) name: String,
    pub(crate) measures: Measures,
    /// In watts, positive as in the balance; those without readings are left out.
    pub(crate) buckets: Vec<Bucket>,
    /// Why nothing is shown though there may be something, in a sentence.
    pub(crate) unshown: Option<String>,
}

/// The power of the grid, the roof, the house and the battery, as far as each is measured.
///
/// # Errors
/// When the journal can't be read.
pub(crate) fn curves(
    journal: &StoreReader,
    home: &Home,
    asked: &Asked,
    now: WallTime,
    columns: usize,
) -> Result<Vec<Curve>, StoreError> {
    let span = asked.past(now);
    let mut curves = Vec::new();
    let mut one_by_one = Vec::new();
    for point in home.points.iter().filter(|point| !matches!(point.measures, Measures::Load(_))) {
        let buckets = thinned(journal, home, point, span, columns)?;
        if buckets.is_none() {
            one_by_one.push(curves.len());
        }
        curves.push(Curve {
            id: point.id.clone(),
            name: name(home, point),
            measures: point.measures,
            buckets: buckets.unwrap_or_default(),
            unshown: None,
        });
    }
    if one_by_one.is_empty() {
        return Ok(curves);
    }
    let told = match asked.length_days() <= ONE_BY_ONE_DAYS {
        true => Some(retold(journal, home, span, columns)?),
        false => None,
    };
    let theirs = curves.iter_mut().enumerate().filter(|(place, _)| one_by_one.contains(place));
    for (_, curve) in theirs {
        match &told {
            Some(told) => curve.buckets = told.get(&curve.id).cloned().unwrap_or_default(),
            None => {
                curve.unshown = Some(format!(
                    "{}: its readings have to be worked out one by one, so its curve is drawn for at most \
                     {ONE_BY_ONE_DAYS} days at once.",
                    curve.name
                ));
            }
        }
    }
    Ok(curves)
}

/// What a point is called: by what it measures, and by its id where there are several of a kind.
fn name(home: &Home, point: &Point) -> String {
    let word = match point.measures {
        Measures::Grid(Side::Both) => "Grid",
        Measures::Grid(Side::Import) => "Grid, in",
        Measures::Grid(Side::Export) => "Grid, out",
        Measures::Solar => "Roof",
        Measures::House => "House",
        Measures::Battery => "Battery",
        Measures::Load(_) => "Load",
    };
    let alone = home.points.iter().filter(|other| other.measures == point.measures).count() == 1;
    if alone { word.to_owned() } else { format!("{word} ({})", point.id) }
}

/// From the sums that the journal keeps; `None` where its numbers are not watts by one factor, where something was put
/// right since, or where some are not plausible.
fn thinned(
    journal: &StoreReader,
    home: &Home,
    point: &Point,
    (from, to): (WallTime, WallTime),
    columns: usize,
) -> Result<Option<Vec<Bucket>>, StoreError> {
    let put_right = journal.corrections()?.into_iter().any(|correction| {
        let other = matches!(&correction.what.kind, Kind::SwapWith(id) if *id == point.id);
        let touches = correction.what.point == point.id || other;
        correction.undone.is_none() && touches && correction.what.from < to && correction.what.to > from
    });
    let Some(factor) = watts_for_one(journal, &point.id, home)?.filter(|_| !put_right) else {
        return Ok(None);
    };
    let raw = journal.thinned(&format!("point.{}", point.id), from, to, columns)?;
    let watts = |bucket: Bucket| {
        let (a, b) = (bucket.min * factor, bucket.max * factor);
        Bucket { min: a.min(b), max: a.max(b), mean: bucket.mean * factor, ..bucket }
    };
    let all: Vec<Bucket> = raw.into_iter().map(watts).collect();
    let (low, high) = point.plausible.unwrap_or((f64::MIN, f64::MAX));
    let plausible = all.iter().all(|bucket| bucket.min >= low && bucket.max <= high);
    Ok(plausible.then_some(all))
}

/// From every reading, with the definitions of its time and what was put right since; by point.
fn retold(
    journal: &StoreReader,
    home: &Home,
    span: (WallTime, WallTime),
    columns: usize,
) -> Result<BTreeMap<String, Vec<Bucket>>, StoreError> {
    let Some(empty) = journal.buckets(span.0, span.1, columns)? else { return Ok(BTreeMap::new()) };
    let retelling = Retelling::open(journal, home)?;
    let right = PutRight::new(retelling.corrections()?.iter(), &retelling.all);
    let mut all: Vec<Option<Buckets>> = vec![None; retelling.all.points.len()];
    let take = |told: Told| {
        if let Told::Power { point, at, watts } = told
            && let Some(buckets) = all.get_mut(usize::from(point.0))
        {
            buckets.get_or_insert_with(|| empty.clone()).add_one(at.0, watts);
        }
    };
    retelling.tell(span, Which::All, &right, take, |_| {})?;
    let ids = retelling.all.points.iter().map(|point| point.id.clone());
    Ok(ids.zip(all).filter_map(|(id, buckets)| Some((id, buckets?.done()))).collect())
}
