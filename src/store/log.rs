//! The log of inputs: readings, acts, where each source stands, and what came of it all.

use std::{collections::BTreeMap, fmt::Write as _};

use sqlx::{AssertSqlSafe, Row as _, sqlite::SqliteRow};

use super::{Store, StoreError, Tx, packed};
use crate::watch::{Act, Input, Reading, SensorId, SensorName, Settings, Stamp, Values};

/// Readings in one packed row; a start reads a winter of five million in about 1300 of them.
const ROW_READINGS: usize = 4096;
/// Packed rows fetched at once, to bound memory.
const ROWS_AT_ONCE: i64 = 8;
/// One span in which nobody was looking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Off {
    /// Last known to run.
    pub from: Stamp,
    /// Running again.
    pub to: Stamp,
}

pub(super) fn parse(kind: &str, body: &str) -> Result<Act, StoreError> {
    Act::parse(kind, body).map_err(|e| StoreError::Packed(format!("an act: {e}")))
}

/// The packed rows that are not full yet.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Tail {
    readings: usize,
    /// The tail begins after this.
    after_seq: i64,
}

impl Tail {
    /// Counts one packed row. A full one ends the tail: what is short before it stays short.
    fn note(&mut self, readings: usize, last_seq: i64) {
        if ROW_READINGS <= readings {
            *self = Self {
                readings: 0,
                after_seq: last_seq,
            };
        } else {
            self.readings += readings;
        }
    }
}

impl Tx {
    /// Gives every name its key; new names get new ones.
    pub async fn sensor_ids(
        &mut self,
        names: &[SensorName],
        at: Stamp,
    ) -> Result<Vec<SensorId>, StoreError> {
        let mut ids = Vec::with_capacity(names.len());
        for name in names {
            let name = name.as_str();
            sqlx::query!(
                "insert into sensor (name, first_seen_at) values (?1, ?2) on conflict do nothing",
                name,
                at.0
            )
            .execute(&mut *self.0)
            .await?;
            let id = sqlx::query_scalar!("select sensor_id from sensor where name = ?1", name)
                .fetch_one(&mut *self.0)
                .await?;
            ids.push(SensorId(u32::try_from(id).expect("keys are small")));
        }
        Ok(ids)
    }

    /// What is stored for these sensors and instants, and in how many parts.
    pub async fn known(
        &mut self,
        keys: &[(SensorId, Stamp)],
    ) -> Result<Vec<((SensorId, Stamp), i64, Values)>, StoreError> {
        let mut wanted = String::from("[");
        for (sensor, at) in keys {
            let comma = if wanted.len() == 1 { "" } else { "," };
            let _ = write!(wanted, "{comma}[{},{}]", sensor.0, at.0);
        }
        wanted.push(']');
        let rows = sqlx::query(
            "select r.sensor_id, r.measured_at, r.part, r.temperature_mc, r.humidity_mpct, r.battery_pct
             from json_each(?1) as j
             join reading r on r.sensor_id = j.value ->> 0 and r.measured_at = j.value ->> 1
             order by r.sensor_id, r.measured_at, r.part",
        )
        .bind(wanted)
        .fetch_all(&mut *self.0)
        .await?;
        rows.iter()
            .map(|row| {
                let key = (SensorId(row.try_get(0)?), Stamp(row.try_get(1)?));
                Ok((key, row.try_get(2)?, values_at(row, 3)?))
            })
            .collect()
    }

    /// Appends readings in order of arrival; `parts` says which part of its instant each one is.
    pub async fn append_readings(
        &mut self,
        readings: &[Reading],
        parts: &[i64],
        tail: &mut Tail,
    ) -> Result<(), StoreError> {
        let at_once = readings.chunks(INSERT_AT_ONCE);
        for (readings, parts) in at_once.zip(parts.chunks(INSERT_AT_ONCE)) {
            let text = insert_text(readings.len());
            let mut insert = sqlx::query(AssertSqlSafe(text));
            for (r, part) in readings.iter().zip(parts) {
                insert = insert
                    .bind(r.sensor.0)
                    .bind(r.measured_at.0)
                    .bind(*part)
                    .bind(r.values.temperature_mc)
                    .bind(r.values.humidity_mpct)
                    .bind(r.values.battery_pct)
                    .bind(r.seq.cast_signed())
                    .bind(r.received_at.0);
            }
            insert.execute(&mut *self.0).await?;
        }
        for readings in readings.chunks(ROW_READINGS) {
            self.append_packed(readings).await?;
            tail.note(
                readings.len(),
                readings[readings.len() - 1].seq.cast_signed(),
            );
        }
        if ROW_READINGS <= tail.readings {
            self.pack_tail(tail).await?;
        }
        Ok(())
    }

