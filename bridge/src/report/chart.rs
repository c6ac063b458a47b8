//! The charts of the printed report.

use jiff::civil::Date;
use overspill_rules::answers::report::{Day, Exports, MeanHalf, Totals};

use super::svg::{Fill, Room, Svg, Tied, mark, marks};
use super::words::{kwh, percent};

/// Units across: pixels on a page of the usual width, and of a narrow one.
const WIDTH: f64 = 720.0;
const NARROW: f64 = 328.0;
const SIZE: f64 = 12.0;

/// Room for the words of the scale beside the bars of the days: on a narrow page it is less than half of it.
const SCALE: f64 = 44.0;

/// A bar is marked as incomplete where less than this of its time is known.
const COMPLETE: f64 = 0.9;

/// One bar of the days' chart.
#[derive(Debug, Clone, PartialEq, Default)]
struct Bar {
    label: String,
    own: f64,
    out: f64,
    bought: f64,
    covered: f64,
    days: f64,
}

/// What was made and what was used on one scale; where the two bars overlap is what the roof gave the home. Used is what
/// was used of the roof's and what was bought, so that one time is meant by all of it.
pub(super) fn overlap(totals: &Totals) -> Option<String> {
    let (own, solar, bought) = (totals.self_use_kwh?, totals.solar?.kwh, totals.import?.kwh.max(0.0));
    let own = own.max(0.0);
    let out = (solar - own).max(0.0);
    let whole = out + own + bought;
    if whole <= 0.0 {
        return None;
    }
    let scale = WIDTH / whole;
    let (begin, end) = (bought * scale, (bought + own) * scale);
    let mut svg = Svg::new(WIDTH, 128.0, "What was made and used, and the part that is both");
    svg.text((0.0, 12.0), Tied::Start, 13.0, "made");
    svg.area(begin, 18.0, own * scale, 28.0, Fill::Own);
    svg.area(end, 18.0, out * scale, 28.0, Fill::Out);
    svg.area(0.0, 96.0, bought * scale, 28.0, Fill::Bought);
    svg.area(begin, 96.0, own * scale, 28.0, Fill::Own);
    for x in [begin, end] {
        svg.line((x, 18.0), (x, 124.0), 1.0, false);
    }
    svg.text((0.0, 90.0), Tied::Start, 13.0, "used");
    let mut label = |from: f64, width: f64, y: f64, word: &str, energy: f64| {
        let long = format!("{word} {} kWh", kwh(energy));
        for (room, pixels) in [(Room::Wide, WIDTH), (Room::Narrow, NARROW)] {
            let fits = |text: &&str| width / WIDTH * pixels > 7.4 * text.chars().count() as f64;
            if let Some(text) = [long.as_str(), word].into_iter().find(fits) {
                svg.plate((from + width / 2.0, y), SIZE, room, text);
            }
        }
    };
    label(end, out * scale, 36.0, "sent out", out);
    label(0.0, bought * scale, 114.0, "bought", bought);
    // Between the bars there is room whatever the width.
    let middle = ((begin + end) / 2.0).clamp(WIDTH * 0.26, WIDTH * 0.74);
    svg.text((middle, 68.0), Tied::Middle, SIZE, &format!("used at home {} kWh", kwh(own)));
    Some(svg.done())
}

