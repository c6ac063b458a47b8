//! The JSON Schema (draft 2020-12) of the home file, made from the same table that reads it.

use serde_json::{Map, Value, json};

use super::form::{Default, Form, Key};
use super::table::ROOT;

/// What a duration looks like (ECMA-262).
const DURATION: &str = r"^\s*([0-9]+(\.[0-9]*)?\s*(ms|s|m|min|h|d)\s*)+$";
const DURATION_OR_NONE: &str = r"^(none|\s*([0-9]+(\.[0-9]*)?\s*(ms|s|m|min|h|d)\s*)+)$";

/// The schema. What several keys together get wrong is beyond it: `overspill check` tells.
pub fn schema() -> Value {
    let mut schema = object(ROOT);
    if let Some(map) = schema.as_object_mut() {
        map.insert("$schema".to_owned(), json!("https://json-schema.org/draft/2020-12/schema"));
        map.insert("title".to_owned(), json!("Overspill home file"));
    }
    schema
}

fn object(keys: &[Key]) -> Value {
    let taken = keys.iter().filter(|k| k.is_taken());
    let properties: Map<String, Value> = taken.clone().map(|k| (k.name.to_owned(), property(k))).collect();
    let required: Vec<&str> = taken.filter(|k| k.required).map(|k| k.name).collect();
    json!({
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

fn property(key: &Key) -> Value {
    let mut schema = form(&key.form);
    if let Some(map) = schema.as_object_mut() {
        map.insert("description".to_owned(), json!(key.doc));
        if let Some(default) = key.default {
            map.insert("default".to_owned(), default_value(default));
        }
    }
    schema
}

fn default_value(default: Default) -> Value {
    match default {
        Default::Text(text) => json!(text),
        Default::Number(number) if number.fract() == 0.0 => json!(number as i64),
        Default::Number(number) => json!(number),
        Default::Flag(flag) => json!(flag),
    }
}

fn form(form: &Form) -> Value {
    match form {
        Form::Text => json!({ "type": "string", "minLength": 1 }),
        Form::Word(words) => json!({ "enum": words }),
        Form::Number { least, most, .. } => json!({ "type": "number", "minimum": least, "maximum": most }),
        Form::Whole { least, most, .. } => json!({ "type": "integer", "minimum": least, "maximum": most }),
        Form::OneOf(numbers) => json!({ "enum": numbers }),
        Form::Flag => json!({ "type": "boolean" }),
        Form::Duration { or_none: false, .. } => json!({ "type": "string", "pattern": DURATION }),
        Form::Duration { or_none: true, .. } => json!({ "type": "string", "pattern": DURATION_OR_NONE }),
        Form::Range => {
            json!({ "type": "array", "items": { "type": "number" }, "minItems": 2, "maxItems": 2 })
        }
        Form::NumberOrRange { .. } => json!({ "type": ["number", "array"] }),
        Form::Series => json!({ "type": ["string", "number", "boolean"] }),
        Form::SeriesByName => {
            json!({ "type": "object", "additionalProperties": { "type": ["string", "number", "boolean"] } })
        }
        Form::List(keys) => json!({ "type": "array", "items": object(keys) }),
        Form::Texts => json!({ "type": "array", "items": { "type": "string" } }),
        Form::Scalar => json!({ "anyOf": [
            { "type": "number" }, { "type": "boolean" }, { "type": "string", "minLength": 1 },
        ] }),
        Form::Checked(grammar) => json!({ "type": "string", "pattern": grammar.pattern() }),
        Form::Table(keys) => object(keys),
        Form::WordOrTable(words, keys) => json!({ "anyOf": [{ "enum": words }, object(keys)] }),
        Form::NumberOrTable { least, most, keys } => {
            json!({ "anyOf": [{ "type": "number", "minimum": least, "maximum": most }, object(keys)] })
        }
        Form::Named { ids, keys, .. } => json!({
            "type": "object",
            "patternProperties": { ids.pattern(): object(keys) },
            "additionalProperties": false,
        }),
        Form::Tables { keys, .. } => json!({ "type": "array", "items": object(keys) }),
        Form::Refused(_) => Value::Bool(false),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::panic)]
    use super::*;

    fn every_key_is_in(keys: &[Key], schema: &Value, at: &str) {
        for key in keys.iter().filter(|k| k.is_taken()) {
            let place = format!("{at}.{}", key.name);
            let property = &schema["properties"][key.name];
            assert_eq!(property["description"], key.doc, "{place}");
            assert!(key.doc.ends_with('.'), "{place}: {}", key.doc);
            match key.form {
                Form::Table(inner) => every_key_is_in(inner, property, &place),
                Form::WordOrTable(_, inner) | Form::NumberOrTable { keys: inner, .. } => {
                    every_key_is_in(inner, &property["anyOf"][1], &place);
                }
                Form::Tables { keys: inner, .. } => every_key_is_in(inner, &property["items"], &place),
                Form::Named { keys: inner, ids, .. } => {
                    every_key_is_in(inner, &property["patternProperties"][ids.pattern()], &place);
                }
                _ => {}
            }
        }
    }

    #[test]
    fn every_key_of_the_table_is_in_the_schema_with_its_line() {
        every_key_is_in(ROOT, &schema(), "");
    }

    #[test]
    fn a_password_is_not_in_the_schema() {
        assert_eq!(schema()["properties"]["mqtt"]["properties"]["password"], Value::Null);
    }

    #[test]
    fn every_default_is_itself_allowed() {
        fn check(keys: &[Key]) {
            for key in keys {
                match (key.form, key.default) {
                    (Form::Word(words), Some(Default::Text(text))) => {
                        assert!(words.contains(&text), "{}", key.name)
                    }
                    (Form::Number { least, most, .. }, Some(Default::Number(n))) => {
                        assert!(n >= least && n <= most, "{}", key.name);
                    }
                    (Form::Whole { least, most, .. }, Some(Default::Number(n))) => {
                        assert!(n >= least as f64 && n <= most as f64, "{}", key.name);
                    }
                    (Form::OneOf(numbers), Some(Default::Number(n))) => {
                        assert!(numbers.contains(&(n as i64)), "{}", key.name);
                    }
                    (Form::Duration { least, most, .. }, Some(Default::Text(text))) => {
                        let span = overspill_rules::time::Span::parse(text);
                        assert!(span.is_ok_and(|s| s >= least && s <= most), "{}", key.name);
                    }
                    (Form::Checked(grammar), Some(Default::Text(text))) => {
                        assert_eq!(grammar.check(text), Ok(()), "{}", key.name);
                    }
                    (Form::Flag, Some(Default::Flag(_)))
                    | (Form::Text, Some(Default::Text(_)))
                    | (_, None) => {}
                    (form, default) => panic!("{}: {default:?} is no default of {form:?}", key.name),
                }
                match key.form {
                    Form::Table(inner)
                    | Form::Named { keys: inner, .. }
                    | Form::Tables { keys: inner, .. }
                    | Form::WordOrTable(_, inner) => check(inner),
                    _ => {}
                }
            }
        }
        check(ROOT);
    }
}
