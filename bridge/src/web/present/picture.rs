//! The cascade as shapes of one SVG: across in parts of its width, down in units of the text's size, so that it stands
//! beside the words at every width and every size of text.

use super::cascade::{Cascade, Reach};

/// Height of a row with one line of words, and of each further line, in em.
const ROW_EM: f64 = 4.4;
const LINE_EM: f64 = 1.35;

/// Height of the block in which a step's power stands, and what is left below it, in em.
const BLOCK_EM: f64 = 1.5;
const FOOT_EM: f64 = 0.35;

/// Something that flows is never narrower than this part of the width, in percent.
const LEAST: f64 = 0.6;

/// The way of a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    /// Power comes in.
    Source,
    /// Power is taken.
    Use,
    /// The last row: what is left over or missing.
    Street,
}

/// One row of the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Row {
    /// Lines of words beside it.
    pub(super) lines: usize,
    pub(super) way: Way,
}

/// A rectangle: `x` and `width` in percent, `y` and `height` in em.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shape {
    /// What it is, as a class: `fall`, `rise`, `block`, `bought`, `spill`, `ledge`.
    pub(super) class: &'static str,
    pub(super) x: String,
    pub(super) width: String,
    pub(super) y: String,
    pub(super) height: String,
}

/// The whole picture.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Picture {
    pub(super) shapes: Vec<Shape>,
    /// Its height in em.
    pub(super) height: String,
    /// The power at its right edge, in words.
    pub(super) full: String,
}

impl Picture {
    /// The picture of a cascade; `known` is false where nothing of it is.
    pub(super) fn of(cascade: &Cascade, rows: &[Row], known: bool) -> Picture {
        let mut draw = Draw { full_w: cascade.full_w, shapes: Vec::new() };
        let tops = tops(rows);
        let foot = tops.last().copied().unwrap_or_default();
        let street = tops[rows.len() - 1];
        for ((row, stage), edges) in rows.iter().zip(&cascade.stages).zip(tops.windows(2)).filter(|_| known) {
            let (top, end) = (edges[0], edges[1]);
            match (row.way, stage.own) {
                (Way::Source, Some(own)) => draw.source(own, top, end),
                (Way::Use, Some(own)) => draw.taking(own, cascade.edge_w, (top, end), street),
                (Way::Street, _) => draw.street(cascade, top),
                (_, None) => {}
            }
            if let Some(past) = stage.past.filter(|_| row.way != Way::Street) {
                draw.shape("fall", past, top, end);
            }
        }
        let kilowatts = cascade.full_w / 1000.0;
        Picture { shapes: draw.shapes, height: em(foot), full: format!("{kilowatts} kW") }
    }
}

/// The top of each row, and the foot of the last.
fn tops(rows: &[Row]) -> Vec<f64> {
    let mut tops = vec![0.0];
    let mut at = 0.0;
    for row in rows {
        at += ROW_EM + LINE_EM * row.lines.saturating_sub(1) as f64;
        tops.push(at);
    }
    tops
}

struct Draw {
    full_w: f64,
    shapes: Vec<Shape>,
}

impl Draw {
    fn shape(&mut self, class: &'static str, reach: Reach, top: f64, end: f64) {
        let percent = |watts: f64| (watts / self.full_w * 100.0).clamp(0.0, 100.0);
        let width = percent(reach.watts()).max(LEAST);
        let x = percent(reach.from).min(100.0 - width);
        self.shapes.push(Shape {
            class,
            x: format!("{x:.2}%"),
            width: format!("{width:.2}%"),
            y: em(top),
            height: em(end - top),
        });
    }

    /// A source stands as a block, and falls from there.
    fn source(&mut self, reach: Reach, top: f64, end: f64) {
        self.shape("block", reach, top + FOOT_EM, top + FOOT_EM + BLOCK_EM);
        self.shape("fall", reach, top + FOOT_EM + BLOCK_EM, end);
    }

    /// What a step takes: the part from above falls to its block, the bought part rises to it from the street.
    fn taking(&mut self, reach: Reach, edge_w: f64, (top, end): (f64, f64), street: f64) {
        let (block, foot) = (end - FOOT_EM - BLOCK_EM, end - FOOT_EM);
        let (fallen, bought) = reach.cut(edge_w);
        if let Some(fallen) = fallen {
            self.shape("fall", fallen, top, block);
            self.shape("block", fallen, block, foot);
        }
        if let Some(bought) = bought {
            self.shape("bought", bought, block, foot);
            self.shape("rise", bought, foot, street);
        }
    }

    /// The street is a line; what leaves spills below it, what comes stands below it.
    fn street(&mut self, cascade: &Cascade, top: f64) {
        self.shape("ledge", Reach { from: 0.0, to: self.full_w }, top, top + 0.15);
        let (from, to) = (top + 0.15, top + 0.15 + BLOCK_EM);
        if let Some(leaves) = cascade.leaves() {
            self.shape("spill", leaves, from, to);
        }
        if let Some(comes) = cascade.comes() {
            self.shape("bought", comes, from, to);
        }
    }
}

fn em(value: f64) -> String {
    format!("{value:.2}em")
}
