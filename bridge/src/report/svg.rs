//! As much SVG as the charts need. Everything reads in black and white: areas differ by pattern, not by colour.
//!
//! Across, a chart is given in units of which [`Svg::new`] says how many there are, and stretches with the page; down, it
//! is in pixels, and words keep their size. What things look like is said by the style of the page they stand in, so that
//! a page may have a dark one.

use std::fmt::Write as _;

/// How an area is filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fill {
    /// Used at home: dark.
    Own,
    /// Sent out: hatched.
    Out,
    /// Bought: dotted.
    Bought,
}

impl Fill {
    fn class(self) -> &'static str {
        match self {
            Fill::Own => "f-own",
            Fill::Out => "f-out",
            Fill::Bought => "f-bought",
        }
    }
}

/// The patterns; once in the page, before the charts.
pub(crate) const PATTERNS: &str = r##"<svg class="patterns" width="0" height="0" aria-hidden="true"><defs>
<pattern id="hatched" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="f-paper" width="5" height="5"/><rect class="f-ink" width="1.6" height="5"/></pattern>
<pattern id="dotted" width="5" height="5" patternUnits="userSpaceOnUse"><rect class="f-paper" width="5" height="5"/><circle class="f-ink" cx="1.5" cy="1.5" r="1"/></pattern>
</defs></svg>
"##;

/// Where a text is tied to its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tied {
    Start,
    Middle,
    End,
}

/// Which pages have room for a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Room {
    /// All.
    Any,
    /// Only wide ones.
    Wide,
    /// Only narrow ones.
    Narrow,
}

impl Room {
    fn class(self) -> &'static str {
        match self {
            Room::Any => "",
            Room::Wide => " class=\"only-wide\"",
            Room::Narrow => " class=\"only-narrow\"",
        }
    }
}

/// A picture under way.
pub(super) struct Svg {
    across: f64,
    height: f64,
    title: String,
    body: String,
}

impl Svg {
    /// A picture of so many units across and pixels down; `title` says what it shows to whoever can't see it.
    pub(super) fn new(across: f64, height: f64, title: &str) -> Svg {
        Svg { across, height, title: title.to_owned(), body: String::new() }
    }

    fn percent(&self, units: f64) -> String {
        format!("{:.2}%", units / self.across * 100.0)
    }

    /// A filled area with an outline; one of no size is left out.
    pub(super) fn area(&mut self, x: f64, y: f64, width: f64, height: f64, fill: Fill) {
        if width > 0.0 && height > 0.0 {
            let (x, width, class) = (self.percent(x), self.percent(width), fill.class());
            let _ = writeln!(
                self.body,
                r#"<rect class="{class}" x="{x}" y="{y:.1}" width="{width}" height="{height:.1}"/>"#
            );
        }
    }

    /// Text on a plate in the middle of a patterned area.
    pub(super) fn plate(&mut self, (x, y): (f64, f64), size: f64, room: Room, text: &str) {
        let width = 0.56 * size * text.chars().count() as f64 + 8.0;
        let _ = writeln!(
            self.body,
            r#"<g{}><rect class="f-paper" x="{}" y="{:.1}" width="{width:.1}" height="{:.1}" transform="translate({:.1} 0)"/>"#,
            room.class(),
            self.percent(x),
            y - size,
            size * 1.4,
            -width / 2.0
        );
        self.text((x, y), Tied::Middle, size, text);
        self.body.push_str("</g>\n");
    }

    /// A straight line; `faint` for what only helps to read.
    pub(super) fn line(&mut self, from: (f64, f64), to: (f64, f64), width: f64, faint: bool) {
        let class = if faint { "l-faint" } else { "l-ink" };
        let (x1, x2) = (self.percent(from.0), self.percent(to.0));
        let _ = writeln!(
            self.body,
            r#"<line class="{class}" x1="{x1}" y1="{:.1}" x2="{x2}" y2="{:.1}" stroke-width="{width}"/>"#,
            from.1, to.1
        );
    }

