//! The same as the pages show, for programs: JSON under `/api`, described at `/api/openapi.json` (OpenAPI 3.1).
//!
//! A view's handlers stand in the file of its name and are listed in [`Document`]; a test holds the list against the
//! routes.

pub(crate) mod battery;
pub(crate) mod health;
pub(crate) mod history;
pub(crate) mod loads;
pub(crate) mod now;
pub(crate) mod proof;
pub(crate) mod report;
pub(crate) mod rules;
pub(crate) mod settings;
pub(crate) mod shadows;
#[cfg(test)]
mod tests;
pub(crate) mod visitor;

use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::openapi::security::{ApiKey, ApiKeyValue, Http, HttpAuthScheme, SecurityScheme};
use utoipa::{Modify, OpenApi, ToSchema};

use super::trouble::Trouble;

/// The document: one line for each handler.
#[derive(OpenApi)]
#[openapi(
    info(
        title = "Overspill",
        description = "One home: what it does now and why, what it did, and what may be changed. \
                       Power in watts, energy in kilowatt-hours, times in RFC 3339; what is not known is null. \
                       Every refusal is `{\"error\": \"..\"}` in words. \
                       With a token nothing else is needed; with the cookie of a browser, what changes something also \
                       takes the proof from `/api/visitor` in the header `x-overspill-proof`."
    ),
    paths(
        document,
        now::now,
        health::health,
        proof::proof,
        visitor::visitor,
        history::history,
        report::report,
        battery::battery,
        loads::list,
        loads::one,
        loads::decisions,
        loads::change,
        loads::service,
        settings::list,
        settings::change,
        rules::list,
        rules::one,
        rules::log,
        rules::check,
        rules::save,
        rules::remove,
        rules::versions,
        rules::version,
        rules::put_back,
        shadows::list,
        shadows::promote,
        shadows::undo,
    ),
    components(schemas(Refusal)),
    modifiers(&Schemes),
    security(("token" = []), ("cookie" = []))
)]
pub(crate) struct Document;

/// Why a request was not answered as asked.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Refusal {
    /// In a sentence.
    pub(crate) error: String,
}

/// How a request shows by what right it comes.
struct Schemes;

impl Modify for Schemes {
    fn modify(&self, document: &mut utoipa::openapi::OpenApi) {
        let mut token = Http::new(HttpAuthScheme::Bearer);
        token.description = Some("A token of the home file, `[token.NAME]`.".to_owned());
        let cookie = ApiKeyValue::with_description(
            "overspill-ID",
            "The cookie of a browser that is logged in; ID is the home's. A home without users takes none from the \
             computer that it runs on.",
        );
        let components = document.components.get_or_insert_default();
        components.add_security_scheme("token", SecurityScheme::Http(token));
        components.add_security_scheme("cookie", SecurityScheme::ApiKey(ApiKey::Cookie(cookie)));
    }
}

/// This document
#[utoipa::path(get, path = "/api/openapi.json", responses((status = 200, description = "The OpenAPI document.", content_type = "application/json")))]
pub(crate) async fn document() -> Result<Response, Trouble> {
    let text = Document::openapi().to_json();
    let text = text.map_err(|_| Trouble::fault("the document could not be put together"))?;
    Ok(([(CONTENT_TYPE, "application/json")], text).into_response())
}

/// Something was done.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Done {
    /// Always true.
    pub(crate) done: bool,
}

impl Done {
    pub(crate) const YES: Done = Done { done: true };
}
