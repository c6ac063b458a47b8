//! What is shown, as CSV.

use axum::extract::{Query, State};
use axum::http::HeaderName;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use overspill_rules::time::Span;
use serde::Deserialize;

use super::energy::HALF_HOURS_UP_TO;
use super::{SpanQuery, asked};
use crate::history::{export_energy, export_full};
use crate::progress::Progress;
use crate::store::StoreReader;
use crate::web::site::Shared;
use crate::web::trouble::Trouble;

/// Power at full resolution goes out for so many days at once: at 10 s and four points that is 7 MB.
pub(crate) const POWER_DAYS: f64 = 7.0;

/// What a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum What {
    #[default]
    Energy,
    Power,
}

/// What is asked.
#[derive(Debug, Clone, Default, Deserialize)]
pub(crate) struct FileQuery {
    from: Option<String>,
    to: Option<String>,
    #[serde(default)]
    what: What,
}

/// The answer: a kind, a name, and the file.
type File = ([(HeaderName, String); 2], String);

/// A file of energy, as `overspill import` takes it, or of power.
pub(crate) async fn csv(
    State(site): State<Shared>,
    Query(FileQuery { from, to, what }): Query<FileQuery>,
) -> Result<File, Trouble> {
    let asked = asked(&site, &SpanQuery { from, to })?;
    let span = asked.past(site.now());
    let days = asked.length_days();
    if what == What::Power && days > POWER_DAYS {
        return Err(Trouble::wrong(format!(
            "This file would be too large: power goes out for at most {POWER_DAYS} days at once; `overspill export` \
             writes any span."
        )));
    }
    let every = if days <= HALF_HOURS_UP_TO { Span::minutes(30) } else { Span::hours(24) };
    let text = site
        .apart(move |config| {
            let journal = StoreReader::open_read_only(&config.store.path)?;
            let mut out = Vec::new();
            let written = match what {
                What::Energy => export_energy(&journal, &config.home, span, every, &mut out),
                What::Power => export_full(&journal, &config.home, span, &mut out, &mut Progress::none()),
            };
            written.map_err(|why| Trouble::fault(format!("The file could not be made: {why}.")))?;
            String::from_utf8(out).map_err(|_| Trouble::fault("The file could not be made."))
        })
        .await?;
    let home = &site.home().id;
    let kind = if what == What::Energy { "energy" } else { "power" };
    let name = format!("{home}-{}-{kind}.csv", asked.first_day());
    Ok((
        [
            (CONTENT_TYPE, "text/csv; charset=utf-8; header=present".to_owned()),
            (CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")),
        ],
        text,
    ))
}
