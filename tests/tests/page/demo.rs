//! The demo's home and page, in this process.

use std::net::SocketAddr;

use overspill::demo::{Addresses, Closing, DemoError, DemoOptions, Show, run_and_tell};
use tokio::task::JoinHandle;

/// A demo that runs until it is dropped.
pub(crate) struct Demo {
    pub(crate) at: Addresses,
    running: JoinHandle<Result<Closing, DemoError>>,
}

impl Demo {
    pub(crate) async fn start(speed: u16) -> Demo {
        let listen = Some(SocketAddr::from(([127, 0, 0, 1], 0)));
        let options = DemoOptions { speed, lasts: None, show: Show::Nothing, listen };
        let (tell, told) = tokio::sync::oneshot::channel();
        let running = tokio::spawn(run_and_tell(options, Some(tell)));
        Demo { at: told.await.expect("the demo runs"), running }
    }

    /// The address of a page of it.
    pub(crate) fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.at.page.expect("the demo has a page"))
    }
}

impl Drop for Demo {
    fn drop(&mut self) {
        self.running.abort();
    }
}
