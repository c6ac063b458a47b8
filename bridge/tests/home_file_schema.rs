//! The JSON Schema of the home file against home files.
#![allow(clippy::unwrap_used, clippy::panic)]

use overspill::config::schema;
use serde_json::{Map, Value, json};

/// What `value` breaks of `schema`, as far as the schema uses words known here; a word not known is a fault of the test.
fn broken(schema: &Value, value: &Value, at: &str) -> Vec<String> {
    let Some(words) = schema.as_object() else {
        return if schema == &Value::Bool(true) { vec![] } else { vec![format!("{at}: not allowed")] };
    };
    words.iter().flat_map(|(word, want)| one_word(words, word, want, value, at)).collect()
}

fn one_word(words: &Map<String, Value>, word: &str, want: &Value, value: &Value, at: &str) -> Vec<String> {
    let told = |fine: bool| if fine { vec![] } else { vec![format!("{at}: {word}")] };
    match word {
        "$schema" | "title" | "description" | "default" => vec![],
        "type" => told(match want.as_str().unwrap() {
            "object" => value.is_object(),
            "array" => value.is_array(),
            "string" => value.is_string(),
            "boolean" => value.is_boolean(),
            "number" => value.is_number(),
            "integer" => value.is_i64(),
            other => panic!("{other}"),
        }),
        "enum" => told(want.as_array().unwrap().contains(value)),
        "minimum" => told(value.as_f64().is_none_or(|v| v >= want.as_f64().unwrap())),
        "maximum" => told(value.as_f64().is_none_or(|v| v <= want.as_f64().unwrap())),
        "minLength" => told(value.as_str().is_none_or(|v| !v.is_empty())),
        "minItems" => told(value.as_array().is_none_or(|v| v.len() as u64 >= want.as_u64().unwrap())),
        "maxItems" => told(value.as_array().is_none_or(|v| v.len() as u64 <= want.as_u64().unwrap())),
        "items" => {
            let items = value.as_array().into_iter().flatten();
            items.flat_map(|v| broken(want, v, at)).collect()
        }
        // What a pattern means is tested where the same text is checked by hand.
        "pattern" => told(value.is_string()),
        "required" => {
            let missing =
                want.as_array().unwrap().iter().filter(|k| value.get(k.as_str().unwrap()).is_none());
            missing.map(|k| format!("{at}: lacks {k}")).collect()
        }
        "properties" => {
            let known = want.as_object().unwrap().iter();
            known
                .filter_map(|(k, s)| Some(broken(s, value.get(k)?, &format!("{at}.{k}"))))
                .flatten()
                .collect()
        }
        "patternProperties" => {
            let inner = want.as_object().unwrap().values().next().unwrap();
            let named = value.as_object().into_iter().flatten();
            named.flat_map(|(k, v)| broken(inner, v, &format!("{at}.{k}"))).collect()
        }
        "additionalProperties" => {
            assert_eq!(want, &Value::Bool(false));
            if words.contains_key("patternProperties") {
                return vec![];
            }
            let keys = value.as_object().into_iter().flatten().map(|(k, _)| k);
            let unknown = keys.filter(|k| words["properties"].get(k.as_str()).is_none());
            unknown.map(|k| format!("{at}: knows no {k}")).collect()
        }
        "anyOf" => told(want.as_array().unwrap().iter().any(|s| broken(s, value, at).is_empty())),
        other => panic!("this test knows no {other}"),
    }
}

fn file(text: &str) -> Value {
    toml::from_str::<toml::Table>(text).map(|t| serde_json::to_value(t).unwrap()).unwrap()
}

const WREN: &str = include_str!("../../examples/wren/home.toml");

#[test]
fn the_example_home_follows_the_schema() {
    assert_eq!(broken(&schema(), &file(WREN), ""), [""; 0]);
}

#[test]
fn what_the_reader_refuses_by_itself_breaks_the_schema() {
    for (from, to, what) in [
        ("pointer = \"/power\"", "pointr = \"/power\"", ".point.grid: knows no pointr"),
        ("unit = \"W\"", "unit = \"w\"", ".point.grid.unit: enum"),
        ("rating_a = 60", "rating_a = \"60\"", ".supply.rating_a: type"),
        ("phases = 1", "phases = 2", ".supply.phases: enum"),
        ("topic = \"house/solar\"\n", "", ".point.solar: lacks \"topic\""),
        ("fallback = \"off\"", "fallback = 6", ".load.water.fallback: anyOf"),
        ("ceiling_a = 32", "ceiling_a = 99", ".load.car.ceiling_a: maximum"),
    ] {
        let text = WREN.replace(from, to);
        let told = broken(&schema(), &file(&text), "");
        assert!(told.iter().any(|t| t == what), "{to}: {told:?}");
    }
}

#[test]
fn the_schema_says_which_draft_it_is() {
    assert_eq!(schema()["$schema"], json!("https://json-schema.org/draft/2020-12/schema"));
}
