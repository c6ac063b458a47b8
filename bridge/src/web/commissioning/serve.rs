//! Routes of the page, and serving them.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::routing::{get, post};
use jiff::tz::TimeZone;
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinHandle;

use super::guard::Guard;
use super::{guard, json, live, pages, said};
use crate::commission::board::Board;
use crate::daemon::HomeClock;
use crate::web::access::guarded as with_headers;
use crate::web::assets;
use crate::web::crowd::Crowd;
use crate::web::serve::{Limits, bind, serve};

/// Pages kept fresh at one time.
const SEATS: usize = 24;

/// How long open requests may take at the end.
const ENDS_WITHIN: Duration = Duration::from_secs(1);

/// What the page is made from.
pub(crate) struct Parts {
    /// Where the sitting and its pages meet.
    pub(crate) board: Arc<Board>,
    /// The home's name and zone.
    pub(crate) home: String,
    pub(crate) zone: TimeZone,
    pub(crate) clock: HomeClock,
    /// The home file's name.
    pub(crate) file: String,
    /// The sheet.
    pub(crate) sheet: PathBuf,
}

/// What all requests share.
pub(super) struct Site {
    pub(super) board: Arc<Board>,
    pub(super) guard: Guard,
    pub(super) home: String,
    pub(super) zone: TimeZone,
    pub(super) clock: HomeClock,
    pub(super) file: String,
    pub(super) sheet: PathBuf,
    pub(super) seats: Arc<Semaphore>,
}

/// As handlers take it.
pub(super) type Shared = Arc<Site>;

/// Addresses that every visitor may see: they tell nothing of the home.
pub(super) fn is_asset(path: &str) -> bool {
    [assets::style_path(), assets::commission_path(), "/icon.svg"].contains(&path)
}

/// Everything that looks, and everything that changes; whatever changes brings its proof (`guard.rs`).
fn routes() -> Router<Shared> {
    Router::new()
        .route("/", get(pages::now))
        .route("/steps", get(pages::steps))
        .route("/correction", get(pages::correction))
        .route("/sheet", get(pages::sheet))
        .route("/code", get(pages::code).post(said::code))
        .route("/live", get(live::stream))
        .route("/api/sitting", get(json::sitting))
        .route("/api/openapi.json", get(json::document))
        .route("/answer", post(said::answer))
        .route("/leave", post(said::leave))
        .route("/turn", post(said::turn))
        .route("/apply", post(said::apply))
        .route("/issue", post(said::issue))
        .route(assets::style_path(), get(assets::style))
        .route(assets::commission_path(), get(assets::commission))
        .route("/icon.svg", get(assets::icon))
}

pub(super) fn router(site: Shared) -> Router {
    routes()
        .layer(from_fn_with_state(Shared::clone(&site), guard::guarded))
        .layer(from_fn_with_state(Shared::clone(&site), pages::dressed))
        .layer(from_fn(with_headers))
        .with_state(site)
}

pub(super) fn site(parts: Parts, here_alone: bool) -> Result<Shared, String> {
    let Parts { board, home, zone, clock, file, sheet } = parts;
    let guard = Guard::new(here_alone)?;
    Ok(Arc::new(Site {
        board,
        guard,
        home,
        zone,
        clock,
        file,
        sheet,
        seats: Arc::new(Semaphore::new(SEATS)),
    }))
}

/// The page at work.
pub(crate) struct Door {
    address: SocketAddr,
    code: Option<String>,
    end: watch::Sender<bool>,
    served: JoinHandle<()>,
}

impl Door {
    /// Serves the page at `listen`.
    ///
    /// # Errors
    /// Why it can't, in words.
    pub(crate) async fn open(parts: Parts, listen: SocketAddr) -> Result<Door, String> {
        let (listener, address) = bind(listen).await?;
        let site = site(parts, address.ip().is_loopback())?;
        let code = site.guard.code();
        let (end, ended) = watch::channel(false);
        let limits = (Limits::default(), Crowd::default());
        let served = tokio::spawn(serve(listener, router(site), limits, ended));
        Ok(Door { address, code, end, served })
    }

    /// What the terminal says of it, in sentences.
    pub(crate) fn words(&self) -> Vec<String> {
        let port = self.address.port();
        if self.address.ip().is_loopback() {
            return vec![
                format!("The page of this commissioning: http://{}/", self.address),
                format!("It is shown on this computer alone. For a phone: --page 0.0.0.0:{port}"),
            ];
        }
        let ip = if self.address.ip().is_unspecified() { own_address() } else { Some(self.address.ip()) };
        let place = ip.map_or_else(
            || format!("http://<this computer's address>:{port}/"),
            |ip| format!("http://{}/", SocketAddr::new(ip, port)),
        );
        vec![
            format!("The page of this commissioning: {place}"),
            "The phone must be in the same network, and the network one that you trust: nothing is encrypted on the way.".to_owned(),
            format!("Code for the phone: {} (good for one phone; then there is another)", self.code.as_deref().unwrap_or_default()),
        ]
    }

    /// Takes no more requests; those under way get a moment.
    pub(crate) async fn close(self) {
        let _ = self.end.send(true);
        let stop = self.served.abort_handle();
        if tokio::time::timeout(ENDS_WITHIN, self.served).await.is_err() {
            stop.abort();
        }
    }
}

/// The address by which other computers of the network know this one: the one that it would send from. Nothing is sent.
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    // An address of nobody (RFC 5737).
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    socket.local_addr().ok().map(|address| address.ip()).filter(|ip| !ip.is_unspecified())
}
