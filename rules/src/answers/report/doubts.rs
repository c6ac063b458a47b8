//! What can't well be, said in words: figures that a clamp the wrong way round, a wrong ratio, or a silent device makes.

use jiff::tz::TimeZone;

use super::dark::{DarkBy, NOISE_FLOOR_W};
use super::halves::{CHARGE, DISCHARGE, EXPORT, HOUSE, Half, IMPORT, SOLAR};
use super::history::{HALF_HOUR, History};
use super::house::Loads;
use crate::home::{Home, Kind, LoadId, Measures, Side};
use crate::time::{Span, WallTime};

/// Something that can't well be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Doubt {
    /// A stable word.
    pub code: &'static str,
    /// What it is and what may be behind it, in sentences.
    pub text: String,
}

/// What the checks look at.
pub(super) struct Seen<'a> {
    pub(super) home: &'a Home,
    pub(super) history: &'a History,
    pub(super) halves: &'a [Half],
    pub(super) loads: &'a Loads<'a>,
    pub(super) dark: &'a [bool],
    pub(super) dark_by: DarkBy,
    /// What the panels give at most, in watts.
    pub(super) roof_w: Option<f64>,
}

/// Generation in the dark below this is not worth a word, in kilowatt-hours.
const NIGHT_KWH: f64 = 0.05;

/// Mean use below zero by more than this is no matter of readings of different age, in watts.
const BELOW_ZERO_W: f64 = 40.0;

/// A roof's power beyond its size times this is a fault of scale; the edge of a cloud gives less (common practice).
const OVER_SIZE: f64 = 1.25;

/// More in a year than this for each kilowatt of size is a fault of scale, in kilowatt-hours; the best places at middle
/// latitudes reach about 1,200 in Britain and 2,000 in deserts (from memory).
const YIELD_KWH_PER_KW: f64 = 2200.0;

/// The same mean to the last digit in so many half hours running is a meter that is stuck.
const STUCK_HALF_HOURS: usize = 6;

/// A gap is worth a word from so many half hours on.
const SILENT_HALF_HOURS: usize = 4;

/// A load is far from its rating outside these shares of it.
const LOAD_LOW: f64 = 0.6;
const LOAD_HIGH: f64 = 1.15;

/// Half hours for which a switch must have run for its draw to be judged.
const LOAD_HALF_HOURS: usize = 4;

pub(super) fn doubts(seen: &Seen<'_>) -> Vec<Doubt> {
    let mut found = Vec::new();
    found.extend(sun_at_night(seen));
    found.extend(use_below_zero(seen));
    found.extend(yield_beyond_size(seen));
    for (flow, what) in
        [(IMPORT, "import"), (EXPORT, "export"), (SOLAR, "generation"), (HOUSE, "use of the house")]
    {
        found.extend(stuck(seen, flow, what));
    }
    found.extend(silent(seen));
    found.extend((0..seen.home.loads.len()).filter_map(|i| off_rating(seen, LoadId(i as u16))));
    found
}

/// Local date and time.
fn when(at: WallTime, zone: &TimeZone) -> String {
    at.in_zone(zone).map_or_else(|| at.to_rfc3339(), |z| z.strftime("%Y-%m-%d %H:%M").to_string())
}

fn length(half_hours: usize) -> Span {
    Span(HALF_HOUR.0 * half_hours as i64)
}

/// By the sun; without coordinates by the clock, in the three hours round its midnight.
fn is_night(seen: &Seen<'_>, place: usize) -> bool {
    match seen.dark_by {
        DarkBy::Sun => seen.dark.get(place).copied().unwrap_or(false),
        DarkBy::Quiet => seen.history.slots.get(place).is_some_and(|slot| slot.half < 4 || slot.half >= 46),
    }
}

fn sun_at_night(seen: &Seen<'_>) -> Option<Doubt> {
    let (mut kwh, mut count) = (0.0, 0);
    for (place, half) in seen.halves.iter().enumerate() {
        let cell = half.cells[SOLAR];
        if cell.is_known() && cell.mean_w() > NOISE_FLOOR_W && is_night(seen, place) {
            kwh += cell.kwh;
            count += 1;
        }
    }
    (kwh > NIGHT_KWH).then(|| Doubt {
        code: "sun-at-night",
        text: format!(
            "The roof is said to have made {kwh:.2} kWh in the dark, in {count} half hours. Its clamp may sit on \
             another circuit, be swapped with that of the grid, or the clock of its device may be wrong. It is in the totals."
        ),
    })
}

