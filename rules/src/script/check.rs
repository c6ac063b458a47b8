//! Finds mistakes in a rule before it runs: unknown names of the home, unknown words, wrong numbers of values.

use std::collections::{BTreeMap, BTreeSet};

use rhai::{ASTFlags, ASTNode, Expr, FnCallExpr, Position, Stmt};

use super::clock::TimeOfDay;
use super::fault::Fault;
use super::holds::{Holds, given_by, owner, variables};
use super::literals;
use super::load_object::TERMS;
use super::nearest::{nearest, suggest};
use super::need::OPTIONS;
use super::source::Source;
use super::trace::Name;
use super::vocabulary::{Owner, callable, signatures, word, words_of};
use crate::home::{Home, LoadId};
use crate::time::Span;

/// What a file was found to use.
#[derive(Debug, Default)]
pub(super) struct Found {
    pub(super) faults: Vec<Fault>,
    pub(super) loads: BTreeSet<LoadId>,
    /// Whether it has a word that asks a load to take power.
    pub(super) may_start: bool,
}

/// Checks one file. `libraries` are the good files of the library, by name.
pub(super) fn check(
    source: &Source,
    rule: &str,
    home: &Home,
    libraries: &BTreeMap<String, &Source>,
) -> Found {
    let mut check = Check {
        source,
        rule,
        home,
        libraries,
        callable: callable(&ALL),
        variables: variables(source),
        found: Found::default(),
    };
    check.top_level();
    source.ast.walk(&mut |path: &[ASTNode]| {
        check.node(path);
        true
    });
    // The order in which the tree is walked is not the order of the file.
    check.found.faults.sort_by_key(|f| (f.line, f.column));
    check.found
}

const ALL: [Owner; 10] = [
    Owner::Home,
    Owner::Load,
    Owner::Clock,
    Owner::Sun,
    Owner::Price,
    Owner::Rule,
    Owner::Number,
    Owner::Text,
    Owner::List,
    Owner::Map,
];

struct Check<'a> {
    source: &'a Source,
    rule: &'a str,
    home: &'a Home,
    libraries: &'a BTreeMap<String, &'a Source>,
    callable: BTreeMap<&'static str, BTreeSet<usize>>,
    variables: BTreeMap<String, Holds>,
    found: Found,
}

