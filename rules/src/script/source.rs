//! One file of the household's rules, read: its syntax tree, its functions and constants, and what it imports.

use std::collections::{BTreeMap, BTreeSet};

use rhai::{AST, ASTFlags, Engine, Expr, Position, Stmt};

use super::explain::explain_parse;
use super::fault::{Fault, SourceFile};
use crate::limits;

/// A file that could be read.
pub(super) struct Source {
    pub(super) file: SourceFile,
    pub(super) text: String,
    pub(super) ast: AST,
    /// Functions by name and number of parameters.
    pub(super) functions: BTreeSet<(String, usize)>,
    /// Constants at the top of the file.
    pub(super) constants: BTreeSet<String>,
    /// Those of the constants that a file which imports this one can read.
    pub(super) exports: BTreeSet<String>,
    /// Imports at the top of the file.
    pub(super) imports: Vec<Import>,
}

/// One import.
pub(super) struct Import {
    /// The library's name; `None` where it is computed.
    pub(super) library: Option<String>,
    /// The name by which the file uses it.
    pub(super) alias: String,
    pub(super) position: Position,
}

impl Source {
    /// Reads one file.
    ///
    /// # Errors
    /// The fault, when it is too large or its syntax is wrong.
    pub(super) fn read(
        engine: &Engine,
        file: SourceFile,
        text: &str,
        rule: &str,
    ) -> Result<Source, Box<Fault>> {
        let fault = |message: String, help: Option<String>| {
            Box::new(Fault {
                rule: rule.to_owned(),
                file: file.clone(),
                message,
                line: None,
                column: None,
                text: None,
                help,
            })
        };
        if text.len() > limits::RULE_FILE_BYTES {
            let message = format!(
                "the file has {} bytes, more than the {} that a rule may have",
                text.len(),
                limits::RULE_FILE_BYTES
            );
            return Err(fault(message, Some("move parts of it to `lib`".to_owned())));
        }
        let mut ast = engine.compile(text).map_err(|error| {
            let told = explain_parse(&error);
            let help = told.help.or_else(|| constant_help(error.err_type(), text));
            let mut fault = fault(told.message, help);
            (fault.line, fault.column) = within(text, told.line, told.column);
            fault.text = fault.line.and_then(|line| line_of(text, line));
            fault
        })?;
        ast.set_source(file.to_string());
        let functions = ast.iter_functions().map(|f| (f.name.to_owned(), f.params.len())).collect();
        let constants =
            ast.statements().iter().filter_map(|s| constant_name(s, ASTFlags::CONSTANT)).collect();
        let exports = ast.statements().iter().filter_map(|s| constant_name(s, ASTFlags::EXPORTED)).collect();
        let imports = ast.statements().iter().filter_map(import).collect();
        Ok(Source { file, text: text.to_owned(), ast, functions, constants, exports, imports })
    }

    /// A fault at a place of this file.
    pub(super) fn fault(&self, rule: &str, at: Position, message: String, help: Option<String>) -> Fault {
        Fault {
            rule: rule.to_owned(),
            file: self.file.clone(),
            message,
            line: at.line(),
            column: at.position(),
            text: at.line().and_then(|line| line_of(&self.text, line)),
            help,
        }
    }

    /// `const MEMORY = n`, 0 where there is none.
    ///
    /// # Errors
    /// When it is no whole number.
    pub(super) fn memory_version(&self) -> Result<i64, Position> {
        for statement in self.ast.statements() {
            if let Stmt::Var(var, flags, at) = statement
                && flags.contains(ASTFlags::CONSTANT)
                && var.0.name == "MEMORY"
            {
                return match &var.1 {
                    Expr::IntegerConstant(n, _) => Ok(*n),
                    _ => Err(*at),
                };
            }
        }
        Ok(0)
    }

    /// The libraries it imports, by the name that it uses.
    pub(super) fn aliases(&self) -> BTreeMap<&str, &str> {
        self.imports.iter().filter_map(|i| Some((i.alias.as_str(), i.library.as_deref()?))).collect()
    }
}

/// A place in the text; what is missing at the end of a file is missing after its last letter.
fn within(text: &str, line: Option<usize>, column: Option<usize>) -> (Option<usize>, Option<usize>) {
    let last = text.trim_end().lines().count().max(1);
    match line {
        Some(line) if line > last => {
            let end = line_of(text, last).map_or(0, |l| l.trim_end().chars().count());
            (Some(last), Some(end + 1))
        }
        _ => (line, column),
    }
}

/// The text of line `line` (from 1).
pub(super) fn line_of(text: &str, line: usize) -> Option<String> {
    text.lines().nth(line.checked_sub(1)?).map(str::to_owned)
}

fn constant_name(statement: &Stmt, wanted: ASTFlags) -> Option<String> {
    match statement {
        Stmt::Var(var, flags, _) if flags.contains(wanted) => Some(var.0.name.to_string()),
        _ => None,
    }
}

fn import(statement: &Stmt) -> Option<Import> {
    let Stmt::Import(import, position) = statement else { return None };
    let library = match &import.0 {
        Expr::StringConstant(name, _) => Some(name.to_string()),
        _ => None,
    };
    Some(Import { library, alias: import.1.name.to_string(), position: *position })
}

/// Functions do not see constants by their bare name, which surprises everybody once.
fn constant_help(error: &rhai::ParseErrorType, text: &str) -> Option<String> {
    let rhai::ParseErrorType::VariableUndefined(name) = error else { return None };
    let declared = text.lines().any(|line| {
        let rest =
            line.trim_start().strip_prefix("const ").or_else(|| line.trim_start().strip_prefix("let "));
        rest.is_some_and(|rest| {
            rest.trim_start().split(|c: char| !c.is_alphanumeric() && c != '_').next() == Some(name)
        })
    });
    declared.then(|| format!("inside a function a constant of the file is written `global::{name}`"))
}
