//! What viewers cost: how long from a grid reading to what the daemon makes of it, and how much memory it takes, with
//! nobody looking at the page and with a hundred.
//!
//! A real daemon (`target/release/overspill`, or the program named first), a real mosquitto. Readings come ten times a
//! second; the time is from publishing one to hearing its balance, which the daemon gives out in the same step as its
//! commands. Spells without and with viewers alternate, so that other work on the computer hits both.
//!
//! `page-bench [PROGRAM] [--spells N] [--seconds N] [--viewers N]`; the aim (within 10 %) is judged by the reader.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stderr)]

use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use overspill_tests::client::{self, Client};
use overspill_tests::servers::{Folder, Mosquitto, free_port};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::watch;

const EVERY: Duration = Duration::from_millis(100);

struct Asked {
    program: PathBuf,
    spells: usize,
    seconds: u64,
    viewers: usize,
}

fn main() {
    let asked = asked();
    let broker = Mosquitto::start();
    let folder = Folder::new("page-bench");
    let page = SocketAddr::from(([127, 0, 0, 1], free_port()));
    let home = folder.path().join("home.toml");
    std::fs::create_dir(folder.path().join("rules")).unwrap();
    std::fs::write(folder.path().join("rules/water.rhai"), RULE).unwrap();
    std::fs::write(&home, home_file(broker.port(), page)).unwrap();
    let daemon = Daemon(
        Command::new(&asked.program)
            .arg("run")
            .arg(&home)
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|why| panic!("{} can't be run: {why}", asked.program.display())),
    );
    let runtime = tokio::runtime::Runtime::new().unwrap();
    runtime.block_on(measured(&asked, broker.port(), page, daemon.0.id()));
}

fn asked() -> Asked {
    let beside = std::env::current_exe().unwrap().with_file_name("overspill");
    let mut asked = Asked { program: beside, spells: 4, seconds: 25, viewers: 100 };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || words.next().and_then(|n| n.parse().ok()).expect("a number");
        match word.as_str() {
            "--spells" => asked.spells = number(),
            "--seconds" => asked.seconds = number() as u64,
            "--viewers" => asked.viewers = number(),
            program => asked.program = PathBuf::from(program),
        }
    }
    asked
}

async fn measured(asked: &Asked, port: u16, page: SocketAddr, process: u32) {
    let mut config = client::config(port, "page-bench");
    let topics = ["overspill/bench/balance", "overspill/bench/status"];
    config.subscriptions = topics.map(overspill::mqtt::Subscription::new).to_vec();
    let mut client = Client::ready(config).await;
    // What is published before the daemon listens is heard by nobody.
    while client.message().await.1 != "up" {}
    // The first seconds load what is loaded once.
    spell(&mut client, 5).await;
    let (mut alone, mut watched) = (Vec::new(), Vec::new());
    let (mut alone_kb, mut watched_kb) = (0, 0);
    for _ in 0..asked.spells {
        alone.extend(spell(&mut client, asked.seconds).await);
        alone_kb = alone_kb.max(resident_kb(process));
        let viewers = Viewers::come(page, asked.viewers);
        watched.extend(spell(&mut client, asked.seconds).await);
        watched_kb = watched_kb.max(resident_kb(process));
        let (seen, bytes) = viewers.leave();
        assert_eq!(seen, asked.viewers, "somebody was dropped");
        println!("{seen} viewers read {:.1} MB", bytes as f64 / 1e6);
    }
    tell("nobody looks", &mut alone, alone_kb);
    tell(&format!("{} viewers", asked.viewers), &mut watched, watched_kb);
}

