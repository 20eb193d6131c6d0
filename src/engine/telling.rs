//! Owed messages: planned, put into words and written in the transaction in which they become due.

use std::collections::BTreeMap;

use tracing::warn;

use super::live::Memory;
use crate::{
    notify::{
        letter::{Around, Letter},
        plan::{Owed, Plan, Purpose, RECALL_MS, TEST_OVERDUE_MS, Telling, Told},
        summary,
        words::{Manner, span},
    },
    stock::list::Crate,
    store::{
        Store, StoreError, Tx,
        outbox::{MessageRow, Parcel},
    },
    watch::{SensorName, Stamp},
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
        if let Some(told) = told(&row) {
            plan.recall(&told, telling.zone);
        }
    }
    Ok(plan)
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
    let in_room = |room: &str| -> Vec<String> {
        crates
            .iter()
            .filter(|c| c.room.trim().eq_ignore_ascii_case(room.trim()))
            .map(|c| c.code.to_string())
            .collect()
    };
    let standing = memory.judge.standing();
    for message in owed {
        let day = if message.purpose == Purpose::Summary {
            let overdue = overdue(store, &teller.telling, message.at).await?;
            let recent = |id| memory.recent.get(&id).map(AsRef::as_ref);
            Some(summary::day(&memory.judge, recent, message.at, overdue))
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