    /// A line through points.
    pub(super) fn path(&mut self, points: &[(f64, f64)], width: f64) {
        let points: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
        self.stretched(&format!(
            r#"<polyline class="l-ink" points="{}" fill="none" stroke-width="{width}" stroke-linejoin="round" vector-effect="non-scaling-stroke"/>"#,
            points.join(" ")
        ));
    }

    /// An area under points, down to `base`.
    pub(super) fn under(&mut self, points: &[(f64, f64)], base: f64, fill: Fill) {
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return };
        let mut all = vec![(first.0, base)];
        all.extend(points);
        all.push((last.0, base));
        let all: Vec<String> = all.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
        self.stretched(&format!(
            r#"<polygon class="{}" points="{}" vector-effect="non-scaling-stroke"/>"#,
            fill.class(),
            all.join(" ")
        ));
    }

    /// A shape in units across and pixels down.
    fn stretched(&mut self, shape: &str) {
        let (across, height) = (self.across, self.height);
        let _ = writeln!(
            self.body,
            r#"<svg width="100%" height="{height}" viewBox="0 0 {across} {height}" preserveAspectRatio="none">{shape}</svg>"#
        );
    }

    /// Text with a rim, so that it reads on any ground.
    pub(super) fn text(&mut self, at: (f64, f64), tied: Tied, size: f64, text: &str) {
        self.text_where(at, tied, size, Room::Any, text);
    }

    /// The same, for pages with room.
    pub(super) fn text_where(&mut self, at: (f64, f64), tied: Tied, size: f64, room: Room, text: &str) {
        let anchor = match tied {
            Tied::Start => "start",
            Tied::Middle => "middle",
            Tied::End => "end",
        };
        let _ = writeln!(
            self.body,
            r#"<text{} x="{}" y="{:.1}" text-anchor="{anchor}" font-size="{size}">{}</text>"#,
            room.class(),
            self.percent(at.0),
            at.1,
            escaped(text)
        );
    }

    /// The picture.
    pub(super) fn done(self) -> String {
        format!(
            "<svg class=\"chart\" width=\"100%\" height=\"{}\" role=\"img\" aria-label=\"{}\">\n{}</svg>\n",
            self.height,
            escaped(&self.title),
            self.body
        )
    }
}

/// A patch of a pattern, for a legend that says in words what it is.
pub(super) fn swatch(fill: Fill) -> String {
    let mut svg = Svg::new(18.0, 11.0, "");
    svg.area(0.5, 0.5, 17.0, 10.0, fill);
    let drawn = svg.done().replacen("class=\"chart\" width=\"100%\"", "class=\"swatch\" width=\"18\"", 1);
    drawn.replacen("role=\"img\" aria-label=\"\"", "aria-hidden=\"true\"", 1)
}

/// Text as HTML and SVG take it.
pub(crate) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Where an axis up to `most` has its marks: a few round numbers, and the top one is at or above `most`.
pub(crate) fn marks(most: f64) -> Vec<f64> {
    if !most.is_finite() || most <= 0.0 {
        return vec![0.0, 1.0];
    }
    let rough = most / 4.0;
    let power = 10_f64.powf(rough.log10().floor());
    let step =
        [1.0, 2.0, 2.5, 5.0, 10.0].map(|s| s * power).into_iter().find(|s| *s >= rough).unwrap_or(rough);
    let count = (most / step).ceil() as u32;
    (0..=count).map(|i| f64::from(i) * step).collect()
}

/// A mark as it is written: no more digits than it needs.
pub(crate) fn mark(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_has_few_round_marks_and_reaches_the_top() {
        let shown = |most: f64| marks(most).into_iter().map(mark).collect::<Vec<_>>().join(" ");
        assert_eq!(shown(3.9), "0 1 2 3 4");
        assert_eq!(shown(23.0), "0 10 20 30");
        assert_eq!(shown(0.09), "0 0.025 0.05 0.075 0.1");
        assert_eq!(shown(1000.0), "0 250 500 750 1000");
        assert_eq!(shown(0.0), "0 1");
    }

    #[test]
    fn names_can_hold_anything() {
        assert_eq!(escaped(r#"<b>"A & B"</b>"#), "&lt;b&gt;&quot;A &amp; B&quot;&lt;/b&gt;");
    }
}
