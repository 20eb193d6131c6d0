//! Alerts as they stand and every change they went through.

use super::{Store, StoreError, Tx};
use crate::watch::{Figures, Occurrence, Priority, Stamp, State, Transition};

/// One raising of one alert, for lists.
#[derive(Debug, Clone, PartialEq)]
pub struct AlertRow {
    /// Which raising.
    pub occurrence: Occurrence,
    /// The room it was in.
    pub room: String,
    /// Its last priority.
    pub priority: Priority,
    /// Where it stands.
    pub state: State,
    /// When it returned to normal or was followed by a worse one.
    pub ended_at: Option<Stamp>,
    /// When a person saw it.
    pub acknowledged_at: Option<Stamp>,
    /// Who that was.
    pub acknowledged_by: Option<String>,
    /// The numbers behind its last change.
    pub figures: Figures,
}

impl Tx {
    /// Records a change; one that is recorded already changes nothing. Returns whether it was new.
    pub async fn record(&mut self, t: &Transition, who: Option<&str>) -> Result<bool, StoreError> {
        let occurrence = t.occurrence.to_string();
        let (subject, kind) = (t.subject.to_string(), t.kind.as_str());
        let (priority, state) = (t.priority.as_str(), t.to.as_str());
        let figures = serde_json::to_string(&t.figures).expect("plain numbers always encode");
        let ended_at = (!t.active).then_some(t.at.0);
        let seen_at = who.map(|_| t.at.0);
        let raised_at = t.occurrence.raised_at.0;
        if t.at <= t.occurrence.raised_at {
            // A worse rung, or a return of the same trouble, follows what stood before it.
            sqlx::query!(
                "update alert set state = 'normal', ended_at = coalesce(ended_at, ?3)
                 where subject = ?1 and kind = ?2 and state <> 'normal' and raised_at <= ?3 and occurrence <> ?4",
                subject,
                kind,
                t.at.0,
                occurrence
            )
            .execute(&mut *self.0)
            .await?;
        }
        sqlx::query!(
            "insert into alert (occurrence, room, subject, kind, priority, state, since, raised_at, ended_at, acknowledged_at, acknowledged_by, figures)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)
             on conflict (occurrence) do update set
                priority = ?5, state = ?6, ended_at = coalesce(ended_at, ?9),
                acknowledged_at = coalesce(acknowledged_at, ?10),
                acknowledged_by = coalesce(acknowledged_by, ?11),
                figures = case when ?10 is null then ?12 else figures end",
            occurrence,
            t.room,
            subject,
            kind,
            priority,
            state,
            t.figures.since,
            raised_at,
            ended_at,
            seen_at,
            who,
            figures
        )
        .execute(&mut *self.0)
        .await?;
        let from = t.from.as_str();
        let done = sqlx::query!(
            "insert into transition (occurrence, at, priority, state_from, state_to, figures)
             values (?1, ?2, ?3, ?4, ?5, ?6) on conflict do nothing",
            occurrence,
            t.at.0,
            priority,
            from,
            state,
            figures
        )
        .execute(&mut *self.0)
        .await?;
        Ok(0 < done.rows_affected())
    }

    /// Whether the record, with what this transaction has written, says that it stands.
    pub async fn is_open(&mut self, occurrence: &Occurrence) -> Result<bool, StoreError> {
        let occurrence = occurrence.to_string();
        let found = sqlx::query_scalar!(
            "select occurrence from alert where occurrence = ?1 and state <> 'normal'",
            occurrence
        )
        .fetch_optional(&mut *self.0)
        .await?;
        Ok(found.is_some())
    }

