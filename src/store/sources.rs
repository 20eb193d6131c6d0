//! Where each source stands and what came of it: positions, counts, refused lines, false clocks.

use std::collections::BTreeMap;

use super::{Store, StoreError, Tx};
use crate::watch::{SensorId, SensorName, Stamp, reading::Refused};

/// Refused lines kept of each source, the newest.
const REFUSED_KEPT: i64 = 200;

/// What came of a source, or of one sensor of it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tally {
    /// Who delivered.
    pub source: String,
    /// Empty where no sensor could be made out.
    pub sensor: String,
    /// New readings.
    pub stored: i64,
    /// Known already.
    pub duplicate: i64,
    /// Said something else for the same instant.
    pub conflict: i64,
    /// Not understood.
    pub refused: i64,
    /// When it last delivered anything.
    pub last_at: i64,
}

/// A refused line with where and when it came.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RefusedLine {
    /// Who delivered it.
    pub source: String,
    /// When.
    pub at: Stamp,
    /// What and why.
    pub refused: Refused,
}

impl Tx {
    /// Notes that a device did not know the time.
    pub async fn note_odd_clock(
        &mut self,
        sensor: SensorId,
        measured_at: Stamp,
        device_at: Stamp,
    ) -> Result<(), StoreError> {
        sqlx::query!(
            "insert into odd_clock (sensor_id, measured_at, device_at) values (?1, ?2, ?3)",
            sensor.0,
            measured_at.0,
            device_at.0
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// The instants lately given to readings for which this device claimed this time.
    pub async fn odd_clock_given(
        &mut self,
        sensor: SensorId,
        device_at: Stamp,
        not_before: Stamp,
    ) -> Result<Vec<Stamp>, StoreError> {
        let given = sqlx::query_scalar!(
            "select measured_at from odd_clock where sensor_id = ?1 and ?2 <= measured_at and device_at = ?3",
            sensor.0,
            not_before.0,
            device_at.0
        )
        .fetch_all(&mut *self.0)
        .await?;
        Ok(given.into_iter().map(Stamp).collect())
    }

    /// Stores how far a source has been read.
    pub async fn set_position(
        &mut self,
        source: &SensorName,
        state: &str,
        at: Stamp,
    ) -> Result<(), StoreError> {
        let source = source.as_str();
        sqlx::query!(
            "insert into position (source, state, at) values (?1, ?2, ?3)
             on conflict (source) do update set state = ?2, at = ?3",
            source,
            state,
            at.0
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Adds to what came of a source.
    pub async fn add_tally(&mut self, more: &Tally) -> Result<(), StoreError> {
        sqlx::query!(
            "insert into tally (source, sensor, stored, duplicate, conflict, refused, last_at)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7)
             on conflict (source, sensor) do update set
                stored = stored + ?3, duplicate = duplicate + ?4,
                conflict = conflict + ?5, refused = refused + ?6, last_at = ?7",
            more.source,
            more.sensor,
            more.stored,
            more.duplicate,
            more.conflict,
            more.refused,
            more.last_at
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Keeps refused lines; only the newest of each source stay.
    pub async fn keep_refused(
        &mut self,
        source: &SensorName,
        lines: &[Refused],
        at: Stamp,
    ) -> Result<(), StoreError> {
        let source = source.as_str();
        let skip = lines.len().saturating_sub(REFUSED_KEPT as usize);
        for line in &lines[skip..] {
            let number = line.line.cast_signed();
            sqlx::query!(
                "insert into refused (source, at, line, text, reason) values (?1, ?2, ?3, ?4, ?5)",
                source,
                at.0,
                number,
                line.text,
                line.reason
            )
            .execute(&mut *self.0)
            .await?;
        }
        if !lines.is_empty() {
            sqlx::query!(
                "delete from refused where source = ?1 and refused_id <=
                    (select refused_id from refused where source = ?1
                     order by refused_id desc limit 1 offset ?2)",
                source,
                REFUSED_KEPT
            )
            .execute(&mut *self.0)
            .await?;
        }
        Ok(())
    }
}

impl Store {
    /// How far a source has been read.
    pub async fn position(&self, source: &SensorName) -> Result<Option<String>, StoreError> {
        let source = source.as_str();
        Ok(
            sqlx::query_scalar!("select state from position where source = ?1", source)
                .fetch_optional(&self.read)
                .await?,
        )
    }

    /// Readings stored since the beginning, by what sources were told.
    pub async fn stored_total(&self) -> Result<i64, StoreError> {
        let total =
            sqlx::query_scalar!(r#"select coalesce(sum(stored), 0) as "total!: i64" from tally"#);
        Ok(total.fetch_one(&self.read).await?)
    }

    /// What came of every source and sensor.
    pub async fn tallies(&self) -> Result<Vec<Tally>, StoreError> {
        Ok(sqlx::query_as!(
            Tally,
            "select source, sensor, stored, duplicate, conflict, refused, last_at from tally
             order by source, sensor"
        )
        .fetch_all(&self.read)
        .await?)
    }

    /// The newest refused lines, newest first.
    pub async fn refused(&self, limit: i64) -> Result<Vec<RefusedLine>, StoreError> {
        let rows = sqlx::query!(
            "select source, at, line, text, reason from refused order by refused_id desc limit ?1",
            limit
        )
        .fetch_all(&self.read)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| RefusedLine {
                source: r.source,
                at: Stamp(r.at),
                refused: Refused {
                    line: r.line.cast_unsigned(),
                    text: r.text,
                    reason: r.reason,
                },
            })
            .collect())
    }

    /// The newest reading of each sensor whose device did not know the time.
    pub async fn odd_clocks(&self) -> Result<BTreeMap<SensorId, (Stamp, Stamp)>, StoreError> {
        let rows = sqlx::query!(
            r#"select sensor_id as "sensor_id!: i64", max(measured_at) as "measured_at!: i64",
                      device_at as "device_at!: i64"
               from odd_clock group by sensor_id"#
        )
        .fetch_all(&self.read)
        .await?;
        Ok(rows
            .into_iter()
            .map(|r| {
                let id = SensorId(u32::try_from(r.sensor_id).expect("keys are small"));
                (id, (Stamp(r.measured_at), Stamp(r.device_at)))
            })
            .collect())
    }
}
