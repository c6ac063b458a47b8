//! The meter book: what the billing meter showed, held against what the clamps counted.

mod text;

use overspill_rules::answers::meter_book::{
    Backwards, Compared, Counted, Entry, Interval, Register, compare, intervals,
};
use overspill_rules::home::{Home, Measures, PointId, Side};
use overspill_rules::time::{Span, WallTime};

use crate::store::{HalfHour, MeterReading, StoreError, StoreReader};

pub(crate) use text::{json, told};

/// Factors of import and export that differ by no more than this belong to one clamp that reads wrong.
const ALIKE: f64 = 0.02;

/// One register's pages.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Page {
    pub(crate) register: Register,
    pub(crate) lines: Vec<Line>,
    /// Over all intervals that could be compared.
    pub(crate) all: Option<Compared>,
}

/// A reading, and what passed since the one before it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Line {
    pub(crate) reading: MeterReading,
    pub(crate) since: Option<Compared>,
}

/// A factor by which a point's readings would come right.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Offer {
    pub(crate) point: String,
    pub(crate) factor: f64,
    pub(crate) from: WallTime,
    pub(crate) to: WallTime,
}

/// The whole book.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Book {
    pub(crate) pages: Vec<Page>,
    pub(crate) offers: Vec<Offer>,
    /// Import and export are off by different factors: no scale of one clamp explains that.
    pub(crate) at_odds: bool,
}

/// Reads the book of a home.
///
/// # Errors
/// When the journal can't be read.
pub(crate) fn read(journal: &StoreReader, home: &Home) -> Result<Book, StoreError> {
    let mut pages = Vec::new();
    for register in Register::ALL {
        let readings = journal.meter_readings(register)?;
        if !readings.is_empty() {
            pages.push(page(journal, register, readings)?);
        }
    }
    let offers = |register| pages.iter().filter(move |p: &&Page| p.register == register).find_map(factor);
    let (import, export) = (offers(Register::Import), offers(Register::Export));
    let at_odds = matches!((import, export), (Some(a), Some(b)) if (a / b - 1.0).abs() > ALIKE);
    let grid =
        if at_odds { None } else { import.or(export).map(|factor| (Measures::Grid(Side::Both), factor)) };
    let solar = offers(Register::Generation).map(|factor| (Measures::Solar, factor));
    let offers = grid.into_iter().chain(solar).filter_map(|(role, factor)| offer(home, &pages, role, factor));
    Ok(Book { offers: offers.collect(), at_odds, pages })
}

fn factor(page: &Page) -> Option<f64> {
    page.all.and_then(|all| all.factor())
}

/// Only where one point alone has the role: of two arrays nobody can tell which one reads wrong.
fn offer(home: &Home, pages: &[Page], role: Measures, factor: f64) -> Option<Offer> {
    let mut points = home.points_measuring(role);
    let point: PointId = points.next().filter(|_| points.next().is_none())?;
    let is_solar = role == Measures::Solar;
    let of_role = pages.iter().filter(|p| (p.register == Register::Generation) == is_solar);
    let times: Vec<WallTime> = of_role.flat_map(|p| p.lines.iter().map(|l| l.reading.at)).collect();
    let (from, to) = (*times.iter().min()?, *times.iter().max()?);
    Some(Offer { point: home.point(point).id.clone(), factor, from, to })
}

fn page(journal: &StoreReader, register: Register, readings: Vec<MeterReading>) -> Result<Page, StoreError> {
    let entries: Vec<Entry> = readings.iter().map(entry).collect();
    let (mut lines, mut compared) = (Vec::new(), Vec::new());
    for (i, reading) in readings.into_iter().enumerate() {
        let pair = i.checked_sub(1).and_then(|before| entries.get(before..=i)).unwrap_or_default();
        let interval = intervals(pair).into_iter().flatten().next();
        let since = match interval {
            None => None,
            Some(interval) => {
                let counted = counted(journal, register, &interval)?;
                compared.push((interval, counted));
                Some(compare(&[(interval, counted)]))
            }
        };
        lines.push(Line { reading, since });
    }
    let all = (!compared.is_empty()).then(|| compare(&compared));
    Ok(Page { register, lines, all })
}

/// What the clamps counted in an interval; a half hour that it cuts counts in part.
fn counted(journal: &StoreReader, register: Register, interval: &Interval) -> Result<Counted, StoreError> {
    let half = Span::minutes(30);
    let Interval { from, to, .. } = *interval;
    let rows = journal.half_hours(from + Span(-half.0), to)?;
    let share = |h: &HalfHour| ((h.start + half).min(to) - h.start.max(from)).0.max(0) as f64 / half.0 as f64;
    let mine = || rows.iter().filter(|h| h.flow == register.flow()).map(|h| (h, share(h)));
    let covered_s: f64 = mine().map(|(h, share)| h.covered_s * share).sum();
    let kwh = mine().map(|(h, share)| h.kwh * share).sum();
    Ok(Counted { kwh, covered: (covered_s * 1000.0 / ((to - from).0.max(1) as f64)).min(1.0) })
}

/// A reading for the arithmetic; its text was checked when it was entered.
pub(crate) fn entry(reading: &MeterReading) -> Entry {
    let decimals = reading.kwh.split_once('.').map_or(0, |(_, after)| after.len());
    Entry {
        at: reading.at,
        kwh: reading.kwh.parse().unwrap_or(0.0),
        resolution_kwh: 10_f64.powi(-(decimals as i32)),
        digits: reading.digits,
        new_meter: reading.new_meter,
    }
}

/// Whether a reading fits between its neighbours in time.
///
/// # Errors
/// The two readings that can't belong to one register.
pub(crate) fn fits(readings: &[MeterReading], new: &MeterReading) -> Result<(), Backwards> {
    let mut all: Vec<Entry> = readings.iter().filter(|r| r.at != new.at).map(entry).collect();
    all.push(entry(new));
    all.sort_by_key(|e| e.at);
    match intervals(&all).into_iter().find_map(Result::err) {
        Some(wrong) if wrong.from.at == new.at || wrong.to.at == new.at => Err(wrong),
        _ => Ok(()),
    }
}
