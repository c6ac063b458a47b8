//! The charts of the printed report.

use jiff::civil::Date;
use overspill_rules::answers::report::{Day, Exports, MeanHalf, Totals};

use super::svg::{Fill, Svg, Tied, mark, marks};
use super::words::{kwh, percent};

const WIDTH: f64 = 720.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 8.0;
const SIZE: f64 = 12.0;

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
    let left = LEFT + 6.0;
    let scale = (WIDTH - left - RIGHT) / whole;
    let (begin, end) = (left + bought * scale, left + (bought + own) * scale);
    let mut svg = Svg::new(WIDTH, 112.0, "What was made and used, and the part that is both");
    svg.text((LEFT, 27.0), Tied::End, 13.0, "made");
    svg.text((LEFT, 90.0), Tied::End, 13.0, "used");
    svg.area(begin, 7.0, own * scale, 30.0, Fill::Own);
    svg.area(end, 7.0, out * scale, 30.0, Fill::Out);
    svg.area(left, 70.0, bought * scale, 30.0, Fill::Bought);
    svg.area(begin, 70.0, own * scale, 30.0, Fill::Own);
    for x in [begin, end] {
        svg.line((x, 7.0), (x, 100.0), 1.0, false);
    }
    let label = |svg: &mut Svg, from: f64, width: f64, y: f64, word: &str, energy: f64| {
        let long = format!("{word} {} kWh", kwh(energy));
        let fits = |text: &str| width > 7.4 * text.chars().count() as f64;
        if let Some(text) = [long.as_str(), word].into_iter().find(|text| fits(text)) {
            svg.plate((from + width / 2.0, y), SIZE, text);
        }
    };
    label(&mut svg, end, out * scale, 27.0, "sent out", out);
    label(&mut svg, left, bought * scale, 90.0, "bought", bought);
    // Between the bars there is room whatever the width.
    let middle = ((begin + end) / 2.0).clamp(left + 80.0, WIDTH - RIGHT - 80.0);
    svg.text((middle, 58.0), Tied::Middle, SIZE, &format!("used at home {} kWh", kwh(own)));
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
    for (value, y) in up_marks
        .iter()
        .map(|v| (*v, zero - v * scale))
        .chain(down_marks.iter().skip(1).map(|v| (*v, zero + v * scale)))
    {
        svg.line((LEFT, y), (WIDTH - RIGHT, y), 0.6, true);
        svg.text((LEFT - 6.0, y + 4.0), Tied::End, SIZE, &mark(value));
    }
    let step = (WIDTH - LEFT - RIGHT) / bars.len().max(1) as f64;
    // Labels stand as close as their length allows.
    let longest = bars.iter().map(|b| b.label.chars().count()).max().unwrap_or(1) as f64;
    let every = ((longest * 6.5 + 6.0) / step).ceil().max(1.0) as usize;
    for (i, bar) in bars.iter().enumerate() {
        let x = LEFT + i as f64 * step + step * 0.14;
        let width = step * 0.72;
        svg.area(x, zero - bar.own * scale, width, bar.own * scale, Fill::Own);
        svg.area(x, zero - (bar.own + bar.out) * scale, width, bar.out * scale, Fill::Out);
        svg.area(x, zero, width, bar.bought * scale, Fill::Bought);
        let middle = x + width / 2.0;
        if i % every == 0 {
            svg.text((middle, height - 20.0), Tied::Middle, SIZE, &bar.label);
        }
        if bar.covered < COMPLETE {
            svg.text((middle, height - 6.0), Tied::Middle, 10.0, if step > 30.0 { "" } else { "*" });
            if step > 30.0 {
                svg.text(
                    (middle, height - 6.0),
                    Tied::Middle,
                    10.0,
                    &format!("* {}", percent(Some(bar.covered))),
                );
            }
        }
    }
    svg.line((LEFT, zero), (WIDTH - RIGHT, zero), 1.2, false);
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
        svg.line((LEFT, y), (WIDTH - RIGHT, y), 0.6, true);
        svg.text((LEFT - 6.0, y + 4.0), Tied::End, SIZE, &mark(*value));
    }
    let x = |i: f64| LEFT + i / 48.0 * (WIDTH - LEFT - RIGHT);
    for hour in (0..=24).step_by(3) {
        let tied = if hour == 24 { Tied::End } else { Tied::Middle };
        svg.text((x(f64::from(hour) * 2.0), height - 8.0), tied, SIZE, &format!("{hour:02}:00"));
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
    let highest = |value: fn(&MeanHalf) -> Option<f64>| {
        let each = halves.iter().enumerate().filter_map(|(i, h)| Some((i, value(h)? / 1000.0)));
        each.max_by(|(_, a), (_, b)| a.total_cmp(b)).filter(|(_, value)| *value > 0.0)
    };
    for (value, label) in [(highest(|h| h.solar_w), "made"), (highest(|h| h.house_w), "used")] {
        if let Some((i, value)) = value {
            let y = (zero - value * scale - 5.0).max(11.0);
            svg.text((x(i as f64 + 0.5).min(WIDTH - 30.0), y), Tied::Middle, 13.0, label);
        }
    }
    svg.line((LEFT, zero), (WIDTH - RIGHT, zero), 1.2, false);
    svg.done()
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
        svg.line((LEFT, y), (WIDTH - RIGHT, y), 0.6, true);
        svg.text((LEFT - 6.0, y + 4.0), Tied::End, SIZE, &mark(*value));
    }
    let step = (WIDTH - LEFT - RIGHT) / 24.0;
    for (hour, value) in exports.by_hour.iter().enumerate() {
        let x = LEFT + hour as f64 * step;
        svg.area(x + step * 0.1, zero - value * scale, step * 0.8, value * scale, Fill::Out);
        if total > 0.0 && *value / total >= 0.01 {
            let share = format!("{:.0} %", value / total * 100.0);
            svg.text((x + step / 2.0, zero - value * scale - 4.0), Tied::Middle, 10.0, &share);
        }
        if hour % 3 == 0 {
            svg.text((x, height - 8.0), Tied::Middle, SIZE, &format!("{hour:02}:00"));
        }
    }
    svg.line((LEFT, zero), (WIDTH - RIGHT, zero), 1.2, false);
    svg.done()
}
