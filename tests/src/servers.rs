//! Real servers for tests, each on a free port of the loopback and gone when dropped.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fmt::Write as _;
use std::fs;
use std::io;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// How long a server may take to listen.
const UP_WITHIN: Duration = Duration::from_secs(10);

/// A folder of its own for a test, removed when dropped.
#[derive(Debug)]
pub struct Folder(PathBuf);

impl Folder {
    /// Makes one below the system's folder for temporary files.
    pub fn new(name: &str) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let folder = format!("overspill-test-{name}-{}-{count}", std::process::id());
        let path = std::env::temp_dir().join(folder);
        fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // A folder left behind is no reason to fail.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// A port of the loopback that nobody used a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap().port()
}

/// How a mosquitto is set up.
#[derive(Debug, Clone, Default)]
pub struct MosquittoSetup {
    /// Only this user with this password may connect; else everybody.
    pub user: Option<(String, String)>,
    /// Certificate and key in PEM, for TLS.
    pub tls: Option<(String, String)>,
    /// More lines for its configuration.
    pub more: String,
}

/// A mosquitto of a test's own.
#[derive(Debug)]
pub struct Mosquitto {
    port: u16,
    folder: Folder,
    process: Child,
}

impl Mosquitto {
    /// Starts one that lets everybody in.
    pub fn start() -> Self {
        Self::start_with(&MosquittoSetup::default())
    }

    /// Starts one and waits until it listens.
    pub fn start_with(setup: &MosquittoSetup) -> Self {
        let folder = Folder::new("mosquitto");
        // The free port may be taken by another test before mosquitto has it.
        for _ in 0..5 {
            let port = free_port();
            write_config(folder.path(), port, setup);
            let mut process = spawn(folder.path());
            if wait_for(port, &mut process) {
                return Self { port, folder, process };
            }
        }
        panic!("mosquitto did not start, see {}", log_of(folder.path()));
    }

    /// Its port on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Kills it at once, without a word to its clients.
    pub fn kill(&mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }

    /// Starts it again on the same port after [`Mosquitto::kill`].
    pub fn start_again(&mut self) {
        self.process = spawn(self.folder.path());
        let up = wait_for(self.port, &mut self.process);
        assert!(up, "mosquitto did not start again, see {}", log_of(self.folder.path()));
    }

    /// Stops it in its tracks: connections stay, nothing is answered.
    pub fn freeze(&self) {
        self.signal("STOP");
    }

    /// Lets it go on.
    pub fn thaw(&self) {
        self.signal("CONT");
    }

