//! Where a series has values already: what is there stays, and an import only fills what is free.

use std::collections::BTreeMap;

use overspill_rules::home::{Home, PointId};
use overspill_rules::input::Input;
use overspill_rules::time::{Span, WallTime};

use crate::store::{ImportRun, Stands, StoreError, StoreReader, Value};

/// Values of series within a span, each with how long it stands.
#[derive(Debug, Default)]
pub(crate) struct Occupied {
    /// By series: start and end of each value, in the order of start.
    spans: BTreeMap<Value, Vec<(WallTime, WallTime)>>,
}

/// What is known of the values that are there.
#[derive(Debug)]
pub(crate) struct Known<'a> {
    pub(crate) reader: &'a StoreReader,
    pub(crate) home: &'a Home,
    pub(crate) imports: BTreeMap<i64, ImportRun>,
    /// The import under way, whose own values do not count.
    pub(crate) own_run: Option<i64>,
}

impl Known<'_> {
    /// What stands within the span.
    pub(crate) fn between(&self, from: WallTime, to: WallTime) -> Result<Occupied, StoreError> {
        let longest = self.imports.values().flat_map(|i| i.stands.values()).map(|s| s.at_most);
        let stale = self.home.points.iter().map(|p| p.stale_after);
        let stale = stale.chain(self.home.inputs.iter().map(|i| i.stale_after));
        let back = longest.chain(stale).max().unwrap_or(Span::ZERO);
        let mut starts: BTreeMap<Value, Vec<(WallTime, Stands)>> = BTreeMap::new();
        self.reader.inputs(self.home, from + Span(-back.0), to, |entry| {
            let (Some(at), Ok(input)) = (entry.stamp.wall, &entry.input) else { return };
            let value = match input {
                Input::Reading(r) => Value::Point(r.point, r.extra),
                Input::Other(o) => Value::Input(o.input),
                _ => return,
            };
            if self.own_run != Some(entry.run) {
                starts.entry(value).or_default().push((at, self.stands(entry.run, value)));
            }
        })?;
        let spans = starts.into_iter().map(|(value, list)| (value, ends(list)));
        Ok(Occupied { spans: spans.collect() })
    }

    /// How long a value of this run stands.
    fn stands(&self, run: i64, value: Value) -> Stands {
        if let Some(import) = self.imports.get(&run) {
            let known = import.stands.get(&self.series(value));
            // Two thirds, so that the first row after an interrupted import is not taken for one that is there.
            return known.map_or(Stands::of(Span::ZERO), |s| Stands { usually: s.usually.times(0.67), ..*s });
        }
        Stands::of(match value {
            Value::Point(PointId(i), _) => {
                self.home.points.get(usize::from(i)).map_or(Span::ZERO, |p| p.stale_after)
            }
            Value::Input(i) => self.home.inputs.get(usize::from(i.0)).map_or(Span::ZERO, |i| i.stale_after),
        })
    }

    fn series(&self, value: Value) -> String {
        match value {
            Value::Point(PointId(i), extra) => {
                let id = self.home.points.get(usize::from(i)).map_or("", |p| p.id.as_str());
                let word = extra.map(crate::store::extra_word);
                word.map_or_else(|| format!("point.{id}"), |w| format!("point.{id}.{w}"))
            }
            Value::Input(i) => {
                format!("input.{}", self.home.inputs.get(usize::from(i.0)).map_or("", |i| i.id.as_str()))
            }
        }
    }
}

fn ends(mut starts: Vec<(WallTime, Stands)>) -> Vec<(WallTime, WallTime)> {
    starts.sort_by_key(|(at, _)| *at);
    let next = starts.iter().skip(1).map(|(at, _)| Some(*at)).chain([None]);
    let each = starts.iter().zip(next).map(|((at, stands), next)| match next {
        Some(next) if next - *at <= stands.at_most => (*at, next),
        _ => (*at, *at + stands.usually),
    });
    each.collect()
}

impl Occupied {
    /// Whether the series has a value at some time from `from` to just before `to`.
    pub(crate) fn holds(&self, value: Value, from: WallTime, to: WallTime) -> bool {
        let Some(spans) = self.spans.get(&value) else { return false };
        // Ends ascend with starts: a value stands no longer than until the next.
        let first = spans.partition_point(|(_, end)| *end <= from);
        spans
            .get(first..)
            .unwrap_or(&[])
            .iter()
            .take(2)
            .any(|(start, end)| *start < to && (*end > from || *start >= from))
            || spans.binary_search_by_key(&from, |(start, _)| *start).is_ok()
    }
}
