//! Sheets of days: one sensor's local day, summed up, and how far the log is in them.
//!
//! They are derived. Readings and acts are the truth, and `engine::sums` makes sheets of them.

use tokio::sync::MutexGuard;

use super::{Store, StoreError, Tx};
use crate::{
    season::{sheet::Sheet, yardstick::Yardsticks},
    watch::{Act, SensorId, Stamp, Values},
};

/// How far the log is in sheets.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// Every reading up to this place in the order of arrival is in a sheet; 0 where nothing is.
    pub through_seq: u64,
    /// How sums were made.
    pub format: u32,
    /// By which zone and yardsticks, and whose turn it is to make sheets.
    pub zone: String,
}

/// A sheet on its way to the disk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Made {
    /// Which sensor.
    pub sensor: SensorId,
    /// The local day, counted from 1970.
    pub day: i64,
    /// What it was made with.
    pub with: i64,
    /// The sheet; none where nothing was said on that day.
    pub body: Option<Vec<u8>>,
}

/// Readings packed in their order of arrival.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packed {
    /// The place of the last of them.
    pub last_seq: u64,
    /// See `store::packed`.
    pub body: Vec<u8>,
}

/// A place among the readings of one sensor: when, and which part of that instant.
pub type Place = (Stamp, i64);

impl Store {
    /// Waits until nobody else in this program makes sheets.
    pub async fn turn(&self) -> MutexGuard<'_, ()> {
        self.sums.lock().await
    }

    /// What every sensor was held against, and when, by the log.
    pub async fn yardsticks(&self) -> Result<Yardsticks, StoreError> {
        let rows = sqlx::query!(
            "select at, kind, body from act where kind in ('settings', 'stage', 'service') order by seq"
        )
        .fetch_all(&self.read)
        .await?;
        let acts = rows
            .iter()
            .map(|row| Ok((Stamp(row.at), super::log::parse(&row.kind, &row.body)?)))
            .collect::<Result<Vec<(Stamp, Act)>, StoreError>>()?;
        Ok(Yardsticks::of(acts, &self.corrections().await?))
    }

    /// How far the log is in sheets; none where that was never begun.
    pub async fn summed(&self) -> Result<Option<Mark>, StoreError> {
        let row = sqlx::query!("select through_seq, format, zone from summed")
            .fetch_optional(&self.read)
            .await?;
        Ok(row.map(|row| mark(row.through_seq, row.format, row.zone)))
    }

    /// The place of the newest reading in the order of arrival, 0 where there is none.
    pub async fn last_arrival(&self) -> Result<u64, StoreError> {
        let last = sqlx::query_scalar!("select max(last_seq) from arrival")
            .fetch_one(&self.read)
            .await?;
        Ok(last.unwrap_or(0).cast_unsigned())
    }

    /// The next packed readings after a place, at most so many rows. A row may begin before that place:
    /// short rows are put together now and then.
    pub async fn arrivals(&self, after: u64, rows: u32) -> Result<Vec<Packed>, StoreError> {
        let after = after.cast_signed();
        let rows = sqlx::query!(
            "select last_seq, body from arrival where ?1 < last_seq order by last_seq limit ?2",
            after,
            rows
        )
        .fetch_all(&self.read)
        .await?;
        let each = rows.into_iter().map(|row| Packed {
            last_seq: row.last_seq.cast_unsigned(),
            body: row.body,
        });
        Ok(each.collect())
    }

    /// The next readings of a sensor after a place and up to an instant, at most so many rows; parts of one
    /// instant are rows of their own.
    pub async fn said(
        &self,
        sensor: SensorId,
        after: Place,
        to: Stamp,
        rows: u32,
    ) -> Result<Vec<(Place, Values)>, StoreError> {
        let (at, part) = after;
        let rows = sqlx::query!(
            r#"select measured_at, part, temperature_mc as "t: i32", humidity_mpct as "rh: i32" from reading
               where sensor_id = ?1 and (measured_at, part) > (?2, ?3) and measured_at <= ?4
               order by measured_at, part limit ?5"#,
            sensor.0,
            at.0,
            part,
            to.0,
            rows
        )
        .fetch_all(&self.read)
        .await?;
        let each = rows.into_iter().map(|row| {
            let values = Values {
                temperature_mc: row.t,
                humidity_mpct: row.rh,
                battery_pct: None,
            };
            ((Stamp(row.measured_at), row.part), values)
        });
        Ok(each.collect())
    }

    /// Every sheet there is: sensor, local day counted from 1970, and what it was made with.
    pub async fn sheets_made(&self) -> Result<Vec<(SensorId, i64, i64)>, StoreError> {
        let rows =
            sqlx::query!("select sensor_id, day, made_with from sheet order by sensor_id, day")
                .fetch_all(&self.read)
                .await?;
        let each = rows
            .into_iter()
            .map(|row| (SensorId(row.sensor_id as u32), row.day, row.made_with));
        Ok(each.collect())
    }

    /// How many sheets there are.
    pub async fn count_sheets(&self) -> Result<u64, StoreError> {
        let count = sqlx::query_scalar!("select count(*) from sheet")
            .fetch_one(&self.read)
            .await?;
        Ok(count.cast_unsigned())
    }

    /// The sheets of one sensor from a local day, counted from 1970, to before another, in order. A winter of
    /// them is some 3 MB.
    pub async fn sheets(
        &self,
        sensor: SensorId,
        from: i64,
        to: i64,
    ) -> Result<Vec<(i64, Sheet)>, StoreError> {
        let rows = sqlx::query!(
            "select day, body from sheet where sensor_id = ?1 and ?2 <= day and day < ?3 order by day",
            sensor.0,
            from,
            to
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter()
            .map(|row| {
                let sheet = Sheet::decode(&row.body)
                    .map_err(|error| StoreError::Packed(format!("a sheet: {error}")))?;
                Ok((row.day, sheet))
            })
            .collect()
    }
}

