//! What the variables of a file hold, as far as its text tells.

use std::collections::BTreeMap;

use rhai::{ASTNode, Expr, Stmt};

use super::source::Source;
use super::vocabulary::Owner;

/// What a variable holds, as far as the text tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Holds {
    Home,
    Load,
    Clock,
    Sun,
    Price,
    Anything,
}

pub(super) fn owner(holds: Holds) -> Option<Owner> {
    match holds {
        Holds::Home => Some(Owner::Home),
        Holds::Load => Some(Owner::Load),
        Holds::Clock => Some(Owner::Clock),
        Holds::Sun => Some(Owner::Sun),
        Holds::Price => Some(Owner::Price),
        Holds::Anything => None,
    }
}

/// What `first` gives when it is taken of something that holds `holds`.
pub(super) fn given_by(holds: Holds, first: &Expr) -> Holds {
    match (holds, first) {
        (Holds::Home, Expr::Property(property, _)) if property.2 == "clock" => Holds::Clock,
        (Holds::Home, Expr::Property(property, _)) if property.2 == "sun" => Holds::Sun,
        (Holds::Home, Expr::Property(property, _)) if property.2 == "price" => Holds::Price,
        (Holds::Home, Expr::MethodCall(call, _)) if call.name == "load" => Holds::Load,
        _ => Holds::Anything,
    }
}

/// What each variable of the file holds, where every use of its name agrees.
pub(super) fn variables(source: &Source) -> BTreeMap<String, Holds> {
    let mut holds: BTreeMap<String, Holds> = BTreeMap::new();
    let home = home_name(source);
    for function in source.ast.iter_functions() {
        for parameter in function.params {
            let given = if home.as_deref() == Some(parameter) { Holds::Home } else { Holds::Anything };
            vote(&mut holds, parameter, given);
        }
    }
    source.ast.walk(&mut |path: &[ASTNode]| {
        match path.last() {
            Some(ASTNode::Stmt(Stmt::Var(var, ..))) => {
                vote(&mut holds, &var.0.name, value_of(&var.1, home.as_deref()))
            }
            Some(ASTNode::Stmt(Stmt::For(parts, _))) => vote(&mut holds, &parts.0.name, Holds::Anything),
            Some(ASTNode::Stmt(Stmt::Assignment(parts))) => {
                if let Expr::Variable(variable, ..) = &parts.1.lhs {
                    vote(&mut holds, &variable.1, value_of(&parts.1.rhs, home.as_deref()));
                }
            }
            Some(ASTNode::Stmt(Stmt::TryCatch(parts, _))) => {
                if let Expr::Variable(variable, ..) = &parts.expr {
                    vote(&mut holds, &variable.1, Holds::Anything);
                }
            }
            _ => {}
        }
        true
    });
    holds
}

fn vote(holds: &mut BTreeMap<String, Holds>, name: &str, value: Holds) {
    let agreed = match holds.get(name) {
        Some(before) if *before != value => Holds::Anything,
        _ => value,
    };
    holds.insert(name.to_owned(), agreed);
}

/// The name of `decide`'s parameter; in a library `home` by custom.
fn home_name(source: &Source) -> Option<String> {
    let decide = source.ast.iter_functions().find(|f| f.name == "decide" && f.params.len() == 1);
    Some(decide.and_then(|f| f.params.first().map(|p| (*p).to_owned())).unwrap_or_else(|| "home".to_owned()))
}

fn value_of(value: &Expr, home: Option<&str>) -> Holds {
    let Expr::Dot(parts, ..) = value else { return Holds::Anything };
    match &parts.lhs {
        Expr::Variable(variable, ..) if Some(variable.1.as_str()) == home => {
            given_by(Holds::Home, &parts.rhs)
        }
        _ => Holds::Anything,
    }
}