    async fn append_packed(&mut self, readings: &[Reading]) -> Result<(), StoreError> {
        let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
            return Ok(());
        };
        let (first, last) = (first.seq.cast_signed(), last.seq.cast_signed());
        let count = readings.len() as i64;
        let body = packed::pack(readings);
        sqlx::query!(
            "insert into arrival (last_seq, first_seq, readings, body) values (?1, ?2, ?3, ?4)",
            last,
            first,
            count,
            body
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Rewrites the short rows at the end as one full row and what is left over.
    async fn pack_tail(&mut self, tail: &mut Tail) -> Result<(), StoreError> {
        let bodies = sqlx::query_scalar!(
            "select body from arrival where ?1 < last_seq order by last_seq",
            tail.after_seq
        )
        .fetch_all(&mut *self.0)
        .await?;
        let mut readings = Vec::with_capacity(tail.readings);
        for body in bodies {
            packed::unpack(&body, |r| readings.push(r))?;
        }
        sqlx::query!("delete from arrival where ?1 < last_seq", tail.after_seq)
            .execute(&mut *self.0)
            .await?;
        for readings in readings.chunks(ROW_READINGS) {
            self.append_packed(readings).await?;
            tail.note(
                readings.len(),
                readings[readings.len() - 1].seq.cast_signed(),
            );
        }
        Ok(())
    }

    /// Drops the packed log and makes it again from the readings.
    pub async fn rebuild_packed(&mut self) -> Result<(), StoreError> {
        sqlx::query!("delete from arrival")
            .execute(&mut *self.0)
            .await?;
        let mut after = 0i64;
        loop {
            // Each turn sorts what is left; a rebuild is rare and memory matters more.
            let rows = sqlx::query(
                "select sensor_id, measured_at, temperature_mc, humidity_mpct, battery_pct, seq, received_at
                 from reading where ?1 < seq order by seq limit ?2",
            )
            .bind(after)
            .bind((64 * ROW_READINGS) as i64)
            .fetch_all(&mut *self.0)
            .await?;
            let readings = rows
                .iter()
                .map(|row| {
                    Ok(Reading {
                        seq: row.try_get::<i64, _>(5)?.cast_unsigned(),
                        sensor: SensorId(row.try_get(0)?),
                        measured_at: Stamp(row.try_get(1)?),
                        received_at: Stamp(row.try_get(6)?),
                        values: values_at(row, 2)?,
                    })
                })
                .collect::<Result<Vec<_>, sqlx::Error>>()?;
            let Some(last) = readings.last() else {
                return Ok(());
            };
            after = last.seq.cast_signed();
            for readings in readings.chunks(ROW_READINGS) {
                self.append_packed(readings).await?;
            }
        }
    }

    /// Appends an act under its place in the order of arrival.
    pub async fn append_act(
        &mut self,
        seq: u64,
        at: Stamp,
        who: &str,
        act: &Act,
    ) -> Result<(), StoreError> {
        let (seq, kind, body) = (seq.cast_signed(), act.kind(), act.body());
        sqlx::query!(
            "insert into act (seq, at, who, kind, body) values (?1, ?2, ?3, ?4, ?5)",
            seq,
            at.0,
            who,
            kind,
            body
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }

    /// Notes that the recorder runs.
    pub async fn set_alive(&mut self, at: Stamp) -> Result<(), StoreError> {
        sqlx::query!(
            "insert into alive (one, at) values (1, ?1) on conflict (one) do update set at = ?1",
            at.0
        )
        .execute(&mut *self.0)
        .await?;
        Ok(())
    }
}

/// Rows that one statement inserts: twice as fast as reading them out of one JSON array, and a tenth
/// of the time of one statement a row (measured). 8000 of SQLite's 32766 parameters.
const INSERT_AT_ONCE: usize = 1000;

/// The statement that inserts so many rows; nothing but placeholders follows from the number.
fn insert_text(rows: usize) -> String {
    let mut text = String::from(
        "insert into reading (sensor_id, measured_at, part, temperature_mc, humidity_mpct, battery_pct, seq, received_at) values ",
    );
    for row in 0..rows {
        text.push_str(if row == 0 {
            "(?,?,?,?,?,?,?,?)"
        } else {
            ",(?,?,?,?,?,?,?,?)"
        });
    }
    text
}

fn values_at(row: &SqliteRow, first: usize) -> Result<Values, sqlx::Error> {
    Ok(Values {
        temperature_mc: row.try_get(first)?,
        humidity_mpct: row.try_get(first + 1)?,
        battery_pct: row.try_get(first + 2)?,
    })
}

impl Store {
    /// Hands every input to `each` in the order of arrival, and tells the next free place and the
    /// short rows at the end. Memory stays flat whatever the length of the log.
    pub async fn fold(&self, mut each: impl FnMut(&Input)) -> Result<(u64, Tail), StoreError> {
        let acts = sqlx::query!("select seq, at, who, kind, body from act order by seq")
            .fetch_all(&self.read)
            .await?;
        let mut acts = acts.into_iter().peekable();
        let mut next = 1;
        let (mut after, mut tail) = (0i64, Tail::default());
        loop {
            let rows = sqlx::query!(
                "select last_seq, readings, body from arrival where ?1 < last_seq
                 order by last_seq limit ?2",
                after,
                ROWS_AT_ONCE
            )
            .fetch_all(&self.read)
            .await?;
            if rows.is_empty() {
                break;
            }
            for row in rows {
                after = row.last_seq;
                tail.note(row.readings as usize, row.last_seq);
                let mut fault = None;
                packed::unpack(&row.body, |reading| {
                    while let Some(act) = acts.next_if(|a| a.seq.cast_unsigned() < reading.seq) {
                        match parse(&act.kind, &act.body) {
                            Ok(parsed) => each(&parsed.into_input(Stamp(act.at), &act.who)),
                            Err(error) => fault = Some(error),
                        }
                    }
                    next = reading.seq + 1;
                    each(&Input::Reading(reading));
                })?;
                if let Some(fault) = fault {
                    return Err(fault);
                }
            }
        }
        for act in acts {
            next = act.seq.cast_unsigned() + 1;
            each(&parse(&act.kind, &act.body)?.into_input(Stamp(act.at), &act.who));
        }
        Ok((next, tail))
    }

    /// The settings that were last in force.
    pub async fn last_settings(&self) -> Result<Option<Settings>, StoreError> {
        let body = sqlx::query_scalar!(
            "select body from act where kind = 'settings' order by seq desc limit 1"
        )
        .fetch_optional(&self.read)
        .await?;
        match body.map(|b| parse("settings", &b)).transpose()? {
            Some(Act::Settings(settings)) => Ok(Some(settings)),
            _ => Ok(None),
        }
    }

    /// What people did, the newest first: when, who, and what.
    pub async fn deeds(&self, limit: i64) -> Result<Vec<(Stamp, String, Act)>, StoreError> {
        let rows = sqlx::query!(
            "select at, who, kind, body from act
             where kind not in ('settings', 'started', 'channel') order by seq desc limit ?1",
            limit
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter()
            .map(|r| Ok((Stamp(r.at), r.who, parse(&r.kind, &r.body)?)))
            .collect()
    }

    /// When the recorder was last known to run.
    pub async fn alive(&self) -> Result<Option<Stamp>, StoreError> {
        let at = sqlx::query_scalar!("select at from alive")
            .fetch_optional(&self.read)
            .await?;
        Ok(at.map(Stamp))
    }

    /// The newest spans in which the recorder was off, newest first.
    pub async fn offs(&self, limit: i64) -> Result<Vec<Off>, StoreError> {
        let rows = sqlx::query!(
            "select at, body from act where kind = 'started' and body not like '%\"stepped\":true%'
             order by seq desc limit ?1",
            limit
        )
        .fetch_all(&self.read)
        .await?;
        rows.into_iter()
            .map(|row| match parse("started", &row.body)? {
                Act::Started(started) => Ok(Off {
                    from: started.off_from,
                    to: Stamp(row.at),
                }),
                _ => Err(StoreError::Packed("an act of another kind".to_owned())),
            })
            .collect()
    }

    /// Every sensor ever seen and the key it has.
    pub async fn sensor_names(&self) -> Result<BTreeMap<SensorId, String>, StoreError> {
        let rows = sqlx::query!("select sensor_id, name from sensor")
            .fetch_all(&self.read)
            .await?;
        let key = |id: i64| SensorId(u32::try_from(id).expect("keys are small"));
        Ok(rows
            .into_iter()
            .map(|r| (key(r.sensor_id), r.name))
            .collect())
    }

    /// Number of readings stored, and of them per sensor and instant more than once.
    pub async fn count_readings(&self) -> Result<i64, StoreError> {
        Ok(sqlx::query_scalar!("select count(*) from reading")
            .fetch_one(&self.read)
            .await?)
    }
}
