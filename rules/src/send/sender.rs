//! Writes commands in the form that a load's device takes.

use rhai::{Dynamic, Scope};
use serde_json::json;

use super::duty::duty_from_amps;
use crate::home::{Kind, Load, SendAs};
use crate::limits;
use crate::output::Command;
use crate::script::{Expression, to_value, type_word};
use crate::time::Span;

/// Sent as duty cycle to pause: a steady 100 % is the state in which a car is connected and no energy is offered (IEC
/// 61851-1, states x1). 0 % or anything below 3 % would be a fault to the car, 5 % would ask it to talk digitally.
const PAUSE_DUTY: &str = "100";

/// Rounding errors of a division must not cost a step.
const GRAIN: f64 = 1e-6;

/// Writes the commands of one load.
#[derive(Debug, Clone)]
pub struct Sender {
    kind: Kind,
    form: Form,
}

#[derive(Debug, Clone)]
enum Form {
    Amps,
    Watts,
    Percent,
    Words(String, String),
    Duty,
    Json,
    Script(Expression),
}

/// Writes one command; to write many, keep a [`Sender`].
///
/// # Errors
/// As [`Sender::new`] and [`Sender::encode`].
pub fn encode(load: &Load, command: &Command) -> Result<String, String> {
    Sender::new(load)?.encode(command)
}

impl Sender {
    /// Prepares to write the commands of `load`. A script is compiled, and tried on an "on" and an "off".
    ///
    /// # Errors
    /// When the form does not go with the kind of load, or the script is wrong.
    pub fn new(load: &Load) -> Result<Sender, String> {
        let form = match &load.send {
            SendAs::Amps => Form::Amps,
            SendAs::Watts => Form::Watts,
            SendAs::Percent => Form::Percent,
            SendAs::OnOff { on_word, off_word } => Form::Words(on_word.clone(), off_word.clone()),
            SendAs::Duty => Form::Duty,
            SendAs::Json => Form::Json,
            SendAs::Script { source } => {
                Form::Script(Expression::compile(source, &["on", "watts", "amps", "percent"])?)
            }
        };
        if matches!(form, Form::Amps | Form::Duty) && !load.is_charge_point() {
            return Err(format!(
                "`{}` is no charge point and takes no amps: send watts, percent or words",
                load.id
            ));
        }
        let sender = Sender { kind: load.kind, form };
        if matches!(sender.form, Form::Script(_)) {
            sender.encode(&trial(load, true))?;
            sender.encode(&trial(load, false))?;
        }
        Ok(sender)
    }

    /// Writes a command. What is written never asks for more than the command: amounts are rounded down.
    ///
    /// # Errors
    /// When the command lacks what the form needs, or has an amount that is no amount, or the script fails.
    pub fn encode(&self, command: &Command) -> Result<String, String> {
        let amounts = self.amounts(command)?;
        match &self.form {
            Form::Amps => Ok(amounts.whole_amps()?.to_string()),
            Form::Watts => Ok(amounts.whole_watts().to_string()),
            Form::Percent => Ok(format!("{:.1}", amounts.percent)),
            Form::Words(on_word, off_word) => Ok(if command.on { on_word } else { off_word }.clone()),
            Form::Duty => Ok(duty_text(amounts.amps()?)),
            Form::Json => amounts.json(command.on),
            Form::Script(script) => run(script, command.on, &amounts),
        }
    }

    fn amounts(&self, command: &Command) -> Result<Amounts, String> {
        let watts = if command.on { amount(command.watts, "watts")? } else { 0.0 };
        let (floor_a, ceiling_a) = match self.kind {
            Kind::ChargePoint { floor_a, ceiling_a } => (floor_a, ceiling_a),
            Kind::Modulated { ceiling_w, .. } | Kind::Switch { rating_w: ceiling_w } => {
                return Ok(Amounts { watts, amps: None, percent: percent(watts, ceiling_w) });
            }
        };
        let amps = match command.amps {
            _ if !command.on => 0.0,
            Some(amps) => amount(amps, "amps")?,
            None => return Err("the command for a charge point has no amps".to_owned()),
        };
        // Below its floor a charge point offers nothing.
        let amps = if amps < floor_a { 0.0 } else { amps };
        Ok(Amounts { watts, amps: Some(amps), percent: percent(amps, ceiling_a) })
    }
}

