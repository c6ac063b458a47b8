//! Walks the tree by the table of keys: every value is typed and bounded here, every unknown key and missing one told.

use overspill_rules::time::Span;
use toml::Spanned;
use toml::de::{DeString, DeTable, DeValue};

use super::block::{At, Block, Entry, Place, Value};
use super::convert::convert;
use super::diagnostic::Diagnostics;
use super::form::{Default, Form, Key, one_of, with_article, within_sentence};
use super::grammar::Grammar;
use super::nearest::nearest;
use super::syntax::Tree;

/// The walk and what it found.
pub(crate) struct Walk<'w> {
    /// The sections of the file.
    root: &'static [Key],
    tree: &'w Tree<'w>,
    /// What was found.
    pub(crate) found: &'w mut Diagnostics,
}

/// Reads the whole tree by the table of its sections.
pub(crate) fn walk(tree: &Tree<'_>, root: &'static [Key], found: &mut Diagnostics) -> Block {
    let mut walk = Walk { root, tree, found };
    walk.block(String::new(), 0..0, tree.root.get_ref(), root)
}

/// A key and its value in the tree.
type Pair<'p, 't> = (&'p Spanned<DeString<'t>>, &'p Spanned<DeValue<'t>>);

impl Walk<'_> {
    /// Reads one table by its keys.
    pub(crate) fn block(
        &mut self,
        name: String,
        header: Place,
        table: &DeTable<'_>,
        keys: &'static [Key],
    ) -> Block {
        let mut block = Block { name, header, keys, entries: Vec::new() };
        for (key, value) in in_file_order(table) {
            let known = keys.iter().find(|k| k.name == key.get_ref().as_ref());
            match known {
                Some(known) => {
                    let entry = self.entry(&block, known, key.span(), value);
                    block.entries.push(entry);
                }
                None => self.unknown(&block, key),
            }
        }
        self.complete(&mut block);
        block
    }

    fn entry(&mut self, block: &Block, key: &Key, key_place: Place, value: &Spanned<DeValue<'_>>) -> Entry {
        let place = value.span();
        let value = match self.tree.is_damaged(&key_place) && !value.get_ref().is_table() {
            true => None,
            false => convert(self, block, key, key_place.clone(), value),
        };
        Entry { key: key.name, key_place: Some(key_place), place, value }
    }

    /// Reads tables under names that the household chooses.
    pub(crate) fn named(
        &mut self,
        parent: &str,
        (ids, one): (Grammar, &str),
        table: &DeTable<'_>,
        keys: &'static [Key],
    ) -> Vec<(At<String>, Block)> {
        let mut named = Vec::new();
        for (key, value) in in_file_order(table) {
            let id = key.get_ref().to_string();
            let name = format!("{parent}.{id}");
            self.check_name(ids, one, &id, key.span());
            match value.get_ref() {
                DeValue::Table(inner) => {
                    let block = self.block(name, value.span(), inner, keys);
                    named.push((At { value: id, place: key.span() }, block));
                }
                _ => self.not_a_table(parent, one, &id, key.span()),
            }
        }
        named
    }

    fn check_name(&mut self, ids: Grammar, one: &str, id: &str, place: Place) {
        if let Err(fault) = ids.check(id) {
            self.found
                .error("bad-id", place, format!("`{id}` can't be the name of {}", with_article(one)))
                .label(fault.label)
                .help(format!("a name is {}", ids.allowed()));
        }
    }

    /// A key right below `[point]`, say: the name in the header was forgotten.
    fn not_a_table(&mut self, parent: &str, one: &str, id: &str, place: Place) {
        if self.tree.is_damaged(&place) {
            return;
        }
        self.found
            .error("wrong-type", place, format!("`[{parent}]` holds no keys of its own"))
            .label("a key without its section")
            .help(format!(
                "{} has a name: write the keys below a header such as `[{parent}.{}]`",
                with_article(one),
                example_name(id)
            ));
    }

    fn unknown(&mut self, block: &Block, key: &Spanned<DeString<'_>>) {
        let typed = key.get_ref().as_ref();
        let names: Vec<&str> = block.keys.iter().filter(|k| k.is_taken()).map(|k| k.name).collect();
        let (code, message) = match block.name.is_empty() {
            true => ("unknown-section", format!("there is no section `[{typed}]`")),
            false => ("unknown-key", format!("`[{}]` has no key `{typed}`", block.name)),
        };
        let d = self.found.error(code, key.span(), message);
        match nearest(typed, names.iter().copied()) {
            Some(near) => {
                d.label(format!("did you mean `{near}`?"));
            }
            None => {
                d.label("unknown").help(format!("known here: {}", names.join(", ")));
                if let Some(section) = section_that_has(self.root, typed) {
                    d.help(format!("`{typed}` belongs in `{section}`"));
                }
            }
        }
    }

    /// Fills in defaults and tells what is missing.
    fn complete(&mut self, block: &mut Block) {
        for key in block.keys {
            if block.entries.iter().any(|e| e.key == key.name) {
                continue;
            }
            if let Some(default) = key.default {
                let value = Some(default_value(key, default));
                let place = block.header.clone();
                block.entries.push(Entry { key: key.name, key_place: None, place, value });
            } else if key.required && !self.tree.holes {
                self.missing(block, key);
            }
        }
    }

    fn missing(&mut self, block: &Block, key: &Key) {
        if block.name.is_empty() {
            self.found
                .error("missing-section", 0..0, format!("the section `[{}]` is missing", key.name))
                .help(format!("{}{}", within_sentence(key.doc), what_it_needs(key)));
            return;
        }
        self.found
            .error("missing-key", block.header.clone(), format!("`[{}]` lacks `{}`", block.name, key.name))
            .label(format!("`{}` is missing", key.name))
            .help(format!("{}: write {}", within_sentence(key.doc), key.form.allowed()));
    }
}

