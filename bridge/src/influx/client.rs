//! The way to the database: one rendered batch at a time.
//!
//! Over plain HTTP the `influxdb2` client writes. It has two gaps, and they shape this file. Its encryption would be a
//! second, older rustls beside the one in this program, so https goes through `ureq`, which takes ours. And it drops the
//! header `Retry-After`, so after an answer that may carry one (429, 503) the batch is sent again through `ureq`, which
//! shows it, until one is accepted.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use influxdb2::api::write::TimestampPrecision;
use influxdb2::{Client, ClientBuilder, RequestError};
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::CertificateDer;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use ureq::Agent;
use ureq::tls::{Certificate, RootCerts, TlsConfig, TlsProvider};

use super::answer::{Answer, Trouble, retry_after, sorted};
use crate::config::InfluxConfig;

/// A connection that is not made in this time is given up.
const CONNECTED_WITHIN: Duration = Duration::from_secs(10);

/// A batch that is not answered in this time is sent again later.
pub(super) const ANSWERED_WITHIN: Duration = Duration::from_secs(30);

/// Of an answer's text no more is read.
const ANSWER_BYTES: u64 = 16 * 1024;

/// The way to one database.
pub(super) struct Way {
    config: InfluxConfig,
    answered_within: Duration,
    agent: Option<Agent>,
    /// The last answer may have said how long to wait.
    listen: bool,
}

impl Way {
    pub(super) fn new(config: InfluxConfig, answered_within: Duration) -> Way {
        Way { config, answered_within, agent: None, listen: false }
    }

    /// Sends a batch. Cancel-safe: dropped, the batch may or may not have arrived.
    pub(super) async fn send(&mut self, body: String) -> Answer {
        // Fetched each time, so that it can be changed without a restart.
        let token = match self.config.token.as_ref().map(|source| source.fetch()).transpose() {
            Ok(token) => token.map_or(String::new(), |secret| secret.reveal().to_owned()),
            Err(why) => return Answer::Trouble(Trouble::Denied(why.to_string())),
        };
        if !token.chars().all(|c| c.is_ascii_graphic()) {
            let why = "the token has a character that no token has, such as a space or a line end";
            return Answer::Trouble(Trouble::Denied(why.to_owned()));
        }
        let answer = if self.config.url.tls || self.listen {
            self.send_listening(body, token).await
        } else {
            self.send_plainly(body, token).await
        };
        self.listen = match &answer {
            Answer::Accepted => false,
            Answer::Trouble(Trouble::Busy { .. }) => true,
            _ => self.listen,
        };
        answer
    }

    async fn send_plainly(&mut self, body: String, token: String) -> Answer {
        let client = match self.client(token) {
            Ok(client) => client,
            Err(why) => return away(why.to_string()),
        };
        let (org, bucket) = (&self.config.org, &self.config.bucket);
        let written = client
            .write_line_protocol_with_precision(org, bucket, body, TimestampPrecision::Milliseconds)
            .await;
        match written {
            Ok(()) => Answer::Accepted,
            Err(RequestError::Http { status, text }) => {
                self.listen = status.as_u16() == 503;
                sorted(status.as_u16(), None, &text)
            }
            Err(RequestError::ReqwestProcessing { source }) => away(innermost(&source)),
            Err(other) => away(other.to_string()),
        }
    }

    fn client(&self, token: String) -> Result<Client, influxdb2::BuildError> {
        let http = reqwest::ClientBuilder::new()
            .connect_timeout(CONNECTED_WITHIN)
            .timeout(self.answered_within)
            // A redirect would carry the token to somebody else; a proxy of the environment is not meant for us.
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy();
        ClientBuilder::with_builder(http, self.config.url.to_string(), &self.config.org, token).build()
    }

    async fn send_listening(&mut self, body: String, token: String) -> Answer {
        let agent = match &self.agent {
            Some(agent) => agent.clone(),
            None => match agent(&self.config, self.answered_within) {
                Ok(agent) => self.agent.insert(agent).clone(),
                Err(why) => return Answer::Trouble(Trouble::Strange(why)),
            },
        };
        let config = self.config.clone();
        let sent = tokio::task::spawn_blocking(move || post(&agent, &config, &body, &token)).await;
        sent.unwrap_or_else(|_| away("the request broke off".to_owned()))
    }
}

fn away(why: String) -> Answer {
    Answer::Trouble(Trouble::Away(why))
}

/// The cause behind the causes says what happened; those above it repeat the address with all its parameters.
fn innermost(error: &dyn std::error::Error) -> String {
    let mut cause = error;
    while let Some(next) = cause.source() {
        cause = next;
    }
    cause.to_string()
}

fn post(agent: &Agent, config: &InfluxConfig, body: &str, token: &str) -> Answer {
    let mut request = agent
        .post(format!("{}/api/v2/write", config.url))
        .query("org", &config.org)
        .query("bucket", &config.bucket)
        .query("precision", "ms")
        .header("Content-Type", "text/plain; charset=utf-8");
    if !token.is_empty() {
        request = request.header("Authorization", format!("Token {token}"));
    }
    let mut answer = match request.send(body) {
        Ok(answer) => answer,
        Err(why) => return away(why.to_string()),
    };
    let status = answer.status().as_u16();
    let after = answer.headers().get("Retry-After").and_then(|v| v.to_str().ok()).and_then(retry_after);
    match answer.body_mut().with_config().limit(ANSWER_BYTES).lossy_utf8(true).read_to_string() {
        Ok(text) => sorted(status, after, &text),
        // The status says enough, unless it was "done": then nobody knows.
        Err(_) if status != 204 => sorted(status, after, ""),
        Err(why) => away(why.to_string()),
    }
}

/// The client for https, on the one crypto library of the program.
fn agent(config: &InfluxConfig, answered_within: Duration) -> Result<Agent, String> {
    let roots = if config.url.tls { roots(config.ca_file.as_deref())? } else { Vec::new() };
    let tls = TlsConfig::builder()
        .provider(TlsProvider::Rustls)
        .unversioned_rustls_crypto_provider(Arc::new(ring::default_provider()))
        .root_certs(RootCerts::Specific(Arc::new(roots)))
        .build();
    let agent = Agent::config_builder()
        .http_status_as_error(false)
        .max_redirects(0)
        .max_redirects_will_error(false)
        .proxy(None)
        .timeout_connect(Some(CONNECTED_WITHIN))
        .timeout_global(Some(answered_within))
        .tls_config(tls)
        .build();
    Ok(agent.into())
}

fn roots(ca_file: Option<&Path>) -> Result<Vec<Certificate<'static>>, String> {
    let found: Vec<CertificateDer<'static>> = match ca_file {
        Some(file) => certificates(file)?,
        None => rustls_native_certs::load_native_certs().certs,
    };
    if found.is_empty() {
        return Err(
            "this system has no certificates of authorities; install them or name a ca_file".to_owned()
        );
    }
    Ok(found.iter().map(|der| Certificate::from_der(der).to_owned()).collect())
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let shown = file.display();
    let read: Result<Vec<_>, _> = CertificateDer::pem_file_iter(file).and_then(Iterator::collect);
    match read {
        Ok(certificates) if certificates.is_empty() => {
            Err(format!("the CA file {shown} has no certificate in it (PEM is expected)"))
        }
        Ok(certificates) => Ok(certificates),
        Err(why) => Err(format!("the CA file {shown} can't be read: {why}")),
    }
}