/// What a command asks for, in each measure.
struct Amounts {
    watts: f64,
    /// `None` for loads that are no charge points.
    amps: Option<f64>,
    /// Of the ceiling, in tenths, rounded down.
    percent: f64,
}

impl Amounts {
    fn amps(&self) -> Result<f64, String> {
        self.amps.ok_or_else(|| "this load takes no amps".to_owned())
    }

    fn whole_amps(&self) -> Result<i64, String> {
        self.amps().map(|amps| amps.floor() as i64)
    }

    fn whole_watts(&self) -> i64 {
        self.watts.floor() as i64
    }

    fn json(&self, on: bool) -> Result<String, String> {
        let object = match self.amps {
            Some(_) => json!({ "on": on, "amps": self.whole_amps()? }),
            None => json!({ "on": on, "watts": self.whole_watts() }),
        };
        Ok(object.to_string())
    }
}

fn amount(value: f64, what: &str) -> Result<f64, String> {
    let good = value.is_finite() && (0.0..1e9).contains(&value);
    if good { Ok(value) } else { Err(format!("{value} {what} is no amount to send")) }
}

fn percent(part: f64, whole: f64) -> f64 {
    if whole <= 0.0 {
        return 0.0;
    }
    ((part / whole * 1000.0 + GRAIN).floor() / 10.0).clamp(0.0, 100.0)
}

/// Two decimals, rounded down: a hundredth of a percent is 6 mA.
fn duty_text(amps: f64) -> String {
    match duty_from_amps(amps) {
        Some(duty) => format!("{}", (duty * 100.0 + GRAIN).floor() / 100.0),
        None => PAUSE_DUTY.to_owned(),
    }
}

fn run(script: &Expression, on: bool, amounts: &Amounts) -> Result<String, String> {
    let mut scope = Scope::new();
    scope.push("on", on);
    scope.push("watts", amounts.watts);
    scope.push_dynamic("amps", amounts.amps.map_or(Dynamic::UNIT, Dynamic::from_float));
    scope.push("percent", amounts.percent);
    message(&script.run(scope)?)
}

/// What a script gives, as a message: texts as they are, numbers plainly, maps and lists as JSON.
fn message(value: &Dynamic) -> Result<String, String> {
    let text = if let Ok(text) = value.as_immutable_string_ref() {
        text.to_string()
    } else if let Ok(number) = value.as_float() {
        if !number.is_finite() {
            return Err(format!("the script gives {number}, which can't be sent"));
        }
        format!("{number}")
    } else if value.is_int() || value.is_bool() || value.is_char() {
        value.to_string()
    } else if value.is_map() || value.is_array() {
        to_value(value).to_string()
    } else {
        return Err(format!(
            "the script gives {}; its last line must be what is sent",
            type_word(value.type_name())
        ));
    };
    match text.len() {
        0 => Err("the script gives an empty text; an empty message would delete a retained one".to_owned()),
        n if n > limits::RULE_STRING => {
            Err(format!("the script gives {n} bytes, more than {}", limits::RULE_STRING))
        }
        _ => Ok(text),
    }
}

/// A command on which a script is tried.
fn trial(load: &Load, on: bool) -> Command {
    let amps = match load.kind {
        Kind::ChargePoint { ceiling_a, .. } => Some(ceiling_a.floor()),
        _ => None,
    };
    let watts = load.ceiling_w(230.0);
    Command { load: crate::home::LoadId(0), on, watts, amps, valid_for: Span::ZERO, repeat: false }
}