/// Made and bought by day, week or month, and the word for which.
pub(super) fn days(days: &[Day]) -> (String, &'static str) {
    let (bars, word) = bars(days);
    let up = bars.iter().map(|b| b.own + b.out).fold(0.0, f64::max);
    let down = bars.iter().map(|b| b.bought).fold(0.0, f64::max);
    // One step for both sides.
    let all = marks(up.max(down));
    let reach = |most: f64| -> Vec<f64> {
        let within = all.iter().filter(|mark| **mark < most).count();
        all.get(..=within.min(all.len().saturating_sub(1))).unwrap_or(&all).to_vec()
    };
    let (up_marks, down_marks) = (reach(up), reach(down));
    let last = |marks: &[f64]| marks.last().copied().unwrap_or(0.0);
    let (height, top, bottom) = (250.0, 10.0, 34.0);
    let whole = last(&up_marks) + last(&down_marks);
    let scale = (height - top - bottom) / whole;
    let zero = top + last(&up_marks) * scale;
    let mut svg = Svg::new(WIDTH, height, &format!("Made and bought by {word}"));
    let mut scale_words = Vec::new();
    for (value, y) in up_marks
        .iter()
        .map(|v| (*v, zero - v * scale))
        .chain(down_marks.iter().skip(1).map(|v| (*v, zero + v * scale)))
    {
        svg.line((0.0, y), (WIDTH, y), 0.6, true);
        scale_words.push((y, mark(value)));
    }
    let step = (WIDTH - SCALE) / bars.len().max(1) as f64;
    // Labels stand as close as their length allows.
    let longest = bars.iter().map(|b| b.label.chars().count()).max().unwrap_or(1) as f64;
    let every = |width: f64| ((longest * 6.5 + 6.0) / (step / WIDTH * width)).ceil().max(1.0) as usize;
    let (wide, narrow) = (every(WIDTH), every(NARROW).div_ceil(every(WIDTH)) * every(WIDTH));
    for (i, bar) in bars.iter().enumerate() {
        let x = SCALE + i as f64 * step + step * 0.14;
        let width = step * 0.72;
        svg.area(x, zero - bar.own * scale, width, bar.own * scale, Fill::Own);
        svg.area(x, zero - (bar.own + bar.out) * scale, width, bar.out * scale, Fill::Out);
        svg.area(x, zero, width, bar.bought * scale, Fill::Bought);
        let middle = x + width / 2.0;
        if i % wide == 0 {
            let room = if i % narrow == 0 { Room::Any } else { Room::Wide };
            // The first and the last would stand out.
            let (at, tied) = match i {
                0 => (x, Tied::Start),
                i if i + 1 == bars.len() => (WIDTH, Tied::End),
                _ => (middle, Tied::Middle),
            };
            svg.text_where((at, height - 20.0), tied, SIZE, room, &bar.label);
        }
        if bar.covered < COMPLETE {
            let share = format!("* {}", percent(Some(bar.covered)));
            for (room, pixels) in [(Room::Wide, WIDTH), (Room::Narrow, NARROW)] {
                let text = if step / WIDTH * pixels > 34.0 { share.as_str() } else { "*" };
                svg.text_where((middle, height - 6.0), Tied::Middle, 10.0, room, text);
            }
        }
    }
    for (y, text) in &scale_words {
        svg.text((0.0, y - 2.0), Tied::Start, SIZE, text);
    }
    svg.line((0.0, zero), (WIDTH, zero), 1.2, false);
    (svg.done(), word)
}

/// Whether a bar of the days' chart is marked as incomplete.
pub(super) fn has_incomplete(days: &[Day]) -> bool {
    bars(days).0.iter().any(|bar| bar.covered < COMPLETE)
}

/// Up to 45 days each has a bar, up to 190 each week, else each month.
fn bars(days: &[Day]) -> (Vec<Bar>, &'static str) {
    let (word, key): (&str, fn(Date) -> String) = match days.len() {
        0..=45 => ("day", |d| d.strftime("%-d %b").to_string()),
        46..=190 => ("week", |d| {
            let back = i64::from(d.weekday().to_monday_zero_offset());
            let monday = d.checked_sub(jiff::Span::new().days(back)).unwrap_or(d);
            monday.strftime("%-d %b").to_string()
        }),
        _ => ("month", |d| d.strftime("%b %y").to_string()),
    };
    let mut bars: Vec<Bar> = Vec::new();
    for day in days {
        let label = key(day.date);
        if bars.last().is_none_or(|bar| bar.label != label) {
            bars.push(Bar { label, ..Bar::default() });
        }
        let Some(bar) = bars.last_mut() else { continue };
        let energy = |e: Option<overspill_rules::answers::report::Energy>| e.map_or(0.0, |e| e.kwh.max(0.0));
        let out = energy(day.totals.export);
        bar.out += out.min(energy(day.totals.solar));
        bar.own += (energy(day.totals.solar) - out).max(0.0);
        bar.bought += energy(day.totals.import);
        bar.covered = (bar.covered * bar.days + day.totals.covered) / (bar.days + 1.0);
        bar.days += 1.0;
    }
    (bars, word)
}

