//! A growing file, followed through rotation and truncation.

use std::{
    fs::Metadata,
    io::{self, SeekFrom},
    os::unix::fs::MetadataExt,
    path::{Path, PathBuf},
    time::{Duration, SystemTime},
};

use serde::{Deserialize, Serialize};
use tokio::{
    fs::{self, File},
    io::{AsyncReadExt, AsyncSeekExt},
    sync::watch,
};
use tracing::{info, warn};

use super::{
    decode::{
        Decoded, json,
        table::{self, Table, TableShape},
    },
    sha256_hex,
};
use crate::{
    inbox::{Batch, Board, Inbox, Message, stopping},
    watch::{SensorName, reading::Refused},
};

/// Bytes read at once; also the longest line.
const CHUNK: usize = 256 * 1024;
/// Bytes at the start by which a file is known again; more than a header and one reading.
const HEAD: usize = 256;

/// What the lines are.
#[derive(Debug, Clone, PartialEq)]
pub enum Format {
    /// CSV with a header line.
    Csv(Box<TableShape>),
    /// One JSON object to a line.
    JsonLines {
        /// The sensor of objects that name none.
        sensor: Option<SensorName>,
    },
}

/// One followed file.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// The name of the source.
    pub source: SensorName,
    /// The file; it need not be there yet.
    pub path: PathBuf,
    /// What its lines are.
    pub format: Format,
    /// How often it is looked at.
    pub poll: Duration,
}

/// How far a file has been read, as it is stored with the readings.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
struct Position {
    inode: u64,
    offset: u64,
    /// Lines before `offset`.
    lines: u64,
    /// Length and SHA-256 of the start of the file, because a new file may get an old inode.
    head_len: u64,
    head: String,
}

/// Follows one file.
pub struct FileTail {
    settings: Settings,
    inbox: Inbox,
    board: Board,
    position: Position,
    file: Option<File>,
    table: Option<Table>,
    /// In the middle of a line that is too long to read.
    skipping: bool,
}

/// What one look brought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Looked {
    /// There may be more at once.
    More,
    /// Nothing more for now.
    Idle,
}

impl FileTail {
    /// Continues where the stored position says.
    pub fn new(settings: Settings, inbox: Inbox, board: Board, position: Option<&str>) -> Self {
        let position = position.and_then(|p| serde_json::from_str(p).ok());
        Self {
            settings,
            inbox,
            board,
            position: position.unwrap_or_default(),
            file: None,
            table: None,
            skipping: false,
        }
    }

