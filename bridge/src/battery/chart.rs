//! What a battery brings against its size, as a picture that stands alone and reads in black and white.

use std::fmt::Write as _;

use overspill_rules::answers::battery::{POWER_PER_KWH, Strategy, Terms};

use super::Told;
use super::words::{enough, number};

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 480.0;
const LEFT: f64 = 76.0;
const RIGHT: f64 = 600.0;
const TOP: f64 = 76.0;
const BOTTOM: f64 = 376.0;

/// Sizes between those that were asked for, so that a curve can be seen.
const POINTS: usize = 12;

/// Labels at the ends of curves keep so far apart.
const LABEL_GAP: f64 = 32.0;

/// From data to paper.
#[derive(Debug, Clone, Copy)]
struct Axes {
    most_x: f64,
    least_y: f64,
    most_y: f64,
}

impl Axes {
    fn x(&self, size: f64) -> f64 {
        LEFT + size / self.most_x * (RIGHT - LEFT)
    }

    fn y(&self, worth: f64) -> f64 {
        BOTTOM - (worth - self.least_y) / (self.most_y - self.least_y) * (BOTTOM - TOP)
    }
}

struct Curve {
    strategy: Strategy,
    /// Size and worth, by size.
    points: Vec<(f64, f64)>,
    /// Those that were asked for.
    asked: Vec<(f64, f64)>,
}

/// The picture, as SVG.
pub fn svg(told: &Told) -> String {
    let curves: Vec<Curve> = told.strategies().into_iter().map(|strategy| curve(told, strategy)).collect();
    let all = || curves.iter().flat_map(|curve| curve.points.iter().copied());
    let ceiling = round_up(all().map(|(_, worth)| worth).fold(0.0, f64::max));
    let floor = all().map(|(_, worth)| worth).fold(0.0, f64::min);
    let axes = Axes {
        most_x: all().map(|(size, _)| size).fold(0.0, f64::max),
        least_y: if floor < 0.0 { -round_up(-floor) } else { 0.0 },
        most_y: if ceiling > 0.0 { ceiling } else { 1.0 },
    };
    let mut svg = head(told);
    grid(&mut svg, &axes, told);
    end(&mut svg, &axes, told);
    for curve in &curves {
        draw(&mut svg, &axes, curve);
    }
    labels(&mut svg, &axes, &curves);
    svg.push_str("</svg>\n");
    svg
}

fn curve(told: &Told, strategy: Strategy) -> Curve {
    let asked: Vec<(f64, f64)> =
        told.of(strategy).map(|row| (row.outcome.terms.size_kwh, told.worth_a_year(row))).collect();
    let mut points = vec![(0.0, 0.0)];
    points.extend(&asked);
    if let Some(last) = told.of(strategy).last() {
        let terms = last.outcome.terms;
        for n in 1..POINTS {
            let share = n as f64 / POINTS as f64;
            let size_kwh = terms.size_kwh * share;
            // Sizes below the reserve would not work at all.
            if size_kwh <= terms.reserve_kwh || points.iter().any(|(size, _)| *size == size_kwh) {
                continue;
            }
            let power_kw = told.power_kw.unwrap_or(terms.power_kw * share);
            let row = told.row(&Terms { size_kwh, power_kw, ..terms }, strategy);
            points.push((size_kwh, told.worth_a_year(&row)));
        }
    }
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    Curve { strategy, points, asked }
}

/// A round number not below `value`, so that curves fill the picture.
fn round_up(value: f64) -> f64 {
    first_of(&[1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0], value)
}

/// A distance of marks not below `value`, as rulers have it.
fn marks(value: f64) -> f64 {
    first_of(&[1.0, 2.0, 5.0, 10.0], value)
}

fn first_of(steps: &[f64], value: f64) -> f64 {
    if value <= 0.0 {
        return 0.0;
    }
    let ten = 10.0_f64.powf(value.log10().floor());
    let fits = |step: &f64| *step * ten >= value * 0.999_999;
    steps.iter().copied().find(fits).unwrap_or(10.0) * ten
}

fn what(told: &Told) -> String {
    match &told.currency {
        Some(currency) => format!("Saved in a year, {currency}"),
        None => "Not bought in a year, kWh".to_owned(),
    }
}

fn head(told: &Told) -> String {
    let title = escaped(&format!("{}: what a battery would have brought", told.home));
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" width=\"{WIDTH}\" \
         height=\"{HEIGHT}\" role=\"img\" font-family=\"sans-serif\" font-size=\"13\" fill=\"#111\">\n\
         <title>{title}</title>\n<rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n"
    );
    text(&mut svg, (LEFT, 26.0), "start", "font-size=\"17\" font-weight=\"bold\"", &title);
    text(&mut svg, (LEFT, TOP - 18.0), "start", "", &what(told));
    let below = format!(
        "Indicative: from readings of {} days ({:.0} % of the time).",
        number(told.covered_hours / 24.0, 0),
        told.covered() * 100.0
    );
    text(&mut svg, (LEFT, HEIGHT - 10.0), "start", "font-size=\"12\"", &below);
    svg
}

