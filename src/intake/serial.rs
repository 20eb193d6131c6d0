//! Lines from a serial port, opened again when the cable comes back.

use std::{collections::VecDeque, time::Duration};

use tokio::{io::AsyncReadExt, sync::watch};
use tokio_serial::{SerialPortBuilderExt, SerialStream};
use tracing::{info, warn};

use super::decode::line::{self, LineShape};
use crate::{
    clock::Clock,
    inbox::{Batch, Board, Inbox, Message, stopping},
    watch::{Heard, SensorName, reading::Refused},
};

/// Longest line; the rest of a longer one is passed over.
const LINE: usize = 256;
/// Lines kept while the store cannot be written; the oldest go first, and that is counted.
const WAITING: usize = 10_000;
/// First and longest pause before the port is opened again.
const PAUSE: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(60));

/// One serial port.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// The name of the source.
    pub source: SensorName,
    /// The device; a path under `/dev/serial/by-id` survives replugging.
    pub port: String,
    /// Bits a second.
    pub baud: u32,
    /// What lines mean that do not say it themselves.
    pub shape: LineShape,
}

/// Opens the port once.
pub fn open(settings: &Settings) -> Result<SerialStream, tokio_serial::Error> {
    tokio_serial::new(&settings.port, settings.baud)
        .timeout(Duration::from_secs(1))
        .open_native_async()
}

/// Cuts bytes into lines; a line that is too long is cut off and reported, and never ends the stream.
#[derive(Debug, Default)]
pub struct Lines {
    buffer: Vec<u8>,
    too_long: bool,
    count: u64,
}

/// One line, or the beginning of one that was too long.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// Counted from 1 since the port was opened.
    pub number: u64,
    /// What it says; bytes that are no UTF-8 are replaced.
    pub text: String,
    /// The rest of it is missing.
    pub too_long: bool,
}

impl Lines {
    /// Takes in bytes and gives every line that is complete.
    pub fn push(&mut self, bytes: &[u8]) -> Vec<Line> {
        let mut lines = Vec::new();
        for &byte in bytes {
            if byte == b'\n' {
                self.count += 1;
                let text = String::from_utf8_lossy(self.buffer.trim_ascii()).into_owned();
                if !text.is_empty() {
                    lines.push(Line {
                        number: self.count,
                        text,
                        too_long: self.too_long,
                    });
                }
                self.buffer.clear();
                self.too_long = false;
            } else if self.buffer.len() < LINE {
                self.buffer.push(byte);
            } else {
                self.too_long = true;
            }
        }
        lines
    }
}

/// Reads one port.
pub struct Serial {
    settings: Settings,
    inbox: Inbox,
    board: Board,
    clock: Clock,
    heard: VecDeque<Heard>,
    refused: VecDeque<Refused>,
    dropped: u64,
}

impl Serial {
    /// Made, not opened yet.
    pub fn new(settings: Settings, inbox: Inbox, board: Board, clock: Clock) -> Self {
        Self {
            settings,
            inbox,
            board,
            clock,
            heard: VecDeque::new(),
            refused: VecDeque::new(),
            dropped: 0,
        }
    }

    /// Reads until `stop` is set; opens the port again, after growing pauses, when it is lost.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        let mut pause = PAUSE.0;
        loop {
            match open(&self.settings) {
                Ok(port) => {
                    info!(source = %self.settings.source, port = self.settings.port, "the port is open");
                    self.say(true, "open");
                    if self.read(port, &mut stop).await {
                        return;
                    }
                    pause = PAUSE.0;
                    // What could not be stored does not wait for the cable.
                    self.hand_over().await;
                    let seconds = pause.as_secs();
                    self.say(
                        false,
                        &format!("closed (unplugged?); trying again every {seconds} s or more"),
                    );
                }
                Err(error) => {
                    self.hand_over().await;
                    let seconds = pause.as_secs();
                    self.say(
                        false,
                        &format!("cannot be opened: {error}; trying again in {seconds} s"),
                    );
                }
            }
            tokio::select! {
                () = stopping(&mut stop) => return,
                () = tokio::time::sleep(pause) => {}
            }
            pause = (pause * 2).min(PAUSE.1);
        }
    }

    fn say(&self, well: bool, sentence: &str) {
        let sentence = format!("{}: {sentence}", self.settings.port);
        self.board
            .put(&self.settings.source, "serial", well, sentence);
    }

    /// Reads until the port is lost; true when it was asked to stop.
    async fn read(&mut self, mut port: SerialStream, stop: &mut watch::Receiver<bool>) -> bool {
        let mut lines = Lines::default();
        let mut bytes = [0; 1024];
        loop {
            let read = tokio::select! {
                () = stopping(stop) => return true,
                read = port.read(&mut bytes) => read,
                // What could not be stored is tried again even if nothing more is heard.
                () = tokio::time::sleep(Duration::from_secs(5)), if !self.heard.is_empty() => {
                    self.hand_over().await;
                    continue;
                }
            };
            match read {
                // An unplugged port gives nothing for ever.
                Ok(0) => return false,
                Ok(length) => {
                    for line in lines.push(&bytes[..length]) {
                        self.take(&line);
                    }
                    self.hand_over().await;
                }
                Err(error) => {
                    warn!(source = %self.settings.source, %error, "the port was lost");
                    return false;
                }
            }
        }
    }

    fn take(&mut self, line: &Line) {
        let result = if line.too_long {
            Err(format!("is longer than {LINE} bytes"))
        } else {
            line::decode(&line.text, line.number, &self.settings.shape)
        };
        match result {
            Ok(mut heard) => {
                // It may wait for the store; it was heard now.
                heard.received_at = Some(self.clock.now());
                self.heard.push_back(heard);
            }
            Err(why) => {
                let refused = Refused::new(line.number, &line.text, why);
                self.refused.push_back(refused);
            }
        }
        if WAITING < self.heard.len() {
            self.heard.pop_front();
            self.dropped += 1;
        }
        if WAITING < self.refused.len() {
            self.refused.pop_front();
        }
    }

    async fn hand_over(&mut self) {
        if self.heard.is_empty() && self.refused.is_empty() {
            return;
        }
        let mut refused: Vec<Refused> = self.refused.iter().cloned().collect();
        if 0 < self.dropped {
            let why = format!(
                "{} readings were lost while the store could not be written",
                self.dropped
            );
            refused.push(Refused::new(0, "", why));
        }
        let batch = Batch {
            source: self.settings.source.clone(),
            heard: self.heard.iter().cloned().collect(),
            refused,
            position: None,
        };
        match self.inbox.send(Message::Readings(batch)).await {
            Ok(_) => {
                self.heard.clear();
                self.refused.clear();
                self.dropped = 0;
                self.say(true, "open");
            }
            Err(error) => self.say(false, &format!("open, waiting: {error}")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_bad_line_never_ends_the_stream() {
        let mut lines = Lines::default();
        let mut input = b"boot \xff\xfe noise\r\n\r\nT=49.8F RH=8".to_vec();
        assert_eq!(lines.push(&input).len(), 1);
        input = b"1%\n".to_vec();
        input.extend([b'x'; 5000]);
        input.extend(b"\nT=50F\n");
        let texts: Vec<_> = lines
            .push(&input)
            .into_iter()
            .map(|l| (l.number, l.text.len(), l.too_long))
            .collect();
        assert_eq!(texts, [(3, 14, false), (4, LINE, true), (5, 5, false)]);
    }
}