fn use_below_zero(seen: &Seen<'_>) -> Option<Doubt> {
    let (mut kwh, mut count) = (0.0, 0);
    for half in seen.halves {
        let flow = |flow: usize| half.known(flow);
        let battery = flow(DISCHARGE).unwrap_or(0.0) - flow(CHARGE).unwrap_or(0.0);
        let used = flow(IMPORT)
            .zip(flow(EXPORT))
            .zip(flow(SOLAR))
            .map(|((import, export), solar)| import - export + solar + battery)
            .or(flow(HOUSE));
        let covered_s = half.covered_s.max(1.0);
        if let Some(used) =
            used.filter(|used| used * 3.6e6 / covered_s < -BELOW_ZERO_W && half.covered_s > 0.0)
        {
            kwh -= used;
            count += 1;
        }
    }
    (count > 0).then(|| Doubt {
        code: "use-below-zero",
        text: format!(
            "By its meters the home used less than nothing in {count} half hours, {kwh:.2} kWh in all. The grid clamp may \
             be the wrong way round or too small in scale, or the solar meter may miss a part of the roof."
        ),
    })
}

fn yield_beyond_size(seen: &Seen<'_>) -> Option<Doubt> {
    let roof_w = seen.roof_w.filter(|w| *w > 0.0)?;
    let peaks = seen.halves.iter().map(|half| {
        let cell = half.cells[SOLAR];
        cell.peak.map_or(cell.mean_w(), |peak| peak.watts)
    });
    let most = peaks.fold(0.0, f64::max);
    if most > roof_w * OVER_SIZE {
        return Some(Doubt {
            code: "beyond-the-roof",
            text: format!(
                "The roof is said to have given {most:.0} W; panels of {roof_w:.0} W can't, even at the edge of a cloud. \
                 The scale of its meter, or `peak_w`, is wrong."
            ),
        });
    }
    let known = seen.halves.iter().filter_map(|half| half.known(SOLAR));
    let (kwh, count) = known.fold((0.0, 0), |(sum, count), kwh| (sum + kwh, count + 1));
    let years = f64::from(count) / 17_532.0;
    let specific = kwh / years / (roof_w / 1000.0);
    (years > 0.8 && specific > YIELD_KWH_PER_KW).then(|| Doubt {
        code: "beyond-the-roof",
        text: format!(
            "The roof is said to make {specific:.0} kWh a year for each kilowatt of its panels, more than any roof does. \
             The scale of its meter, or `peak_w`, is wrong."
        ),
    })
}

/// The longest run of half hours with one and the same power.
fn stuck(seen: &Seen<'_>, flow: usize, what: &str) -> Option<Doubt> {
    let is_same = |a: usize, b: usize| {
        let (Some(a), Some(b)) = (seen.halves.get(a), seen.halves.get(b)) else { return false };
        let (a, b) = (a.cells[flow], b.cells[flow]);
        // Only where single readings are known: energy of a file is shared out evenly and looks alike.
        let read = a.peak.is_some() && b.peak.is_some() && a.is_full() && b.is_full();
        read && a.kwh > 0.001 && (a.mean_w() - b.mean_w()).abs() <= 1e-6 * a.mean_w()
    };
    let (mut begin, mut longest) = (0, (0, 0));
    for place in 1..=seen.halves.len() {
        if is_same(place - 1, place) {
            continue;
        }
        if place - begin > longest.1 {
            longest = (begin, place - begin);
        }
        begin = place;
    }
    let (begin, count) = longest;
    let slot = seen.history.slots.get(begin).filter(|_| count >= STUCK_HALF_HOURS)?;
    let watts = seen.halves.get(begin)?.cells[flow].mean_w();
    Some(Doubt {
        code: "stuck",
        text: format!(
            "The {what} read the same {watts:.0} W for {} from {}. A meter that does not move may be stuck.",
            length(count),
            when(slot.start, &seen.home.timezone)
        ),
    })
}

