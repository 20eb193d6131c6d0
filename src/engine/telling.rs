//! Owed messages: planned, put into words and written in the transaction in which they become due.

use std::collections::BTreeMap;

use tracing::warn;

use super::{
    due::{Here, due},
    live::{Answer, Engine},
    memory::Memory,
};
use crate::{
    inbox::Receipt,
    notify::{
        advice, duties,
        letter::{Around, Letter},
        plan::{Plan, RECALL_MS, TEST_OVERDUE_MS},
        summary,
        telling::{Owed, Purpose, Telling, Told},
        words::{Manner, span},
    },
    stock::list::Crate,
    store::{
        Store, StoreError, Tx,
        outbox::{MessageRow, Parcel},
    },
    watch::{
        Act, SensorName, Stamp,
        act::Delivery,
        models::threat::{rank, threats},
    },
};

/// Messages that may wait by one channel; beyond that the least urgent and oldest are given up.
pub const MOST_WAITING: i64 = 500;

/// To whom messages go, and in which words.
#[derive(Debug, Clone)]
pub struct Teller {
    /// Who is told, and when.
    pub telling: Telling,
    /// What the store is called.
    pub site: String,
    /// How it reads things.
    pub manner: Manner,
    /// Where phones reach the pages, without a slash at the end.
    pub address: Option<String>,
}

impl Engine {
    /// From here on people are told, beginning with what stands and was not told before. Whatever a
    /// program that ended had begun to send is sent again.
    pub async fn tell_by(&mut self, teller: Teller) -> Result<(), StoreError> {
        self.memory.plan = recall(&self.store, &teller.telling, self.last_alive).await?;
        let known: Vec<_> = teller
            .telling
            .contacts
            .iter()
            .flat_map(|c| c.channels.clone())
            .collect();
        let gone: Vec<String> = self
            .memory
            .judge
            .failing()
            .map(|(name, _)| name.to_owned())
            .filter(|name| !known.iter().any(|k| k.as_str() == name))
            .collect();
        let at = self.last_alive;
        let mut tx = self.store.begin().await?;
        tx.free_leases().await?;
        let names: Vec<&str> = known.iter().map(SensorName::as_str).collect();
        tx.give_up_all_but(&names, at).await?;
        // A channel that is no longer there cannot fail.
        for channel in gone {
            let works = Act::Channel(Delivery {
                channel,
                failing_since: None,
            });
            self.act(&mut tx, at, "configuration", works).await?;
        }
        self::owe(&mut tx, &self.store, &mut self.memory, &teller, at).await?;
        tx.commit().await?;
        self.teller = Some(teller);
        self.publish(None);
        Ok(())
    }

    /// Owes the messages that are due now.
    pub(super) async fn owe(&mut self, tx: &mut Tx, at: Stamp) -> Result<(), StoreError> {
        let due = self.memory.plan.due().is_some_and(|due| due <= at);
        let Some(teller) = self.teller.as_ref().filter(|_| due || self.memory.told) else {
            self.memory.told = false;
            return Ok(());
        };
        self.memory.told = false;
        // What became due while an input was on its way is owed at the input.
        let at = at.max(self.memory.judge.now());
        self::owe(tx, &self.store, &mut self.memory, teller, at).await
    }

    /// Owes a test by one channel, or says why it cannot.
    pub(super) async fn test(
        &mut self,
        tx: &mut Tx,
        at: Stamp,
        channel: &SensorName,
    ) -> Result<Answer, StoreError> {
        let Some(teller) = &self.teller else {
            return Ok(Err("nobody is told anything: add a [[contact]]".to_owned()));
        };
        let Some(owed) = self.memory.plan.test_now(at, channel, &teller.telling) else {
            return Ok(Err(format!("no contact is told by `{channel}`")));
        };
        self::write(tx, &self.store, &self.memory, teller, &[owed]).await?;
        Ok(Ok(Receipt::default()))
    }
}

/// A message of the record, as the plan remembers it; `None` for one of a later version.
pub fn told(row: &MessageRow) -> Option<Told> {
    Some(Told {
        at: row.at,
        contact: row.contact.clone(),
        channel: SensorName::new(&row.channel).ok()?,
        purpose: Purpose::parse(&row.purpose)?,
        room: row.room.clone(),
        occurrences: row
            .occurrences
            .iter()
            .filter_map(|o| o.parse().ok())
            .collect(),
    })
}

/// The plan with everything that the record says was told.
pub(super) async fn recall(
    store: &Store,
    telling: &Telling,
    now: Stamp,
) -> Result<Plan, StoreError> {
    let mut plan = Plan::default();
    for row in store.told(now.plus(-RECALL_MS)).await? {
        if let Some(told) = told(&row)
            && (row.state == "sent" || goes(&told, telling))
        {
            plan.recall(&told, telling.zone);
        }
    }
    Ok(plan)
}

