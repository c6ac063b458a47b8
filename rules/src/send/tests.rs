//! Every form of the contract, and the law that none asks for more than the command.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use proptest::prelude::*;

use super::*;
use crate::home::{Kind, Load, LoadId, SendAs};
use crate::output::Command;
use crate::script::tests::support::load;
use crate::time::Span;

const CAR: Kind = Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 };
const TANK: Kind = Kind::Modulated { floor_w: 0.0, ceiling_w: 3000.0 };
const PUMP: Kind = Kind::Switch { rating_w: 750.0 };

fn with(kind: Kind, send: SendAs) -> Load {
    load("test", kind, send)
}

fn script(source: &str) -> SendAs {
    SendAs::Script { source: source.into() }
}

fn words() -> SendAs {
    SendAs::OnOff { on_word: "ON".into(), off_word: "OFF".into() }
}

fn amps(amps: f64) -> Command {
    command(amps > 0.0, amps * 230.0, Some(amps))
}

fn watts(watts: f64) -> Command {
    command(watts > 0.0, watts, None)
}

fn command(on: bool, watts: f64, amps: Option<f64>) -> Command {
    Command { load: LoadId(0), on, watts, amps, valid_for: Span::seconds(60), repeat: false }
}

fn sent(kind: Kind, send: SendAs, command: Command) -> String {
    encode(&with(kind, send), &command).unwrap()
}

#[test]
fn amps_are_whole_rounded_down_and_0_is_pause() {
    for (set, message) in [(16.0, "16"), (16.9, "16"), (6.0, "6"), (5.99, "0"), (0.0, "0"), (32.0, "32")] {
        assert_eq!(sent(CAR, SendAs::Amps, amps(set)), message, "{set} A");
    }
    assert_eq!(sent(CAR, SendAs::Amps, command(false, 3680.0, Some(16.0))), "0");
}

#[test]
fn watts_are_whole_and_rounded_down() {
    for (set, message) in [(1500.0, "1500"), (1500.9, "1500"), (0.0, "0")] {
        assert_eq!(sent(TANK, SendAs::Watts, watts(set)), message, "{set} W");
    }
    assert_eq!(sent(TANK, SendAs::Watts, command(false, 1500.0, None)), "0");
    assert_eq!(sent(CAR, SendAs::Watts, amps(16.0)), "3680");
}

#[test]
fn percent_is_of_the_ceiling_in_tenths_rounded_down() {
    for (set, message) in [
        (3000.0, "100.0"),
        (900.0, "30.0"),
        (1000.0, "33.3"),
        (2000.0, "66.6"),
        (0.0, "0.0"),
        (3100.0, "100.0"),
    ] {
        assert_eq!(sent(TANK, SendAs::Percent, watts(set)), message, "{set} W");
    }
    assert_eq!(sent(CAR, SendAs::Percent, amps(16.0)), "50.0");
    assert_eq!(sent(PUMP, SendAs::Percent, watts(750.0)), "100.0");
}

#[test]
fn words_are_those_of_the_home_file() {
    assert_eq!(sent(PUMP, words(), watts(750.0)), "ON");
    assert_eq!(sent(PUMP, words(), watts(0.0)), "OFF");
}

#[test]
fn duty_is_a_percent_and_a_steady_100_is_pause() {
    for (set, message) in
        [(6.0, "10"), (10.0, "16.66"), (16.0, "26.66"), (32.0, "53.33"), (5.0, "100"), (0.0, "100")]
    {
        assert_eq!(sent(CAR, SendAs::Duty, amps(set)), message, "{set} A");
    }
    let large = Kind::ChargePoint { floor_a: 6.0, ceiling_a: 80.0 };
    for (set, message) in [(51.0, "85"), (52.0, "85"), (55.0, "86"), (63.0, "89.2"), (80.0, "96")] {
        assert_eq!(sent(large, SendAs::Duty, amps(set)), message, "{set} A");
    }
}

#[test]
fn json_has_on_and_the_amount() {
    assert_eq!(sent(CAR, SendAs::Json, amps(16.0)), "{\"amps\":16,\"on\":true}");
    assert_eq!(sent(CAR, SendAs::Json, amps(0.0)), "{\"amps\":0,\"on\":false}");
    assert_eq!(sent(TANK, SendAs::Json, watts(1500.0)), "{\"on\":true,\"watts\":1500}");
    assert_eq!(sent(PUMP, SendAs::Json, watts(0.0)), "{\"on\":false,\"watts\":0}");
}

