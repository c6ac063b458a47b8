//! The rules of one set, compiled: each on its own, so that a mistake in one does not take the others along.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use rhai::module_resolvers::StaticModuleResolver;
use rhai::{AST, Engine, Module, Position, Scope};

use super::check::{Found, check};
use super::explain::explain;
use super::fault::{Fault, SourceFile};
use super::source::Source;
use super::vocabulary::{rule_engine, signatures};
use crate::home::{Home, LoadId};
use crate::input::RuleSet;

/// The engine and the compiled rules of one [`RuleSet`].
pub struct Program {
    pub(super) engine: Engine,
    /// What rules may import.
    pub(super) library: StaticModuleResolver,
    pub(super) home: Arc<Home>,
    /// What is dear to work out, worked out once.
    pub(super) memos: Arc<super::trace::Memos>,
    pub(super) infos: Vec<RuleInfo>,
    pub(super) rules: Vec<Option<CompiledRule>>,
    /// Texts of every file, to show the line of a fault.
    pub(super) texts: BTreeMap<SourceFile, String>,
}

/// A rule that can run.
pub(super) struct CompiledRule {
    pub(super) ast: AST,
    /// Whether constants or imports must be evaluated before `decide`.
    pub(super) statements: bool,
    /// Where `decide` begins.
    pub(super) entry: Position,
}

/// What is known of a rule before it runs.
#[derive(Debug, Clone, PartialEq)]
pub struct RuleInfo {
    /// The rule's name.
    pub name: String,
    /// The loads for which it may ask, its libraries included, in the home's order; of a file that can't be read, those
    /// that its text seems to name.
    pub loads: Vec<LoadId>,
    /// Whether it may ever ask a load to take power, its libraries included.
    pub may_start: bool,
    /// `const MEMORY`; 0 where the rule has none.
    pub memory_version: i64,
    /// Why it can't run; the first of its faults.
    pub fault: Option<Fault>,
}

/// A program and every mistake that was found on the way.
pub struct Compiled {
    /// The program. Rules with a fault are part of it, but do not run.
    pub program: Program,
    /// Every fault of every file, in the order of the rules; each is told once.
    pub faults: Vec<Fault>,
}

impl Program {
    /// Compiles every rule of a set on its own and checks it against the home.
    pub fn compile(home: &Home, set: &RuleSet) -> Compiled {
        let mut engine = rule_engine();
        let mut faults = Vec::new();
        let (libraries, library) = read_libraries(&mut engine, home, set, &mut faults);
        let (texts, home_kept) = (texts(set), Arc::new(home.clone()));
        let (infos, rules) = (Vec::new(), Vec::new());
        let mut program =
            Program { engine, library, home: home_kept, memos: Arc::default(), infos, rules, texts };
        for rule in &set.rules {
            let (info, compiled) = compile_rule(&program.engine, home, rule, &libraries, &mut faults);
            program.infos.push(info);
            program.rules.push(compiled);
        }
        Compiled { program, faults }
    }

    /// Every rule of the set in rank order, highest first, broken ones included.
    pub fn rules(&self) -> &[RuleInfo] {
        &self.infos
    }
}

fn texts(set: &RuleSet) -> BTreeMap<SourceFile, String> {
    let rules = set.rules.iter().map(|r| (SourceFile::Rule(r.name.clone()), r.text.clone()));
    let library = set.library.iter().map(|l| (SourceFile::Library(l.name.clone()), l.text.clone()));
    rules.chain(library).collect()
}

/// A library file that rules may import.
struct Library {
    source: Source,
    loads: BTreeSet<LoadId>,
    may_start: bool,
}

/// Reads the library and teaches the engine to import from it and from nowhere else. Files that import each other are
/// taken in order; those in a circle, or with a fault, can't be imported.
fn read_libraries(
    engine: &mut Engine,
    home: &Home,
    set: &RuleSet,
    faults: &mut Vec<Fault>,
) -> (BTreeMap<String, Library>, StaticModuleResolver) {
    engine.set_module_resolver(StaticModuleResolver::new());
    let mut waiting: Vec<Source> = Vec::new();
    for text in &set.library {
        match Source::read(engine, SourceFile::Library(text.name.clone()), &text.text, &text.name) {
            Ok(source) => waiting.push(source),
            Err(fault) => faults.push(*fault),
        }
    }
    let names: BTreeSet<String> = waiting.iter().map(library_name).collect();
    let mut ready: BTreeMap<String, Library> = BTreeMap::new();
    let mut resolver = StaticModuleResolver::new();
    while let Some(next) = waiting.iter().position(|s| {
        s.imports
            .iter()
            .filter_map(|i| i.library.as_ref())
            .all(|l| !names.contains(l) || !is_waiting(&waiting, l))
    }) {
        let source = waiting.remove(next);
        let name = library_name(&source);
        match library(engine, home, source, &ready) {
            Ok((library, module)) => {
                resolver.insert(name.as_str(), module);
                engine.set_module_resolver(resolver.clone());
                ready.insert(name, library);
            }
            Err(found) => faults.extend(found),
        }
    }
    for source in &waiting {
        let message = "this file imports itself by way of others".to_owned();
        let at = source.imports.first().map_or(Position::NONE, |i| i.position);
        faults.push(source.fault(&library_name(source), at, message, None));
    }
    (ready, resolver)
}

