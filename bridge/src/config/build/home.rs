//! The supply, the circuits, the battery and the inputs.

use overspill_rules::home::{
    Battery, Circuit, CircuitId, InputId, Measures, Netting, OtherInput, Point, Supply,
};
use overspill_rules::script::{BALANCE_NAMES, Owner, reference};

use crate::config::block::Block;
use crate::config::form::with_article;
use crate::config::route::Target;

use super::{Build, Item};

impl<'b> Build<'b, '_> {
    pub(super) fn supply(&mut self) -> Option<Supply> {
        let block = self.root.block("supply")?;
        if let Some(island) = block.block("island") {
            self.route(island, Target::Island);
        }
        let phases = block.whole("phases")? as u8;
        if phases == 1 && block.is_written("netting") {
            self.found
                .error("single-phase", block.key_place("netting"), "`netting` is for three phases")
                .label("a single phase has nothing to net")
                .help("leave it out, or write phases = 3");
        }
        let netting = match block.text("netting")? {
            "phase" => Netting::Phase,
            _ => Netting::Sum,
        };
        let export_limit_w = block.number("export_limit_w");
        let (volts, rating_a) = (block.number("volts")?, block.number("rating_a")?);
        Some(Supply { phases, netting, volts, rating_a, export_limit_w })
    }

    pub(super) fn circuits(&mut self) -> Vec<Item<'b, Circuit>> {
        let names = self.names.circuits.clone();
        self.items("circuit", |build, _, id, block| {
            let within = build.refer(block, "within", "circuit", &names).map(CircuitId);
            Some(Circuit { id: id.to_owned(), rating_a: block.number("rating_a")?, within })
        })
    }

    pub(super) fn inputs(&mut self) -> Vec<Item<'b, OtherInput>> {
        self.items("input", |build, at, id, block| {
            build.readable_name("input", id, block);
            build.route(block, Target::Input(InputId(at)));
            build.nonzero_scale(block);
            Some(OtherInput {
                id: id.to_owned(),
                unit: block.text("unit").map(str::to_owned),
                stale_after: block.duration("stale_after")?,
                plausible: block.range("plausible"),
                scale: block.number("scale")?,
            })
        })
    }

    /// Rules read the balance, the points and the inputs by name, in one space of names.
    pub(super) fn readable_name(&mut self, one: &str, id: &str, block: &Block) {
        let words = reference();
        let taken = BALANCE_NAMES.contains(&id) || words.iter().any(|w| w.on == Owner::Home && w.name == id);
        let twice = one == "input" && self.names.points.contains(&id);
        if !taken && !twice {
            return;
        }
        let message = format!("{} can't be called `{id}`", with_article(one));
        let d = self.found.error("taken-name", block.header.clone(), message);
        match twice {
            true => d.label("a point has this name"),
            false => d.label("rules read something else by it"),
        };
        d.help("rules read points and inputs by their names, so each needs one of its own");
    }

    pub(super) fn nonzero_scale(&mut self, block: &Block) {
        if block.number("scale") == Some(0.0) {
            self.found
                .error("out-of-range", block.place("scale"), "`scale` can't be 0")
                .label("makes every reading 0");
        }
    }

    /// The battery as declared; one that is only measured is served first, as is the default.
    pub(super) fn battery(&mut self, points: &[Item<'b, Point>]) -> Option<Battery> {
        let names = self.names.inputs.clone();
        let Some(block) = self.root.block("battery") else {
            let measured =
                points.iter().filter_map(|p| p.made.as_ref()).any(|p| p.measures == Measures::Battery);
            return measured.then_some(Battery {
                first: true,
                charge_limit_w: 0.0,
                charge_input: None,
                full_above: 100.0,
            });
        };
        let charge_input = self.refer(block, "charge", "input", &names).map(InputId);
        let charge_limit_w = block.number("charge_limit_w")?;
        if charge_limit_w > 0.0 && !block.is_written("charge") {
            self.found
                .warning("battery-never-full", block.place("charge_limit_w"), "the battery counts as never full")
                .label("left to the battery at all times")
                .note(format!("nothing tells its state of charge, so {charge_limit_w} W of spare power are always left to it, even when it is full"))
                .help("name the input that tells its charge in percent: charge = \"NAME\"");
        }
        Some(Battery {
            first: block.text("served")? == "first",
            charge_limit_w,
            charge_input,
            full_above: block.number("full_above")?,
        })
    }
}