/// The mean day: made as an area, used as a line.
pub(super) fn mean_day(halves: &[MeanHalf]) -> String {
    let kilowatts = |watts: Option<f64>| watts.map(|w| w / 1000.0);
    let all = halves.iter().flat_map(|h| [kilowatts(h.solar_w), kilowatts(h.house_w)]).flatten();
    let marks = marks(all.fold(0.0, f64::max));
    let most = marks.last().copied().unwrap_or(1.0);
    let (height, top, bottom) = (220.0, 12.0, 28.0);
    let (zero, scale) = (height - bottom, (height - top - bottom) / most);
    let mut svg = Svg::new(WIDTH, height, "The mean day: power made and used by the time of day");
    for value in &marks {
        let y = zero - value * scale;
        svg.line((0.0, y), (WIDTH, y), 0.6, true);
    }
    let x = |i: f64| i / 48.0 * WIDTH;
    for hour in (0..=24).step_by(3) {
        let tied = match hour {
            0 => Tied::Start,
            24 => Tied::End,
            _ => Tied::Middle,
        };
        let room = if hour % 6 == 0 { Room::Any } else { Room::Wide };
        svg.text_where((x(f64::from(hour) * 2.0), height - 8.0), tied, SIZE, room, &format!("{hour:02}:00"));
    }
    // A gap breaks the line: what is not known is not drawn.
    for run in runs(halves, |h| kilowatts(h.solar_w)) {
        let points: Vec<(f64, f64)> =
            run.iter().map(|(i, v)| (x(*i as f64 + 0.5), zero - v.max(0.0) * scale)).collect();
        svg.under(&points, zero, Fill::Out);
    }
    for run in runs(halves, |h| kilowatts(h.house_w)) {
        let points: Vec<(f64, f64)> =
            run.iter().map(|(i, v)| (x(*i as f64 + 0.5), zero - v.max(0.0) * scale)).collect();
        svg.path(&points, 2.6);
    }
    // Each word stands where its own curve is above the other one.
    let highest = |value: fn(&MeanHalf) -> Option<f64>, other: fn(&MeanHalf) -> Option<f64>| {
        let each = halves.iter().enumerate().filter_map(|(i, h)| Some((i, h, value(h)? / 1000.0)));
        let above = each.filter(|(_, h, kw)| *kw > other(h).unwrap_or(0.0) / 1000.0 && *kw > 0.0);
        above.max_by(|(.., a), (.., b)| a.total_cmp(b)).map(|(i, _, kw)| (i, kw))
    };
    let made = highest(|h| h.solar_w, |h| h.house_w);
    let used = highest(|h| h.house_w, |h| h.solar_w);
    for (value, label) in [(made, "made"), (used, "used")] {
        if let Some((i, value)) = value {
            let y = (zero - value * scale - 5.0).max(11.0);
            svg.text((x(i as f64 + 0.5).clamp(40.0, WIDTH - 40.0), y), Tied::Middle, 13.0, label);
        }
    }
    scale_words(&mut svg, &marks, zero, scale);
    svg.line((0.0, zero), (WIDTH, zero), 1.2, false);
    svg.done()
}

/// The marks of an axis from `zero` up.
fn scale_words(svg: &mut Svg, marks: &[f64], zero: f64, scale: f64) {
    for value in marks.iter().skip(1) {
        svg.text((0.0, zero - value * scale - 2.0), Tied::Start, SIZE, &mark(*value));
    }
}

fn runs(halves: &[MeanHalf], value: impl Fn(&MeanHalf) -> Option<f64>) -> Vec<Vec<(usize, f64)>> {
    let mut runs: Vec<Vec<(usize, f64)>> = vec![Vec::new()];
    for (i, half) in halves.iter().enumerate() {
        match (value(half), runs.last_mut()) {
            (Some(value), Some(run)) => run.push((i, value)),
            _ => runs.push(Vec::new()),
        }
    }
    runs.retain(|run| !run.is_empty());
    runs
}

/// Energy sent out by the hour of the day.
pub(super) fn exports(exports: &Exports) -> String {
    let total: f64 = exports.by_hour.iter().sum();
    let marks = marks(exports.by_hour.iter().copied().fold(0.0, f64::max));
    let most = marks.last().copied().unwrap_or(1.0);
    let (height, top, bottom) = (170.0, 18.0, 28.0);
    let (zero, scale) = (height - bottom, (height - top - bottom) / most);
    let mut svg = Svg::new(WIDTH, height, "Energy sent out by the hour of the day");
    for value in &marks {
        let y = zero - value * scale;
        svg.line((0.0, y), (WIDTH, y), 0.6, true);
    }
    let step = WIDTH / 24.0;
    for (hour, value) in exports.by_hour.iter().enumerate() {
        let x = hour as f64 * step;
        svg.area(x + step * 0.1, zero - value * scale, step * 0.8, value * scale, Fill::Out);
        if total > 0.0 && *value / total >= 0.01 {
            let share = format!("{:.0} %", value / total * 100.0);
            svg.text_where(
                (x + step / 2.0, zero - value * scale - 4.0),
                Tied::Middle,
                10.0,
                Room::Wide,
                &share,
            );
        }
        if hour % 3 == 0 {
            let tied = if hour == 0 { Tied::Start } else { Tied::Middle };
            svg.text((x, height - 8.0), tied, SIZE, &format!("{hour:02}"));
        }
    }
    scale_words(&mut svg, &marks, zero, scale);
    svg.line((0.0, zero), (WIDTH, zero), 1.2, false);
    svg.done()
}
