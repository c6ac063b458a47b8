//! A phone: as little HTTP as a browser without script needs.

use serde_json::Value;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// One phone.
pub struct Phone {
    host: String,
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    head: String,
    pub body: String,
}

impl Answer {
    pub fn header(&self, name: &str) -> &str {
        let lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines.clone().find(|(n, _)| n.eq_ignore_ascii_case(name)).map_or("", |(_, value)| value)
    }

    fn hidden(&self, name: &str) -> &str {
        let mark = format!("name=\"{name}\" value=\"");
        self.body.split_once(&mark).map_or("", |(_, rest)| rest.split('"').next().unwrap())
    }

    pub fn turn(&self) -> &str {
        self.hidden("turn")
    }

    pub fn question(&self) -> &str {
        let label = self.body.split_once("<label for=\"words\">").unwrap().1;
        label.split("</label>").next().unwrap()
    }
}

impl Phone {
    pub fn new(host: &str) -> Phone {
        Phone { host: host.to_owned() }
    }

    async fn send(&self, request: String) -> Answer {
        let mut stream = TcpStream::connect(&self.host).await.unwrap();
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut text = Vec::new();
        stream.read_to_end(&mut text).await.unwrap();
        let text = String::from_utf8(text).unwrap();
        let (head, body) = text.split_once("\r\n\r\n").unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        Answer { status, head: head.to_owned(), body: body.to_owned() }
    }

    pub async fn page(&self, path: &str) -> Answer {
        let host = &self.host;
        let answer =
            self.send(format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n")).await;
        assert_eq!(answer.status, 200, "{path}: {}", answer.body);
        answer
    }

    pub async fn sitting(&self) -> Value {
        serde_json::from_str(&self.page("/api/sitting").await.body).unwrap()
    }

    /// Sends a form of this page.
    pub async fn post(&self, path: &str, page: &Answer, fields: &[(&str, &str)]) -> Answer {
        let own = [("proof", page.hidden("proof")), ("turn", page.turn())];
        let pairs = own.iter().chain(fields).filter(|(_, value)| !value.is_empty());
        // As browsers write it: letters and digits as they are.
        let one =
            |b: u8| if b.is_ascii_alphanumeric() { char::from(b).to_string() } else { format!("%{b:02X}") };
        let coded = |text: &str| text.bytes().map(one).collect::<String>();
        let body: Vec<String> = pairs.map(|(name, value)| format!("{name}={}", coded(value))).collect();
        let body = body.join("&");
        let host = &self.host;
        self.send(format!(
            "POST {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nConnection: close\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        ))
        .await
    }

    pub async fn answer(&self, page: &Answer, words: &str) -> Answer {
        self.post("/answer", page, &[("words", words)]).await
    }
}
