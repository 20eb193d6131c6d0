//! Takes what is owed to its channel: claims, sends, notes what came of it, tries again.
//!
//! One of these runs for each channel, so that a mail server that hangs holds up no siren. A message
//! that was sent but not noted, because the program ended between the two, is sent again under the same
//! key: at least once, never not at all.

use std::{sync::Arc, time::Duration};

use sha2::{Digest as _, Sha256};
use tokio::{
    sync::watch,
    time::{MissedTickBehavior, interval},
};
use tracing::{error, info, warn};

use super::{
    channel::{Channel, Note, Post, Undelivered},
    telling::Purpose,
};
use crate::{
    clock::Clock,
    inbox::{Inbox, Message, stopping},
    store::{
        Store, StoreError,
        outbox::{Claimed, Outcome},
    },
    watch::{
        Act, Priority, Stamp,
        act::Delivery,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// How often it is looked whether something is due: far below the minute within which a first try is
/// promised.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// The first pause between two tries, and the longest: urgent, and the rest.
const PAUSE_HIGH_MS: (i64, i64) = (15_000, 5 * MINUTE_MS);
const PAUSE_MS: (i64, i64) = (30_000, 15 * MINUTE_MS);
/// An alert is tried for this long, news that are stale by the next day for less.
const TRIED_FOR_MS: i64 = 72 * HOUR_MS;
const STALE_AFTER_MS: i64 = 12 * HOUR_MS;
/// Nobody else may take a message for this long after the time limit of its try.
const LEASE_BEYOND_MS: i64 = 30_000;
/// A clock that is set back by more does not put off what waits for its time.
const SET_BACK_MS: i64 = 10_000;

/// Delivers by one channel.
pub struct Courier {
    channel: Channel,
    site: String,
    store: Store,
    inbox: Inbox,
    clock: Clock,
    post: Arc<Post>,
    /// What was last said about it; `None` until the first try.
    works: Option<bool>,
    /// What the clock showed at the last look.
    looked: Stamp,
}

impl Courier {
    /// A courier for one channel of a site.
    pub fn new(
        channel: Channel,
        site: String,
        store: Store,
        inbox: Inbox,
        clock: Clock,
        post: Arc<Post>,
    ) -> Self {
        Self {
            channel,
            site,
            store,
            inbox,
            clock,
            post,
            works: None,
            looked: Stamp::default(),
        }
    }

    /// Works until it is asked to stop; a try that has begun is finished.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        let mut look = interval(LOOK_EVERY);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                () = stopping(&mut stop) => return,
                _ = look.tick() => {}
            }
            while !*stop.borrow() {
                match self.once().await {
                    Ok(true) => {}
                    Ok(false) => break,
                    Err(error) => {
                        // What was taken is free again when its lease ends.
                        error!(channel = %self.channel.name, error = ?error, "the outbox cannot be used");
                        break;
                    }
                }
            }
        }
    }

    /// Tries one message that is due; false when there is none.
    pub async fn once(&mut self) -> Result<bool, StoreError> {
        let name = self.channel.name.as_str();
        let now = self.clock.now();
        if now.plus(SET_BACK_MS) < self.looked {
            let mut tx = self.store.begin().await?;
            tx.hurry(name).await?;
            tx.commit().await?;
        }
        self.looked = now;
        if !self.store.is_due(name, now).await? {
            return Ok(false);
        }
        let lease = self.channel.time_limit.as_millis() as i64 + LEASE_BEYOND_MS;
        let lease = now.plus((lease as f64 * self.clock.speed()) as i64);
        let mut tx = self.store.begin().await?;
        let claimed = tx.claim(name, now, lease).await?;
        tx.commit().await?;
        let Some(claimed) = claimed else {
            return Ok(false);
        };
        let note = note(&claimed);
        let sent = self.post.send(&self.channel, &note, &self.site, now).await;
        let at = self.clock.now();
        let (outcome, detail) = match sent {
            Ok(said) => (Outcome::Sent, said),
            Err(Undelivered::Never { why }) => (Outcome::GivenUp, why),
            Err(Undelivered::Later { why, retry_after }) => (next(&claimed, at, retry_after), why),
        };
        let key = &claimed.parcel.key;
        match &outcome {
            Outcome::Sent => info!(channel = name, key, "a message was delivered"),
            Outcome::Later(next) => {
                warn!(
                    channel = name,
                    key,
                    why = detail,
                    again = next.to_rfc3339(),
                    "a message was not delivered"
                );
            }
            Outcome::GivenUp => {
                error!(channel = name, key, why = detail, "a message is given up");
            }
        }
        let mut tx = self.store.begin().await?;
        tx.tried(&claimed, at, &outcome, &detail).await?;
        tx.commit().await?;
        self.say(outcome == Outcome::Sent, at).await;
        Ok(true)
    }

    /// Tells the recorder when deliveries begin to fail, and when they work again.
    async fn say(&mut self, works: bool, at: Stamp) {
        if self.works == Some(works) {
            return;
        }
        let act = Act::Channel(Delivery {
            channel: self.channel.name.to_string(),
            failing_since: (!works).then_some(at),
        });
        let who = "courier".to_owned();
        // When the recorder cannot be told now, the next try tells it.
        if self.inbox.send(Message::Act { act, who }).await.is_ok() {
            self.works = Some(works);
        }
    }
}

