//! The writer: drains the inbox, commits, answers, publishes.

use std::{path::Path, sync::Arc, time::Duration};

use tokio::sync::{mpsc, watch};
use tracing::{error, info, warn};

use super::{accept::Fresh, memory::Memory, pace::Pace, status::Status, telling::Teller};
use crate::{
    clock::Clock,
    inbox::{Batch, Envelope, Message, Receipt, Unavailable, stopping},
    store::{Store, StoreError, Tx, sources::Tally},
    watch::{
        Act, Input, Judge, SensorName, Settings, Stamp, Transition, act::Started,
        reading::MINUTE_MS,
    },
};

/// Messages that share one transaction.
const MESSAGES_TOGETHER: usize = 64;
/// Readings after which no further message joins a transaction.
const READINGS_TOGETHER: usize = 10_000;
/// How often deadlines are looked at when nothing arrives.
const TICK: Duration = Duration::from_secs(1);
/// How often the sign of life is written when nothing else is.
const ALIVE_EVERY_MS: i64 = MINUTE_MS;

/// How the log is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Opening {
    /// The recorder starts: the time since the last sign of life was not watched.
    Daemon,
    /// Readings of the past are brought in and nobody is watching.
    Import,
}

/// What came of one message.
pub type Answer = Result<Receipt, String>;

/// The one writer.
pub struct Engine {
    pub(super) store: Store,
    clock: Clock,
    pub(super) memory: Memory,
    pub(super) last_alive: Stamp,
    pace: Pace,
    /// The clock was set forward, or the machine slept, and the log does not say so yet.
    pub(super) gap: Option<Started>,
    /// Whether a sign of life is left; an import into a log that nobody watched leaves none.
    watched: bool,
    /// Nobody is told anything without it.
    pub(super) teller: Option<Teller>,
    /// How the stock stood when it was last looked at, and when that was.
    pub(super) stock: (Option<i64>, Stamp),
    status: watch::Sender<Arc<Status>>,
    version: u64,
}

impl Engine {
    /// Opens the database, folds its log and brings the judge up to the present.
    ///
    /// `settings` carries sensors with any key; each gets the one its name has in the store.
    pub async fn open(
        path: &Path,
        settings: Settings,
        clock: Clock,
        opening: Opening,
    ) -> Result<Self, StoreError> {
        let store = Store::open(path).await?;
        let now = clock.now();
        let mut engine = Self {
            store,
            memory: Memory::default(),
            pace: Pace::new(&clock, now),
            gap: None,
            clock,
            last_alive: now,
            watched: false,
            teller: None,
            stock: (None, Stamp(i64::MIN)),
            status: watch::channel(Arc::default()).0,
            version: 0,
        };
        engine.fold().await?;
        let settings = engine.keyed(settings, now).await?;
        engine.begin(settings, now, opening).await?;
        engine.publish(None);
        Ok(engine)
    }

    /// The store, for pages.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// The snapshots, for pages.
    pub fn status(&self) -> watch::Receiver<Arc<Status>> {
        self.status.subscribe()
    }

    /// The judge's memory.
    pub fn judge(&self) -> &Judge {
        &self.memory.judge
    }

    // ---- start ----

    async fn fold(&mut self) -> Result<(), StoreError> {
        let why = match self.fold_once().await {
            Ok(folded) => {
                let stored = self.store.stored_total().await?;
                if folded == stored {
                    return Ok(());
                }
                format!("{folded} readings are packed, {stored} are stored")
            }
            Err(StoreError::Packed(why)) => why,
            Err(error) => return Err(error),
        };
        warn!(why, "the packed log is made again from the readings");
        let mut tx = self.store.begin().await?;
        tx.rebuild_packed().await?;
        tx.commit().await?;
        self.fold_once().await.map(|_| ())
    }

    /// Folds the log into a new memory and tells how many readings it held.
    async fn fold_once(&mut self) -> Result<i64, StoreError> {
        let mut memory = Memory::default();
        let mut folded = 0;
        let (next_seq, tail) = self
            .store
            .fold(|input| {
                memory.judge.step(input);
                if let Input::Reading(reading) = input {
                    memory.note(reading);
                    folded += 1;
                }
            })
            .await?;
        memory.correct();
        memory.sensors.next_seq = next_seq;
        memory.tail = tail;
        self.memory = memory;
        Ok(folded)
    }