    /// Ends what stands in the record but not in the judge's memory (its rules are gone).
    pub async fn end_alert(
        &mut self,
        occurrence: &Occurrence,
        at: Stamp,
    ) -> Result<(), StoreError> {
        let occurrence = occurrence.to_string();
        sqlx::query!(
            "update alert set state = 'normal', ended_at = coalesce(ended_at, ?2) where occurrence = ?1",
            occurrence,
            at.0
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }
}

impl Store {
    /// Alerts that are not normal.
    pub async fn open_alerts(&self) -> Result<Vec<AlertRow>, StoreError> {
        let rows = sqlx::query_as!(
            Raw,
            "select occurrence, room, priority, state, ended_at, acknowledged_at, acknowledged_by, figures
             from alert where state <> 'normal' order by raised_at desc"
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter().map(Raw::parse).collect()
    }

    /// One occurrence, whether it stands or is over; `None` if it was never raised.
    pub async fn alert(&self, occurrence: &Occurrence) -> Result<Option<AlertRow>, StoreError> {
        let occurrence = occurrence.to_string();
        let row = sqlx::query_as!(
            Raw,
            "select occurrence, room, priority, state, ended_at, acknowledged_at, acknowledged_by, figures
             from alert where occurrence = ?1",
            occurrence
        )
        .fetch_optional(&self.read)
        .await?;
        row.map(Raw::parse).transpose()
    }

    /// Alerts that are over, newest first.
    pub async fn past_alerts(&self, limit: i64) -> Result<Vec<AlertRow>, StoreError> {
        let rows = sqlx::query_as!(
            Raw,
            "select occurrence, room, priority, state, ended_at, acknowledged_at, acknowledged_by, figures
             from alert where state = 'normal' order by raised_at desc limit ?1",
            limit
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter().map(Raw::parse).collect()
    }

    /// Alerts raised before `to` that were raised, still active or just over at or after `from`, in the
    /// order in which they were raised.
    pub async fn alerts_between(
        &self,
        from: Stamp,
        to: Stamp,
    ) -> Result<Vec<AlertRow>, StoreError> {
        let rows = sqlx::query_as!(
            Raw,
            "select occurrence, room, priority, state, ended_at, acknowledged_at, acknowledged_by, figures
             from alert where raised_at < ?2 and (?1 <= raised_at or ended_at is null or ?1 <= ended_at)
             order by raised_at, occurrence",
            from.0,
            to.0
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter().map(Raw::parse).collect()
    }

    /// The newest alerts, newest first, each with the time of its last change.
    pub async fn newest_alerts(&self, limit: i64) -> Result<Vec<(AlertRow, Stamp)>, StoreError> {
        let rows = sqlx::query_as!(
            Raw,
            "select occurrence, room, priority, state, ended_at, acknowledged_at, acknowledged_by, figures
             from alert order by raised_at desc, occurrence limit ?1",
            limit
        )
        .fetch_all(&self.read)
        .await?;
        let mut all = Vec::with_capacity(rows.len());
        for row in rows {
            let changed_at = sqlx::query_scalar!(
                r#"select max(at) as "at: i64" from transition where occurrence = ?1"#,
                row.occurrence
            )
            .fetch_one(&self.read)
            .await?;
            let row = Raw::parse(row)?;
            // What ended because its rules are gone has no change of its own.
            let changed_at = [changed_at.map(Stamp), row.ended_at, row.acknowledged_at]
                .into_iter()
                .flatten()
                .fold(row.occurrence.raised_at, Stamp::max);
            all.push((row, changed_at));
        }
        Ok(all)
    }

    /// Every recorded change in order, as (occurrence, at, from, to).
    pub async fn transitions(&self) -> Result<Vec<(String, Stamp, String, String)>, StoreError> {
        let rows = sqlx::query!(
            "select occurrence, at, state_from, state_to from transition order by transition_id"
        )
        .fetch_all(&self.read)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| (r.occurrence, Stamp(r.at), r.state_from, r.state_to))
            .collect())
    }
}

struct Raw {
    occurrence: String,
    room: String,
    priority: String,
    state: String,
    ended_at: Option<i64>,
    acknowledged_at: Option<i64>,
    acknowledged_by: Option<String>,
    figures: String,
}

impl Raw {
    fn parse(self) -> Result<AlertRow, StoreError> {
        let fault = |what: &str| StoreError::Packed(format!("an alert: {what}"));
        Ok(AlertRow {
            occurrence: self
                .occurrence
                .parse()
                .map_err(|_| fault(&self.occurrence))?,
            room: self.room,
            priority: Priority::parse(&self.priority).ok_or_else(|| fault(&self.priority))?,
            state: State::parse(&self.state).ok_or_else(|| fault(&self.state))?,
            ended_at: self.ended_at.map(Stamp),
            acknowledged_at: self.acknowledged_at.map(Stamp),
            acknowledged_by: self.acknowledged_by,
            figures: serde_json::from_str(&self.figures).map_err(|e| fault(&e.to_string()))?,
        })
    }
}
