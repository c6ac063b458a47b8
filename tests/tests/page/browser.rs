//! A real browser, driven by its own driver (W3C WebDriver).

use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use overspill_tests::servers::free_port;
use serde_json::{Value, json};

/// The driver may take this long to listen, and the page to show what is waited for.
const WITHIN: Duration = Duration::from_secs(20);

/// The driver, with a browser of its own; both end when it is dropped.
struct Driver {
    port: u16,
    process: Child,
}

impl Driver {
    fn start() -> Driver {
        let port = free_port();
        let process = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is installed (Debian: chromium-driver)");
        let begun = Instant::now();
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(begun.elapsed() < WITHIN, "chromedriver does not listen");
            std::thread::sleep(Duration::from_millis(50));
        }
        Driver { port, process }
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        // Asked to end it closes its browser; killed it would leave it behind.
        let _ = Command::new("kill").arg(self.process.id().to_string()).status();
        let _ = self.process.wait();
    }
}

/// One window with a profile of its own.
pub(crate) struct Browser {
    client: Client,
    driver: Driver,
}

/// How a page is looked at.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Look {
    pub(crate) width: u32,
    pub(crate) height: u32,
    pub(crate) dark: bool,
}

pub(crate) const PHONE: Look = Look { width: 360, height: 780, dark: false };
pub(crate) const DESK: Look = Look { width: 1440, height: 900, dark: false };

impl Look {
    pub(crate) fn dark(self) -> Look {
        Look { dark: true, ..self }
    }
}

impl Browser {
    pub(crate) async fn open(look: Look) -> Browser {
        // Without the last four a browser asks hosts of its maker at each start.
        let args = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
        ];
        let wanted = json!({
            "pageLoadStrategy": "eager",
            "goog:chromeOptions": { "args": args },
            "goog:loggingPrefs": { "browser": "ALL" },
        });
        let Value::Object(wanted) = wanted else { unreachable!("it is an object") };
        let driver = Driver::start();
        let client = ClientBuilder::new(HttpConnector::new())
            .capabilities(wanted)
            .connect(&format!("http://127.0.0.1:{}", driver.port))
            .await
            .unwrap();
        let browser = Browser { client, driver };
        browser.look(look).await;
        browser
    }

    /// Looks at pages of this size and in this light.
    pub(crate) async fn look(&self, look: Look) {
        let size = json!({
            "width": look.width, "height": look.height, "deviceScaleFactor": 1, "mobile": look.width < 600,
        });
        self.tell("Emulation.setDeviceMetricsOverride", size).await;
        let scheme = if look.dark { "dark" } else { "light" };
        let media = json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] });
        self.tell("Emulation.setEmulatedMedia", media).await;
    }

    /// A command of the browser's own protocol.
    async fn tell(&self, command: &str, params: Value) -> Value {
        let ask = DevTools { command: command.to_owned(), params };
        self.client.issue_cmd(ask).await.unwrap()
    }

    pub(crate) async fn go(&self, url: &str) {
        self.client.goto(url).await.unwrap();
    }

    /// The whole page as a picture (PNG).
    pub(crate) async fn picture(&self, look: Look) -> Vec<u8> {
        let height = self.run("return document.documentElement.scrollHeight").await;
        let height = u32::try_from(height.as_u64().unwrap()).unwrap();
        self.look(Look { height, ..look }).await;
        self.client.screenshot().await.unwrap()
    }

    /// What a script gives back.
    pub(crate) async fn run(&self, script: &str) -> Value {
        self.client.execute(script, Vec::new()).await.unwrap()
    }

    /// The same for a script that calls its last argument when it is done.
    pub(crate) async fn run_async(&self, script: &str) -> Value {
        self.client.execute_async(script, Vec::new()).await.unwrap()
    }

    /// The text of the first that fits the selector.
    pub(crate) async fn text(&self, css: &str) -> String {
        self.client.find(Locator::Css(css)).await.unwrap().text().await.unwrap()
    }

    /// Presses the first that fits the selector. What is live may be made anew between finding and pressing it, then it
    /// is found once more.
    pub(crate) async fn click(&self, css: &str) {
        let press = async || self.client.find(Locator::Css(css)).await?.click().await;
        match press().await {
            Err(why) if why.is_stale_element_reference() => press().await.unwrap(),
            pressed => pressed.unwrap(),
        }
    }

    /// Replaces what a field holds.
    pub(crate) async fn fill(&self, css: &str, text: &str) {
        let field = self.client.find(Locator::Css(css)).await.unwrap();
        field.clear().await.unwrap();
        field.send_keys(text).await.unwrap();
    }

    /// Waits until the script says true.
    pub(crate) async fn until(&self, what: &str, script: &str) {
        let begun = Instant::now();
        loop {
            if self.client.execute(script, Vec::new()).await.is_ok_and(|said| said == Value::Bool(true)) {
                return;
            }
            if begun.elapsed() > WITHIN {
                let page = self.client.source().await.unwrap_or_default();
                panic!("waited in vain until {what}; the page is\n{page}");
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    pub(crate) async fn path(&self) -> String {
        self.client.current_url().await.unwrap().path().to_owned()
    }

    pub(crate) async fn close(self) {
        self.client.close().await.unwrap();
        drop(self.driver);
    }
}

/// `POST /session/{id}/goog/cdp/execute`, as chromedriver documents it.
#[derive(Debug)]
struct DevTools {
    command: String,
    params: Value,
}

impl fantoccini::wd::WebDriverCompatibleCommand for DevTools {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/goog/cdp/execute", session.unwrap_or_default()))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        (http::Method::POST, Some(json!({ "cmd": self.command, "params": self.params }).to_string()))
    }
}
