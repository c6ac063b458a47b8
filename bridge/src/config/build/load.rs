//! Loads: kind, bounds, command, fallback.

use overspill_rules::home::{
    CircuitId, CountedBy, Fallback, HeatsWater, InputId, Kind, Load, LoadId, OnMove, PointId, SendAs, TooHot,
};
use overspill_rules::limits::{LOADS, SETTLE_CHARGE_POINT, SETTLE_MODULATED, SETTLE_SWITCH};

use crate::config::block::{At, Block};
use crate::config::checks::load as check;
use crate::config::route::{CommandTopic, Makes, Target};

use super::{Build, Item};

/// Keys that only one kind of load has.
const KEYS_OF_KINDS: [(&str, &str); 5] = [
    ("floor_a", "charge-point"),
    ("ceiling_a", "charge-point"),
    ("floor_w", "modulated"),
    ("ceiling_w", "modulated"),
    ("rating_w", "switch"),
];

impl<'b> Build<'b, '_> {
    pub(super) fn loads(&mut self) -> Vec<Item<'b, Load>> {
        let loads = self.items("load", |build, at, id, block| build.load(LoadId(at), id, block));
        if let Some(first_over) = loads.get(LOADS) {
            let message = format!("a home has at most {LOADS} loads");
            self.found.error("too-many", first_over.place.clone(), message).label("one too many");
        }
        loads
    }

    /// Every part is built before any is asked for, so that all mistakes of one load are told at once.
    fn load(&mut self, at: LoadId, id: &str, block: &Block) -> Option<Load> {
        self.command_topic(at, block);
        self.feedback(at, block);
        let kind = self.kind(block);
        let send = self.send(block);
        let phases = self.load_phases(block);
        let fallback = self.fallback(block, kind);
        let too_hot = self.too_hot(block);
        let heats_water = self.heats_water(block);
        let circuits = self.names.circuits.clone();
        let circuit = self.refer(block, "circuit", "circuit", &circuits).map(CircuitId);
        let counted_by = self.counted_by(block);
        let device_timeout = check::device_timeout(block, self.found);
        check::times(block, self.found);
        let (phases, phase) = phases?;
        Some(Load {
            id: id.to_owned(),
            name: block.text("name").unwrap_or(id).to_owned(),
            kind: kind?,
            send: send?,
            phases,
            phase,
            turn: block.whole("turn")?,
            circuit,
            counted_by: counted_by?,
            start_after: block.duration("start_after")?,
            stop_after: block.duration("stop_after")?,
            raise_after: block.duration("raise_after")?,
            min_on: block.duration("min_on")?,
            min_off: block.duration("min_off")?,
            refresh: block.duration("refresh")?,
            device_timeout,
            settle: block.duration("settle").unwrap_or(settle_of(kind?)),
            ramp_w_per_s: block.number("ramp_w_per_s"),
            fallback: fallback?,
            unattended: block.flag("unattended")?,
            too_hot,
            heats_water,
            own_sun_first: block.flag("own_sun_first")?,
            on_move: if block.text("when_moved")? == "yield" { OnMove::Yield } else { OnMove::Tell },
            reports_plugged: reports(block, "plugged"),
            reports_ready: reports(block, "ready"),
        })
    }

    fn command_topic(&mut self, load: LoadId, block: &Block) {
        let Some(topic) = block.text("topic") else { return };
        let retain = self.root.block("mqtt").and_then(|m| m.flag("retain_commands")).unwrap_or(false);
        let command = CommandTopic { load, topic: topic.to_owned(), retain };
        self.commands.push(At { value: command, place: block.place("topic") });
    }

    fn feedback(&mut self, load: LoadId, block: &Block) {
        let Some(feedback) = block.block("feedback") else { return };
        if let Some(plugged) = feedback.block("plugged") {
            self.route(plugged, Target::Plugged(load));
        }
        if let Some(ready) = feedback.block("ready") {
            self.route(ready, Target::Ready(load));
        }
    }

    fn kind(&mut self, block: &Block) -> Option<Kind> {
        let kind = block.text("kind")?;
        self.keys_of_other_kinds(block, kind);
        match kind {
            "charge-point" => self.charge_point(block),
            "modulated" => {
                self.need(block, "ceiling_w", "A modulated load has a greatest power.");
                let (floor_w, ceiling_w) = (block.number("floor_w")?, block.number("ceiling_w")?);
                self.floor_below_ceiling(block, "floor_w", "ceiling_w")?;
                Some(Kind::Modulated { floor_w, ceiling_w })
            }
            _ => {
                self.need(block, "rating_w", "What its load draws when it is on.");
                check::attended(block, self.found);
                let rating_w = block.number("rating_w")?;
                if rating_w <= 0.0 {
                    self.found
                        .error("out-of-range", block.place("rating_w"), "`rating_w` must be above 0")
                        .label("draws nothing");
                    return None;
                }
                Some(Kind::Switch { rating_w })
            }
        }
    }

    fn charge_point(&mut self, block: &Block) -> Option<Kind> {
        self.need(block, "ceiling_a", "A charge point has a greatest current.");
        let (floor_a, ceiling_a) = (block.number("floor_a")?, block.number("ceiling_a")?);
        if floor_a < 6.0 {
            self.found
                .error("floor-too-low", block.place("floor_a"), "a charge point offers no less than 6 A")
                .label("below 6 A")
                .note("IEC 61851-1 has no signal for a current between 0 and 6 A: below 6 A a charge point can only pause")
                .help("write floor_a = 6, or leave it out");
            return None;
        }
        self.floor_below_ceiling(block, "floor_a", "ceiling_a")?;
        Some(Kind::ChargePoint { floor_a, ceiling_a })
    }

    fn floor_below_ceiling(&mut self, block: &Block, floor: &str, ceiling: &str) -> Option<()> {
        let (low, high) = (block.number(floor)?, block.number(ceiling)?);
        if low <= high && high > 0.0 {
            return Some(());
        }
        let d = self.found.error(
            "floor-above-ceiling",
            block.place(ceiling),
            format!("`{ceiling}` is below `{floor}`"),
        );
        match block.is_written(floor) {
            true => d.label("the ceiling").also(block.place(floor), "the floor"),
            false => d.label(format!("`{floor}` is {low} where it is not written")),
        };
        None
    }

    fn keys_of_other_kinds(&mut self, block: &Block, kind: &str) {
        for (key, owner) in KEYS_OF_KINDS.iter().filter(|(k, owner)| *owner != kind && block.is_written(k)) {
            let own: Vec<&str> = KEYS_OF_KINDS.iter().filter(|(_, o)| *o == kind).map(|(k, _)| *k).collect();
            self.found
                .error("wrong-kind", block.key_place(key), format!("`{key}` is for kind = \"{owner}\""))
                .label(format!("this is kind = \"{kind}\""))
                .help(format!("write {} instead", own.join(" and ")));
        }
    }

    fn send(&mut self, block: &Block) -> Option<SendAs> {
        let send = block.text("send")?;
        check::send_fits_kind(block, send, self.found);
        check::words_fit_send(block, send, self.found);
        if send == "script" {
            self.need(block, "send_script", "send = \"script\" needs the expression that makes the command.");
        } else if block.is_written("send_script") {
            self.found
                .error("unused-key", block.key_place("send_script"), "`send_script` is for send = \"script\"")
                .label(format!("this is send = \"{send}\""));
        }
        Some(match send {
            "amps" => SendAs::Amps,
            "watts" => SendAs::Watts,
            "percent" => SendAs::Percent,
            "duty" => SendAs::Duty,
            "json" => SendAs::Json,
            "on-off" => SendAs::OnOff {
                on_word: block.text("on_word")?.to_owned(),
                off_word: block.text("off_word")?.to_owned(),
            },
            _ => SendAs::Script { source: self.expression(block, "send_script", Makes::Command)? },
        })
    }

    /// Phases and first phase.
    fn load_phases(&mut self, block: &Block) -> Option<(u8, u8)> {
        let phases = block.whole("phases")? as u8;
        let phase = block.whole("phase").map(|p| p as u8);
        if block.is_broken("phase") {
            return None;
        }
        let Some(supply) = self.supply else { return Some((phases, phase.unwrap_or(1))) };
        match (supply.phases, phases, phase) {
            (1, 3, _) => {
                self.found
                    .error("single-phase", block.place("phases"), "the supply has a single phase")
                    .label("draws from three")
                    .help("write phases = 1 here, or phases = 3 in `[supply]`");
                None
            }
            (1, 1, Some(p)) if p > 1 => {
                self.found
                    .error("single-phase", block.place("phase"), "the supply has a single phase")
                    .label("no such phase")
                    .help("leave `phase` out, or write phases = 3 in `[supply]`");
                None
            }
            (3, 1, None) => {
                self.need(
                    block,
                    "phase",
                    "On a three-phase supply a single-phase load says which phase it is on.",
                );
                None
            }
            (_, 3, Some(_)) => {
                self.found
                    .error(
                        "unused-key",
                        block.key_place("phase"),
                        "a load on three phases has no single phase",
                    )
                    .label("leave it out")
                    .also(block.place("phases"), "on three phases");
                None
            }
            (_, _, phase) => Some((phases, phase.unwrap_or(1))),
        }
    }

    fn fallback(&mut self, block: &Block, kind: Option<Kind>) -> Option<Fallback> {
        if let Some(amount) = block.block("fallback") {
            return check::fallback_amount(amount, kind?, self.found);
        }
        match block.text("fallback")? {
            "off" => Some(Fallback::Off),
            _ => {
                check::release(block, self.found);
                Some(Fallback::Release)
            }
        }
    }

    fn too_hot(&mut self, block: &Block) -> Option<TooHot> {
        let too_hot = block.block("too_hot")?;
        let inputs = self.names.inputs.clone();
        let input = self.refer(too_hot, "input", "input", &inputs).map(InputId)?;
        Some(TooHot { input, above: too_hot.number("above")? })
    }

    fn heats_water(&mut self, block: &Block) -> HeatsWater {
        let Some(hot_water) = block.block("hot_water") else {
            return match block.text("hot_water") {
                Some("none") => HeatsWater::No,
                Some(_) => HeatsWater::LiftedOtherwise,
                None => HeatsWater::NotSaid,
            };
        };
        check::hot_water(hot_water, self.found);
        let inputs = self.names.inputs.clone();
        let temperature = self.refer(hot_water, "temperature", "input", &inputs).map(InputId);
        HeatsWater::Yes { temperature, thermostat_c: hot_water.number("thermostat_c") }
    }

    fn counted_by(&mut self, block: &Block) -> Option<CountedBy> {
        if block.is_broken("counted_by") {
            return None;
        }
        match block.text("counted_by") {
            None => Some(CountedBy::Main),
            Some("none") => Some(CountedBy::Nothing),
            Some(_) => {
                let points = self.names.points.clone();
                let point = self.refer(block, "counted_by", "point", &points)?;
                Some(CountedBy::Point(PointId(point)))
            }
        }
    }
}

fn settle_of(kind: Kind) -> overspill_rules::time::Span {
    match kind {
        Kind::ChargePoint { .. } => SETTLE_CHARGE_POINT,
        Kind::Modulated { .. } => SETTLE_MODULATED,
        Kind::Switch { .. } => SETTLE_SWITCH,
    }
}

fn reports(block: &Block, what: &str) -> bool {
    block.block("feedback").is_some_and(|f| f.is_written(what))
}