fn what_it_needs(key: &Key) -> String {
    let Form::Table(keys) = key.form else { return String::new() };
    let needed: Vec<String> = keys.iter().filter(|k| k.required).map(|k| format!("`{}`", k.name)).collect();
    match needed.is_empty() {
        true => String::new(),
        false => format!("; it must have {}", needed.join(" and ")),
    }
}

fn example_name(id: &str) -> &str {
    if Grammar::Id.check(id).is_ok() { "NAME" } else { "name" }
}

fn default_value(key: &Key, default: Default) -> Value {
    match (default, &key.form) {
        (Default::Text(text), Form::Duration { .. }) => {
            Value::Duration(Span::parse(text).unwrap_or_default())
        }
        (Default::Text(text), _) => Value::Text(text.to_owned()),
        (Default::Number(number), _) => Value::Number(number),
        (Default::Flag(flag), _) => Value::Flag(flag),
    }
}

/// The section where a key that is unknown here would be known.
fn section_that_has(root: &[Key], typed: &str) -> Option<String> {
    root.iter().find_map(|section| match section.form {
        Form::Table(keys) if has(keys, typed) => Some(format!("[{}]", section.name)),
        Form::Named { keys, .. } if has(keys, typed) => Some(format!("[{}.NAME]", section.name)),
        _ => None,
    })
}

fn has(keys: &[Key], name: &str) -> bool {
    keys.iter().any(|k| k.name == name && k.is_taken())
}

/// The parser sorts by name; the order of the file decides ties between loads, so it is restored by place.
pub(crate) fn in_file_order<'p, 't>(table: &'p DeTable<'t>) -> Vec<Pair<'p, 't>> {
    let mut pairs: Vec<Pair<'p, 't>> = table.iter().collect();
    pairs.sort_by_key(|(key, _)| key.span().start);
    pairs
}

/// What is allowed where only words are.
pub(crate) fn words_allowed(words: &[&str]) -> String {
    format!("allowed: {}", one_of(words))
}