fn note(claimed: &Claimed) -> Note {
    let p = &claimed.parcel;
    Note {
        key: p.key.clone(),
        at: p.at,
        contact: p.contact.clone(),
        purpose: Purpose::parse(&p.purpose).map_or("message", Purpose::as_str),
        priority: p.priority,
        subject: p.subject.clone(),
        short: p.short.clone(),
        long: p.long.clone(),
        link: p.link.clone(),
        data: serde_json::from_str(&p.data).unwrap_or_default(),
    }
}

/// When to try again, or that it is too late for that.
fn next(claimed: &Claimed, at: Stamp, retry_after: Option<Duration>) -> Outcome {
    let stale = match Purpose::parse(&claimed.parcel.purpose) {
        Some(purpose) if !purpose.interrupts() => STALE_AFTER_MS,
        _ => TRIED_FOR_MS,
    };
    let asked = retry_after.map_or(0, |wait| wait.as_millis() as i64);
    let pause = pause_ms(claimed.nth, claimed.parcel.priority, &claimed.parcel.key).max(asked);
    let again = at.plus(pause);
    if stale < again.since(claimed.parcel.at) {
        Outcome::GivenUp
    } else {
        Outcome::Later(again)
    }
}

/// The pause after try `nth`: doubled each time up to a limit, a fifth more or less, so that messages
/// that failed together do not all come back at once. The spread follows from the key.
fn pause_ms(nth: i64, priority: Priority, key: &str) -> i64 {
    let (first, most) = match priority {
        Priority::High => PAUSE_HIGH_MS,
        _ => PAUSE_MS,
    };
    let doubled = first << (nth - 1).clamp(0, 20);
    let hash = Sha256::digest(format!("{nth} {key}"));
    let spread = (f64::from(hash[0]) / 255.0 - 0.5) * 0.4;
    (doubled.min(most) as f64 * (1.0 + spread)) as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_a_limit_and_are_spread() {
        let pause = |nth, key: &str| pause_ms(nth, Priority::High, key);
        for key in ["a", "b", "c"] {
            for nth in 1..40 {
                let plain = (15_000i64 << (nth - 1).min(20)).min(5 * MINUTE_MS) as f64;
                let ratio = pause(nth, key) as f64 / plain;
                assert!((0.79..=1.21).contains(&ratio), "{key} {nth} {ratio}");
            }
        }
        assert_ne!(pause(3, "a"), pause(3, "b"));
    }
}
