//! Messages that are owed, who may send them now, and what came of each try.

use std::collections::BTreeMap;

use super::{Store, StoreError, Tx};
use crate::watch::{Priority, Stamp};

/// A message to be kept until it is delivered; its text is settled.
#[derive(Debug, Clone, PartialEq)]
pub struct Parcel {
    /// The same at every try.
    pub key: String,
    /// When it was owed.
    pub at: Stamp,
    /// To whom.
    pub contact: String,
    /// By which channel.
    pub channel: String,
    /// What for, as a word.
    pub purpose: String,
    /// How urgent.
    pub priority: Priority,
    /// The room it is about; empty for several, or none.
    pub room: String,
    /// The occurrences it tells of, as they are written.
    pub occurrences: Vec<String>,
    /// One line.
    pub subject: String,
    /// For a text message.
    pub short: String,
    /// In full.
    pub long: String,
    /// Where it can be read and acknowledged.
    pub link: Option<String>,
    /// The figures as JSON.
    pub data: String,
}

/// A parcel that is to be sent now.
#[derive(Debug, Clone, PartialEq)]
pub struct Claimed {
    /// Its key in the store.
    pub id: i64,
    /// Which try this is, from 1.
    pub nth: i64,
    /// What is to be sent.
    pub parcel: Parcel,
}

/// What came of one try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// It was taken.
    Sent,
    /// It is tried again, not before this.
    Later(Stamp),
    /// It is given up.
    GivenUp,
}

/// A message as lists show it.
#[derive(Debug, Clone, PartialEq)]
pub struct MessageRow {
    /// When it was owed.
    pub at: Stamp,
    /// To whom.
    pub contact: String,
    /// By which channel.
    pub channel: String,
    /// What for, as a word.
    pub purpose: String,
    /// The room it was about.
    pub room: String,
    /// How urgent it was.
    pub priority: Priority,
    /// The occurrences it told of.
    pub occurrences: Vec<String>,
    /// One line.
    pub subject: String,
    /// `waiting`, `sent` or `given-up`.
    pub state: String,
    /// How often it was tried.
    pub tries: i64,
    /// What the last try came to.
    pub last: Option<String>,
    /// When it was delivered or given up.
    pub done_at: Option<Stamp>,
}

impl MessageRow {
    fn of(r: RawRow) -> Result<Self, StoreError> {
        let fault = |what: &str| StoreError::Packed(format!("a message: {what}"));
        Ok(Self {
            at: Stamp(r.at),
            contact: r.contact,
            channel: r.channel,
            purpose: r.purpose,
            room: r.room,
            priority: Priority::parse(&r.priority).ok_or_else(|| fault(&r.priority))?,
            occurrences: serde_json::from_str(&r.occurrences).map_err(|e| fault(&e.to_string()))?,
            subject: r.subject,
            state: r.state,
            tries: r.tries,
            last: r.last,
            done_at: r.done_at.map(Stamp),
        })
    }
}

struct RawRow {
    at: i64,
    contact: String,
    channel: String,
    purpose: String,
    room: String,
    priority: String,
    occurrences: String,
    subject: String,
    state: String,
    tries: i64,
    last: Option<String>,
    done_at: Option<i64>,
}

impl Tx {
    /// Owes a message; one that is owed already stays as it is. It may be sent at once, whatever the
    /// clock shows: after that was set back it is behind the time at which the message was owed.
    pub async fn owe(&mut self, p: &Parcel) -> Result<(), StoreError> {
        let occurrences = serde_json::to_string(&p.occurrences).expect("plain text always encodes");
        let priority = p.priority.as_str();
        sqlx::query!(
            "insert into message (key, at, contact, channel, purpose, priority, room, occurrences, subject, short, long, link, data, next_at)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, 0) on conflict do nothing",
            p.key,
            p.at.0,
            p.contact,
            p.channel,
            p.purpose,
            priority,
            p.room,
            occurrences,
            p.subject,
            p.short,
            p.long,
            p.link,
            p.data
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Keeps at most so many messages waiting by one channel: the least urgent and oldest beyond that
    /// are given up. Tells how many.
    pub async fn bound_waiting(
        &mut self,
        channel: &str,
        most: i64,
        at: Stamp,
    ) -> Result<u64, StoreError> {
        let done = sqlx::query!(
            "update message set state = 'given-up', done_at = ?3 where message_id in (
                select message_id from message where channel = ?1 and state = 'waiting'
                order by case priority when 'high' then 0 when 'medium' then 1 else 2 end, at desc
                limit -1 offset ?2)",
            channel,
            most,
            at.0
        )
        .execute(&mut *self.0)
        .await?;
        Ok(done.rows_affected())
    }

    /// Takes the most urgent message that is due by a channel; until `lease` nobody else may.
    pub async fn claim(
        &mut self,
        channel: &str,
        now: Stamp,
        lease: Stamp,
    ) -> Result<Option<Claimed>, StoreError> {
        let row = sqlx::query!(
            r#"update message set lease_until = ?3, tries = tries + 1 where message_id = (
                select message_id from message
                where channel = ?1 and state = 'waiting' and next_at <= ?2 and lease_until <= ?2
                order by case priority when 'high' then 0 when 'medium' then 1 else 2 end, at, message_id
                limit 1)
             returning message_id as "message_id!", tries, key, at, contact, channel, purpose, priority, room,
                occurrences, subject, short, long, link, data"#,
            channel,
            now.0,
            lease.0
        )
        .fetch_optional(&mut *self.0)
        .await?;
        let fault = |what: &str| StoreError::Packed(format!("a message: {what}"));
        row.map(|r| {
            Ok(Claimed {
                id: r.message_id,
                nth: r.tries,
                parcel: Parcel {
                    key: r.key,
                    at: Stamp(r.at),
                    contact: r.contact,
                    channel: r.channel,
                    purpose: r.purpose,
                    priority: Priority::parse(&r.priority).ok_or_else(|| fault(&r.priority))?,
                    room: r.room,
                    occurrences: serde_json::from_str(&r.occurrences)
                        .map_err(|e| fault(&e.to_string()))?,
                    subject: r.subject,
                    short: r.short,
                    long: r.long,
                    link: r.link,
                    data: r.data,
                },
            })
        })
        .transpose()
    }

