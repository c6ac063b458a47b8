//! What a rule remembers between evaluations: plain data, small, and committed only when the rule succeeds.

use std::collections::BTreeMap;

use rhai::{Dynamic, Map};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::engine::same_maps;
use super::filters::Rolling;
use super::need::Needs;
use super::trace::Trace;
use crate::kept::KeptMemory;
use crate::limits;
use crate::time::Moment;

/// A rule's memory: the map that it has as `this`, its `sustained` waits and its rolling values.
#[derive(Debug, Clone, Default)]
pub struct RuleMemory {
    map: Map,
    pub(super) sustained: BTreeMap<String, SustainedState>,
    pub(super) rolling: RollingStates,
    pub(super) needs: Needs,
}

/// Rolling values by word and name.
pub(super) type RollingStates = BTreeMap<(&'static str, String), Rolling>;

/// How long a condition of `sustained(..)` has held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SustainedState {
    /// Since when it has held at every look.
    pub since: Moment,
    /// When the rule last looked.
    pub seen: Moment,
}

impl RuleMemory {
    /// Whether nothing is remembered that outlives a restart.
    pub fn is_empty(&self) -> bool {
        self.map.is_empty() && self.needs.is_empty()
    }

    /// Whether both remember the same in `this` and of needs; the waits of `sustained`, which move at every look, are left out.
    /// A memory that is the same need not be recorded again.
    pub fn same_data(&self, other: &RuleMemory) -> bool {
        same_maps(&self.map, &other.map) && self.needs == other.needs
    }

    /// The waits of `sustained(..)`, by name.
    pub fn sustained(&self) -> &BTreeMap<String, SustainedState> {
        &self.sustained
    }

    /// The memory as a JSON object. The waits of `sustained` and the rolling
    /// values are not in it: they are measured on the monotonic clock
    /// of one run of the program and start afresh with the next.
    pub fn to_json(&self) -> String {
        let entries = self.map.iter().map(|(key, value)| (key.to_string(), to_value(value)));
        let needs = serde_json::to_value(&self.needs).ok().filter(|_| !self.needs.is_empty());
        let needs = needs.map(|needs| (NEEDS.to_owned(), needs));
        Value::Object(entries.chain(needs).collect()).to_string()
    }

    /// Reads what [`RuleMemory::to_json`] wrote.
    ///
    /// # Errors
    /// A sentence, when `json` is no JSON object or larger than [`limits::MEMORY_BYTES`].
    pub fn from_json(json: &str) -> Result<RuleMemory, String> {
        if json.len() > limits::MEMORY_BYTES {
            return Err(format!(
                "a rule's memory of {} bytes is more than {}",
                json.len(),
                limits::MEMORY_BYTES
            ));
        }
        match serde_json::from_str(json) {
            Ok(Value::Object(mut entries)) => {
                let needs = entries.remove(NEEDS).and_then(|needs| serde_json::from_value(needs).ok());
                let map = from_value(&Value::Object(entries)).try_cast::<Map>().unwrap_or_default();
                check_plain(&map)?;
                Ok(RuleMemory { map, needs: needs.unwrap_or_default(), ..RuleMemory::default() })
            }
            Ok(_) => Err("a rule's memory must be a JSON object".to_owned()),
            Err(error) => Err(format!("a rule's memory is no JSON: {error}")),
        }
    }

    /// What a rule with `const MEMORY = version` finds of the memory kept: nothing where another version wrote it or
    /// it can't be read.
    pub fn restored(kept: &KeptMemory, version: i64) -> RuleMemory {
        if kept.version == version {
            RuleMemory::from_json(&kept.json).unwrap_or_default()
        } else {
            RuleMemory::default()
        }
    }

    pub(super) fn map(&self) -> &Map {
        &self.map
    }

    /// A memory to commit.
    ///
    /// # Errors
    /// A sentence, when `this` is no map any more, holds what can't be kept, or is too large.
    pub(super) fn checked(this: Dynamic, trace: Trace) -> Result<RuleMemory, String> {
        let Some(map) = this.try_cast::<Map>() else {
            return Err("`this` is the rule's memory and must stay a map".to_owned());
        };
        if map.contains_key(NEEDS) {
            return Err(format!("`{NEEDS}` is a name of the program's own"));
        }
        check_plain(&map)?;
        let Trace { sustained, rolling, needs, .. } = trace;
        Ok(RuleMemory { map, sustained, rolling, needs })
    }
}

/// Under this name needs are kept beside the entries of `this`.
const NEEDS: &str = "(needs)";

/// How deep lists and maps may stand within each other in a memory; JSON readers give up at some depth.
const DEEPEST: usize = 16;

fn check_plain(map: &Map) -> Result<(), String> {
    let bytes = map_bytes(map, "this", 0)?;
    if bytes > limits::MEMORY_BYTES {
        return Err(format!(
            "the memory holds {bytes} bytes, more than the {} that a rule may keep",
            limits::MEMORY_BYTES
        ));
    }
    Ok(())
}