fn mark(through_seq: i64, format: i64, zone: String) -> Mark {
    Mark {
        through_seq: through_seq.cast_unsigned(),
        format: u32::try_from(format).unwrap_or_default(),
        zone,
    }
}

impl Tx {
    /// How far the log is in sheets, as it stands in this transaction.
    pub async fn summed(&mut self) -> Result<Option<Mark>, StoreError> {
        let row = sqlx::query!("select through_seq, format, zone from summed")
            .fetch_optional(&mut *self.0)
            .await?;
        Ok(row.map(|row| mark(row.through_seq, row.format, row.zone)))
    }

    /// Notes how far the log is in sheets.
    pub async fn set_summed(&mut self, mark: &Mark) -> Result<(), StoreError> {
        let through = mark.through_seq.cast_signed();
        sqlx::query!(
            "insert into summed (one, through_seq, format, zone) values (1, ?1, ?2, ?3)
             on conflict (one) do update set through_seq = ?1, format = ?2, zone = ?3",
            through,
            mark.format,
            mark.zone
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Keeps sheets in the place of those that were made before.
    pub async fn keep_sheets(&mut self, sheets: &[Made]) -> Result<(), StoreError> {
        for made in sheets {
            match &made.body {
                Some(body) => {
                    sqlx::query!(
                        "insert or replace into sheet (sensor_id, day, made_with, body)
                         values (?1, ?2, ?3, ?4)",
                        made.sensor.0,
                        made.day,
                        made.with,
                        body
                    )
                    .execute(&mut *self.0)
                    .await?;
                }
                None => {
                    sqlx::query!(
                        "delete from sheet where sensor_id = ?1 and day = ?2",
                        made.sensor.0,
                        made.day
                    )
                    .execute(&mut *self.0)
                    .await?;
                }
            }
        }
        Ok(())
    }

    /// Drops at most so many sheets, and tells how many were dropped.
    pub async fn drop_sheets(&mut self, most: u32) -> Result<u64, StoreError> {
        let done = sqlx::query!(
            "delete from sheet where rowid in (select rowid from sheet limit ?1)",
            most
        )
        .execute(&mut *self.0)
        .await?;
        Ok(done.rows_affected())
    }
}
