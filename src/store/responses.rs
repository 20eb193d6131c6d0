//! What was said and done in a period, as the record has it.

use super::{Store, StoreError, log};
use crate::{
    season::{
        alerting::BEFORE_MS,
        responses::{Alerted, Did, Heard, Sent},
    },
    watch::{Stamp, State},
};

/// What the store knows of a period beside the ledger.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Responded {
    /// Alerts that concern it.
    pub alerts: Vec<Alerted>,
    /// Acts before its end, and every start of the recorder. Crates and weighings are left out: the ledger
    /// has them.
    pub acts: Vec<Did>,
    /// Messages owed in it.
    pub messages: Vec<Sent>,
    /// What sources said since the beginning.
    pub heard: Vec<Heard>,
}

impl Store {
    /// What was said and done from `from` to before `to`; what `season::responses` asks for.
    pub async fn responded(&self, from: Stamp, to: Stamp) -> Result<Responded, StoreError> {
        let alerts = self.alerts_between(from.plus(-BEFORE_MS), to).await?;
        let alerts = alerts.into_iter().map(|a| Alerted {
            occurrence: a.occurrence,
            room: a.room,
            priority: a.priority,
            ended_at: a.ended_at,
            acknowledged_at: a.acknowledged_at,
            acknowledged_by: a.acknowledged_by,
            open: a.state != State::Normal,
        });
        Ok(Responded {
            alerts: alerts.collect(),
            acts: self.acts_before(to).await?,
            messages: self.sent_between(from, to).await?,
            heard: self.heard().await?,
        })
    }

    async fn acts_before(&self, to: Stamp) -> Result<Vec<Did>, StoreError> {
        let rows = sqlx::query!(
            "select at, who, kind, body from act
             where kind not in ('crates', 'weighed') and (at < ?1 or kind = 'started') order by seq",
            to.0
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter()
            .map(|r| {
                Ok(Did {
                    at: Stamp(r.at),
                    who: r.who,
                    act: log::parse(&r.kind, &r.body)?,
                })
            })
            .collect()
    }

    async fn sent_between(&self, from: Stamp, to: Stamp) -> Result<Vec<Sent>, StoreError> {
        let rows = sqlx::query!(
            "select at, contact, room, purpose, occurrences, state from message
             where ?1 <= at and at < ?2 order by at, message_id",
            from.0,
            to.0
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter()
            .map(|r| {
                let fault = |e: serde_json::Error| StoreError::Packed(format!("a message: {e}"));
                Ok(Sent {
                    at: Stamp(r.at),
                    contact: r.contact,
                    room: r.room,
                    purpose: r.purpose,
                    occurrences: serde_json::from_str(&r.occurrences).map_err(fault)?,
                    delivered: match r.state.as_str() {
                        "sent" => Some(true),
                        "given-up" => Some(false),
                        _ => None,
                    },
                })
            })
            .collect()
    }

    async fn heard(&self) -> Result<Vec<Heard>, StoreError> {
        let tallies = self.tallies().await?.into_iter().map(|t| Heard {
            source: t.source,
            sensor: t.sensor,
            stored: t.stored,
            duplicate: t.duplicate,
            conflict: t.conflict,
            refused: t.refused,
            last_at: Stamp(t.last_at).to_utc(),
        });
        Ok(tallies.collect())
    }
}