    async fn keyed(&mut self, mut settings: Settings, now: Stamp) -> Result<Settings, StoreError> {
        let names: Vec<SensorName> = settings.sensors.iter().map(|s| s.name.clone()).collect();
        let mut tx = self.store.begin().await?;
        let ids = tx.sensor_ids(&names, now).await?;
        tx.commit().await?;
        for (sensor, id) in settings.sensors.iter_mut().zip(&ids) {
            sensor.id = *id;
        }
        self.memory.sensors.ids = names.into_iter().zip(ids).collect();
        Ok(settings)
    }

    async fn begin(
        &mut self,
        settings: Settings,
        now: Stamp,
        opening: Opening,
    ) -> Result<(), StoreError> {
        let alive = self.store.alive().await?;
        let open = self.store.open_alerts().await?;
        let mut tx = self.store.begin().await?;
        // A clock that was set back does not turn the log around; deadlines were crossed up to the
        // last sign of life.
        let now = now.max(self.memory.judge.now()).max(alive.unwrap_or(now));
        let empty = self.memory.sensors.next_seq == 1;
        self.watched = opening == Opening::Daemon || alive.is_some();
        if opening == Opening::Daemon {
            // What was brought in while nobody watched ends with its last input.
            let last = self.memory.judge.now();
            let off_from = alive.unwrap_or(if empty { now } else { last });
            self.memory.owed_start = Some(off_from);
            self.started(&mut tx, now).await?;
        } else if let Some(alive) = alive {
            let told = self.memory.judge.step(&Input::Tick { at: alive });
            record(&mut tx, &told, None).await?;
            self.memory.owed_start = Some(alive);
        }
        if *self.memory.judge.given() != settings {
            if opening == Opening::Import && empty {
                self.memory.owed_settings = Some(settings);
            } else {
                self.started(&mut tx, now).await?;
                self.act(&mut tx, now, "configuration", Act::Settings(settings))
                    .await?;
            }
        }
        let standing = self.memory.judge.standing();
        // A later version may judge the past differently: the record then follows the judge.
        for row in &open {
            if !standing.iter().any(|s| s.occurrence == row.occurrence) {
                tx.end_alert(&row.occurrence, now).await?;
            }
        }
        for s in &standing {
            // What this start has raised is in the record by now.
            if !tx.is_open(&s.occurrence).await? {
                tx.record(&s.as_transition(), None).await?;
            }
        }
        if opening == Opening::Daemon {
            tx.set_alive(now).await?;
        }
        self.last_alive = now;
        tx.commit().await?;
        if opening == Opening::Daemon {
            // A crate that cannot be read keeps nobody from watching the air.
            self.look_or_say(now).await;
        }
        Ok(())
    }

    // ---- running ----