fn map_bytes(map: &Map, place: &str, depth: usize) -> Result<usize, String> {
    if map.len() > limits::RULE_MAP {
        return Err(format!("`{place}` has {} entries, more than {}", map.len(), limits::RULE_MAP));
    }
    map.iter().try_fold(2, |sum, (key, value)| {
        let name = format!("{place}.{key}");
        Ok(sum + text_bytes(key) + 2 + value_bytes(value, &name, depth + 1)?)
    })
}

/// Bytes of the value as JSON, not counted too low.
fn value_bytes(value: &Dynamic, place: &str, depth: usize) -> Result<usize, String> {
    if depth > DEEPEST {
        return Err(format!("`{place}` is nested more than {DEEPEST} deep"));
    }
    if let Ok(number) = value.as_float() {
        return if number.is_finite() {
            Ok(25)
        } else {
            Err(format!("`{place}` is {number}, which is no number to keep"))
        };
    }
    if let Ok(text) = value.as_immutable_string_ref() {
        return Ok(text_bytes(&text));
    }
    if let Ok(map) = value.as_map_ref() {
        return map_bytes(&map, place, depth);
    }
    if let Ok(list) = value.as_array_ref() {
        return list
            .iter()
            .try_fold(2, |sum, item| Ok(sum + 1 + value_bytes(item, &format!("{place}[]"), depth + 1)?));
    }
    if value.is_int() || value.is_bool() || value.is_char() || value.is_unit() {
        return Ok(20);
    }
    Err(format!("`{place}` can't be remembered: only numbers, texts, true or false, lists and maps can"))
}

/// A control character may take six bytes in JSON (`\u0000`).
fn text_bytes(text: &str) -> usize {
    2 + text
        .bytes()
        .map(|b| if b < 0x20 { 6 } else { 1 + usize::from(b == b'"' || b == b'\\') })
        .sum::<usize>()
}

/// A JSON value as a script sees it. Whole numbers stay whole where they fit.
fn from_value(value: &Value) -> Dynamic {
    match value {
        Value::Null => Dynamic::UNIT,
        Value::Bool(b) => (*b).into(),
        Value::Number(n) => match n.as_i64() {
            Some(i) => i.into(),
            None => n.as_f64().unwrap_or(f64::NAN).into(),
        },
        Value::String(s) => s.clone().into(),
        Value::Array(list) => Dynamic::from_array(list.iter().map(from_value).collect()),
        Value::Object(map) => Dynamic::from_map(
            map.iter().map(|(key, value)| (key.as_str().into(), from_value(value))).collect(),
        ),
    }
}

/// Plain data as JSON.
pub(crate) fn to_value(value: &Dynamic) -> Value {
    if let Ok(map) = value.as_map_ref() {
        return Value::Object(map.iter().map(|(key, value)| (key.to_string(), to_value(value))).collect());
    }
    if let Ok(list) = value.as_array_ref() {
        return Value::Array(list.iter().map(to_value).collect());
    }
    if let Ok(text) = value.as_immutable_string_ref() {
        return Value::String(text.to_string());
    }
    match (value.as_int(), value.as_float(), value.as_bool(), value.as_char()) {
        (Ok(i), ..) => i.into(),
        (_, Ok(f), ..) => f.into(),
        (.., Ok(b), _) => b.into(),
        (.., Ok(c)) => Value::String(c.to_string()),
        _ => Value::Null,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use proptest::prelude::*;

    use super::*;

    fn plain() -> impl Strategy<Value = Value> {
        let leaf = prop_oneof![
            Just(Value::Null),
            any::<bool>().prop_map(Value::from),
            any::<i64>().prop_map(Value::from),
            (-1e12..1e12_f64).prop_map(Value::from),
            ".{0,20}".prop_map(Value::from),
        ];
        leaf.prop_recursive(4, 24, 6, |inner| {
            prop_oneof![
                proptest::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
                proptest::collection::btree_map(".{0,8}", inner, 0..6)
                    .prop_map(|map| Value::Object(map.into_iter().collect())),
            ]
        })
    }

    proptest! {
        #[test]
        fn a_memory_survives_being_written_down(value in proptest::collection::btree_map(".{0,8}", plain(), 0..6)) {
            let json = Value::Object(value.into_iter().collect()).to_string();
            let memory = RuleMemory::from_json(&json).unwrap();
            prop_assert_eq!(memory.to_json(), json);
            prop_assert!(map_bytes(memory.map(), "this", 0).unwrap() >= memory.to_json().len());
        }
    }

    #[test]
    fn what_is_no_memory_is_refused() {
        for json in ["", "[]", "3", "{", "{\"a\":1}x"] {
            assert!(RuleMemory::from_json(json).is_err(), "{json}");
        }
        let large = format!("{{\"a\":\"{}\"}}", "x".repeat(limits::MEMORY_BYTES));
        assert!(RuleMemory::from_json(&large).is_err());
    }

    #[test]
    fn another_version_finds_nothing() {
        let kept = KeptMemory { version: 2, json: "{\"n\":1}".to_owned() };
        assert!(!RuleMemory::restored(&kept, 2).is_empty());
        assert!(RuleMemory::restored(&kept, 3).is_empty());
        assert!(RuleMemory::restored(&KeptMemory { version: 2, json: "junk".to_owned() }, 2).is_empty());
    }
}