impl Check<'_> {
    fn fault(&mut self, at: Position, message: String, help: Option<String>) {
        let fault = self.source.fault(self.rule, at, message, help);
        if !self.found.faults.contains(&fault) {
            self.found.faults.push(fault);
        }
    }

    /// Only constants, imports and functions stand outside functions: anything else would run at every evaluation,
    /// before `decide`, and could not be seen by it.
    fn top_level(&mut self) {
        for statement in self.source.ast.statements() {
            let allowed = match statement {
                Stmt::Noop(_) | Stmt::Import(..) => true,
                Stmt::Var(_, flags, _) => flags.contains(ASTFlags::CONSTANT),
                _ => false,
            };
            if !allowed {
                let help = "move it into a function; a fixed value can be a `const`".to_owned();
                let message = "only `fn`, `const` and `import` may stand outside functions".to_owned();
                self.fault(statement.position(), message, Some(help));
            }
        }
    }

    fn node(&mut self, path: &[ASTNode]) {
        match path.last() {
            Some(ASTNode::Stmt(Stmt::FnCall(call, at))) => self.call(call, *at, false),
            Some(ASTNode::Stmt(Stmt::Import(import, at))) => self.import(&import.0, *at, path.len()),
            Some(ASTNode::Expr(Expr::FnCall(call, at))) => self.call(call, *at, false),
            Some(ASTNode::Expr(Expr::MethodCall(call, at))) => self.call(call, *at, true),
            Some(ASTNode::Expr(Expr::Dot(parts, ..))) => self.dot(&parts.lhs, &parts.rhs),
            Some(ASTNode::Expr(Expr::Variable(variable, _, at))) => self.qualified_variable(variable, *at),
            _ => {}
        }
    }

    fn call(&mut self, call: &FnCallExpr, at: Position, method: bool) {
        if call.is_operator_call() {
            return;
        }
        if call.is_qualified() {
            return self.qualified_call(call, at);
        }
        let name = call.name.as_str();
        if self.source.functions.contains(&(name.to_owned(), call.args.len())) {
            return;
        }
        let given = call.args.len() + usize::from(method);
        match self.callable.get(name) {
            None => self.unknown_function(name, at),
            Some(counts) if !counts.contains(&given) => {
                let help = format!("it is used as {}", signatures(name).join(" or "));
                self.fault(
                    at,
                    format!("`{name}` can't be used with {}", values(call.args.len())),
                    Some(help),
                );
            }
            Some(_) => {
                self.found.may_start |= starts(name);
                self.arguments(name, call, at, method);
            }
        }
    }

    fn unknown_function(&mut self, name: &str, at: Position) {
        let own = self.source.functions.iter().map(|(n, _)| n.as_str());
        let names: Vec<&str> = self.callable.keys().copied().chain(own).collect();
        let help = match self.source.functions.iter().find(|(n, _)| n == name) {
            Some((_, parameters)) => Some(format!("the file defines it with {}", values(*parameters))),
            None if word(name).is_some() => Some("it is read without brackets".to_owned()),
            None => nearest(name, names).map(|n| format!("did you mean `{n}`?")),
        };
        self.fault(at, format!("there is no function `{name}`"), help);
    }

    fn qualified_call(&mut self, call: &FnCallExpr, at: Position) {
        let Some(alias) = call.namespace.path.first().map(|i| i.name.to_string()) else { return };
        let Some(library) = self.library(&alias) else { return };
        let name = call.name.as_str();
        if !library.functions.contains(&(name.to_owned(), call.args.len())) {
            let names: Vec<&str> = library.functions.iter().map(|(n, _)| n.as_str()).collect();
            let help = match library.functions.iter().find(|(n, _)| n == name) {
                Some((_, parameters)) => Some(format!("it takes {}", values(*parameters))),
                None => suggest(name, names),
            };
            let given = values(call.args.len());
            self.fault(at, format!("`{alias}` has no function `{name}` with {given}"), help);
        }
    }

    /// The library behind an alias; `None` where another fault tells of it.
    fn library(&self, alias: &str) -> Option<&Source> {
        let aliases = self.source.aliases();
        self.libraries.get(*aliases.get(alias)?).copied()
    }

    fn qualified_variable(&mut self, variable: &VariableParts, at: Position) {
        let (_, name, namespace, _) = variable;
        let Some(alias) = namespace.path.first().map(|i| i.name.to_string()) else { return };
        let (constants, hidden) = match (alias.as_str(), self.library(&alias)) {
            ("global", _) => (self.source.constants.clone(), false),
            (_, Some(library)) => (library.exports.clone(), library.constants.contains(name.as_str())),
            _ => return,
        };
        if !constants.contains(name.as_str()) {
            let export = || Some(format!("write `export const {name} = ..` in the library"));
            let help = if hidden { export() } else { suggest(name, constants.iter().map(String::as_str)) };
            self.fault(at, format!("there is no constant `{alias}::{name}`"), help);
        }
    }

    fn import(&mut self, library: &Expr, at: Position, depth: usize) {
        let top = depth == 1 && self.source.imports.iter().any(|i| i.position == at);
        if !top {
            return self.fault(at, "imports stand at the top of the file".to_owned(), None);
        }
        let Expr::StringConstant(name, place) = library else {
            return self.fault(at, "the name of a library must be written out".to_owned(), None);
        };
        if !self.libraries.contains_key(name.as_str()) {
            let names = self.libraries.keys().map(String::as_str);
            let help = suggest(name, names).unwrap_or_else(|| {
                "libraries are the files of `rules/lib`, by name without ending".to_owned()
            });
            self.fault(*place, format!("there is no library `{name}` that can be used"), Some(help));
        }
    }

    /// Checks what is written out in the brackets of a word of the vocabulary.
    fn arguments(&mut self, name: &str, call: &FnCallExpr, at: Position, method: bool) {
        let own = word(name).is_some_and(|w| w.on == Owner::Rule);
        let skip = usize::from(!method && !own);
        let args: Vec<&Expr> = call.args.iter().skip(skip).collect();
        for (place, given) in args.iter().enumerate() {
            if let Some((message, help)) = literals::problem(name, args.len(), place, given) {
                self.fault(given.start_position(), message, Some(help));
            }
        }
        match (name, args.as_slice()) {
            ("load", [Expr::StringConstant(load, place)]) => self.load(load, *place),
            ("load", _) => {
                let help = "write one `home.load(\"..\")` for each load; the program must know a rule's loads before it runs";
                self.fault(
                    at,
                    "the name of a load must be written out, not computed".to_owned(),
                    Some(help.to_owned()),
                );
            }
            ("point", [Expr::StringConstant(point, place)]) => {
                let points = self.home.points.iter().map(|p| p.id.as_str()).collect();
                self.named("point", point, *place, points);
            }
            ("input", [Expr::StringConstant(input, place)]) => {
                let inputs = self.home.inputs.iter().map(|i| i.id.as_str()).collect();
                self.named("input", input, *place, inputs);
            }
            ("setting", [Expr::StringConstant(setting, place)]) => {
                let settings = self.home.settings.iter().map(|s| s.id.as_str()).collect();
                self.named("setting", setting, *place, settings);
            }
            ("known" | "or", [Expr::StringConstant(name, place), ..]) => {
                self.named("value, point or input", name, *place, Name::all(self.home));
            }
            ("take_spare", [Expr::Map(map, _), _]) => {
                self.keys("take_spare", "term", &map.0, &TERMS);
            }
            ("need_kwh", [_, by, rest @ ..]) => {
                self.written(by, |text| TimeOfDay::parse(text).err());
                if let [Expr::Map(map, _), _] = rest {
                    self.keys("need_kwh", "option", &map.0, &OPTIONS);
                }
            }
            ("import_at" | "cheapest_before", [time, ..]) => {
                self.written(time, |text| TimeOfDay::parse(text).err());
            }
            ("between" | "energy_since" | "run_time_since", times) => {
                for time in times {
                    self.written(time, |text| TimeOfDay::parse(text).err());
                }
            }
            ("sustained" | "rolling_mean" | "rolling_min" | "rolling_max", [_, _, span]) => {
                self.written(span, |text| Span::parse(text).err())
            }
            _ => {}
        }
    }

    fn keys(&mut self, word: &str, one: &str, entries: &[(rhai::Ident, Expr)], known: &[&str]) {
        for (key, _) in entries {
            if !known.contains(&key.name.as_str()) {
                let help = suggest(&key.name, known.iter().copied());
                self.fault(key.pos, format!("`{word}` has no {one} `{}`", key.name), help);
            }
        }
    }

    fn written(&mut self, value: &Expr, problem: impl Fn(&str) -> Option<String>) {
        if let Expr::StringConstant(text, place) = value
            && let Some(message) = problem(text)
        {
            self.fault(*place, message, None);
        }
    }

    fn load(&mut self, name: &str, at: Position) {
        match self.home.load_named(name) {
            Some(load) => {
                self.found.loads.insert(load);
            }
            None => {
                let loads = self.home.loads.iter().map(|l| l.id.as_str()).collect();
                self.named("load", name, at, loads);
            }
        }
    }

    fn named(&mut self, what: &str, name: &str, at: Position, known: Vec<&str>) {
        if !known.contains(&name) {
            let help = suggest(name, known);
            self.fault(at, format!("the home has no {what} `{name}`"), help);
        }
    }

    /// Checks the word after a dot where the text tells what stands before it.
    fn dot(&mut self, before: &Expr, after: &Expr) {
        let Expr::Variable(variable, _, _) = before else { return };
        let Some(holds) = self.variables.get(variable.1.as_str()) else { return };
        self.members(*holds, after);
    }

    fn members(&mut self, holds: Holds, after: &Expr) {
        let (first, rest) = match after {
            Expr::Dot(parts, ..) => (&parts.lhs, Some(&parts.rhs)),
            Expr::Index(parts, ..) => (&parts.lhs, None),
            one => (one, None),
        };
        if let Some(owner) = owner(holds) {
            match first {
                Expr::Property(property, at) => self.member(owner, &property.2, true, *at),
                Expr::MethodCall(call, at) if !self.defines(&call.name) => {
                    self.member(owner, &call.name, false, *at)
                }
                _ => {}
            }
        }
        if let Some(rest) = rest {
            self.members(given_by(holds, first), rest);
        }
    }

    fn defines(&self, name: &str) -> bool {
        self.source.functions.iter().any(|(n, _)| n == name)
    }

    fn member(&mut self, owner: Owner, name: &str, property: bool, at: Position) {
        let words = words_of(owner);
        if words.clone().any(|w| w.name == name && w.is_property() == property) {
            return;
        }
        // A word that exists nowhere is told by `call`.
        if !property && !self.callable.contains_key(name) {
            return;
        }
        let what = owner_words(owner);
        let near = nearest(name, words.clone().map(|w| w.name)).map(|n| format!("did you mean `{n}`?"));
        let elsewhere = word(name).map(|w| format!("it belongs to {}", owner_words(w.on)));
        let help = match words.clone().find(|w| w.name == name) {
            Some(word) => Some(format!("write `{}`", word.signature)),
            None => near.or(elsewhere),
        };
        self.fault(at, format!("{what} has no `{name}`"), help);
    }
}

/// Whether a word asks a load to take power: words that ask take a reason, and all but one are for taking.
fn starts(name: &str) -> bool {
    let asks = |w: &super::vocabulary::Entry| w.name == name && w.signature.ends_with("why)");
    name != "stop" && words_of(Owner::Load).any(asks)
}

fn owner_words(owner: Owner) -> &'static str {
    match owner {
        Owner::Home => "the home",
        Owner::Load => "a load",
        Owner::Clock => "the clock",
        Owner::Sun => "the sun",
        Owner::Price => "the prices",
        Owner::Rule => "the rule itself",
        Owner::Number => "numbers",
        Owner::Text => "texts",
        Owner::List => "lists",
        Owner::Map => "maps",
    }
}

type VariableParts = (Option<std::num::NonZeroUsize>, rhai::ImmutableString, rhai::Namespace, u64);

fn values(count: usize) -> String {
    match count {
        0 => "no value".to_owned(),
        1 => "one value".to_owned(),
        n => format!("{n} values"),
    }
}
