//! As much SVG as the charts need. Everything reads in black and white: areas differ by pattern, not by colour.

use std::fmt::Write as _;

/// How an area is filled. The names are those of [`PATTERNS`].
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
    fn paint(self) -> &'static str {
        match self {
            Fill::Own => "#333",
            Fill::Out => "url(#hatched)",
            Fill::Bought => "url(#dotted)",
        }
    }
}

/// The patterns; once in the page, before the charts.
pub(super) const PATTERNS: &str = r##"<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>
<pattern id="hatched" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="5" height="5" fill="#fff"/><rect width="1.6" height="5" fill="#333"/></pattern>
<pattern id="dotted" width="5" height="5" patternUnits="userSpaceOnUse"><rect width="5" height="5" fill="#fff"/><circle cx="1.5" cy="1.5" r="1" fill="#333"/></pattern>
</defs></svg>
"##;

/// Where a text is tied to its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tied {
    Middle,
    End,
}

/// A picture under way.
pub(super) struct Svg {
    width: f64,
    height: f64,
    title: String,
    body: String,
}

impl Svg {
    /// A picture of this size; `title` says what it shows to whoever can't see it.
    pub(super) fn new(width: f64, height: f64, title: &str) -> Svg {
        Svg { width, height, title: title.to_owned(), body: String::new() }
    }

    /// A filled area with an outline; one of no size is left out.
    pub(super) fn area(&mut self, x: f64, y: f64, width: f64, height: f64, fill: Fill) {
        if width > 0.0 && height > 0.0 {
            let _ = writeln!(
                self.body,
                r##"<rect x="{x:.1}" y="{y:.1}" width="{width:.1}" height="{height:.1}" fill="{}" stroke="#333" stroke-width="0.6"/>"##,
                fill.paint()
            );
        }
    }

    /// Text on a white plate in the middle of a patterned area.
    pub(super) fn plate(&mut self, (x, y): (f64, f64), size: f64, text: &str) {
        let width = 0.56 * size * text.chars().count() as f64 + 8.0;
        let _ = writeln!(
            self.body,
            r##"<rect x="{:.1}" y="{:.1}" width="{width:.1}" height="{:.1}" fill="#fff"/>"##,
            x - width / 2.0,
            y - size,
            size * 1.4
        );
        self.text((x, y), Tied::Middle, size, text);
    }

    /// A straight line.
    pub(super) fn line(&mut self, from: (f64, f64), to: (f64, f64), width: f64, grey: bool) {
        let colour = if grey { "#bbb" } else { "#000" };
        let _ = writeln!(
            self.body,
            r##"<line x1="{:.1}" y1="{:.1}" x2="{:.1}" y2="{:.1}" stroke="{colour}" stroke-width="{width}"/>"##,
            from.0, from.1, to.0, to.1
        );
    }

    /// A line through points.
    pub(super) fn path(&mut self, points: &[(f64, f64)], width: f64) {
        let points: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
        let _ = writeln!(
            self.body,
            r##"<polyline points="{}" fill="none" stroke="#000" stroke-width="{width}" stroke-linejoin="round"/>"##,
            points.join(" ")
        );
    }

    /// An area under points, down to `base`.
    pub(super) fn under(&mut self, points: &[(f64, f64)], base: f64, fill: Fill) {
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return };
        let mut all = vec![(first.0, base)];
        all.extend(points);
        all.push((last.0, base));
        let all: Vec<String> = all.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
        let _ = writeln!(
            self.body,
            r##"<polygon points="{}" fill="{}" stroke="#333" stroke-width="0.8"/>"##,
            all.join(" "),
            fill.paint()
        );
    }

    /// Text with a white rim, so that it reads on any ground.
    pub(super) fn text(&mut self, at: (f64, f64), tied: Tied, size: f64, text: &str) {
        let anchor = match tied {
            Tied::Middle => "middle",
            Tied::End => "end",
        };
        let _ = writeln!(
            self.body,
            r##"<text x="{:.1}" y="{:.1}" text-anchor="{anchor}" font-size="{size}" stroke="#fff" stroke-width="3" paint-order="stroke">{}</text>"##,
            at.0,
            at.1,
            escaped(text)
        );
    }

    /// The picture.
    pub(super) fn done(self) -> String {
        format!(
            "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\">\n{}</svg>\n",
            self.width,
            self.height,
            escaped(&self.title),
            self.body
        )
    }
}

/// A patch of a pattern, for a legend.
pub(super) fn swatch(fill: Fill) -> String {
    let mut svg = Svg::new(18.0, 11.0, "");
    svg.area(0.5, 0.5, 17.0, 10.0, fill);
    svg.done().replacen("<svg ", "<svg class=\"swatch\" ", 1)
}

/// Text as HTML and SVG take it.
pub(crate) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Where an axis up to `most` has its marks: a few round numbers, and the top one is at or above `most`.
pub(super) fn marks(most: f64) -> Vec<f64> {
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
pub(super) fn mark(value: f64) -> String {
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