    /// Works until `stop` is set or every sender is gone, then finishes what is waiting.
    pub async fn run(
        mut self,
        mut inbox: mpsc::Receiver<Envelope>,
        mut stop: watch::Receiver<bool>,
    ) -> Self {
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            let first = tokio::select! {
                biased;
                envelope = inbox.recv() => envelope,
                () = stopping(&mut stop) => {
                    inbox.close();
                    while let Some(envelope) = inbox.recv().await {
                        self.handle(vec![envelope]).await;
                    }
                    None
                }
                _ = tick.tick() => {
                    self.tick().await;
                    self.notice_stock().await;
                    continue;
                }
            };
            let Some(first) = first else { break };
            let mut together = vec![first];
            let mut readings = weight(&together[0]);
            while together.len() < MESSAGES_TOGETHER && readings < READINGS_TOGETHER {
                let Ok(next) = inbox.try_recv() else { break };
                readings += weight(&next);
                together.push(next);
            }
            self.handle(together).await;
        }
        info!("the recorder has stopped");
        self
    }

    async fn handle(&mut self, envelopes: Vec<Envelope>) {
        let (messages, replies): (Vec<_>, Vec<_>) =
            envelopes.into_iter().map(|e| (e.message, e.reply)).unzip();
        match self.commit(messages).await {
            Ok(receipts) => {
                for (reply, receipt) in replies.into_iter().zip(receipts) {
                    // Whoever asked may have hung up; what was asked is done all the same.
                    let _ = reply.send(receipt.map_err(Unavailable::Refused));
                }
            }
            Err(error) => {
                let why = error.to_string();
                for reply in replies {
                    let _ = reply.send(Err(Unavailable::Store(why.clone())));
                }
            }
        }
    }

    /// Stores and judges messages in one transaction. On an error nothing of them remains, here or
    /// on disk. An act that is refused changes nothing; the words say why.
    pub async fn commit(&mut self, messages: Vec<Message>) -> Result<Vec<Answer>, StoreError> {
        let before = self.memory.clone();
        let at = self.now();
        let gap = self.gap.clone();
        let done = self.try_commit(at, messages).await;
        match &done {
            Ok(_) => self.publish(None),
            Err(error) => {
                error!(error = ?error, "nothing could be stored");
                self.memory = before;
                self.gap = gap;
                self.publish(Some(error.to_string()));
            }
        }
        done
    }

    async fn try_commit(
        &mut self,
        at: Stamp,
        messages: Vec<Message>,
    ) -> Result<Vec<Answer>, StoreError> {
        let mut tx = self.store.begin().await?;
        let mut fresh = Fresh::default();
        let mut receipts = Vec::with_capacity(messages.len());
        self.started(&mut tx, at).await?;
        for message in messages {
            receipts.push(match message {
                Message::Readings(batch) => Ok(self.batch(&mut tx, batch, at, &mut fresh).await?),
                Message::Act { act, who } => self.ask(&mut tx, at, &who, act).await?,
                Message::Stock {
                    asked,
                    together,
                    who,
                } => Ok(self.enter(&mut tx, at, &asked, together, &who).await?),
                Message::Test { channel } => self.test(&mut tx, at, &channel).await?,
            });
        }
        tx.append_readings(&fresh.readings, &fresh.parts, &mut self.memory.tail)
            .await?;
        self.owe(&mut tx, at).await?;
        let alive = self.memory.judge.now().max(at);
        if self.watched {
            tx.set_alive(alive).await?;
        }
        tx.commit().await?;
        self.last_alive = alive;
        Ok(receipts)
    }

    /// Does what was asked, unless it is refused.
    async fn ask(
        &mut self,
        tx: &mut Tx,
        at: Stamp,
        who: &str,
        mut act: Act,
    ) -> Result<Answer, StoreError> {
        if let Act::Channel(delivery) = &mut act {
            // The courier goes by the clock, which may be behind the log.
            let behind = self.pace.behind();
            let since = delivery.failing_since.map(|s| s.plus(behind).min(at));
            delivery.failing_since = since;
        }
        let input = act.clone().into_input(at, who);
        if let Some(refusal) = self.memory.judge.refuses(&input) {
            return Ok(Err(refusal.to_string()));
        }
        if let Act::Channel(delivery) = &act {
            let mut failing = self.memory.judge.failing();
            let known = failing.any(|(name, _)| name == delivery.channel);
            if known == delivery.failing_since.is_some() {
                // Nothing new; the log is not to grow with every try.
                return Ok(Ok(Receipt::default()));
            }
        }
        self.act(tx, at, who, act).await?;
        Ok(Ok(Receipt::default()))
    }

    /// Says that the recorder runs again, if that is owed.
    async fn started(&mut self, tx: &mut Tx, at: Stamp) -> Result<(), StoreError> {
        let since_start = self.memory.owed_start.take().map(|off_from| Started {
            off_from,
            stepped: false,
        });
        for started in since_start.into_iter().chain(self.gap.take()) {
            self.act(tx, at, "recorder", Act::Started(started)).await?;
        }
        Ok(())
    }

    /// The time of what arrives now: the clock's, never before what was stamped last.
    pub(super) fn now(&mut self) -> Stamp {
        let floor = self.memory.judge.now().max(self.last_alive);
        let (at, gap) = self.pace.now(&self.clock, floor);
        if let Some(gap) = &gap {
            warn!(
                from = gap.off_from.to_rfc3339(),
                to = at.to_rfc3339(),
                clock_was_set = gap.stepped,
                "nobody was looking in between"
            );
        }
        // One that could not be noted begins earlier; if a part of it was no step, nobody looked then.
        self.gap = match (self.gap.take(), gap) {
            (Some(before), Some(gap)) => Some(Started {
                off_from: before.off_from,
                stepped: before.stepped && gap.stepped,
            }),
            (before, gap) => gap.or(before),
        };
        at
    }

    async fn batch(
        &mut self,
        tx: &mut Tx,
        batch: Batch,
        at: Stamp,
        fresh: &mut Fresh,
    ) -> Result<Receipt, StoreError> {
        if let Some(first) = batch.heard.first()
            && let Some(settings) = self.memory.owed_settings.take()
        {
            let at = first.received_at.unwrap_or(at);
            self.act(tx, at, "configuration", Act::Settings(settings))
                .await?;
        }
        let from = fresh.readings.len();
        // What waited for the store may have been heard before deadlines that have passed since.
        let floor = self.memory.judge.now().max(self.memory.ticked);
        let (mut receipt, tallies) = self
            .memory
            .sensors
            .accept(
                tx,
                &batch.source,
                &batch.heard,
                at,
                floor,
                self.pace.behind(),
                fresh,
            )
            .await?;
        for index in from..fresh.readings.len() {
            let reading = fresh.readings[index];
            let told = self.memory.judge.step(&Input::Reading(reading));
            self.memory.note(&reading);
            self.memory.told |= !told.is_empty();
            record(tx, &told, None).await?;
        }
        receipt.refused.extend(batch.refused);
        receipt.refused.sort_by_key(|r| r.line);
        for tally in &tallies {
            tx.add_tally(tally).await?;
        }
        if !receipt.refused.is_empty() {
            tx.add_tally(&Tally {
                source: batch.source.to_string(),
                refused: receipt.refused.len() as i64,
                last_at: at.0,
                ..Tally::default()
            })
            .await?;
            tx.keep_refused(&batch.source, &receipt.refused, at).await?;
        }
        tx.keep_refused(&batch.source, &receipt.conflicts, at)
            .await?;
        if let Some(position) = &batch.position {
            tx.set_position(&batch.source, position, at).await?;
        }
        Ok(receipt)
    }

    /// Appends an act, lets the judge see it and records what follows.
    pub(super) async fn act(
        &mut self,
        tx: &mut Tx,
        at: Stamp,
        who: &str,
        act: Act,
    ) -> Result<(), StoreError> {
        // An act is folded after every reading that came before it in this transaction, because
        // both take their place from the same count.
        let seq = self.memory.sensors.next_seq;
        self.memory.sensors.next_seq += 1;
        tx.append_act(seq, at, who, &act).await?;
        let seen_by = matches!(act, Act::Acknowledge(_)).then(|| who.to_owned());
        let named = match &act {
            Act::Acknowledge(named) => Some(named.occurrence.clone()),
            _ => None,
        };
        let told = self.memory.judge.step(&act.into_input(at, who));
        self.memory.correct();
        self.memory.told |= !told.is_empty();
        for transition in &told {
            let who = seen_by
                .as_deref()
                .filter(|_| named.as_ref() == Some(&transition.occurrence));
            tx.record(transition, who).await?;
        }
        Ok(())
    }

    /// Crosses deadlines when nothing arrives, and leaves a sign of life.
    pub async fn tick(&mut self) {
        let at = self.now();
        let gapped = self.gap.is_some();
        let owed = self.memory.plan.due().filter(|_| self.teller.is_some());
        let next = self.memory.judge.next_due().into_iter().chain(owed).min();
        let due = next.is_some_and(|due| due <= at);
        if !due && !gapped && at.since(self.last_alive) < ALIVE_EVERY_MS {
            return;
        }
        let before = self.memory.clone();
        let gap = self.gap.clone();
        if let Err(error) = self.try_tick(at).await {
            error!(error = ?error, "a deadline could not be recorded");
            self.memory = before;
            self.gap = gap;
            self.publish(Some(error.to_string()));
        } else {
            self.publish(None);
        }
    }

    async fn try_tick(&mut self, at: Stamp) -> Result<(), StoreError> {
        let mut tx = self.store.begin().await?;
        self.started(&mut tx, at).await?;
        let told = self.memory.judge.step(&Input::Tick { at });
        self.memory.ticked = at;
        self.memory.told |= !told.is_empty();
        record(&mut tx, &told, None).await?;
        self.owe(&mut tx, at).await?;
        tx.set_alive(at).await?;
        tx.commit().await?;
        self.last_alive = at;
        Ok(())
    }

    pub(super) fn publish(&mut self, store_fault: Option<String>) {
        self.version += 1;
        let now = self.clock.now();
        let status = Status {
            version: self.version,
            at: now,
            clock_behind_ms: self.memory.judge.now().since(now).max(self.pace.behind()),
            store_fault,
            ..Status::of(&self.memory.judge, &self.memory.recent)
        };
        self.status.send_replace(Arc::new(status));
    }

    /// Finishes writing and closes the file.
    pub async fn close(self) {
        self.store.close().await;
    }
}

fn weight(envelope: &Envelope) -> usize {
    match &envelope.message {
        Message::Readings(batch) => batch.heard.len(),
        Message::Stock { asked, .. } => asked.len(),
        Message::Act { .. } | Message::Test { .. } => 1,
    }
}

async fn record(tx: &mut Tx, told: &[Transition], who: Option<&str>) -> Result<(), StoreError> {
    for transition in told {
        if tx.record(transition, who).await? {
            info!(
                at = transition.at.to_rfc3339(),
                alert = %transition.occurrence,
                from = transition.from.as_str(),
                to = transition.to.as_str(),
                priority = transition.priority.as_str(),
                "an alert changed"
            );
        }
    }
    Ok(())
}
