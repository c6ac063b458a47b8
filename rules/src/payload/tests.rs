//! Messages good and bad.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use proptest::prelude::*;
use serde_json::{Value, json};

use super::*;
use crate::home::LoadId;
use crate::input::{Amount, End, OverrideRequest, Want};
use crate::time::{Span, WallTime};

fn number() -> Decoder {
    Decoder::new(&Extract::Number, None).unwrap()
}

fn at(pointer: &str) -> Decoder {
    Decoder::new(&Extract::Pointer(pointer.into()), None).unwrap()
}

fn script(source: &str) -> Decoder {
    Decoder::new(&Extract::Script(source.into()), None).unwrap()
}

fn timed(pointer: &str) -> Decoder {
    Decoder::new(&Extract::Pointer("/p".into()), Some(pointer)).unwrap()
}

fn value(decoder: &Decoder, message: &str) -> f64 {
    decoder.decode(message.as_bytes()).unwrap().value
}

#[test]
fn bare_numbers_are_read() {
    for (message, wanted) in [
        ("230", 230.0),
        (" -12.5\r\n", -12.5),
        ("+7", 7.0),
        ("0", 0.0),
        ("-0.0", 0.0),
        ("1e3", 1000.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("007", 7.0),
        ("\"230.5\"", 230.5),
        ("\" 230.5 \"", 230.5),
        ("4294967296123", 4_294_967_296_123.0),
    ] {
        assert_eq!(value(&number(), message), wanted, "{message}");
    }
}

#[test]
fn numbers_in_json_are_read() {
    let message = r#"{"power": -1250.5, "text": "17.25", "phases": [{"w": 1}, {"w": 2}], "a/b": 3, "m~n": 4, "big": 18446744073709551615}"#;
    for (pointer, wanted) in [
        ("/power", -1250.5),
        ("/text", 17.25),
        ("/phases/1/w", 2.0),
        ("/a~1b", 3.0),
        ("/m~0n", 4.0),
        ("/big", 18_446_744_073_709_551_615.0),
    ] {
        assert_eq!(value(&at(pointer), message), wanted, "{pointer}");
    }
    assert_eq!(value(&at(""), "12"), 12.0);
}

/// RFC 6901, section 5: every example there.
#[test]
fn pointers_find_what_their_standard_says() {
    let document = json!({
        "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8
    });
    let found = |pointer: &str| Pointer::parse(pointer).unwrap().find(&document).unwrap().clone();
    assert_eq!(found(""), document);
    assert_eq!(found("/foo"), json!(["bar", "baz"]));
    assert_eq!(found("/foo/0"), json!("bar"));
    for (pointer, wanted) in [
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ("/k\"l", 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ] {
        assert_eq!(found(pointer), json!(wanted), "{pointer}");
    }
}

#[test]
fn pointers_follow_the_rules_for_indices_and_escapes() {
    let document = json!({ "list": [10, 11], "~1": 1, "0": 2 });
    let found = |pointer: &str| Pointer::parse(pointer).unwrap().find(&document).ok().cloned();
    assert_eq!(found("/list/1"), Some(json!(11)));
    assert_eq!(found("/0"), Some(json!(2)));
    // `~01` is `~1`, not `/` (section 4).
    assert_eq!(found("/~01"), Some(json!(1)));
    for pointer in
        ["/list/01", "/list/+1", "/list/-", "/list/2", "/list/", "/list/1/x", "/list/99999999999999999999"]
    {
        assert_eq!(found(pointer), None, "{pointer}");
    }
}

#[test]
fn bad_pointers_are_refused_when_they_are_given() {
    let refused = |pointer: &str| Pointer::parse(pointer).unwrap_err();
    insta::assert_snapshot!(refused("power"), @r#"`power` is no JSON Pointer: it begins with `/`, as in "/power""#);
    insta::assert_snapshot!(refused("$.meter.power"), @r#"`$.meter.power` is no JSON Pointer: it begins with `/`, as in "/meter/power""#);
    insta::assert_snapshot!(refused("#/power"), @r#"`#/power` is no JSON Pointer: it begins with `/`, as in "/power""#);
    insta::assert_snapshot!(refused("/a~b"), @"`/a~b` is no JSON Pointer: `~` is written `~0` in it, and `/` `~1`");
    insta::assert_snapshot!(refused("/a~"), @"`/a~` is no JSON Pointer: `~` is written `~0` in it, and `/` `~1`");
    insta::assert_snapshot!(Decoder::new(&Extract::Number, Some("time")).unwrap_err(), @r#"`time` is no JSON Pointer: it begins with `/`, as in "/time""#);
}

#[test]
fn scripts_find_numbers() {
    assert_eq!(value(&script("json.power / 10"), "{\"power\": 123}"), 12.3);
    assert_eq!(
        value(&script("json[\"import\"] - json[\"export\"]"), "{\"import\": 0, \"export\": 250}"),
        -250.0
    );
    assert_eq!(
        value(
            &script("let w = 0; for p in json.phases { w += p.w; } w"),
            "{\"phases\": [{\"w\": 1}, {\"w\": 2.5}]}"
        ),
        3.5
    );
    assert_eq!(value(&script("payload.split(\" \")[0].parse_float()"), "123 W"), 123.0);
    assert_eq!(value(&script("payload.sub_string(2, 3).parse_int()"), "P=456;"), 456.0);
    assert_eq!(value(&script("json.get(\"power\") ?? 0"), "{}"), 0.0);
    assert_eq!(
        value(&script("if \"on\" in json && json.on { json.w } else { 0.0 }"), "{\"on\": false}"),
        0.0
    );
}

#[test]
fn bad_scripts_are_refused_when_they_are_given() {
    let refused = |source: &str| Decoder::new(&Extract::Script(source.into()), None).unwrap_err();
    insta::assert_snapshot!(refused(""), @"the script is empty");
    insta::assert_snapshot!(refused("json.power /"), @"line 1, column 13 of the script: the file ends too early (a closing `}`, `)` or `]` is missing somewhere)");
    insta::assert_snapshot!(refused("jsn.power"), @"line 1, column 1 of the script: there is no variable `jsn` here");
    insta::assert_snapshot!(refused("payload.prase_float()"), @"line 1, column 9 of the script: there is no such function `prase_float` (did you mean `parse_float`?)");
    insta::assert_snapshot!(refused("payload.sub_string()"), @"line 1, column 9 of the script: there is no such function `sub_string` (it is used as .sub_string(start, length))");
    insta::assert_snapshot!(refused("import \"x\" as x; 5"), @"line 1, column 1 of the script: a script can't import");
    insta::assert_snapshot!(refused("fn f() { 5 } f()"), @"line 1, column 1 of the script: there are too many functions here");
    insta::assert_snapshot!(refused("sleep(1)"), @"line 1, column 1 of the script: there is no such function `sleep`");
    insta::assert_snapshot!(refused("home.grid_w"), @"line 1, column 1 of the script: there is no variable `home` here");
    insta::assert_snapshot!(refused("eval(payload)"), @"line 1, column 1 of the script: `eval` is not part of the language of rules");
    assert!(refused(&"1 + ".repeat(2000)).contains("more than 4096 bytes"));
}

#[test]
fn times_are_read_in_every_form() {
    let time = |message: &str| timed("/t").decode(message.as_bytes()).unwrap().device_time;
    let noon = Some(WallTime(1_780_315_200_000));
    assert_eq!(time("{\"p\":1,\"t\":\"2026-06-01T12:00:00Z\"}"), noon);
    assert_eq!(time("{\"p\":1,\"t\":\"2026-06-01T13:00:00+01:00\"}"), noon);
    assert_eq!(time("{\"p\":1,\"t\":1780315200}"), noon);
    assert_eq!(time("{\"p\":1,\"t\":1780315200.0004}"), noon);
    assert_eq!(time("{\"p\":1,\"t\":1780315200000}"), noon);
    assert_eq!(time("{\"p\":1,\"t\":\"1780315200\"}"), noon);
    assert_eq!(time("{\"p\":1,\"t\":1780315200.25}"), Some(WallTime(1_780_315_200_250)));
    // No time yet is no fault.
    assert_eq!(time("{\"p\":1}"), None);
    assert_eq!(time("{\"p\":1,\"t\":null}"), None);
    assert_eq!(number().decode(b"5").unwrap().device_time, None);
}

/// Every way in which a message can be wrong, and what is said of it.
#[test]
fn what_is_wrong_with_a_message_is_told() {
    let large = "1".repeat(70_000);
    let many: String = (0..20).map(|i| format!("\"k{i:02}\":{i},")).collect();
    let many = format!("{{{}\"z\":0}}", many);
    let deep = format!("{}1{}", "[".repeat(200), "]".repeat(200));
    let table: Vec<(Decoder, &str, &[u8])> = vec![
        (number(), "number", b""),
        (number(), "number", b"  \n"),
        (number(), "number", b"\xff\xfe1"),
        (number(), "number", large.as_bytes()),
        (number(), "number", b"NaN"),
        (number(), "number", b"nan"),
        (number(), "number", b"inf"),
        (number(), "number", b"-Infinity"),
        (number(), "number", b"1e999"),
        (number(), "number", b"12,5"),
        (number(), "number", b"-0,75"),
        (number(), "number", b"1,234.5"),
        (number(), "number", b"1,234,567"),
        (number(), "number", b"123 W"),
        (number(), "number", b"1.5kW"),
        (number(), "number", "21.5 °C".as_bytes()),
        (number(), "number", b"55%"),
        (number(), "number", b"0x1F"),
        (number(), "number", b"12 34"),
        (number(), "number", b"--5"),
        (number(), "number", b"on"),
        (number(), "number", b"unavailable"),
        (number(), "number", b"a\x1b[2Jb"),
        (number(), "number", "very long text that is no number and goes on and on".as_bytes()),
        (number(), "number", b"{\"power\": 5, \"volts\": 230}"),
        (number(), "number", b"{}"),
        (number(), "number", b"[1, 2]"),
        (number(), "number", b"{\"power\": 5"),
        (number(), "number", b"\"abc\""),
        (at("/power"), "/power", b"230"),
        (at("/power"), "/power", b"{\"power_w\": 5, \"volts\": 230}"),
        (at("/a/b"), "/a/b", b"{\"a\": {\"c\": 1, \"d\": 2}}"),
        (at("/a/b"), "/a/b", b"{\"a\": 5}"),
        (at("/a/b"), "/a/b", b"{\"a\": {}}"),
        (at("/phases/3"), "/phases/3", b"{\"phases\": [1, 2, 3]}"),
        (at("/phases/0"), "/phases/0", b"{\"phases\": []}"),
        (at("/power"), "/power", many.as_bytes()),
        (at("/power"), "/power", b"{\"power\": null}"),
        (at("/power"), "/power", b"{\"power\": true}"),
        (at("/power"), "/power", b"{\"power\": {\"w\": 5}}"),
        (at("/power"), "/power", b"{\"power\": [5]}"),
        (at("/power"), "/power", b"{\"power\": \"\"}"),
        (at("/power"), "/power", b"{\"power\": \"12,5\"}"),
        (at("/power"), "/power", b"{\"power\": \"NaN\"}"),
        (at("/power"), "/power", b"{\"power\": NaN}"),
        (at("/power"), "/power", b"{\"power\": 1e999}"),
        (at("/power"), "/power", b"{\"power\": 5,}"),
        (at("/power"), "/power", b"{'power': 5}"),
        (at("/power"), "/power", b"{\"power\": 5, \"power\": 6}"),
        (at("/power"), "/power", b"{\"power\": 5} {\"power\": 6}"),
        (at("/power"), "/power", b"power=5"),
        (at("/power"), "/power", deep.as_bytes()),
        (timed("/t"), "/p, time /t", b"{\"p\": 1, \"t\": \"yesterday\"}"),
        (timed("/t"), "/p, time /t", b"{\"p\": 1, \"t\": \"2026-06-01T12:00:00\"}"),
        (timed("/t"), "/p, time /t", b"{\"p\": 1, \"t\": -5}"),
        (timed("/t"), "/p, time /t", b"{\"p\": 1, \"t\": 1780315200000000}"),
        (timed("/t"), "/p, time /t", b"{\"p\": 1, \"t\": {}}"),
        (script("json.power"), "script json.power", b"{\"watts\": 5}"),
        (script("json.power"), "script json.power", b"not json"),
        (script("payload"), "script payload", b"text"),
        (script("let x = 5;"), "script let x = 5;", b"text"),
        (script("0.0 / 0.0"), "script 0.0 / 0.0", b"text"),
        (script("payload.parse_float()"), "script payload.parse_float()", b"text"),
        (script("loop { }"), "script loop { }", b"text"),
        (script("throw \"no meter\""), "script throw ..", b"text"),
    ];
    assert!(table.len() >= 30);
    let mut told = String::new();
    for (decoder, what, message) in table {
        let shown: String = String::from_utf8_lossy(message).chars().take(50).collect();
        let problem = decoder.decode(message).unwrap_err();
        told += &format!("{what:30} {:54} {problem}\n", format!("{shown:?}"));
    }
    insta::assert_snapshot!(told);
}

#[test]
fn one_message_serves_many_decoders() {
    let parsed = Parsed::new(b"{\"power\": 5, \"volts\": 231.5, \"t\": 1780315200}");
    let power = Decoder::new(&Extract::Pointer("/power".into()), Some("/t")).unwrap();
    assert_eq!(power.decode_parsed(&parsed).unwrap().value, 5.0);
    assert_eq!(at("/volts").decode_parsed(&parsed).unwrap().value, 231.5);
    assert!(at("/amps").decode_parsed(&parsed).unwrap_err().contains("it has: "));
    assert_eq!(power.decode_parsed(&parsed).unwrap().device_time, Some(WallTime(1_780_315_200_000)));
}

#[test]
fn flags_are_read() {
    let words = |list: &[&str]| list.iter().map(|w| (*w).to_owned()).collect::<Vec<_>>();
    for (message, yes) in [
        ("true", true),
        ("ON", true),
        (" yes\n", true),
        ("1", true),
        ("\"on\"", true),
        ("false", false),
        ("Off", false),
        ("0", false),
    ] {
        assert_eq!(decode_flag(message.as_bytes(), &[]), Ok(yes), "{message}");
    }
    let connected = words(&["connected", "charging"]);
    assert_eq!(decode_flag(b"Charging", &connected), Ok(true));
    assert_eq!(decode_flag(b"idle", &connected), Ok(false));
    assert_eq!(decode_flag(b"true", &connected), Ok(false));
    insta::assert_snapshot!(decode_flag(b"maybe", &[]).unwrap_err(), @"`maybe` is neither yes nor no; say in the home file which words mean yes");
    insta::assert_snapshot!(decode_flag(b"", &connected).unwrap_err(), @"the message is empty");
    insta::assert_snapshot!(decode_flag(b"\xff", &[]).unwrap_err(), @"the message is not text: byte 1 is no UTF-8");

    let flag = |message: &str| at("/car").decode_flag(&Parsed::new(message.as_bytes()), &[]);
    assert_eq!(flag("{\"car\": true}"), Ok(true));
    assert_eq!(flag("{\"car\": 0}"), Ok(false));
    assert_eq!(flag("{\"car\": \"on\"}"), Ok(true));
    insta::assert_snapshot!(flag("{\"car\": null}").unwrap_err(), @"a yes or no is needed, and there is null: the device has no value");
    let state = script("json.state >= 2");
    assert_eq!(state.decode_flag(&Parsed::new(b"{\"state\": 3}"), &[]), Ok(true));
}

fn request(message: &str) -> Result<OverrideRequest, String> {
    override_request(LoadId(1), message.as_bytes(), false)
}

#[test]
fn overrides_are_read() {
    let plain = OverrideRequest {
        load: LoadId(1),
        want: Want::On,
        amount: None,
        end: None,
        by: None,
        id: None,
        retained: false,
    };
    assert_eq!(request("{\"want\": \"on\"}"), Ok(plain.clone()));
    assert_eq!(request("{\"want\": \"off\"}"), Ok(OverrideRequest { want: Want::Off, ..plain.clone() }));
    assert_eq!(request("{\"want\": \"auto\"}"), Ok(OverrideRequest { want: Want::Auto, ..plain.clone() }));
    assert_eq!(
        request("{\"want\": \"on\", \"watts\": 1500, \"for\": \"2h\", \"by\": \"Ann\", \"id\": \"a-1\"}"),
        Ok(OverrideRequest {
            amount: Some(Amount::Watts(1500.0)),
            end: Some(End::For(Span::hours(2))),
            by: Some("Ann".into()),
            id: Some("a-1".into()),
            ..plain.clone()
        })
    );
    assert_eq!(
        request("{\"want\": \"on\", \"amps\": 10, \"until\": \"2026-06-01T12:00:00Z\"}"),
        Ok(OverrideRequest {
            amount: Some(Amount::Amps(10.0)),
            end: Some(End::Until(WallTime(1_780_315_200_000))),
            ..plain.clone()
        })
    );
    let retained = override_request(LoadId(1), b"{\"want\": \"on\"}", true);
    assert_eq!(retained, Ok(OverrideRequest { retained: true, ..plain }));
}

#[test]
fn what_is_wrong_with_an_override_is_told() {
    let messages = [
        "",
        "on",
        "\"on\"",
        "{",
        "{}",
        "{\"want\": \"onn\"}",
        "{\"want\": \"start\"}",
        "{\"want\": true}",
        "{\"want\": \"on\", \"wats\": 5}",
        "{\"want\": \"on\", \"colour\": 5}",
        "{\"want\": \"on\", \"watts\": 5, \"amps\": 5}",
        "{\"want\": \"on\", \"watts\": 0}",
        "{\"want\": \"on\", \"watts\": -5}",
        "{\"want\": \"on\", \"watts\": \"5\"}",
        "{\"want\": \"off\", \"watts\": 5}",
        "{\"want\": \"auto\", \"for\": \"1h\"}",
        "{\"want\": \"on\", \"for\": \"2 hours\"}",
        "{\"want\": \"on\", \"for\": 2}",
        "{\"want\": \"on\", \"for\": \"0s\"}",
        "{\"want\": \"on\", \"for\": \"25h\"}",
        "{\"want\": \"on\", \"for\": \"1h\", \"until\": \"2026-06-01T12:00:00Z\"}",
        "{\"want\": \"on\", \"until\": \"18:00\"}",
        "{\"want\": \"on\", \"until\": 5}",
        "{\"want\": \"on\", \"by\": 5}",
        "{\"want\": \"on\", \"id\": \"\"}",
        "{\"want\": \"on\", \"want\": \"off\"}",
    ];
    let told: String = messages.iter().map(|m| format!("{m:75} {}\n", request(m).unwrap_err())).collect();
    insta::assert_snapshot!(told);
}

fn any_json() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<f64>().prop_map(Value::from),
        ".{0,12}".prop_map(Value::from)
    ];
    leaf.prop_recursive(4, 16, 4, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..4).prop_map(Value::from),
            proptest::collection::btree_map("[a-c~/]{0,3}", inner, 0..4)
                .prop_map(|map| Value::Object(map.into_iter().collect())),
        ]
    })
}

proptest! {
    #[test]
    fn no_bytes_do_harm(message in proptest::collection::vec(any::<u8>(), 0..200)) {
        for decoder in [number(), at("/a/0"), timed("/t"), script("json.a")] {
            if let Ok(decoded) = decoder.decode(&message) {
                prop_assert!(decoded.value.is_finite());
            }
        }
        let _ = decode_flag(&message, &[]);
        let _ = override_request(LoadId(0), &message, false);
    }

    #[test]
    fn no_text_does_harm(message in ".{0,60}") {
        let found = number().decode(message.as_bytes());
        prop_assert!(found.is_err() || found.unwrap().value.is_finite());
    }

    #[test]
    fn every_finite_number_is_read_as_it_was_written(value in any::<f64>().prop_filter("finite", |v| v.is_finite())) {
        prop_assert_eq!(number().decode(value.to_string().as_bytes()).unwrap().value, value);
        let message = json!({ "a": value }).to_string();
        prop_assert_eq!(at("/a").decode(message.as_bytes()).unwrap().value, value);
    }

    /// Our own pointer agrees with the one of the JSON library wherever both accept the pointer.
    #[test]
    fn pointers_agree_with_another_reading_of_the_standard(value in any_json(), pointer in "(/[a-c0-2]{0,2}|/~0|/~1){0,4}") {
        let ours = Pointer::parse(&pointer).unwrap();
        prop_assert_eq!(ours.find(&value).ok(), value.pointer(&pointer));
    }
}