    /// Follows the file until `stop` is set.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        loop {
            let looked = match self.look().await {
                Ok(looked) => looked,
                Err(error) => {
                    self.say(false, &format!("cannot read it: {error}; trying again"));
                    Looked::Idle
                }
            };
            let pause = match looked {
                Looked::More => Duration::ZERO,
                Looked::Idle => self.settings.poll,
            };
            tokio::select! {
                () = stopping(&mut stop) => return,
                () = tokio::time::sleep(pause) => {}
            }
        }
    }

    fn say(&self, well: bool, sentence: &str) {
        let source = &self.settings.source;
        let sentence = format!("{}: {sentence}", self.settings.path.display());
        self.board.put(source, "file", well, sentence);
    }

    /// Looks once: takes in at most one chunk of complete lines.
    pub async fn look(&mut self) -> io::Result<Looked> {
        if self.file.is_none() && !self.open().await? {
            self.say(false, "waiting for the file to appear");
            return Ok(Looked::Idle);
        }
        if !self.same_head().await? {
            info!(source = %self.settings.source, "the file was written anew; reading it from the start");
            self.restart(0);
        }
        let Some(file) = &mut self.file else {
            return Ok(Looked::More);
        };
        file.seek(SeekFrom::Start(self.position.offset)).await?;
        let mut chunk = Vec::with_capacity(8 * 1024);
        file.take(CHUNK as u64).read_to_end(&mut chunk).await?;
        if let Some(end) = chunk.iter().rposition(|&b| b == b'\n') {
            // What follows the last line end is not complete: `2,9.` would be a valid number.
            return self.take_in(&chunk[..=end]).await;
        }
        if chunk.len() == CHUNK {
            self.skipping = true;
            self.position.offset += CHUNK as u64;
            return Ok(Looked::More);
        }
        self.at_end(chunk.len()).await
    }

    /// Opens the file at the stored position; before that, what is left of a rotated one.
    async fn open(&mut self) -> io::Result<bool> {
        let path = self.settings.path.clone();
        let current = match fs::metadata(&path).await {
            Ok(meta) => Some(meta.ino()),
            Err(e) if e.kind() == io::ErrorKind::NotFound => None,
            Err(e) => return Err(e),
        };
        let inode = self.position.inode;
        if inode != 0 && current != Some(inode) {
            if let Some(old) = rotated(&path, inode).await? {
                self.file = Some(File::open(&old).await?);
                if self.same_head().await? {
                    return Ok(true);
                }
            }
            self.restart(0);
        }
        let Some(current) = current else {
            return Ok(false);
        };
        self.file = Some(File::open(&path).await?);
        self.position.inode = current;
        Ok(true)
    }

    fn restart(&mut self, inode: u64) {
        self.position = Position {
            inode,
            ..Position::default()
        };
        self.table = None;
        self.file = None;
        self.skipping = false;
    }

    /// The file still begins as it did when its position was stored.
    async fn same_head(&mut self) -> io::Result<bool> {
        let length = self.position.head_len;
        let Some(file) = &mut self.file else {
            return Ok(true);
        };
        if file.metadata().await?.len() < self.position.offset {
            return Ok(false);
        }
        Ok(length == 0 || sha256_hex(&read_head(file, length).await?) == self.position.head)
    }

    async fn take_in(&mut self, text: &[u8]) -> io::Result<Looked> {
        let mut next = self.position.clone();
        next.offset += text.len() as u64;
        next.lines += text.iter().filter(|&&b| b == b'\n').count() as u64;
        // A header alone is the same in many files; the start grows until it tells them apart.
        if next.head_len < HEAD as u64
            && let Some(file) = &mut self.file
        {
            next.head_len = next.offset.min(HEAD as u64);
            next.head = sha256_hex(&read_head(file, next.head_len).await?);
        }
        let first_line = self.position.lines + 1;
        let (text, skipped) = if self.skipping {
            let end = text.iter().position(|&b| b == b'\n').map_or(0, |e| e + 1);
            let long = Refused::new(
                first_line,
                "",
                format_args!("is longer than {CHUNK} bytes; passed over"),
            );
            (&text[end..], Some(long))
        } else {
            (text, None)
        };
        let first_line = first_line + u64::from(skipped.is_some());
        let mut decoded = self.decode(text, first_line).await?;
        decoded.refused.extend(skipped);
        // Who follows a file hears it now, whatever is written in it.
        for heard in &mut decoded.heard {
            heard.received_at = None;
        }
        let batch = Batch {
            source: self.settings.source.clone(),
            heard: decoded.heard,
            refused: decoded.refused,
            position: Some(serde_json::to_string(&next)?),
        };
        match self.inbox.send(Message::Readings(batch)).await {
            Ok(_) => {
                self.position = next;
                self.skipping = false;
                let lines = self.position.lines;
                self.say(true, &format!("following it, {lines} lines read"));
                Ok(Looked::More)
            }
            Err(error) => {
                warn!(source = %self.settings.source, %error, "nothing is lost: the file is read again from here");
                self.say(false, &format!("waiting: {error}"));
                Ok(Looked::Idle)
            }
        }
    }

    async fn decode(&mut self, text: &[u8], first_line: u64) -> io::Result<Decoded> {
        let mut decoded = Decoded::default();
        match self.settings.format.clone() {
            Format::JsonLines { sensor } => {
                decoded = json::lines(text, first_line, sensor.as_ref());
            }
            Format::Csv(shape) => {
                let mut rest = text;
                let mut first_line = first_line;
                if self.table.is_none() {
                    let header = if first_line == 1 {
                        let end = text.iter().position(|&b| b == b'\n').map_or(0, |e| e + 1);
                        rest = &text[end..];
                        first_line = 2;
                        text[..end].to_vec()
                    } else {
                        self.first_line().await?
                    };
                    match table::header(header.trim_ascii_end(), &shape) {
                        Ok(table) => self.table = Some(table),
                        Err(why) => {
                            let text = String::from_utf8_lossy(&header);
                            decoded.refused.push(Refused::new(1, text.trim_end(), &why));
                        }
                    }
                }
                match &self.table {
                    Some(table) => {
                        let rows = table::lines(rest, table, first_line);
                        decoded.heard.extend(rows.heard);
                        decoded.refused.extend(rows.refused);
                    }
                    None => {
                        // Without its columns no row can be understood; they are kept as they are.
                        for (line, bytes) in
                            (first_line..).zip(rest.split_inclusive(|&b| b == b'\n'))
                        {
                            let text = String::from_utf8_lossy(bytes.trim_ascii_end());
                            decoded.refused.push(Refused::new(
                                line,
                                &text,
                                "the header was not understood",
                            ));
                        }
                    }
                }
            }
        }
        Ok(decoded)
    }

    async fn first_line(&mut self) -> io::Result<Vec<u8>> {
        let Some(file) = &mut self.file else {
            return Ok(Vec::new());
        };
        let mut line = read_head(file, 16 * 1024).await?;
        let end = line.iter().position(|&b| b == b'\n').unwrap_or(line.len());
        line.truncate(end);
        Ok(line)
    }

    /// Leaves a file that was replaced: for the next that was, if several were, else the present one.
    async fn move_on(&mut self) -> io::Result<()> {
        let last = match &self.file {
            Some(file) => Some(file.metadata().await?),
            None => None,
        };
        self.restart(0);
        let Some(last) = last else { return Ok(()) };
        if let Some((path, inode)) = next_rotated(&self.settings.path, &last).await? {
            self.file = Some(File::open(path).await?);
            self.position.inode = inode;
        }
        Ok(())
    }

    /// Everything complete has been read: has another file taken this one's place?
    async fn at_end(&mut self, unfinished: usize) -> io::Result<Looked> {
        let current = match fs::metadata(&self.settings.path).await {
            Ok(meta) => Some(meta.ino()),
            Err(e) if e.kind() == io::ErrorKind::NotFound => None,
            Err(e) => return Err(e),
        };
        match current {
            Some(inode) if inode != self.position.inode => {
                // What was written between reading to the end and being replaced.
                let read = self.position.offset + unfinished as u64;
                if let Some(file) = &self.file
                    && read < file.metadata().await?.len()
                {
                    return Ok(Looked::More);
                }
                if 0 < unfinished {
                    let line = self.position.lines + 1;
                    let cut = Refused::new(line, "", "was cut short when the file was replaced");
                    let batch = Batch {
                        source: self.settings.source.clone(),
                        heard: Vec::new(),
                        refused: vec![cut],
                        position: None,
                    };
                    if self.inbox.send(Message::Readings(batch)).await.is_err() {
                        return Ok(Looked::Idle);
                    }
                }
                info!(source = %self.settings.source, "another file has taken its place");
                self.move_on().await?;
                Ok(Looked::More)
            }
            Some(_) => {
                let lines = self.position.lines;
                self.say(true, &format!("following it, {lines} lines read"));
                Ok(Looked::Idle)
            }
            None => {
                self.say(false, "waiting for the file to appear again");
                Ok(Looked::Idle)
            }
        }
    }
}

