//! What the ledger and the readings tell of winters, summed by the database.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use sqlx::Row as _;

use super::{Store, StoreError};
use crate::{
    stock::{
        Finding,
        ledger::{CrateId, LotId},
        plan::Divided,
        winter::{Course, Record, Sight},
    },
    watch::{SensorId, Stamp},
};

fn instant(ms: i64) -> DateTime<Utc> {
    Stamp(ms).to_utc()
}

/// The mean of what sensors said over a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// When the stretch begins.
    pub at: Stamp,
    /// C.
    pub temperature: f64,
    /// Percent.
    pub humidity: Option<f64>,
}

impl Store {
    /// What became of every lot in every winter, what was seen since an instant, and what was made of
    /// clumps. A winter begins on 1 July, in UTC.
    pub async fn winters(&self, since: Stamp) -> Result<Record, StoreError> {
        let mut tx = self.read.begin().await?;
        let rows = sqlx::query(
            "select p.lot_id,
                    cast(strftime('%Y', coalesce(g.noted_at, g.at) / 1000, 'unixepoch', '-6 months') as integer),
                    sum(case when p.account in ('lifted', 'listed', 'divided', 'corrected', 'lot')
                        then p.tubers else 0 end),
                    sum(case when p.account like 'culled/%' then -p.tubers else 0 end),
                    sum(case when p.account in ('planted', 'sold', 'given') then -p.tubers else 0 end),
                    max(case when p.account in ('divided', 'lot') then coalesce(g.noted_at, g.at) end)
             from posting p join ledger g using (entry_id)
             group by 1, 2 order by 1, 2",
        )
        .fetch_all(&mut *tx)
        .await?;
        let course = |row: &sqlx::sqlite::SqliteRow| {
            let handled: Option<i64> = row.try_get(5)?;
            Ok(Course {
                lot: LotId(row.try_get(0)?),
                winter: row.try_get(1)?,
                came: row.try_get(2)?,
                lost: row.try_get(3)?,
                went: row.try_get(4)?,
                handled: handled.map(instant),
            })
        };
        let courses = rows
            .iter()
            .map(course)
            .collect::<Result<_, sqlx::Error>>()?;
        let kept = sqlx::query_scalar!(
            r#"select distinct
                   cast(strftime('%Y', coalesce(noted_at, at) / 1000, 'unixepoch', '-6 months') as integer) as "winter!: i32"
               from ledger where kind in ('looked', 'culled')"#
        )
        .fetch_all(&mut *tx)
        .await?;
        let rows = sqlx::query(
            "select c.crate_id, json_extract(g.deed, '$.lot'), json_extract(g.deed, '$.finding'),
                    json_extract(g.deed, '$.count'), g.kind = 'culled', coalesce(g.noted_at, g.at)
             from ledger g join ledger_crate c using (entry_id)
             where ?1 <= g.at and ?1 <= coalesce(g.noted_at, g.at) and g.kind in ('looked', 'culled')
               and not exists (select 1 from ledger u where u.undoes = g.entry_id)
             order by coalesce(g.noted_at, g.at), g.entry_id",
        )
        .bind(since.0)
        .fetch_all(&mut *tx)
        .await?;
        let mut sights = Vec::with_capacity(rows.len());
        for row in rows {
            let finding: &str = row.try_get(2)?;
            let lot: Option<i64> = row.try_get(1)?;
            sights.push(Sight {
                krate: CrateId(row.try_get(0)?),
                lot: lot.map(LotId),
                finding: finding
                    .parse::<Finding>()
                    .map_err(|e| StoreError::Packed(e.to_string()))?,
                count: row.try_get(3)?,
                out: row.try_get(4)?,
                at: instant(row.try_get(5)?),
            });
        }
        let rows = sqlx::query(
            "select l.variety, sum(json_extract(g.deed, '$.count')), sum(json_extract(g.deed, '$.yielded'))
             from ledger g join lot l on l.lot_id = json_extract(g.deed, '$.lot')
             where g.kind = 'divided' and not exists (select 1 from ledger u where u.undoes = g.entry_id)
             group by l.variety collate nocase",
        )
        .fetch_all(&mut *tx)
        .await?;
        let cut = |row: &sqlx::sqlite::SqliteRow| {
            let divided = Divided {
                clumps: row.try_get(1)?,
                divisions: row.try_get(2)?,
            };
            Ok((row.try_get(0)?, divided))
        };
        Ok(Record {
            courses,
            kept: kept.into_iter().collect::<BTreeSet<i32>>(),
            sights,
            cuts: rows.iter().map(cut).collect::<Result<_, sqlx::Error>>()?,
        })
    }

    /// What a sensor said since an instant, in means over so many milliseconds; where it said nothing
    /// there is none.
    pub async fn means(
        &self,
        sensor: SensorId,
        since: Stamp,
        over_ms: i64,
    ) -> Result<Vec<Mean>, StoreError> {
        let over = over_ms.max(1);
        let rows = sqlx::query!(
            r#"select measured_at / ?3 * ?3 as "at!: i64", avg(temperature_mc) as "t!: f64",
                   avg(humidity_mpct) as "rh: f64"
               from reading where sensor_id = ?1 and ?2 <= measured_at and temperature_mc is not null
               group by 1 order by 1"#,
            sensor.0,
            since.0,
            over
        )
        .fetch_all(&self.read)
        .await?;
        let mean = rows.into_iter().map(|row| Mean {
            at: Stamp(row.at),
            temperature: row.t / 1000.0,
            humidity: row.rh.map(|rh| rh / 1000.0),
        });
        Ok(mean.collect())
    }
}
