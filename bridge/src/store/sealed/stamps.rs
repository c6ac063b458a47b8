//! The stamps of a stretch, once for all its series, and which series has something at which of them.
//!
//! Devices send at a steady pace, so a stamp is told by how far it is from where the series that it belongs to was
//! expected next. A device that keeps its pace costs next to nothing; one that wavers costs its wavering.

use super::bytes::{Put, Take};
use super::{MOST_ENTRIES, Tick, Unreadable, ints};

/// Stamps, and for each series the places of its entries among them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Stamps {
    /// In ascending order of their ids.
    pub(crate) ticks: Vec<Tick>,
    /// The number of each series, and the places of its entries in ascending order; one stamp may have several.
    pub(crate) members: Vec<(i64, Vec<u32>)>,
}

pub(super) fn put(stamps: &Stamps) -> Vec<u8> {
    let mut out = Put::default();
    out.number(stamps.ticks.len() as u64);
    put_steps(&mut out, stamps.ticks.iter().map(|t| t.id));
    put_runs_of_same(&mut out, stamps.ticks.iter().map(|t| t.run));
    put_runs_of_same(&mut out, stamps.ticks.iter().map(|t| t.at.wrapping_sub(t.moment)));
    put_members(&mut out, &stamps.members);
    put_moments(&mut out, stamps);
    out.0
}

pub(super) fn take(bytes: &[u8]) -> Result<Stamps, Unreadable> {
    let mut from = Take(bytes);
    let count = from.count(MOST_ENTRIES)?;
    let ids = take_steps(&mut from, count)?;
    let runs = take_runs_of_same(&mut from, count)?;
    let offsets = take_runs_of_same(&mut from, count)?;
    let members = take_members(&mut from, count)?;
    let moments = take_moments(&mut from, &members, count)?;
    let ticks = ids.into_iter().zip(runs).zip(offsets.into_iter().zip(moments));
    let ticks =
        ticks.map(|((id, run), (offset, moment))| Tick { id, run, moment, at: moment.wrapping_add(offset) });
    Ok(Stamps { ticks: ticks.collect(), members })
}

fn put_steps(out: &mut Put, values: impl Iterator<Item = i64>) {
    let mut last = 0_i64;
    let steps: Vec<i64> = values.map(|v| v.wrapping_sub(std::mem::replace(&mut last, v))).collect();
    let (first, rest) = steps.split_first().map_or((0, &[][..]), |(f, r)| (*f, r));
    out.signed(first);
    ints::put(out, rest);
}

fn take_steps(from: &mut Take<'_>, count: usize) -> Result<Vec<i64>, Unreadable> {
    let first = from.signed()?;
    let steps = ints::take(from, count.saturating_sub(1))?;
    let mut last = first;
    let rest = steps.into_iter().map(|step| {
        last = last.wrapping_add(step);
        last
    });
    Ok(std::iter::once(first).chain(rest).take(count).collect())
}

/// What hardly ever changes: each value with how often it stands in a row.
fn put_runs_of_same(out: &mut Put, values: impl Iterator<Item = i64>) {
    let mut runs: Vec<(i64, u64)> = Vec::new();
    for value in values {
        match runs.last_mut() {
            Some((last, times)) if *last == value => *times += 1,
            _ => runs.push((value, 1)),
        }
    }
    out.number(runs.len() as u64);
    for (value, times) in runs {
        out.signed(value);
        out.number(times);
    }
}

fn take_runs_of_same(from: &mut Take<'_>, count: usize) -> Result<Vec<i64>, Unreadable> {
    let mut values = Vec::with_capacity(count);
    for _ in 0..from.count(count)? {
        let value = from.signed()?;
        let times = from.count(count - values.len())?;
        values.resize(values.len() + times, value);
    }
    match values.len() == count {
        true => Ok(values),
        false => Err(Unreadable("its stamps are not complete")),
    }
}

fn put_members(out: &mut Put, members: &[(i64, Vec<u32>)]) {
    out.number(members.len() as u64);
    for (i, (series, places)) in members.iter().enumerate() {
        out.signed(*series);
        // Quantities that a device sends together share their stamps. 0 stands for stamps of its own.
        let same = members.iter().take(i).position(|(_, earlier)| earlier == places);
        out.number(same.map_or(0, |k| k as u64 + 1));
        if same.is_none() {
            out.number(places.len() as u64);
            put_steps(out, places.iter().map(|p| i64::from(*p)));
        }
    }
}

fn take_members(from: &mut Take<'_>, ticks: usize) -> Result<Vec<(i64, Vec<u32>)>, Unreadable> {
    let count = from.count(from.0.len())?;
    let mut members: Vec<(i64, Vec<u32>)> = Vec::with_capacity(count);
    for _ in 0..count {
        let series = from.signed()?;
        let places = match from.count(members.len())? {
            0 => {
                let places = from.count(MOST_ENTRIES)?;
                in_order(take_steps(from, places)?, ticks)?
            }
            k => members.get(k - 1).map(|(_, places)| places.clone()).unwrap_or_default(),
        };
        members.push((series, places));
    }
    Ok(members)
}