fn library_name(source: &Source) -> String {
    match &source.file {
        SourceFile::Rule(name) | SourceFile::Library(name) => name.clone(),
    }
}

fn is_waiting(waiting: &[Source], name: &str) -> bool {
    waiting.iter().any(|s| library_name(s) == name)
}

fn library(
    engine: &Engine,
    home: &Home,
    source: Source,
    ready: &BTreeMap<String, Library>,
) -> Result<(Library, Module), Vec<Fault>> {
    let name = library_name(&source);
    let mut found = check(&source, &name, home, &sources(ready));
    add_imports(&mut found, &source, ready);
    if !found.faults.is_empty() {
        return Err(found.faults);
    }
    let module = Module::eval_ast_as_new(Scope::new(), &source.ast, engine).map_err(|error| {
        let told = explain(&error, signatures);
        let at = Position::new(told.line.unwrap_or(1) as u16, told.column.unwrap_or(1) as u16);
        vec![source.fault(&name, at, told.message, told.help)]
    })?;
    Ok((Library { source, loads: found.loads, may_start: found.may_start }, module))
}

fn sources(libraries: &BTreeMap<String, Library>) -> BTreeMap<String, &Source> {
    libraries.iter().map(|(name, library)| (name.clone(), &library.source)).collect()
}

/// What the imported files use counts for the file that imports them.
fn add_imports(found: &mut Found, source: &Source, libraries: &BTreeMap<String, Library>) {
    for library in source.imports.iter().filter_map(|i| libraries.get(i.library.as_ref()?)) {
        found.loads.extend(&library.loads);
        found.may_start |= library.may_start;
    }
}

fn compile_rule(
    engine: &Engine,
    home: &Home,
    rule: &crate::input::RuleSource,
    libraries: &BTreeMap<String, Library>,
    faults: &mut Vec<Fault>,
) -> (RuleInfo, Option<CompiledRule>) {
    let mut info = RuleInfo {
        name: rule.name.clone(),
        loads: Vec::new(),
        may_start: false,
        memory_version: 0,
        fault: None,
    };
    let source = match Source::read(engine, SourceFile::Rule(rule.name.clone()), &rule.text, &rule.name) {
        Ok(source) => source,
        Err(fault) => {
            info.loads = loads_in_text(home, &rule.text);
            info.fault = Some((*fault).clone());
            faults.push(*fault);
            return (info, None);
        }
    };
    let mut found = check(&source, &rule.name, home, &sources(libraries));
    add_imports(&mut found, &source, libraries);
    check_entry(&source, &rule.name, &mut found);
    match source.memory_version() {
        Ok(version) => info.memory_version = version,
        Err(at) => {
            found.faults.push(source.fault(
                &rule.name,
                at,
                "`MEMORY` must be a whole number".to_owned(),
                None,
            ));
        }
    }
    info.loads = found.loads.iter().copied().collect();
    info.may_start = found.may_start;
    info.fault = found.faults.first().cloned();
    faults.append(&mut found.faults);
    let statements = !source.ast.statements().is_empty();
    let entry = entry(&source.ast);
    let compiled = CompiledRule { ast: source.ast, statements, entry };
    let runs = info.fault.is_none();
    (info, runs.then_some(compiled))
}

/// The loads that a file seems to name. A file that can't be read still stands for its loads: they go to their
/// fallback, rather than off as if no rule asked for them.
fn loads_in_text(home: &Home, text: &str) -> Vec<LoadId> {
    let named = |id: &str| text.contains(&format!("load(\"{id}\")"));
    home.loads.iter().filter(|load| named(&load.id)).filter_map(|load| home.load_named(&load.id)).collect()
}

/// Where the body of `decide` begins.
fn entry(ast: &AST) -> Position {
    let decide = ast.iter_fn_def().find(|f| f.name == "decide" && f.params.len() == 1);
    decide.map_or(Position::NONE, |f| f.body.start_position())
}

fn check_entry(source: &Source, rule: &str, found: &mut Found) {
    if source.functions.contains(&("decide".to_owned(), 1)) {
        return;
    }
    let message = match source.functions.iter().find(|(name, _)| name == "decide") {
        Some((_, count)) => format!("`decide` must have one parameter, the home, and has {count}"),
        None => "the rule has no function `decide`".to_owned(),
    };
    let help = Some("a rule begins with `fn decide(home) {`".to_owned());
    found.faults.push(source.fault(rule, Position::new(1, 1), message, help));
}
