//! The one bounded channel between everything that arrives and the one writer.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use serde::Serialize;
use thiserror::Error;
use tokio::sync::{mpsc, oneshot, watch};

use crate::{
    stock::ledger::{Asked, Outcome},
    watch::{Act, Heard, SensorName, reading::Refused},
};

/// Messages that may wait; a sender beyond that waits for its turn.
const WAITING: usize = 64;
/// Readings that one message may carry; sources split what is longer.
pub const BATCH_READINGS: usize = 10_000;

/// What one source delivered at one time.
#[derive(Debug, Clone)]
pub struct Batch {
    /// Who delivered it.
    pub source: SensorName,
    /// What could be understood.
    pub heard: Vec<Heard>,
    /// What could not.
    pub refused: Vec<Refused>,
    /// How far the source has been read once this is stored.
    pub position: Option<String>,
}

/// What became of a message, told after it is on disk.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Receipt {
    /// New readings.
    pub stored: u64,
    /// Readings that were known already.
    pub duplicate: u64,
    /// Readings that said something else than was known for the same instant; the first word stands.
    pub conflict: u64,
    /// The first of these, with both values.
    pub conflicts: Vec<Refused>,
    /// What could not be understood or used.
    pub refused: Vec<Refused>,
    /// What came of deeds asked of the stock ledger, one by one.
    #[serde(skip)]
    pub entered: Vec<Outcome>,
}

/// Contradictions that are named one by one.
pub const CONFLICTS_NAMED: usize = 100;

impl Receipt {
    /// Adds what became of another part of the same delivery.
    pub fn add(&mut self, more: Self) {
        self.stored += more.stored;
        self.duplicate += more.duplicate;
        self.conflict += more.conflict;
        let room = CONFLICTS_NAMED.saturating_sub(self.conflicts.len());
        self.conflicts.extend(more.conflicts.into_iter().take(room));
        self.refused.extend(more.refused);
        self.entered.extend(more.entered);
    }
}

/// What the writer is asked to do.
#[derive(Debug)]
pub enum Message {
    /// Store and judge readings.
    Readings(Batch),
    /// Do what a person asks, or note what a channel came to.
    Act {
        /// What.
        act: Act,
        /// Who.
        who: String,
    },
    /// Enter deeds into the stock ledger.
    Stock {
        /// In this order.
        asked: Vec<Asked>,
        /// All or nothing.
        together: bool,
        /// By whom.
        who: String,
    },
    /// Owe a test message by one channel.
    Test {
        /// Which channel.
        channel: SensorName,
    },
}

/// Why nothing was done.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum Unavailable {
    /// The program is stopping.
    #[error("the recorder is stopping")]
    Stopping,
    /// The store could not be written.
    #[error("the store cannot be written: {0}")]
    Store(String),
    /// It cannot be done; the words say why.
    #[error("{0}")]
    Refused(String),
}

/// A message and where the answer goes.
#[derive(Debug)]
pub struct Envelope {
    /// What is asked.
    pub message: Message,
    /// Answered after commit.
    pub reply: oneshot::Sender<Result<Receipt, Unavailable>>,
}

/// The sending end; cheap to clone.
#[derive(Debug, Clone)]
pub struct Inbox(mpsc::Sender<Envelope>);

/// Makes the channel: many senders, one writer.
pub fn channel() -> (Inbox, mpsc::Receiver<Envelope>) {
    let (sender, receiver) = mpsc::channel(WAITING);
    (Inbox(sender), receiver)
}

impl Inbox {
    /// Hands over a message and waits until it is on disk.
    pub async fn send(&self, message: Message) -> Result<Receipt, Unavailable> {
        let (reply, answer) = oneshot::channel();
        self.0
            .send(Envelope { message, reply })
            .await
            .map_err(|_| Unavailable::Stopping)?;
        answer.await.map_err(|_| Unavailable::Stopping)?
    }
}

/// What one source is doing, in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceNow {
    /// `file`, `http` or `serial`.
    pub kind: &'static str,
    /// A sentence for the Sensors page.
    pub sentence: String,
    /// It can be heard.
    pub well: bool,
}

/// Where sources say what they are doing.
#[derive(Debug, Clone, Default)]
pub struct Board(Arc<Mutex<BTreeMap<SensorName, SourceNow>>>);

impl Board {
    /// Puts up the present state of a source.
    pub fn put(&self, source: &SensorName, kind: &'static str, well: bool, sentence: String) {
        let now = SourceNow {
            kind,
            sentence,
            well,
        };
        self.lock().insert(source.clone(), now);
    }

    /// Every source and what it is doing.
    pub fn all(&self) -> BTreeMap<SensorName, SourceNow> {
        self.lock().clone()
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<SensorName, SourceNow>> {
        // Nothing can go wrong half-way while it is held.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Waits until everything is asked to stop, or whoever could ask is gone.
pub async fn stopping(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}