fn in_order(places: Vec<i64>, ticks: usize) -> Result<Vec<u32>, Unreadable> {
    let mut last = 0;
    let each = places.into_iter().map(|place| {
        let place = u32::try_from(place).ok().filter(|p| *p >= last && (*p as usize) < ticks)?;
        last = place;
        Some(place)
    });
    each.collect::<Option<Vec<u32>>>().ok_or(Unreadable("its entries are out of order"))
}

fn put_moments(out: &mut Put, stamps: &Stamps) {
    let leaders = leaders(&stamps.members, stamps.ticks.len());
    let origin = stamps.ticks.first().map_or(0, |t| t.moment);
    let from_origin: Vec<i64> = stamps.ticks.iter().map(|t| t.moment.wrapping_sub(origin)).collect();
    // Stamps are rounded by whoever makes them; what they are rounded to need not be told each time.
    let unit = from_origin.iter().fold(0, |unit, m| greatest_divisor(unit, m.unsigned_abs())).max(1);
    let unit = i64::try_from(unit).unwrap_or(1);
    let moments: Vec<i64> = from_origin.iter().map(|m| m / unit).collect();
    let periods = periods(&leaders, &moments, stamps.members.len());
    out.signed(origin);
    out.signed(unit);
    periods.iter().for_each(|p| out.signed(*p));
    let mut pace = Pace::new(periods);
    let misses: Vec<i64> = leaders.iter().zip(&moments).map(|(leader, m)| pace.miss(*leader, *m)).collect();
    ints::put(out, &misses);
}

fn take_moments(
    from: &mut Take<'_>,
    members: &[(i64, Vec<u32>)],
    count: usize,
) -> Result<Vec<i64>, Unreadable> {
    let leaders = leaders(members, count);
    let (origin, unit) = (from.signed()?, from.signed()?);
    let periods = members.iter().map(|_| from.signed()).collect::<Result<Vec<i64>, Unreadable>>()?;
    let mut pace = Pace::new(periods);
    let misses = ints::take(from, count)?;
    let moments = leaders.iter().zip(misses).map(|(leader, miss)| pace.moment(*leader, miss));
    Ok(moments.map(|m| origin.wrapping_add(m.wrapping_mul(unit))).collect())
}

/// For each stamp the first of the series that have something there.
fn leaders(members: &[(i64, Vec<u32>)], ticks: usize) -> Vec<usize> {
    let mut leaders = vec![0; ticks];
    for (series, (_, places)) in members.iter().enumerate().rev() {
        for place in places {
            if let Some(leader) = leaders.get_mut(*place as usize) {
                *leader = series;
            }
        }
    }
    leaders
}

/// The usual time from one stamp of a series to its next.
fn periods(leaders: &[usize], moments: &[i64], series: usize) -> Vec<i64> {
    let mut last: Vec<Option<i64>> = vec![None; series];
    let mut steps: Vec<Vec<i64>> = vec![Vec::new(); series];
    for (leader, moment) in leaders.iter().zip(moments) {
        let (Some(last), Some(steps)) = (last.get_mut(*leader), steps.get_mut(*leader)) else { continue };
        steps.extend(last.replace(*moment).map(|before| moment.wrapping_sub(before)));
    }
    steps.into_iter().map(middle).collect()
}

fn middle(mut steps: Vec<i64>) -> i64 {
    let half = steps.len() / 2;
    match steps.is_empty() {
        true => 0,
        false => *steps.select_nth_unstable(half).1,
    }
}

/// When each series is expected next.
struct Pace {
    periods: Vec<i64>,
    expected: Vec<Option<i64>>,
    last: i64,
}

impl Pace {
    fn new(periods: Vec<i64>) -> Pace {
        Pace { expected: vec![None; periods.len()], periods, last: 0 }
    }

    fn miss(&mut self, series: usize, moment: i64) -> i64 {
        let miss = moment.wrapping_sub(self.expected_at(series));
        self.follow(series, miss);
        miss
    }

    fn moment(&mut self, series: usize, miss: i64) -> i64 {
        let moment = self.expected_at(series).wrapping_add(miss);
        self.follow(series, miss);
        moment
    }

    fn expected_at(&self, series: usize) -> i64 {
        self.expected.get(series).copied().flatten().unwrap_or(self.last)
    }

    /// A small miss is wavering about the same pace, of which a quarter is taken for drift of the device's clock; a
    /// large one begins anew.
    fn follow(&mut self, series: usize, miss: i64) {
        let expected = self.expected_at(series);
        let period = self.periods.get(series).copied().unwrap_or(0);
        self.last = expected.wrapping_add(miss);
        let known = self.expected.get(series).copied().flatten().is_some();
        let small = known && miss.unsigned_abs() <= period.unsigned_abs() / 4;
        let from = if small { expected.wrapping_add(miss / 4) } else { self.last };
        if let Some(expected) = self.expected.get_mut(series) {
            *expected = Some(from.wrapping_add(period));
        }
    }
}

fn greatest_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}
