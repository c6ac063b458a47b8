//! The page as a browser asks for it, in plain HTTP.

use std::net::SocketAddr;

use serde_json::Value;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

use overspill_tests::client::PATIENCE;

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    /// Where it sends the browser.
    pub location: Option<String>,
    pub body: String,
}

impl Answer {
    /// As JSON.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|why| panic!("{why}: {}", self.body))
    }

    /// The value of the hidden field `name` of the first form that has one.
    pub fn hidden(&self, name: &str) -> String {
        let start = format!("name=\"{name}\" value=\"");
        let rest = self.body.split_once(&start).map_or("", |(_, rest)| rest);
        rest.split('"').next().unwrap_or_default().to_owned()
    }
}

/// Asks for a page.
pub async fn get(at: SocketAddr, path: &str) -> Answer {
    ask(at, &format!("GET {path} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n")).await
}

/// Sends a form, as the page at `from` would: with the proof that it carries.
pub async fn send(at: SocketAddr, from: &str, path: &str, fields: &[(&str, &str)]) -> Answer {
    let proof = get(at, from).await.hidden("proof");
    let all = fields.iter().copied().chain([("proof", proof.as_str())]);
    let body = all.map(|(name, value)| format!("{name}={}", escaped(value))).collect::<Vec<_>>().join("&");
    post(at, path, "application/x-www-form-urlencoded", &proof, &body).await
}

/// Sends JSON, as a script of the page would.
pub async fn send_json(at: SocketAddr, from: &str, path: &str, body: &Value) -> Answer {
    let proof = get(at, from).await.hidden("proof");
    post(at, path, "application/json", &proof, &body.to_string()).await
}

async fn post(at: SocketAddr, path: &str, kind: &str, proof: &str, body: &str) -> Answer {
    let length = body.len();
    let head = format!(
        "POST {path} HTTP/1.1\r\nHost: {at}\r\nOrigin: http://{at}\r\nSec-Fetch-Site: same-origin\r\nX-Overspill-Proof: {proof}\r\n\
         Content-Type: {kind}\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n"
    );
    ask(at, &format!("{head}{body}")).await
}

async fn ask(at: SocketAddr, request: &str) -> Answer {
    let asked = async {
        let mut stream = TcpStream::connect(at).await.unwrap();
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).await.unwrap();
        String::from_utf8(bytes).unwrap()
    };
    let text = timeout(PATIENCE * 3, asked).await.expect("the page does not answer");
    let (head, body) = text.split_once("\r\n\r\n").unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    let location = head.lines().find_map(|line| line.strip_prefix("location: ")).map(str::to_owned);
    Answer { status, location, body: body.to_owned() }
}

fn escaped(text: &str) -> String {
    text.bytes()
        .map(
            |byte| {
                if byte.is_ascii_alphanumeric() {
                    char::from(byte).to_string()
                } else {
                    format!("%{byte:02X}")
                }
            },
        )
        .collect()
}