/// Meters that fell silent between the first and the last thing known of any of them.
fn silent(seen: &Seen<'_>) -> Vec<Doubt> {
    let any = |half: &Half| half.cells.iter().any(|cell| cell.is_known());
    let Some(first) = seen.halves.iter().position(any) else { return Vec::new() };
    let Some(last) = seen.halves.iter().rposition(any) else { return Vec::new() };
    let grid = [Side::Both, Side::Import].iter().any(|side| seen.home.measures(Measures::Grid(*side)));
    let meters = [
        (grid, IMPORT, "grid"),
        (seen.home.measures(Measures::Solar), SOLAR, "solar"),
        (seen.home.measures(Measures::House), HOUSE, "house"),
    ];
    let gaps: Vec<(&str, Gaps)> = meters
        .iter()
        .filter(|(measured, ..)| *measured)
        .map(|(_, flow, name)| (*name, gaps(seen, *flow, first..last + 1)))
        .collect();
    // Meters that were silent together are told together.
    let mut alike: Vec<(Gaps, Vec<&str>)> = Vec::new();
    for (name, gaps) in gaps.into_iter().filter(|(_, gaps)| gaps.longest >= SILENT_HALF_HOURS) {
        match alike.iter_mut().find(|(same, _)| *same == gaps) {
            Some((_, names)) => names.push(name),
            None => alike.push((gaps, vec![name])),
        }
    }
    let told = alike.into_iter().map(|(gaps, names)| {
        let who = match names.as_slice() {
            [one] => format!("The {one} meter was"),
            more => format!("The meters of {} were", more.join(" and ")),
        };
        let begin =
            seen.history.slots.get(gaps.longest_from).map(|slot| when(slot.start, &seen.home.timezone));
        let text = format!(
            "{who} silent for {} in all, the longest for {} from {}. Nothing is known of that time; it is in no total.",
            length(gaps.all),
            length(gaps.longest),
            begin.unwrap_or_default()
        );
        Doubt { code: "silent", text }
    });
    let after = seen.halves.len() - 1 - last;
    let end = seen.history.slots.get(last + 1).filter(|_| after >= SILENT_HALF_HOURS);
    let ended = end.map(|slot| Doubt {
        code: "silent",
        text: format!(
            "Nothing is known from {} on; it is in no total.",
            when(slot.start, &seen.home.timezone)
        ),
    });
    told.chain(ended).collect()
}

/// Half hours of which nothing is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Gaps {
    all: usize,
    longest: usize,
    longest_from: usize,
}

fn gaps(seen: &Seen<'_>, flow: usize, places: std::ops::Range<usize>) -> Gaps {
    let mut gaps = Gaps::default();
    let mut running = 0;
    for place in places {
        if seen.halves.get(place).is_some_and(|half| half.cells[flow].is_known()) {
            running = 0;
            continue;
        }
        running += 1;
        gaps.all += 1;
        if running > gaps.longest {
            (gaps.longest, gaps.longest_from) = (running, place + 1 - running);
        }
    }
    gaps
}

/// What a metered load drew against its rating: a switch in the half hours for which it ran throughout, others at most.
fn off_rating(seen: &Seen<'_>, id: LoadId) -> Option<Doubt> {
    let load = seen.home.load(id);
    seen.home.meter_of(id)?;
    let ceiling_w = load.ceiling_w(seen.home.supply.volts);
    let means: Vec<f64> = (0..seen.halves.len())
        .map(|place| seen.loads.cell(id, place))
        .map(|cell| if cell.is_full() { cell.mean_w() } else { 0.0 })
        .collect();
    let most = means.iter().copied().fold(0.0, f64::max);
    let over = most > ceiling_w * LOAD_HIGH;
    let mut through: Vec<f64> = means
        .windows(3)
        .filter(|three| three.iter().all(|watts| *watts > 0.05 * ceiling_w))
        .map(|three| three[1])
        .collect();
    through.sort_by(f64::total_cmp);
    let usual = through.get(through.len() / 2).copied().filter(|_| through.len() >= LOAD_HALF_HOURS);
    let under =
        usual.filter(|usual| matches!(load.kind, Kind::Switch { .. }) && *usual < ceiling_w * LOAD_LOW);
    let name = &load.name;
    let text = match (over, under) {
        (true, _) => format!(
            "{name} drew {most:.0} W for a half hour; the home file says {ceiling_w:.0} W at most. Its rating or its \
             meter's scale is wrong."
        ),
        (false, Some(usual)) => format!(
            "{name} usually draws {usual:.0} W when it runs; the home file says {ceiling_w:.0} W. Its rating or its \
             meter's scale is wrong, or a part of it has failed."
        ),
        (false, None) => return None,
    };
    Some(Doubt { code: "off-rating", text })
}
