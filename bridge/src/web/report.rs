//! What the readings of a span mean: the report in our frame, as one page to print, and as CSV.

use std::sync::LazyLock;

use askama::Template;
use axum::extract::{Query, State};
use axum::http::HeaderName;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::response::Html;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use overspill_rules::tariff::Tariff;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use utoipa::IntoParams;

use super::access::Visitor;
use super::frame::{Frame, Here};
use super::history::{Asked, Kind, SpanQuery, Way, asked};
use super::site::{Shared, Site};
use super::trouble::Trouble;
use crate::config::{Config, tariff_in_text};
use crate::report::html::{body, figures, indicative, style};
use crate::report::svg::PATTERNS;
use crate::report::{Gathered, Wanted, csv as as_csv, gather, html as as_html};
use crate::store::StoreReader;

/// Days that are reported on where nothing is asked.
const USUAL_DAYS: i64 = 30;

/// Another tariff is a few lines.
const TARIFF_BYTES: usize = 8 * 1024;

/// What is asked.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub(crate) struct ReportQuery {
    /// The beginning: RFC 3339, a local time, or a local date; the last 30 days where neither is given.
    from: Option<String>,
    /// The end; a date means that day's end, and is that of the beginning where it is not given.
    to: Option<String>,
    /// A `[tariff]` as a home file has it, without lists of prices: what the same would have cost by it.
    tariff: Option<String>,
}

/// A question, understood.
struct Question {
    asked: Asked,
    other: Option<Tariff>,
}

#[derive(Template)]
#[template(path = "report.html")]
struct Page {
    frame: Frame,
    title: String,
    form: Form,
    answer: Option<Answer>,
}

/// The form, as it was filled in.
struct Form {
    fields: (String, String),
    units: Vec<Way>,
    ways: Vec<Way>,
    query: String,
    tariff: String,
    tariff_error: Option<String>,
}

/// What there is to say.
struct Answer {
    indicative: String,
    figures: Vec<(&'static str, String)>,
    patterns: &'static str,
    body: String,
}

/// The view.
pub(super) async fn page(
    State(site): State<Shared>,
    visitor: Visitor,
    Query(query): Query<ReportQuery>,
) -> Result<(axum::http::StatusCode, Html<String>), Trouble> {
    let asked = span(&site, &query)?;
    let (other, tariff_error) = match other_tariff(&site, &query) {
        Ok(other) => (other, None),
        Err(why) => (None, Some(why)),
    };
    let status = match &tariff_error {
        Some(_) => axum::http::StatusCode::BAD_REQUEST,
        None => axum::http::StatusCode::OK,
    };
    let question = Question { asked: asked.clone(), other };
    let gathered = gathered(&site, question).await?;
    let home = site.home();
    let answer = gathered.map(|told| Answer {
        indicative: indicative(&told.report),
        figures: figures(&told.report),
        patterns: PATTERNS,
        body: body(home, &told),
    });
    let now = site.now();
    let ways = [("Earlier", asked.earlier()), ("Later", asked.later(now))];
    let way = |(name, span): (&str, Option<Asked>)| {
        Some(Way { name: name.to_owned(), query: span?.query(), here: false })
    };
    let form = Form {
        fields: asked.fields(),
        units: asked
            .units(now)
            .into_iter()
            .filter(|way| matches!(way.name.as_str(), "Month" | "Year"))
            .collect(),
        ways: ways.into_iter().filter_map(way).collect(),
        query: asked.query(),
        tariff: query.tariff.unwrap_or_default(),
        tariff_error,
    };
    let page = Page { frame: Frame::new(&site, Here::Report, visitor), title: asked.words(), form, answer };
    super::rendered(&page).map(|page| (status, page))
}

/// Its style stands in the page, so that it can be kept as one file; the policy lets this very style through.
static PRINTED_POLICY: LazyLock<String> = LazyLock::new(|| {
    let mark = STANDARD.encode(Sha256::digest(style()));
    format!(
        "default-src 'none'; style-src 'sha256-{mark}'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    )
});

/// The page to print or keep.
pub(super) async fn printed(
    State(site): State<Shared>,
    Query(query): Query<ReportQuery>,
) -> Result<([(HeaderName, String); 1], Html<String>), Trouble> {
    let told = told(&site, &query).await?;
    Ok(([(CONTENT_SECURITY_POLICY, PRINTED_POLICY.clone())], Html(as_html(site.home(), &told))))
}

/// A row for each day.
pub(super) async fn csv(
    State(site): State<Shared>,
    Query(query): Query<ReportQuery>,
) -> Result<([(HeaderName, String); 2], String), Trouble> {
    let told = told(&site, &query).await?;
    let name = format!("{}-{}-report.csv", site.home().id, span(&site, &query)?.first_day());
    let headers = [
        (CONTENT_TYPE, "text/csv; charset=utf-8; header=present".to_owned()),
        (CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
    ];
    Ok((headers, as_csv(&told)))
}

/// The report that is asked for.
///
/// # Errors
/// What is wrong with the question, or that nothing is known of its span.
pub(crate) async fn told(site: &Site, query: &ReportQuery) -> Result<Gathered, Trouble> {
    let asked = span(site, query)?;
    let when = asked.words();
    let other = other_tariff(site, query)
        .map_err(|why| Trouble::wrong(format!("The other tariff can't be taken: {why}")))?;
    let told = gathered(site, Question { asked, other }).await?;
    told.ok_or_else(|| Trouble::missing(format!("Nothing is known of {when}.")))
}

fn span(site: &Site, query: &ReportQuery) -> Result<Asked, Trouble> {
    let span = SpanQuery { from: query.from.clone(), to: query.to.clone() };
    match span.is_blank() {
        true => Asked::last_days(USUAL_DAYS, &site.home().timezone, site.now()).map_err(Trouble::fault),
        false => asked(site, &span),
    }
}

fn other_tariff(site: &Site, query: &ReportQuery) -> Result<Option<Tariff>, String> {
    let Some(text) = query.tariff.as_deref().map(str::trim).filter(|text| !text.is_empty()) else {
        return Ok(None);
    };
    if text.len() > TARIFF_BYTES {
        return Err("it is too long for a tariff".to_owned());
    }
    tariff_in_text(text, &site.home().timezone).map(Some)
}

/// Reads and works out; `None` where nothing is known.
async fn gathered(site: &Site, question: Question) -> Result<Option<Gathered>, Trouble> {
    let now = site.now();
    site.apart(move |config| {
        let journal = StoreReader::open_read_only(&config.store.path)?;
        let told = gather(&journal, &wanted(config, &question, now))?;
        let totals = &told.report.totals;
        let is_known = totals.import.or(totals.solar).or(totals.house).is_some();
        Ok(is_known.then_some(told))
    })
    .await
}

fn wanted<'a>(
    config: &'a Config,
    Question { asked, other }: &'a Question,
    now: overspill_rules::time::WallTime,
) -> Wanted<'a> {
    let before = match asked.kind() {
        Kind::Month | Kind::Year => asked.earlier().map(|before| (before.from, before.to)),
        _ => None,
    };
    Wanted {
        home: &config.home,
        span: asked.past(now),
        keys: &config.report,
        price_files: &config.price_files,
        other: other.as_ref().map(|tariff| (tariff, [].as_slice())),
        before,
    }
}
