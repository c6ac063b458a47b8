//! Listening, and the limits of a connection.

#[cfg(test)]
mod tests;

use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::http::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::{JoinHandle, JoinSet};
use tokio_io_timeout::TimeoutStream;

use super::access::Caller;
use super::crowd::{Crowd, Place};
use super::routes;
use super::site::Site;
use super::threads::Threads;
use crate::config::Config;
use crate::daemon::{Asker, Facts, HomeClock};
use crate::influx::Lag;
use crate::store::StoreHandle;

/// How long open requests may take at the end.
const ENDS_WITHIN: Duration = Duration::from_secs(1);

/// The first line and the headers of a request have room in this.
const HEAD_BYTES: usize = 32 * 1024;

/// What the system may hold for a viewer that does not take it.
const HELD_BYTES: usize = 128 * 1024;

/// Where the system has no more connections to give, it is asked again after this.
const ASK_AGAIN: Duration = Duration::from_secs(1);

/// The limits of a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Limits {
    /// A viewer that takes nothing for this long is dropped. Live pages get something every 15 seconds.
    pub(crate) takes_within: Duration,
    /// The next request has to be there, headers and all, within this; so an idle connection is closed after it.
    pub(crate) head_within: Duration,
    /// What a request carries has to be there within this.
    pub(crate) body_within: Duration,
    /// Connections at one time. A process has 1024 file handles unless somebody gives it more.
    pub(crate) connections: usize,
    /// Connections of one address at one time; a browser opens six.
    pub(crate) each_address: usize,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            takes_within: Duration::from_secs(30),
            head_within: Duration::from_secs(20),
            body_within: Duration::from_secs(10),
            connections: 256,
            each_address: 32,
        }
    }
}

/// What the page is made from.
pub struct Parts {
    /// The home file as it runs.
    pub config: Arc<Config>,
    /// The newest state of the home.
    pub facts: watch::Receiver<Facts>,
    /// The way to ask something of the daemon.
    pub asker: Asker,
    /// The home's clock.
    pub clock: HomeClock,
    /// Where everything is kept.
    pub store: StoreHandle,
    /// How far forwarding to the database has come, where the home has one.
    pub forwarding: Option<watch::Receiver<Lag>>,
}

/// The page at work.
pub struct Page {
    address: SocketAddr,
    end: watch::Sender<bool>,
    served: JoinHandle<()>,
    // They end with the page.
    _threads: Threads,
}

impl Page {
    /// Serves the page at `listen`.
    ///
    /// # Errors
    /// Why it can't listen there, in words.
    pub async fn start(parts: Parts, listen: SocketAddr) -> Result<Page, String> {
        Page::start_within(parts, listen, Limits::default()).await
    }

    /// The same with limits of its own.
    pub(super) async fn start_within(
        parts: Parts,
        listen: SocketAddr,
        limits: Limits,
    ) -> Result<Page, String> {
        let threads = Threads::start()?;
        let ended_early = |_| "its threads ended".to_owned();
        let (listener, address) = threads.spawn(bind(listen)).await.map_err(ended_early)??;
        let site = Site::new(parts, limits)?;
        let crowd = site.crowd.clone();
        let (end, ended) = watch::channel(false);
        let served = threads.spawn(serve(listener, routes::all(&site), (limits, crowd), ended));
        Ok(Page { address, end, served, _threads: threads })
    }

    /// Where it is.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Takes no more requests; those under way get a moment.
    pub async fn end(self) {
        let _ = self.end.send(true);
        let stop = self.served.abort_handle();
        if tokio::time::timeout(ENDS_WITHIN, self.served).await.is_err() {
            stop.abort();
        }
    }
}

/// A listener at `listen`, and where it really is.
///
/// # Errors
/// Why it can't listen there, in words.
pub(super) async fn bind(listen: SocketAddr) -> Result<(TcpListener, SocketAddr), String> {
    let listener = TcpListener::bind(listen).await.map_err(|why| cannot_listen(listen, &why))?;
    let address = listener.local_addr().map_err(|why| cannot_listen(listen, &why))?;
    Ok((listener, address))
}

fn cannot_listen(listen: SocketAddr, why: &std::io::Error) -> String {
    match why.kind() {
        std::io::ErrorKind::AddrInUse => format!("{listen} is in use by another program"),
        std::io::ErrorKind::AddrNotAvailable => {
            format!("{listen} is no address of this computer")
        }
        std::io::ErrorKind::PermissionDenied => {
            format!("the system does not let this user listen at {listen}; ports below 1024 are guarded")
        }
        _ => format!("it can't listen at {listen}: {why}"),
    }
}

/// Serves `router` until `ended` says so, then waits for the requests under way.
pub(crate) async fn serve(
    listener: TcpListener,
    router: Router,
    (limits, crowd): (Limits, Crowd),
    mut ended: watch::Receiver<bool>,
) {
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok((stream, from)) => match crowd.enter(from.ip(), (limits.connections, limits.each_address)) {
                    Some(place) => {
                        let service = TowerToHyperService::new(router.clone());
                        connections.spawn(attend(stream, Caller(from), service, (limits, place), ended.clone()));
                    }
                    None => turn_away(&stream),
                },
                Err(why) if is_the_callers(&why) => {}
                Err(why) => {
                    tracing::warn!("The page can't take another connection: {why}.");
                    tokio::time::sleep(ASK_AGAIN).await;
                }
            },
            Some(_) = connections.join_next() => {}
            _ = ended.changed() => break,
        }
    }
    drop(listener);
    while connections.join_next().await.is_some() {}
}

/// Serves one connection.
async fn attend(
    stream: TcpStream,
    caller: Caller,
    service: TowerToHyperService<Router>,
    (limits, _place): (Limits, Place),
    mut ended: watch::Receiver<bool>,
) {
    bound(&stream, limits);
    let mut stream = TimeoutStream::new(stream);
    stream.set_write_timeout(Some(limits.takes_within));
    let with_caller = service_fn(move |mut request: Request<Incoming>| {
        request.extensions_mut().insert(caller);
        service.call(request)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head_within)
        .max_buf_size(HEAD_BYTES)
        .serve_connection(TokioIo::new(Box::pin(stream)), with_caller);
    let mut connection = pin!(connection);
    tokio::select! {
        // What goes wrong here goes wrong at the other end, or was answered.
        _ = connection.as_mut() => return,
        _ = ended.changed() => connection.as_mut().graceful_shutdown(),
    }
    let _ = connection.await;
}

/// What the system does for the connection: no waiting for more to send, little held, and no waiting for a viewer that
/// is gone without a word.
fn bound(stream: &TcpStream, limits: Limits) {
    let socket = socket2::SockRef::from(stream);
    let _ = socket.set_tcp_nodelay(true);
    let _ = socket.set_send_buffer_size(HELD_BYTES);
    #[cfg(target_os = "linux")]
    let _ = socket.set_tcp_user_timeout(Some(limits.takes_within));
    #[cfg(not(target_os = "linux"))]
    let _ = limits;
}

/// Tells a connection too many to come again, if it can be told at once.
fn turn_away(stream: &TcpStream) {
    const BUSY: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 10\r\nConnection: close\r\n\
                          Content-Type: text/plain\r\nContent-Length: 44\r\n\r\n\
                          There are too many connections to this page.";
    let _ = stream.try_write(BUSY);
}

/// Whether a connection failed and not the listening.
fn is_the_callers(why: &std::io::Error) -> bool {
    use std::io::ErrorKind::{ConnectionAborted, ConnectionRefused, ConnectionReset};
    matches!(why.kind(), ConnectionAborted | ConnectionRefused | ConnectionReset)
}
