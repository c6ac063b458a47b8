//! A short script in the home file: from a message to a number, or from a command to a message.

use std::sync::OnceLock;

use rhai::{AST, ASTNode, Dynamic, Engine, Expr, FnCallExpr, Position, Scope, Stmt};

use super::engine::general_engine;
use super::explain::{Explained, explain, explain_parse};
use super::nearest::nearest;
use super::vocabulary::{Owner, callable, signatures};
use crate::limits;

/// A script that was read and found to use known words only.
#[derive(Debug, Clone)]
pub(crate) struct Expression {
    ast: AST,
}

/// What expressions may use: the general part of the language.
const OWNERS: [Owner; 4] = [Owner::Number, Owner::Text, Owner::List, Owner::Map];

/// All expressions share one engine; it has no state of its own.
fn engine() -> &'static Engine {
    static ENGINE: OnceLock<Engine> = OnceLock::new();
    ENGINE.get_or_init(|| {
        let mut engine = general_engine();
        engine.set_max_modules(0).set_max_functions(0);
        engine
    })
}

impl Expression {
    /// Reads a script that may use `variables`.
    ///
    /// # Errors
    /// What is wrong with it, with line and column.
    pub(crate) fn compile(source: &str, variables: &[&str]) -> Result<Expression, String> {
        if source.len() > limits::EXPRESSION_BYTES {
            return Err(format!("the script has more than {} bytes", limits::EXPRESSION_BYTES));
        }
        let mut scope = Scope::new();
        for name in variables {
            scope.push_dynamic(*name, Dynamic::UNIT);
        }
        let ast =
            engine().compile_with_scope(&scope, source).map_err(|error| in_script(explain_parse(&error)))?;
        if ast.statements().is_empty() {
            return Err("the script is empty".to_owned());
        }
        match unknown_word(&ast) {
            Some(told) => Err(in_script(told)),
            None => Ok(Expression { ast }),
        }
    }

    /// Runs the script. `scope` must have the variables with which it was compiled.
    ///
    /// # Errors
    /// What went wrong, with line and column.
    pub(crate) fn run(&self, mut scope: Scope<'_>) -> Result<Dynamic, String> {
        engine()
            .eval_ast_with_scope::<Dynamic>(&mut scope, &self.ast)
            .map_err(|error| in_script(explain(&error, signatures)))
    }
}

fn in_script(told: Explained) -> String {
    let place = match (told.line, told.column) {
        (Some(line), Some(column)) => format!("line {line}, column {column} of the script"),
        _ => "the script".to_owned(),
    };
    match told.help {
        Some(help) => format!("{place}: {} ({help})", told.message),
        None => format!("{place}: {}", told.message),
    }
}

/// The first call of a word that expressions do not have.
fn unknown_word(ast: &AST) -> Option<Explained> {
    let words = callable(&OWNERS);
    let mut found: Option<Explained> = None;
    ast.walk(&mut |path: &[ASTNode]| {
        let (call, at, method): (&FnCallExpr, Position, bool) = match path.last() {
            Some(ASTNode::Expr(Expr::FnCall(call, at)) | ASTNode::Stmt(Stmt::FnCall(call, at))) => {
                (call, *at, false)
            }
            Some(ASTNode::Expr(Expr::MethodCall(call, at))) => (call, *at, true),
            Some(ASTNode::Stmt(Stmt::Import(_, at))) => {
                found.get_or_insert(Explained::at(*at, "a script can't import".to_owned()));
                return true;
            }
            _ => return true,
        };
        let given = call.args.len() + usize::from(method);
        let known = words.get(call.name.as_str()).is_some_and(|counts| counts.contains(&given));
        if !known && !call.is_operator_call() {
            let help = match words.contains_key(call.name.as_str()) {
                true => Some(format!("it is used as {}", signatures(&call.name).join(" or "))),
                false => nearest(&call.name, words.keys().copied()).map(|n| format!("did you mean `{n}`?")),
            };
            let told = Explained::at(at, format!("there is no such function `{}`", call.name));
            found.get_or_insert(Explained { help, ..told });
        }
        true
    });
    found
}