    fn signal(&self, signal: &str) {
        let pid = self.process.id().to_string();
        let status = Command::new("kill").args(["-s", signal, &pid]).status().unwrap();
        assert!(status.success());
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        // It may be gone already.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// A victoria-metrics of a test's own: a real database that takes the write API of InfluxDB 2. It answers "done" to
/// whatever it is sent, so it proves only what it holds afterwards.
#[derive(Debug)]
pub struct VictoriaMetrics {
    port: u16,
    folder: Folder,
    process: Child,
}

impl VictoriaMetrics {
    /// Starts one and waits until it listens.
    pub fn start() -> Self {
        let folder = Folder::new("victoria");
        for _ in 0..5 {
            let port = free_port();
            let mut process = spawn_victoria(folder.path(), port);
            if wait_for(port, &mut process) {
                return Self { port, folder, process };
            }
        }
        panic!("victoria-metrics did not start, see {}", log_of(folder.path()));
    }

    /// Its port on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Stops it as a system does, so that it writes what it holds.
    pub fn stop(&mut self) {
        let status = Command::new("kill").arg(self.process.id().to_string()).status().unwrap();
        assert!(status.success());
        self.process.wait().unwrap();
    }

    /// Starts it again on the same port and data after [`VictoriaMetrics::stop`].
    pub fn start_again(&mut self) {
        self.process = spawn_victoria(self.folder.path(), self.port);
        let up = wait_for(self.port, &mut self.process);
        assert!(up, "victoria-metrics did not start again, see {}", log_of(self.folder.path()));
    }
}

impl Drop for VictoriaMetrics {
    fn drop(&mut self) {
        // It may be gone already.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// Points of one series with the same time count once, as in InfluxDB: `-dedup.minScrapeInterval`.
fn spawn_victoria(folder: &Path, port: u16) -> Child {
    let log = fs::File::create(folder.join("log")).unwrap();
    let child = Command::new(program("victoria-metrics"))
        .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
        .arg(format!("-storageDataPath={}", folder.join("data").display()))
        .args(["-retentionPeriod=10y", "-search.latencyOffset=0s", "-dedup.minScrapeInterval=1ms"])
        .stdout(Stdio::null())
        .stderr(log)
        .spawn();
    child.unwrap_or_else(|error| missing("victoria-metrics", &error))
}

fn write_config(folder: &Path, port: u16, setup: &MosquittoSetup) {
    let mut config = format!("listener {port} 127.0.0.1\npersistence false\nset_tcp_nodelay true\n");
    if is_root() {
        config += "user root\n";
    }
    match &setup.user {
        None => config += "allow_anonymous true\n",
        Some((user, password)) => {
            let file = folder.join("passwords");
            run("mosquitto_passwd", &["-b", "-c", text(&file), user, password]);
            writeln!(config, "allow_anonymous false\npassword_file {}", file.display()).unwrap();
        }
    }
    if let Some((certificate, key)) = &setup.tls {
        let (certificate_file, key_file) = (folder.join("certificate.pem"), folder.join("key.pem"));
        fs::write(&certificate_file, certificate).unwrap();
        fs::write(&key_file, key).unwrap();
        let (certificate_file, key_file) = (certificate_file.display(), key_file.display());
        writeln!(config, "certfile {certificate_file}\nkeyfile {key_file}").unwrap();
    }
    config += &setup.more;
    fs::write(folder.join("mosquitto.conf"), config).unwrap();
}

fn spawn(folder: &Path) -> Child {
    let log = fs::File::create(folder.join("log")).unwrap();
    let child = Command::new(program("mosquitto"))
        .arg("-c")
        .arg(folder.join("mosquitto.conf"))
        .stdout(Stdio::null())
        .stderr(log)
        .spawn();
    child.unwrap_or_else(|error| missing("mosquitto", &error))
}

/// Whether it listens; not if it ended.
fn wait_for(port: u16, process: &mut Child) -> bool {
    let start = Instant::now();
    while start.elapsed() < UP_WITHIN {
        if process.try_wait().unwrap().is_some() {
            return false;
        }
        if TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_ok() {
            return true;
        }
        thread::sleep(Duration::from_millis(5));
    }
    false
}

fn run(name: &str, args: &[&str]) {
    let status = Command::new(program(name)).args(args).stderr(Stdio::null()).status();
    assert!(status.unwrap_or_else(|error| missing(name, &error)).success(), "{name} failed");
}

/// Debian keeps servers outside the path of ordinary users.
fn program(name: &str) -> PathBuf {
    let outside = Path::new("/usr/sbin").join(name);
    if outside.exists() { outside } else { PathBuf::from(name) }
}

fn missing(name: &str, error: &io::Error) -> ! {
    let packages = "mosquitto mosquitto-clients victoria-metrics";
    panic!("{name} could not be started ({error}); install it: apt-get install {packages}")
}

fn log_of(folder: &Path) -> String {
    fs::read_to_string(folder.join("log")).unwrap_or_default()
}

fn is_root() -> bool {
    let output = Command::new("id").arg("-u").output();
    output.is_ok_and(|output| output.stdout.starts_with(b"0\n"))
}

fn text(path: &Path) -> &str {
    path.to_str().expect("paths of tests are text")
}

/// Publishes with `mosquitto_pub`; the arguments go after host and port.
pub fn mosquitto_pub(port: u16, args: &[&str]) {
    let port = port.to_string();
    let mut all = vec!["-h", "127.0.0.1", "-p", &port];
    all.extend(args);
    run("mosquitto_pub", &all);
}

/// Runs `mosquitto_sub` until it got as many messages as `-C` says, or `-W` seconds are over; the arguments go after
/// host and port. Gives its lines.
pub fn mosquitto_sub(port: u16, args: &[&str]) -> Vec<String> {
    let output = Command::new(program("mosquitto_sub"))
        .args(["-h", "127.0.0.1", "-p", &port.to_string()])
        .args(args)
        .output();
    let output = output.unwrap_or_else(|error| missing("mosquitto_sub", &error));
    String::from_utf8_lossy(&output.stdout).lines().map(str::to_owned).collect()
}