/// Publishes a reading each tenth of a second and hears its balance: the times between, in microseconds.
async fn spell(client: &mut Client, seconds: u64) -> Vec<u64> {
    let mut took = Vec::new();
    let begun = Instant::now();
    let mut ticks = tokio::time::interval(EVERY);
    let mut n = 0_u32;
    while begun.elapsed() < Duration::from_secs(seconds) {
        ticks.tick().await;
        n += 1;
        let reading = f64::from(n % 997) - 1500.0;
        client.publish("house/solar", "2600").unwrap();
        let sent = Instant::now();
        client.publish("house/grid", &reading.to_string()).unwrap();
        loop {
            let (_, payload, _) = client.message().await;
            let told: serde_json::Value = serde_json::from_str(&payload).unwrap_or_default();
            if told["grid_w"].as_f64().is_some_and(|grid_w| (grid_w - reading).abs() < 0.1) {
                break;
            }
            assert!(sent.elapsed() < Duration::from_secs(5), "no balance of {reading}: {payload}");
        }
        took.push(sent.elapsed().as_micros() as u64);
    }
    took
}

fn tell(who: &str, took: &mut [u64], kb: u64) {
    took.sort_unstable();
    let at = |part: f64| took[((took.len() - 1) as f64 * part) as usize];
    println!(
        "{who}: {} readings, p50 {} µs, p90 {} µs, p95 {} µs, p98 {} µs, p99 {} µs, longest {} µs; memory {:.1} MB",
        took.len(),
        at(0.5),
        at(0.9),
        at(0.95),
        at(0.98),
        at(0.99),
        at(1.0),
        kb as f64 / 1024.0
    );
}

/// Memory of the process in kilobytes, as the system counts it.
fn resident_kb(process: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// People who look at the present, all on one thread that takes the last place: their computers are not this one.
struct Viewers {
    leave: watch::Sender<bool>,
    bytes: Arc<AtomicU64>,
    thread: JoinHandle<usize>,
}

impl Viewers {
    fn come(page: SocketAddr, number: usize) -> Viewers {
        let (leave, left) = watch::channel(false);
        let bytes = Arc::new(AtomicU64::new(0));
        let counter = Arc::clone(&bytes);
        let thread = std::thread::spawn(move || {
            #[cfg(target_os = "linux")]
            rustix::process::setpriority_process(None, 19).unwrap();
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let mut looking = tokio::task::JoinSet::new();
                for _ in 0..number {
                    looking.spawn(look(page, left.clone(), Arc::clone(&counter)));
                }
                looking.join_all().await.len()
            })
        });
        Viewers { leave, bytes, thread }
    }

    /// How many stayed to the end, and what they read.
    fn leave(self) -> (usize, u64) {
        self.leave.send(true).unwrap();
        let stayed = self.thread.join().unwrap();
        (stayed, self.bytes.load(Ordering::Relaxed))
    }
}

async fn look(page: SocketAddr, mut left: watch::Receiver<bool>, bytes: Arc<AtomicU64>) {
    let mut stream = TcpStream::connect(page).await.unwrap();
    let ask = format!("GET /live HTTP/1.1\r\nHost: {page}\r\n\r\n");
    stream.write_all(ask.as_bytes()).await.unwrap();
    let mut buffer = vec![0; 16 * 1024];
    loop {
        tokio::select! {
            read = stream.read(&mut buffer) => match read.unwrap() {
                0 => panic!("the page hung up"),
                n => bytes.fetch_add(n as u64, Ordering::Relaxed),
            },
            _ = left.changed() => return,
        };
    }
}

/// Ends with this program.
struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn home_file(broker: u16, page: SocketAddr) -> String {
    format!(
        r#"[home]
id = "bench"
name = "Bench House"
timezone = "Europe/London"

[supply]
rating_a = 60

[mqtt]
url = "mqtt://127.0.0.1:{broker}"

[store]
path = "bench.db"

[web]
listen = "{page}"

[rules]
folder = "rules"

[point.grid]
measures = "grid"
topic = "house/grid"
unit = "W"
positive = "import"
stale_after = "30s"

[point.solar]
measures = "solar"
topic = "house/solar"
unit = "W"
positive = "generation"
stale_after = "30s"

[load.water]
kind = "modulated"
topic = "tank/wanted"
send = "watts"
ceiling_w = 3000
turn = 1
device_timeout = "2m"
fallback = "off"
"#
    )
}

const RULE: &str = r#"fn decide(home) {
    home.load("water").take_spare("spare solar");
}
"#;