    /// Notes what came of a try.
    pub async fn tried(
        &mut self,
        claimed: &Claimed,
        at: Stamp,
        outcome: &Outcome,
        detail: &str,
    ) -> Result<(), StoreError> {
        let (word, state, next_at, done_at) = match outcome {
            Outcome::Sent => ("sent", "sent", at, Some(at.0)),
            Outcome::Later(next) => ("later", "waiting", *next, None),
            Outcome::GivenUp => ("never", "given-up", at, Some(at.0)),
        };
        sqlx::query!(
            "insert into try (message_id, nth, at, outcome, detail) values (?1, ?2, ?3, ?4, ?5)",
            claimed.id,
            claimed.nth,
            at.0,
            word,
            detail
        )
        .execute(&mut *self.0)
        .await?;
        // What was given up meanwhile to make room, and got through all the same, is sent.
        sqlx::query!(
            "update message set state = ?2, next_at = ?3, lease_until = 0, done_at = ?4
             where message_id = ?1 and (state = 'waiting' or ?2 = 'sent')",
            claimed.id,
            state,
            next_at.0,
            done_at
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Gives up what waits for channels other than these: nobody is there to send it.
    pub async fn give_up_all_but(
        &mut self,
        channels: &[&str],
        at: Stamp,
    ) -> Result<(), StoreError> {
        let channels = serde_json::to_string(channels).expect("plain text always encodes");
        sqlx::query!(
            "update message set state = 'given-up', done_at = ?2
             where state = 'waiting' and channel not in (select value from json_each(?1))",
            channels,
            at.0
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// What waits for its time by one channel is tried now: the clock by which it waited was set back.
    pub async fn hurry(&mut self, channel: &str) -> Result<(), StoreError> {
        sqlx::query!(
            "update message set next_at = 0, lease_until = 0
             where channel = ?1 and state = 'waiting'",
            channel
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Nobody else sends from this database: what a program that ended had taken is free again.
    pub async fn free_leases(&mut self) -> Result<(), StoreError> {
        sqlx::query!("update message set lease_until = 0 where state = 'waiting'")
            .execute(&mut *self.0)
            .await?;
        Ok(())
    }
}

impl Store {
    /// Whether a channel has something to send now.
    pub async fn is_due(&self, channel: &str, now: Stamp) -> Result<bool, StoreError> {
        let found = sqlx::query_scalar!(
            "select message_id from message
             where channel = ?1 and state = 'waiting' and next_at <= ?2 and lease_until <= ?2 limit 1",
            channel,
            now.0
        )
        .fetch_optional(&self.read)
        .await?;
        Ok(found.is_some())
    }

    /// Messages since an instant, and those about alerts that are not over, oldest first.
    pub async fn told(&self, since: Stamp) -> Result<Vec<MessageRow>, StoreError> {
        let rows = sqlx::query_as!(
            RawRow,
            r#"select at, contact, channel, purpose, room, priority, occurrences, subject, state, tries,
                null as "last: String", done_at
             from message where ?1 <= at or exists (
                select 1 from json_each(message.occurrences) as j
                join alert on alert.occurrence = j.value where alert.state <> 'normal')
             order by at, message_id"#,
            since.0
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter().map(MessageRow::of).collect()
    }

    /// Messages owed from `from` to before `to`, oldest first.
    pub async fn messages_between(
        &self,
        from: Stamp,
        to: Stamp,
    ) -> Result<Vec<MessageRow>, StoreError> {
        let rows = sqlx::query_as!(
            RawRow,
            r#"select at, contact, channel, purpose, room, priority, occurrences, subject, state, tries,
                null as "last: String", done_at
             from message where ?1 <= at and at < ?2 order by at, message_id"#,
            from.0,
            to.0
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter().map(MessageRow::of).collect()
    }

    /// The newest messages, newest first, with what the last try came to.
    pub async fn messages(&self, limit: i64) -> Result<Vec<MessageRow>, StoreError> {
        let rows = sqlx::query_as!(
            RawRow,
            r#"select at, contact, channel, purpose, room, priority, occurrences, subject, state, tries,
                (select detail from try where try.message_id = message.message_id order by nth desc limit 1)
                    as "last: String", done_at
             from message order by at desc, message_id desc limit ?1"#,
            limit
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter().map(MessageRow::of).collect()
    }

    /// Of each channel when its first test was owed and when its last one got through.
    pub async fn tests(&self) -> Result<BTreeMap<String, (Stamp, Option<Stamp>)>, StoreError> {
        let rows = sqlx::query!(
            r#"select channel, min(at) as "first!: i64", max(done_at) filter (where state = 'sent') as "sent: i64"
             from message where purpose = 'test' group by channel"#
        )
        .fetch_all(&self.read)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| (r.channel, (Stamp(r.first), r.sent.map(Stamp))))
            .collect())
    }

    /// Every try in order, as (key, which try, outcome).
    pub async fn tries(&self) -> Result<Vec<(String, i64, String)>, StoreError> {
        let rows = sqlx::query!(
            "select key, nth, outcome from try join message using (message_id) order by message_id, nth"
        )
        .fetch_all(&self.read)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| (r.key, r.nth, r.outcome))
            .collect())
    }
}
