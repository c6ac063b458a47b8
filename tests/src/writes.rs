//! A scripted server that takes writes as InfluxDB 2 does, answers as it is told, and holds what it accepted.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_debug_implementations)]

use std::collections::{BTreeSet, VecDeque};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread;
use std::time::{Duration, Instant};

use tokio_rustls::rustls::{ServerConfig, ServerConnection, StreamOwned};

/// How one request is answered.
#[derive(Debug, Clone)]
pub enum Reply {
    /// As a sound database does: 413 for too many lines, 400 where a line is bad, else 204.
    Fair,
    /// This status with these header lines (each with its line end) and this text; nothing is taken.
    Status(u16, &'static str, &'static str),
    /// Takes the lines, and answers when this time is over.
    Slow(Duration),
    /// Takes the lines, and closes in the middle of the answer.
    CutAnswer,
    /// Closes without taking anything.
    CutRequest,
}

/// One request as it came in.
#[derive(Debug, Clone)]
pub struct Request {
    /// When.
    pub at: Instant,
    /// Its first line.
    pub head: String,
    /// The header `Authorization`.
    pub authorization: Option<String>,
    /// Its lines.
    pub lines: Vec<String>,
}

/// What the server holds.
#[derive(Default)]
pub struct Held {
    /// Answers to come; `Fair` when there are no more.
    pub script: VecDeque<Reply>,
    /// Lines that hold this text are bad.
    pub bad: Option<String>,
    /// More lines than this are too many.
    pub most_lines: Option<usize>,
    /// Every line it accepted.
    pub lines: BTreeSet<String>,
    /// Every request.
    pub requests: Vec<Request>,
}

/// The server. Its threads end with the test.
#[derive(Clone)]
pub struct Writes {
    port: u16,
    held: Arc<Mutex<Held>>,
}

impl Writes {
    /// Starts one.
    pub fn start(script: impl IntoIterator<Item = Reply>) -> Writes {
        Writes::listen(script, None)
    }

    /// Starts one that speaks TLS.
    pub fn start_with_tls(script: impl IntoIterator<Item = Reply>, tls: Arc<ServerConfig>) -> Writes {
        Writes::listen(script, Some(tls))
    }

    fn listen(script: impl IntoIterator<Item = Reply>, tls: Option<Arc<ServerConfig>>) -> Writes {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let port = listener.local_addr().unwrap().port();
        let held = Held { script: script.into_iter().collect(), ..Held::default() };
        let writes = Writes { port, held: Arc::new(Mutex::new(held)) };
        let server = writes.clone();
        thread::spawn(move || {
            for connection in listener.incoming().flatten() {
                let (server, tls) = (server.clone(), tls.clone());
                thread::spawn(move || server.connection(connection, tls));
            }
        });
        writes
    }

    /// Its port on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// What it holds.
    pub fn held(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap()
    }

    /// Waits until it holds so many lines, and a moment longer for those that should not come.
    pub fn until_lines(&self, count: usize) -> BTreeSet<String> {
        self.until(&format!("{count} lines"), |held| held.lines.len() >= count);
        self.held().lines.clone()
    }

    /// Waits until it is as wanted.
    pub fn until(&self, what: &str, wanted: impl Fn(&Held) -> bool) {
        let start = Instant::now();
        while !wanted(&self.held()) {
            let waited = start.elapsed();
            assert!(waited < Duration::from_secs(40), "never: {what}; holds {}", self.held().lines.len());
            thread::sleep(Duration::from_millis(10));
        }
    }

    fn connection(&self, stream: TcpStream, tls: Option<Arc<ServerConfig>>) {
        match tls {
            None => self.serve(BufReader::new(stream)),
            Some(config) => {
                let connection = ServerConnection::new(config).unwrap();
                self.serve(BufReader::new(StreamOwned::new(connection, stream)));
            }
        }
    }

    /// Requests on one connection until it is closed by either side.
    fn serve<S: Read + Write>(&self, mut stream: BufReader<S>) {
        while let Some(request) = read_request(&mut stream) {
            let reply = self.take(request);
            if reply.is_empty() || stream.get_mut().write_all(&reply).is_err() || reply.ends_with(b"~") {
                return;
            }
            let _ = stream.get_mut().flush();
        }
    }

    /// What is sent back; empty for nothing, cut short where it ends with `~`.
    fn take(&self, request: Request) -> Vec<u8> {
        let mut held = self.held();
        held.requests.push(request.clone());
        let reply = held.script.pop_front().unwrap_or(Reply::Fair);
        let done = b"HTTP/1.1 204 No Content\r\n\r\n".to_vec();
        match reply {
            Reply::Fair => {
                if held.most_lines.is_some_and(|most| request.lines.len() > most) {
                    return status(413, "", "too large");
                }
                let bad = held.bad.clone();
                let line = request.lines.iter().find(|l| bad.as_ref().is_some_and(|bad| l.contains(bad)));
                if let Some(line) = line {
                    let json = format!(r#"{{"code":"invalid","message":"unable to parse {line}"}}"#);
                    return status(400, "Content-Type: application/json\r\n", &json);
                }
                held.lines.extend(request.lines);
                done
            }
            Reply::Status(code, headers, text) => status(code, headers, text),
            Reply::Slow(time) => {
                held.lines.extend(request.lines);
                drop(held);
                thread::sleep(time);
                done
            }
            Reply::CutAnswer => {
                held.lines.extend(request.lines);
                b"HTTP/1.1 204 No Con~".to_vec()
            }
            Reply::CutRequest => Vec::new(),
        }
    }
}

fn status(code: u16, headers: &str, text: &str) -> Vec<u8> {
    format!("HTTP/1.1 {code} Said\r\n{headers}Content-Length: {}\r\n\r\n{text}", text.len()).into_bytes()
}

fn read_request<S: Read>(stream: &mut BufReader<S>) -> Option<Request> {
    let head = read_line(stream)?;
    let (mut length, mut authorization) = (0, None);
    loop {
        let line = read_line(stream)?;
        let Some((name, value)) = line.split_once(':') else { break };
        match name.to_ascii_lowercase().as_str() {
            "content-length" => length = value.trim().parse().ok()?,
            "authorization" => authorization = Some(value.trim().to_owned()),
            "transfer-encoding" => panic!("this server takes no chunks"),
            _ => {}
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).ok()?;
    let body = String::from_utf8(body).expect("lines are text");
    let lines = body.lines().map(str::to_owned).collect();
    Some(Request { at: Instant::now(), head, authorization, lines })
}

fn read_line<S: Read>(stream: &mut BufReader<S>) -> Option<String> {
    let mut line = String::new();
    let read = stream.read_line(&mut line).ok()?;
    (read > 0).then(|| line.trim_end().to_owned())
}
