//! Listening, and the limits of a connection.

use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use axum::serve::Listener;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_io_timeout::TimeoutStream;

use super::live;
use super::routes;
use super::site::Site;
use crate::config::Config;
use crate::daemon::{Asker, Facts, HomeClock};
use crate::influx::Lag;
use crate::store::StoreHandle;

/// A viewer that takes nothing for this long is dropped. Live pages get something every 15 seconds.
const TAKES_WITHIN: Duration = Duration::from_secs(30);

/// A connection on which nothing comes in and nothing goes out is closed after this long.
const SAYS_WITHIN: Duration = Duration::from_secs(90);

/// How long open requests may take at the end.
const ENDS_WITHIN: Duration = Duration::from_secs(1);

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
}

impl Page {
    /// Serves the page at `listen`.
    ///
    /// # Errors
    /// Why it can't listen there, in words.
    pub async fn start(parts: Parts, listen: SocketAddr) -> Result<Page, String> {
        let listener = TcpListener::bind(listen).await.map_err(|why| cannot_listen(listen, &why))?;
        let address = listener.local_addr().map_err(|why| cannot_listen(listen, &why))?;
        let fragment = live::keep_fresh(Arc::clone(&parts.config), parts.facts.clone());
        let router = routes::all(Site::new(parts, fragment));
        let (end, mut ended) = watch::channel(false);
        let serving = axum::serve(Limited(listener), router).with_graceful_shutdown(async move {
            let _ = ended.changed().await;
        });
        let served = tokio::spawn(async move {
            if let Err(why) = serving.await {
                tracing::error!("The page ended: {why}");
            }
        });
        Ok(Page { address, end, served })
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

/// Connections with time limits, so that a viewer that stopped reading does not stay.
struct Limited(TcpListener);

impl Listener for Limited {
    type Io = Pin<Box<TimeoutStream<TcpStream>>>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, SocketAddr) {
        // Waits a moment where the system has no more connections to give.
        let (stream, address) = Listener::accept(&mut self.0).await;
        let _ = stream.set_nodelay(true);
        let mut limited = TimeoutStream::new(stream);
        limited.set_write_timeout(Some(TAKES_WITHIN));
        limited.set_read_timeout(Some(SAYS_WITHIN));
        (Box::pin(limited), address)
    }

    fn local_addr(&self) -> std::io::Result<SocketAddr> {
        Listener::local_addr(&self.0)
    }
}
