//! A small home with a broker inside, whose daemon can be stopped and started again at the same address.

use std::net::SocketAddr;
use std::path::PathBuf;

use overspill::config;
use overspill::daemon::{self, RunError, RunOptions};
use overspill_rules::time::Span;
use overspill_tests::servers::{Folder, free_port};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

const RULE: &str = "fn decide(home) {\n    home.load(\"water\").take_spare(\"spare solar\");\n}\n";

/// The home's files, and where its page is.
pub(crate) struct Home {
    folder: Folder,
    pub(crate) page: SocketAddr,
}

/// Its daemon at work.
pub(crate) struct Running {
    end: oneshot::Sender<()>,
    ended: JoinHandle<Result<(), RunError>>,
}

impl Home {
    /// `more` stands at the end of its home file.
    pub(crate) fn new(more: &str) -> Home {
        let folder = Folder::new("page");
        let (page, broker) = (SocketAddr::from(([127, 0, 0, 1], free_port())), free_port());
        std::fs::create_dir(folder.path().join("rules")).unwrap();
        std::fs::write(folder.path().join("rules/water.rhai"), RULE).unwrap();
        let text = include_str!("home.toml").replace("BROKER", &broker.to_string());
        let text = text.replace("PAGE", &page.port().to_string());
        std::fs::write(folder.path().join("home.toml"), format!("{text}\n{more}")).unwrap();
        Home { folder, page }
    }

    pub(crate) fn file(&self) -> PathBuf {
        self.folder.path().join("home.toml")
    }

    pub(crate) fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.page)
    }

    pub(crate) async fn start(&self) -> Running {
        let config = config::read(&self.file()).unwrap_or_else(|why| panic!("{why}"));
        let (end, asked) = oneshot::channel();
        let (tell, told) = oneshot::channel();
        let options = RunOptions { listen_for: Span(100), page: Some(tell), ..RunOptions::default() };
        let ended = tokio::spawn(daemon::run(config, options, async {
            let _ = asked.await;
        }));
        told.await.expect("the page is served");
        Running { end, ended }
    }
}

impl Running {
    pub(crate) async fn stop(self) {
        let _ = self.end.send(());
        self.ended.await.unwrap().unwrap();
    }
}