/// The contact is still told by that channel. What waits for a channel that is gone was told to nobody.
fn goes(told: &Told, telling: &Telling) -> bool {
    let contact = telling.contacts.iter().find(|c| c.name == told.contact);
    contact.is_some_and(|c| c.channels.contains(&told.channel))
}

/// Writes what is owed now.
pub(super) async fn owe(
    tx: &mut Tx,
    store: &Store,
    memory: &mut Memory,
    teller: &Teller,
    at: Stamp,
) -> Result<(), StoreError> {
    let standing = memory.judge.standing();
    let owed = memory.plan.step(at, &standing, &teller.telling);
    write(tx, store, memory, teller, &owed).await
}

/// Puts messages into words and writes them, one row to a channel.
pub(super) async fn write(
    tx: &mut Tx,
    store: &Store,
    memory: &Memory,
    teller: &Teller,
    owed: &[Owed],
) -> Result<(), StoreError> {
    if owed.is_empty() {
        return Ok(());
    }
    let crates: Vec<Crate> = store.crates().await?;
    let (settings, models) = (memory.judge.settings(), memory.judge.models());
    let in_room = |room: &str| -> Vec<String> {
        let limits = settings.rooms.iter().find(|r| r.name == room);
        let mut codes: Vec<(f64, String)> = crates
            .iter()
            .filter(|c| c.room.trim().eq_ignore_ascii_case(room.trim()))
            .map(|c| {
                let stand = models.krate(c.code.as_str());
                let stand = stand.and_then(|k| models.stand(k, memory.judge.now()));
                let place = stand
                    .zip(limits)
                    .map(|(stand, room)| rank(&threats(&stand, &room.in_force())));
                (place.unwrap_or(0.0), c.code.to_string())
            })
            .collect();
        codes.sort_by(|a, b| b.0.total_cmp(&a.0));
        codes.into_iter().map(|(_, code)| code).collect()
    };
    let tips = |room: &str| {
        let room = settings.rooms.iter().find(|r| r.name == room);
        room.map_or_else(Vec::new, |room| {
            let now = memory.judge.now();
            advice::tips(room, models, settings.altitude_m, now, teller.manner)
        })
    };
    let standing = memory.judge.standing();
    for message in owed {
        let day = if message.purpose == Purpose::Summary {
            let overdue = overdue(store, &teller.telling, message.at).await?;
            let recent = |id| memory.recent.get(&id).map(AsRef::as_ref);
            let here = Here {
                zone: teller.manner.zone,
                now: message.at,
            };
            let due = duties::morning(&due(store, settings, models, here).await?, here.today());
            Some(summary::day(
                &memory.judge,
                recent,
                message.at,
                overdue,
                due,
            ))
        } else {
            None
        };
        let letter = Letter::of(
            message,
            &Around {
                site: &teller.site,
                manner: teller.manner,
                address: teller.address.as_deref(),
                crates: &in_room,
                tips: &tips,
                day: day.as_ref(),
                standing: &standing,
            },
        );
        for channel in &message.channels {
            tx.owe(&parcel(message, &letter, channel)).await?;
            let given_up = tx
                .bound_waiting(channel.as_str(), MOST_WAITING, message.at)
                .await?;
            if 0 < given_up {
                warn!(%channel, given_up, "too many messages wait; the least urgent are given up");
            }
        }
    }
    Ok(())
}

fn parcel(owed: &Owed, letter: &Letter, channel: &SensorName) -> Parcel {
    let occurrences = owed.items.iter().map(|i| i.occurrence.to_string());
    Parcel {
        key: owed.key(channel),
        at: owed.at,
        contact: owed.contact.clone(),
        channel: channel.to_string(),
        purpose: owed.purpose.as_str().to_owned(),
        priority: owed.priority,
        room: owed.room.clone(),
        occurrences: occurrences.collect(),
        subject: letter.subject.clone(),
        short: letter.short.clone(),
        long: letter.long.clone(),
        link: letter.link.clone(),
        data: letter.data.to_string(),
    }
}

/// Channels whose last delivered test is too long ago, in words.
pub async fn overdue(
    store: &Store,
    telling: &Telling,
    now: Stamp,
) -> Result<Vec<String>, StoreError> {
    let tests: BTreeMap<String, (Stamp, Option<Stamp>)> = store.tests().await?;
    let channels = telling.contacts.iter().flat_map(|c| &c.channels);
    let mut channels: Vec<&SensorName> = channels.collect();
    channels.sort();
    channels.dedup();
    let late = channels.into_iter().filter_map(|channel| {
        let (first_owed, last_sent) = tests.get(channel.as_str())?;
        let since = last_sent.unwrap_or(*first_owed);
        (TEST_OVERDUE_MS < now.since(since)).then(|| {
            format!(
                "No test has got through by {channel} for {}: it is overdue.",
                span(now.since(since))
            )
        })
    });
    Ok(late.collect())
}