fn grid(svg: &mut String, axes: &Axes, told: &Told) {
    let step = marks((axes.most_y - axes.least_y) / 5.0);
    let mut worth = (axes.least_y / step).ceil() * step;
    while worth <= axes.most_y + step * 1e-6 {
        let y = axes.y(worth);
        let colour = if worth.abs() < step * 1e-6 { "#111" } else { "#ddd" };
        let _ = writeln!(svg, "<path d=\"M{LEFT} {y:.1}H{RIGHT}\" stroke=\"{colour}\" fill=\"none\"/>");
        text(svg, (LEFT - 8.0, y + 4.0), "end", "", &number(worth, 2));
        worth += step;
    }
    let step = marks(axes.most_x / 8.0);
    let mut size = 0.0;
    while size <= axes.most_x * 1.000_001 {
        let x = axes.x(size);
        let _ = writeln!(svg, "<path d=\"M{x:.1} {BOTTOM}v5\" stroke=\"#111\" fill=\"none\"/>");
        text(svg, (x, BOTTOM + 20.0), "middle", "", &number(size, 2));
        size += step;
    }
    let power = match told.power_kw {
        Some(power_kw) => format!("{} kW", number(power_kw, 2)),
        None => format!("{POWER_PER_KWH} kW for each kWh"),
    };
    let middle = f64::midpoint(LEFT, RIGHT);
    text(svg, (middle, BOTTOM + 40.0), "middle", "", &format!("Usable size, kWh ({power})"));
}

/// From where on more is not worth it.
fn end(svg: &mut String, axes: &Axes, told: &Told) {
    let Some((size, sentence)) = enough(told) else { return };
    text(svg, (LEFT, HEIGHT - 28.0), "start", "font-size=\"12\"", &escaped(&sentence));
    let Some(size) = size else { return };
    let x = axes.x(size);
    let _ = writeln!(
        svg,
        "<rect x=\"{x:.1}\" y=\"{TOP}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"#000\" fill-opacity=\"0.06\"/>\n\
         <path d=\"M{x:.1} {TOP}V{BOTTOM}\" stroke=\"#111\" stroke-dasharray=\"2 4\" fill=\"none\"/>",
        RIGHT - x,
        BOTTOM - TOP
    );
}

fn draw(svg: &mut String, axes: &Axes, curve: &Curve) {
    let mut path = String::new();
    for (n, (size, worth)) in curve.points.iter().enumerate() {
        let _ = write!(path, "{}{:.1} {:.1}", if n == 0 { "M" } else { "L" }, axes.x(*size), axes.y(*worth));
    }
    let dashes = match curve.strategy {
        Strategy::StoreSurplus => "",
        Strategy::FillCheap => " stroke-dasharray=\"9 4\"",
        Strategy::Foresight => " stroke-dasharray=\"2 3\"",
    };
    let _ = writeln!(svg, "<path d=\"{path}\" stroke=\"#111\" stroke-width=\"1.8\" fill=\"none\"{dashes}/>");
    let last = curve.asked.len().saturating_sub(1);
    for (n, (size, worth)) in curve.asked.iter().enumerate() {
        let (x, y) = (axes.x(*size), axes.y(*worth));
        let _ = writeln!(svg, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.5\"/>");
        // Under the curve, where there is room; the bound, which is above another curve, goes without.
        let (shift, anchor) = if n == last { (-6.0, "end") } else { (5.0, "start") };
        if curve.strategy != Strategy::Foresight {
            text(svg, (x + shift, y + 17.0), anchor, "font-size=\"12\"", &format!("{worth:.0}"));
        }
    }
}

/// Each curve's name at its end, none over another.
fn labels(svg: &mut String, axes: &Axes, curves: &[Curve]) {
    let mut ends: Vec<(f64, &Curve)> =
        curves.iter().filter_map(|c| c.points.last().map(|(_, worth)| (axes.y(*worth), c))).collect();
    ends.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut free = f64::NEG_INFINITY;
    for (y, curve) in ends {
        let y = y.max(free);
        free = y + LABEL_GAP;
        let (name, more) = match curve.strategy {
            Strategy::StoreSurplus => ("store-surplus", "stores what is left over"),
            Strategy::FillCheap => ("fill-cheap", "also buys when cheap"),
            Strategy::Foresight => ("foresight", "out of reach: a bound"),
        };
        text(svg, (RIGHT + 10.0, y + 4.0), "start", "font-weight=\"bold\"", name);
        text(svg, (RIGHT + 10.0, y + 18.0), "start", "font-size=\"11\"", more);
    }
}

fn text(svg: &mut String, (x, y): (f64, f64), anchor: &str, more: &str, words: &str) {
    let _ = writeln!(svg, "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" {more}>{words}</text>");
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