#[test]
fn scripts_write_what_they_give() {
    for (source, message) in [
        ("if on { `A${amps.floor().to_int()}` } else { \"P\" }", "A16"),
        ("amps", "16"),
        ("watts", "3680"),
        ("percent / 100", "0.5"),
        ("watts.to_int()", "3680"),
        ("on", "true"),
        ("#{ state: on, current: amps }", "{\"current\":16.0,\"state\":true}"),
        ("[watts, amps]", "[3680.0,16.0]"),
    ] {
        assert_eq!(sent(CAR, script(source), amps(16.0)), message, "{source}");
    }
    assert_eq!(sent(PUMP, script("if on { 1 } else { 0 }"), watts(0.0)), "0");
}

#[test]
fn bad_scripts_are_refused_when_they_are_given() {
    let refused = |source: &str| Sender::new(&with(TANK, script(source))).unwrap_err();
    insta::assert_snapshot!(refused("wats"), @"line 1, column 1 of the script: there is no variable `wats` here");
    insta::assert_snapshot!(refused("if on { watts } else { \"\" }"), @"the script gives an empty text; an empty message would delete a retained one");
    insta::assert_snapshot!(refused("let x = watts;"), @"the script gives nothing; its last line must be what is sent");
    insta::assert_snapshot!(refused("watts / 0.0 - watts / 0.0"), @"the script gives NaN, which can't be sent");
    insta::assert_snapshot!(refused("amps + 1"), @"line 1, column 6 of the script: `+` can't be used between nothing and a whole number");
    insta::assert_snapshot!(refused("loop { }"), @"line 1, column 6 of the script: this does not come to an end: it took more than 100000 steps (look for a loop that never stops)");
    insta::assert_snapshot!(refused("publish(watts)"), @"line 1, column 1 of the script: there is no such function `publish`");
}

#[test]
fn what_can_not_be_sent_is_told() {
    let told = |kind, send, command| encode(&with(kind, send), &command).unwrap_err();
    insta::assert_snapshot!(told(TANK, SendAs::Amps, watts(1500.0)), @"`test` is no charge point and takes no amps: send watts, percent or words");
    insta::assert_snapshot!(told(PUMP, SendAs::Duty, watts(750.0)), @"`test` is no charge point and takes no amps: send watts, percent or words");
    insta::assert_snapshot!(told(CAR, SendAs::Amps, command(true, 3680.0, None)), @"the command for a charge point has no amps");
    insta::assert_snapshot!(told(CAR, SendAs::Amps, command(true, 3680.0, Some(f64::NAN))), @"NaN amps is no amount to send");
    insta::assert_snapshot!(told(TANK, SendAs::Watts, command(true, f64::INFINITY, None)), @"inf watts is no amount to send");
    insta::assert_snapshot!(told(TANK, SendAs::Watts, command(true, -5.0, None)), @"-5 watts is no amount to send");
}

proptest! {
    #[test]
    fn no_form_asks_for_more_amps_than_the_command(set in 0.0..80.0_f64, ceiling in 6.0..80.0_f64) {
        let set = set.min(ceiling);
        let kind = Kind::ChargePoint { floor_a: 6.0, ceiling_a: ceiling };
        let number = |send| sent(kind, send, amps(set)).parse::<f64>().unwrap();
        prop_assert!(number(SendAs::Amps) <= set);
        prop_assert!(number(SendAs::Watts) <= set * 230.0);
        prop_assert!(number(SendAs::Percent) / 100.0 * ceiling <= set + 1e-6);
        match amps_from_duty(number(SendAs::Duty)) {
            Offered::Amps(offered) => prop_assert!(offered <= set + 1e-6, "{offered} A of {set} A"),
            other => prop_assert!(other == Offered::Nothing && set < 6.0),
        }
        let json: serde_json::Value = serde_json::from_str(&sent(kind, SendAs::Json, amps(set))).unwrap();
        prop_assert!(json["amps"].as_f64().unwrap() <= set);
    }

    #[test]
    fn no_form_asks_for_more_watts_than_the_command(set in 0.0..10_000.0_f64, ceiling in 1.0..10_000.0_f64) {
        let set = set.min(ceiling);
        let kind = Kind::Modulated { floor_w: 0.0, ceiling_w: ceiling };
        let number = |send| sent(kind, send, watts(set)).parse::<f64>().unwrap();
        prop_assert!(number(SendAs::Watts) <= set);
        prop_assert!(number(SendAs::Percent) / 100.0 * ceiling <= set + 1e-4);
    }

    #[test]
    fn off_is_off_in_every_form(power in 0.0..10_000.0_f64) {
        let off = command(false, power, Some(power / 230.0));
        prop_assert_eq!(sent(CAR, SendAs::Amps, off), "0");
        prop_assert_eq!(sent(CAR, SendAs::Duty, off), "100");
        prop_assert_eq!(sent(TANK, SendAs::Watts, off), "0");
        prop_assert_eq!(sent(TANK, SendAs::Percent, off), "0.0");
        prop_assert_eq!(sent(PUMP, words(), off), "OFF");
    }
}
