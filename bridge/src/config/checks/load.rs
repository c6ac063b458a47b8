//! Checks of one load by itself.

use overspill_rules::home::{Fallback, Kind};
use overspill_rules::time::Span;

use crate::config::block::Block;
use crate::config::diagnostic::Diagnostics;
use crate::config::table::{AMPS_SENDS, KINDS};

/// The device's own time-out: the only thing that acts when Overspill or its computer fails.
pub(crate) fn device_timeout(block: &Block, found: &mut Diagnostics) -> Option<Span> {
    if block.duration("device_timeout").is_some() || block.is_broken("device_timeout") {
        return block.duration("device_timeout");
    }
    let (place, label) = match block.is_none("device_timeout") {
        true => (block.place("device_timeout"), "keeps its last command for ever"),
        false => (block.header.clone(), "`device_timeout` is not written, so none is assumed"),
    };
    found
        .warning("no-device-timeout", place, "if Overspill or its computer fails, this load stays as it is")
        .label(label)
        .note("only a time-out in the device itself acts then; the fallback needs a running program")
        .help("set one in the device where it has one, and write it here, such as device_timeout = \"2m\"");
    None
}

/// The command must come again before the device gives up on it.
pub(crate) fn times(block: &Block, found: &mut Diagnostics) {
    let (Some(refresh), Some(timeout)) = (block.duration("refresh"), block.duration("device_timeout")) else {
        return;
    };
    let written = if block.is_written("refresh") { "refresh" } else { "device_timeout" };
    if refresh >= timeout {
        found
            .error(
                "refresh-too-slow",
                block.place(written),
                "the device would give up before the next command",
            )
            .label(format!("again every {refresh}, given up after {timeout}"))
            .help(format!("write a `refresh` well below {timeout}, at most {}", timeout.times(0.5)));
    } else if refresh.times(2.0) > timeout {
        found
            .warning("refresh-slow", block.place(written), "one lost message would make the device give up")
            .label(format!("again every {refresh}, given up after {timeout}"))
            .help(format!("write a `refresh` of at most {}", timeout.times(0.5)));
    }
}

/// `release` leaves it to the device, so the device must do something by itself.
pub(crate) fn release(block: &Block, found: &mut Diagnostics) {
    if block.duration("device_timeout").is_some() || block.is_broken("device_timeout") {
        return;
    }
    found
        .error("release-without-timeout", block.place("fallback"), "nothing would ever happen on `release`")
        .label("leaves it to the device's own time-out")
        .note("`release` stops sending commands, and this load has no `device_timeout` to act then")
        .help("write the device's own time-out, device_timeout = \"2m\", or fallback = \"off\"");
}

/// A switch starts by itself with nobody there, and the home must say that this is safe.
pub(crate) fn attended(block: &Block, found: &mut Diagnostics) {
    if block.flag("unattended") != Some(false) {
        return;
    }
    let place = if block.is_written("unattended") { block.place("unattended") } else { block.header.clone() };
    found
        .error("not-unattended", place, "a switched load must be safe to start with nobody present")
        .label("`unattended = true` is missing")
        .note("rules switch it on at any hour. Portable heaters, cooking and moving machinery are never suitable")
        .help("write unattended = true if what hangs on this switch may start with nobody there");
}

/// What heats water says by what it is seen that the water gets hot.
pub(crate) fn hot_water(block: &Block, found: &mut Diagnostics) {
    if ["temperature", "thermostat_c"].iter().any(|k| block.is_written(k)) || block.has_broken() {
        return;
    }
    found
        .error("missing-key", block.header.clone(), "nothing tells that the water gets hot")
        .label("`temperature` or `thermostat_c` is missing")
        .help("write the input that tells the water's temperature, hot_water = { temperature = \"tank_c\" }, or at what its own thermostat opens, { thermostat_c = 60 }");
}

/// How a command is written must suit what the load can do.
pub(crate) fn send_fits_kind(block: &Block, send: &str, found: &mut Diagnostics) {
    let Some(kind) = block.text("kind") else { return };
    let fits = sends_of(kind);
    if fits.contains(&send) {
        return;
    }
    let why = match send {
        _ if AMPS_SENDS.contains(&send) => "only a charge point is set in amps",
        "on-off" => "two words can't carry an amount",
        _ => "a switch has no amount",
    };
    found
        .error("send-unfit", block.place("send"), format!("send = \"{send}\" does not fit kind = \"{kind}\""))
        .label(why)
        .also(block.place("kind"), "the kind")
        .help(format!("for this kind: {}", fits.join(", ")));
}

/// Ways to write a command that suit a kind.
fn sends_of(kind: &str) -> &'static [&'static str] {
    debug_assert!(KINDS.contains(&kind));
    match kind {
        "charge-point" => &["amps", "watts", "percent", "duty", "json", "script"],
        "modulated" => &["watts", "percent", "json", "script"],
        _ => &["on-off", "watts", "json", "script"],
    }
}

/// Words for on and off belong to `on-off`, and must differ.
pub(crate) fn words_fit_send(block: &Block, send: &str, found: &mut Diagnostics) {
    if send == "on-off" {
        if let (Some(on), Some(off)) = (block.text("on_word"), block.text("off_word"))
            && on == off
        {
            let place = if block.is_written("off_word") { "off_word" } else { "on_word" };
            found
                .error("same-words", block.place(place), "`on_word` and `off_word` are the same")
                .label("the device could not tell them apart");
        }
        return;
    }
    for key in ["on_word", "off_word"].iter().filter(|k| block.is_written(k)) {
        found
            .error("unused-key", block.key_place(key), format!("`{key}` is for send = \"on-off\""))
            .label(format!("this is send = \"{send}\""));
    }
}

/// An amount in the load's own unit, between its floor and its ceiling.
pub(crate) fn fallback_amount(amount: &Block, kind: Kind, found: &mut Diagnostics) -> Option<Fallback> {
    let (key, other, least, most) = match kind {
        Kind::ChargePoint { floor_a, ceiling_a } => ("amps", "watts", floor_a, ceiling_a),
        Kind::Modulated { floor_w, ceiling_w } => ("watts", "amps", floor_w, ceiling_w),
        Kind::Switch { rating_w } => ("watts", "amps", rating_w, rating_w),
    };
    if amount.is_written(other) {
        found
            .error("fallback-unit", amount.key_place(other), format!("this load's amounts are in {key}"))
            .label(format!("write {key}"))
            .help(format!("such as fallback = {{ {key} = {least} }}"));
        return None;
    }
    let Some(number) = amount.number(key) else {
        if !amount.is_broken(key) {
            found
                .error("missing-key", amount.header.clone(), "the fallback lacks its amount")
                .label(format!("`{key}` is missing"))
                .help(format!("such as fallback = {{ {key} = {least} }}, or fallback = \"off\""));
        }
        return None;
    };
    if number <= 0.0 || number < least || number > most {
        let allowed = if least == most { format!("{least}") } else { format!("from {least} to {most}") };
        found
            .error("out-of-range", amount.place(key), format!("the load can't run at {number} {key}"))
            .label(format!("{allowed} {key}"))
            .help("for nothing at all write fallback = \"off\"");
        return None;
    }
    Some(match key {
        "amps" => Fallback::Amps { amps: number },
        _ => Fallback::Watts { watts: number },
    })
}
