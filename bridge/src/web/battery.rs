//! What a battery would have done: the question as a form, and the answer.

use askama::Template;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Html;
use jiff::tz::TimeZone;
use overspill_rules::home::Home;
use overspill_rules::time::WallTime;
use serde::Deserialize;
use utoipa::IntoParams;

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::site::{Shared, Site};
use super::trouble::Trouble;
use crate::battery::html::body;
use crate::battery::wish::{self, Wish};
use crate::battery::{Asked as Question, Told, ask};
use crate::report::words;
use crate::store::StoreReader;
use crate::when::moment;

/// What is asked; fields that are blank take what is usual.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct BatteryQuery {
    /// Usable sizes in kWh, with commas between them, each from 0 to 1000; usually 2.5,5,10.
    pub(crate) sizes: Option<String>,
    /// The most that goes in or out at the AC terminals, 0.01 to 1000 kW; usually 0.5 kW for each kWh.
    pub(crate) power_kw: Option<String>,
    /// How much of what goes in is stored, 0.3 to 1; usually 0.95.
    pub(crate) charge_efficiency: Option<String>,
    /// How much of what was stored comes out, 0.3 to 1; usually 0.95.
    pub(crate) discharge_efficiency: Option<String>,
    /// What it takes itself all the time, 0 to 1000 W.
    pub(crate) idle_w: Option<String>,
    /// What is kept for a power cut, 0 to 1000 kWh.
    pub(crate) reserve_kwh: Option<String>,
    /// What each kWh of usable size costs, in the tariff's currency.
    pub(crate) price_per_kwh: Option<String>,
    /// The beginning; the last year of the record where neither is given.
    pub(crate) from: Option<String>,
    /// The end; a date means that day's end.
    pub(crate) to: Option<String>,
}

/// One field of the form.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Field {
    pub(crate) name: &'static str,
    pub(crate) label: &'static str,
    /// What may stand in it.
    pub(crate) hint: &'static str,
    pub(crate) value: String,
    pub(crate) error: Option<String>,
}

/// The form, and the question where it holds one.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Form {
    pub(crate) fields: Vec<Field>,
    pub(crate) from: String,
    pub(crate) to: String,
    pub(crate) span_error: Option<String>,
    /// What does not fit together.
    pub(crate) error: Option<String>,
    pub(crate) question: Option<Question>,
}

#[derive(Template)]
#[template(path = "battery.html")]
struct Page {
    frame: Frame,
    form: Form,
    /// What the answer is about, and the answer.
    answer: Option<(String, String)>,
    /// Why there is none.
    refusal: Option<String>,
}

/// The view. It works out an answer only where something is asked, since that takes a while.
pub(super) async fn page(
    State(site): State<Shared>,
    visitor: Visitor,
    Query(query): Query<BatteryQuery>,
) -> Result<(StatusCode, Html<String>), Trouble> {
    let form = form(site.home(), &query);
    let is_asked = query.sizes.is_some();
    let told = match form.question.clone().filter(|_| is_asked) {
        Some(question) => {
            let zone = site.home().timezone.clone();
            let tell = move |told: &Told| (about(told, &zone), body(told));
            Some(answered(&site, question, tell).await?)
        }
        None => None,
    };
    let (answer, refusal) = match told {
        Some(Ok(answer)) => (Some(answer), None),
        Some(Err(why)) => (None, Some(format!("This can't be told: {why}."))),
        None => (None, None),
    };
    let status = if form.question.is_none() { StatusCode::BAD_REQUEST } else { StatusCode::OK };
    let page = Page { frame: Frame::new(&site, Here::Battery, visitor), form, answer, refusal };
    super::rendered(&page).map(|page| (status, page))
}

/// What the answer is about.
fn about(told: &Told, zone: &TimeZone) -> String {
    let covered = words::percent(Some(told.covered()));
    format!("{}. Indicative: readings cover {covered} of this time.", words::span(told.span, zone))
}

/// Works it out and tells it in a way; the refusal, in a sentence, where that can't be done.
pub(crate) async fn answered<T: Send + 'static>(
    site: &Site,
    question: Question,
    tell: impl FnOnce(&Told) -> T + Send + 'static,
) -> Result<Result<T, String>, Trouble> {
    site.apart(move |config| {
        let journal = StoreReader::open_read_only(&config.store.path)?;
        Ok(ask(&journal, config, &question).map(|told| tell(&told)))
    })
    .await
}

/// A field's name, its label, what may stand in it, and what usually does.
type Spec = (&'static str, &'static str, &'static str, &'static str);

