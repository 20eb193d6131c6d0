//! What the ledger and the readings tell of winters, summed by the database.

use std::collections::{BTreeMap, BTreeSet};

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
    watch::{Offset, Offsets, SensorId, Stamp},
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

    /// What a sensor said since an instant, corrected by what it was found to be off by, in means over so
    /// many milliseconds; where it said nothing there is none.
    pub async fn means(
        &self,
        sensor: SensorId,
        since: Stamp,
        over_ms: i64,
    ) -> Result<Vec<Mean>, StoreError> {
        let over = over_ms.max(1);
        let offsets = self.offsets(sensor).await?;
        let mut sums: BTreeMap<i64, Sums> = BTreeMap::new();
        for (from, to, off) in stretches(&offsets, since) {
            let (t, rh) = off.map_or((0, 0), |o| (o.temperature_mk, o.humidity_mpct));
            let rows = sqlx::query!(
                r#"select measured_at / ?4 * ?4 as "at!: i64",
                       sum(temperature_mc + ?5) as "t!: i64", count(*) as "n!: i64",
                       sum(min(max(humidity_mpct + ?6, 0), 100000)) as "rh: i64",
                       count(humidity_mpct) as "n_rh!: i64"
                   from reading where sensor_id = ?1 and ?2 <= measured_at and measured_at < ?3
                     and temperature_mc is not null
                   group by 1 order by 1"#,
                sensor.0,
                from.0,
                to.0,
                over,
                t,
                rh
            )
            .fetch_all(&self.read)
            .await?;
            for row in rows {
                let sum = sums.entry(row.at).or_default();
                sum.temperature = (sum.temperature.0 + row.t, sum.temperature.1 + row.n);
                let (rh, n) = (row.rh.unwrap_or(0), row.n_rh);
                sum.humidity = (sum.humidity.0 + rh, sum.humidity.1 + n);
            }
        }
        let mean = |(sum, n): (i64, i64)| (0 < n).then(|| sum as f64 / n as f64 / 1000.0);
        let means = sums.into_iter().filter_map(|(at, sums)| {
            Some(Mean {
                at: Stamp(at),
                temperature: mean(sums.temperature)?,
                humidity: mean(sums.humidity),
            })
        });
        Ok(means.collect())
    }
}

/// Thousandths and how many of them.
#[derive(Default)]
struct Sums {
    temperature: (i64, i64),
    humidity: (i64, i64),
}

/// The time from an instant on, cut where another correction begins, the end excluded.
fn stretches(offsets: &Offsets, since: Stamp) -> Vec<(Stamp, Stamp, Option<Offset>)> {
    let later = offsets.all().iter().filter(|o| since < o.from);
    let begins: Vec<(Stamp, Option<Offset>)> = std::iter::once((since, offsets.at(since)))
        .chain(later.map(|o| (o.from, Some(*o))))
        .collect();
    let ends = begins[1..].iter().map(|(from, _)| *from);
    let ends = ends.chain([Stamp(i64::MAX)]);
    begins
        .iter()
        .zip(ends)
        .map(|(&(from, off), to)| (from, to, off))
        .collect()
}
