//! A mail server and an HTTP receiver on loopback that refuse, delay, answer with errors and hang up
//! as they are told, and then recover.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex},
    time::Duration,
};

use tokio::{
    io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader},
    net::{TcpListener, TcpStream},
};

/// What a server does with one visitor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mood {
    /// 200; 250.
    Fine,
    /// The same, after so many milliseconds.
    Slow(u64),
    /// 500; 451 for the recipient.
    Error,
    /// 429 with Retry-After in seconds; 421 at the greeting.
    Busy(u64),
    /// Takes everything in and goes away without a word.
    HangUp,
}

#[derive(Debug, Default)]
struct Inner {
    moods: VecDeque<Mood>,
    /// Names of the messages that were taken in whole, in order, those without an answer among them.
    got: Vec<String>,
    /// The whole of each.
    texts: Vec<String>,
    visits: usize,
}

/// One server.
#[derive(Debug, Clone, Default)]
pub(crate) struct Server {
    inner: Arc<Mutex<Inner>>,
    pub(crate) port: u16,
}

impl Server {
    /// A port on which nobody listens yet.
    pub(crate) async fn absent(moods: &[Mood]) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let server = Self {
            port: listener.local_addr().unwrap().port(),
            ..Self::default()
        };
        server.inner.lock().unwrap().moods = moods.iter().copied().collect();
        server
    }

    pub(crate) async fn http(moods: &[Mood]) -> Self {
        let server = Self::absent(moods).await;
        server.open_http().await;
        server
    }

    pub(crate) async fn smtp(moods: &[Mood]) -> Self {
        let server = Self::absent(moods).await;
        let listener = TcpListener::bind(("127.0.0.1", server.port)).await.unwrap();
        let this = server.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let (this, mood) = (this.clone(), this.mood());
                tokio::spawn(async move {
                    let _ = this.mail(stream, mood).await;
                });
            }
        });
        server
    }

    /// Begins to listen.
    pub(crate) async fn open_http(&self) {
        let listener = TcpListener::bind(("127.0.0.1", self.port)).await.unwrap();
        let this = self.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let (this, mood) = (this.clone(), this.mood());
                tokio::spawn(async move {
                    let _ = this.post(stream, mood).await;
                });
            }
        });
    }

    pub(crate) fn got(&self) -> Vec<String> {
        self.inner.lock().unwrap().got.clone()
    }

    pub(crate) fn texts(&self) -> Vec<String> {
        self.inner.lock().unwrap().texts.clone()
    }

    pub(crate) fn visits(&self) -> usize {
        self.inner.lock().unwrap().visits
    }

    fn mood(&self) -> Mood {
        let mut inner = self.inner.lock().unwrap();
        inner.visits += 1;
        inner.moods.pop_front().unwrap_or(Mood::Fine)
    }

    fn take(&self, name: &str, text: &str) {
        let mut inner = self.inner.lock().unwrap();
        inner.got.push(name.to_owned());
        inner.texts.push(text.to_owned());
    }

    async fn post(&self, mut stream: TcpStream, mood: Mood) -> std::io::Result<()> {
        let mut bytes = Vec::new();
        let (head, body) = loop {
            let mut part = [0; 4096];
            let n = stream.read(&mut part).await?;
            if n == 0 {
                return Ok(());
            }
            bytes.extend_from_slice(&part[..n]);
            let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") else {
                continue;
            };
            let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
            let length = head.split("content-length: ").nth(1).map_or(0, |rest| {
                rest.lines().next().unwrap().trim().parse().unwrap()
            });
            if end + 4 + length <= bytes.len() {
                let body = String::from_utf8_lossy(&bytes[end + 4..]).into_owned();
                break (head, body);
            }
        };
        let event: serde_json::Value = serde_json::from_str(&body).unwrap_or_default();
        let id = event["id"].as_str().unwrap_or_default().to_owned();
        assert!(head.contains("webhook-signature: v1="), "{head}");
        let answer = match mood {
            Mood::Error => "500 Internal Server Error\r\n".to_owned(),
            Mood::Busy(seconds) => format!("429 Too Many Requests\r\nRetry-After: {seconds}\r\n"),
            Mood::Slow(ms) => {
                tokio::time::sleep(Duration::from_millis(ms)).await;
                "200 OK\r\n".to_owned()
            }
            Mood::Fine | Mood::HangUp => "202 Accepted\r\n".to_owned(),
        };
        if !matches!(mood, Mood::Error | Mood::Busy(_)) {
            self.take(&id, &body);
        }
        if mood == Mood::HangUp {
            return Ok(());
        }
        let answer = format!("HTTP/1.1 {answer}Content-Length: 0\r\nConnection: close\r\n\r\n");
        stream.write_all(answer.as_bytes()).await
    }

    async fn mail(&self, stream: TcpStream, mood: Mood) -> std::io::Result<()> {
        let mut stream = BufReader::new(stream);
        let mut letter: Option<String> = None;
        let greeting = match mood {
            Mood::Busy(_) => "421 come back later",
            _ => "220 mail.farm.example",
        };
        stream
            .write_all(format!("{greeting}\r\n").as_bytes())
            .await?;
        loop {
            let mut line = String::new();
            if stream.read_line(&mut line).await? == 0 {
                return Ok(());
            }
            let answer = match &mut letter {
                Some(text) if line == ".\r\n" => {
                    let id = text
                        .lines()
                        .find_map(|l| l.strip_prefix("Message-ID: "))
                        .unwrap_or_default()
                        .to_owned();
                    self.take(&id, text);
                    letter = None;
                    match mood {
                        Mood::HangUp => return Ok(()),
                        Mood::Slow(ms) => tokio::time::sleep(Duration::from_millis(ms)).await,
                        _ => {}
                    }
                    "250 taken"
                }
                Some(text) => {
                    text.push_str(&line);
                    continue;
                }
                None => match line.get(..4).unwrap_or_default().to_uppercase().as_str() {
                    "RCPT" if mood == Mood::Error => "451 not now",
                    "DATA" => {
                        letter = Some(String::new());
                        "354 go on"
                    }
                    "QUIT" => "221 bye",
                    _ => "250 ok",
                },
            };
            stream.write_all(format!("{answer}\r\n").as_bytes()).await?;
            if answer.starts_with("221") {
                return Ok(());
            }
        }
    }
}