const SIZES: Spec = ("sizes", "Usable sizes, kWh", "up to 20, with commas between them", "2.5,5,10");
const POWER: Spec = ("power_kw", "Power, kW", "0.01 to 1000; blank is 0.5 for each kWh", "");
const CHARGE: Spec = ("charge_efficiency", "Stored of what goes in", "0.3 to 1; 0.95 is 95 %", "0.95");
const DISCHARGE: Spec =
    ("discharge_efficiency", "Comes out of what was stored", "0.3 to 1; 0.95 is 95 %", "0.95");
const IDLE: Spec = ("idle_w", "It takes itself all the time, W", "0 to 1000; many take 10 to 60", "0");
const RESERVE: Spec = ("reserve_kwh", "Kept for a power cut, kWh", "0 to 1000", "0");
const PRICE: Spec =
    ("price_per_kwh", "Price of each kWh of size", "in the tariff's currency; blank leaves it out", "");

/// The fields of a form as they are read.
#[derive(Default)]
struct Reading {
    fields: Vec<Field>,
}

impl Reading {
    /// What a field says; `None` where it is blank or wrong.
    fn take<T>(
        &mut self,
        (name, label, hint, usual): Spec,
        given: &Option<String>,
        read: fn(&str) -> Result<T, String>,
    ) -> Option<T> {
        let value = text(given).unwrap_or(usual).to_owned();
        let (taken, error) = match value.is_empty() {
            true => (None, None),
            false => read(&value).map_or_else(|why| (None, Some(why)), |taken| (Some(taken), None)),
        };
        self.fields.push(Field { name, label, hint, value, error });
        taken
    }
}

/// A field's text, where it says something.
fn text(field: &Option<String>) -> Option<&str> {
    field.as_deref().map(str::trim).filter(|text| !text.is_empty())
}

/// What a request asks of this home.
pub(crate) fn form(home: &Home, query: &BatteryQuery) -> Form {
    let (mut reading, usual) = (Reading::default(), Wish::default());
    let wish = Wish {
        sizes: reading.take(SIZES, &query.sizes, wish::sizes).unwrap_or(usual.sizes),
        power_kw: reading.take(POWER, &query.power_kw, wish::power),
        charge_efficiency: reading
            .take(CHARGE, &query.charge_efficiency, wish::efficiency)
            .unwrap_or(usual.charge_efficiency),
        discharge_efficiency: reading
            .take(DISCHARGE, &query.discharge_efficiency, wish::efficiency)
            .unwrap_or(usual.discharge_efficiency),
        idle_w: reading.take(IDLE, &query.idle_w, wish::idle).unwrap_or(usual.idle_w),
        reserve_kwh: reading.take(RESERVE, &query.reserve_kwh, wish::reserve).unwrap_or(usual.reserve_kwh),
        // Without a tariff nothing can be paid back.
        price_per_kwh: match home.tariff {
            Some(_) => reading.take(PRICE, &query.price_per_kwh, wish::price),
            None => None,
        },
    };
    let fields = reading.fields;
    let span = span(query, home);
    let question = match &span {
        Ok((from, to)) if fields.iter().all(|field| field.error.is_none()) => Some(wish.asked(*from, *to)),
        _ => None,
    };
    let (question, error) = match question.transpose() {
        Ok(question) => (question, None),
        Err(why) => (None, Some(why)),
    };
    let value = |field: &Option<String>| text(field).unwrap_or_default().to_owned();
    Form { fields, from: value(&query.from), to: value(&query.to), span_error: span.err(), error, question }
}

type Ends = (Option<WallTime>, Option<WallTime>);

fn span(query: &BatteryQuery, home: &Home) -> Result<Ends, String> {
    let end = |field, is_end| text(field).map(|text| moment(text, &home.timezone, is_end)).transpose();
    let (from, to) = (end(&query.from, false)?, end(&query.to, true)?);
    match from.zip(to) {
        Some((from, to)) if from >= to => Err("the beginning must be before the end".to_owned()),
        _ => Ok((from, to)),
    }
}

impl Form {
    /// Everything that is wrong, in one sentence for programs.
    pub(crate) fn wrong(&self) -> String {
        let of_field = |field: &Field| field.error.as_ref().map(|why| format!("{}: {why}", field.name));
        let fields = self.fields.iter().filter_map(of_field);
        let more = [&self.span_error, &self.error].into_iter().flatten().cloned();
        format!("{}.", fields.chain(more).collect::<Vec<String>>().join("; "))
    }
}