/// The file beside `path` that has this inode: where a rotation moved it.
async fn rotated(path: &Path, inode: u64) -> io::Result<Option<PathBuf>> {
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let mut entries = match fs::read_dir(folder).await {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(e),
    };
    while let Some(entry) = entries.next_entry().await? {
        if entry
            .metadata()
            .await
            .is_ok_and(|m| m.ino() == inode && m.is_file())
        {
            return Ok(Some(entry.path()));
        }
    }
    Ok(None)
}

/// The oldest file beside `path` that was written after `last` and is called `path` with something
/// behind it, as rotations name them; compressed ones cannot be read.
async fn next_rotated(path: &Path, last: &Metadata) -> io::Result<Option<(PathBuf, u64)>> {
    let (Some(folder), Some(name)) = (path.parent(), path.file_name()) else {
        return Ok(None);
    };
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    let since = last.modified()?;
    let mut found: Option<(SystemTime, PathBuf, u64)> = None;
    let mut entries = fs::read_dir(folder).await?;
    while let Some(entry) = entries.next_entry().await? {
        let other = entry.file_name();
        let (other, name) = (other.as_encoded_bytes(), name.as_encoded_bytes());
        let packed = [".gz", ".bz2", ".xz", ".zst", ".zip"];
        if !other.starts_with(name)
            || other.len() == name.len()
            || packed.iter().any(|end| other.ends_with(end.as_bytes()))
        {
            continue;
        }
        let Ok(meta) = entry.metadata().await else {
            continue;
        };
        let written = meta.modified()?;
        let later = meta.is_file() && meta.ino() != last.ino() && since < written;
        if later && found.as_ref().is_none_or(|(first, ..)| written < *first) {
            found = Some((written, entry.path(), meta.ino()));
        }
    }
    Ok(found.map(|(_, path, inode)| (path, inode)))
}

async fn read_head(file: &mut File, length: u64) -> io::Result<Vec<u8>> {
    file.seek(SeekFrom::Start(0)).await?;
    let mut head = Vec::new();
    file.take(length).read_to_end(&mut head).await?;
    Ok(head)
}
