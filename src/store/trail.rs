//! Everything that was entered, piece by piece in order of time: acts, the ledger, pictures, who came in,
//! and what was given out.

use sqlx::{Row as _, sqlite::SqliteRow};

use super::{Store, StoreError, ledger, log};
use crate::{
    season::trail::{Row, of_act, of_entry},
    stock::ledger::{Entry, EntryId},
    watch::{Act, Settings, Stamp},
};

/// Where a piece ended; the next begins after it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mark {
    at: i64,
    /// Which table, in the order in which they are told at one instant.
    table: i64,
    id: i64,
}

const ACT: i64 = 0;
const LEDGER: i64 = 1;
const PHOTO: i64 = 2;
const ACCESS: i64 = 3;

// Keys first, so that bodies are read for one piece only. Crates are looked up once for a piece: there is no
// index that leads from an entry to its crates.
const PIECE: &str = "
    with piece as materialized (
        select at, tab, id from (
            select at, 0 as tab, seq as id from act
            where ?1 <= at and at < ?2 and kind not in ('crates', 'weighed')
            union all select at, 1, entry_id from ledger where ?1 <= at and at < ?2
            union all select at, 2, photo_id from photo where ?1 <= at and at < ?2
            union all select at, 3, log_id from access_log where ?1 <= at and at < ?2
            union all select at, 4, given_id from given_out where ?1 <= at and at < ?2
        )
        where (at, tab, id) > (?3, ?4, ?5)
        order by at, tab, id limit ?6
    ),
    written as materialized (
        select l.entry_id, group_concat(coalesce(k.code, 'crate ' || l.crate_id), ' ') as codes
        from ledger_crate l left join crate k using (crate_id)
        where l.entry_id in (select id from piece where tab = 1)
        group by l.entry_id
    )
    select p.at, p.tab, p.id,
        coalesce(a.who, g.who, f.who, c.who, o.who, '') as who,
        coalesce(a.kind, c.what, o.what, '') as kind,
        coalesce(a.body, c.detail, o.detail, '') as body,
        case p.tab
            when 1 then w.codes
            when 2 then (select code from crate where crate_id = f.crate_id)
        end as about,
        g.noted_at, g.note, g.deed
    from piece p
    left join act a on p.tab = 0 and a.seq = p.id
    left join ledger g on p.tab = 1 and g.entry_id = p.id
    left join written w on p.tab = 1 and w.entry_id = p.id
    left join photo f on p.tab = 2 and f.photo_id = p.id
    left join access_log c on p.tab = 3 and c.log_id = p.id
    left join given_out o on p.tab = 4 and o.given_id = p.id
    order by p.at, p.tab, p.id";

impl Store {
    /// What was entered from `from` to before `to`, in order of time, after a mark, from at most so many
    /// entries (a change of settings gives a line for each thing it changed); and the mark after it, none
    /// where that was all. Memory stays flat whatever the length of the winter.
    ///
    /// Nothing that is entered meanwhile is told twice or moves what follows: all of it is append-only.
    pub async fn trail(
        &self,
        from: Stamp,
        to: Stamp,
        after: Option<Mark>,
        most: u32,
    ) -> Result<(Vec<Row>, Option<Mark>), StoreError> {
        let start = after.unwrap_or(Mark {
            at: from.0,
            table: -1,
            id: -1,
        });
        let found = sqlx::query(PIECE)
            .bind(start.at.max(from.0))
            .bind(to.0)
            .bind(start.at)
            .bind(start.table)
            .bind(start.id)
            .bind(most)
            .fetch_all(&self.read)
            .await?;
        let mut rows = Vec::with_capacity(found.len());
        let mut mark = None;
        let mut settings: Option<Settings> = None;
        for row in &found {
            let here = Mark {
                at: row.try_get(0)?,
                table: row.try_get(1)?,
                id: row.try_get(2)?,
            };
            mark = Some(here);
            if here.table == ACT {
                let act = log::parse(row.try_get(4)?, row.try_get(5)?)?;
                if matches!(act, Act::Settings(_)) && settings.is_none() {
                    settings = self.settings_before(here.id).await?;
                }
                let who: &str = row.try_get(3)?;
                rows.extend(of_act(Stamp(here.at), who, &act, settings.as_ref()));
                if let Act::Settings(new) = act {
                    settings = Some(new);
                }
            } else {
                rows.push(line(here, row)?);
            }
        }
        let all = found.len() < most as usize;
        Ok((rows, mark.filter(|_| !all)))
    }

    async fn settings_before(&self, seq: i64) -> Result<Option<Settings>, StoreError> {
        let body = sqlx::query_scalar!(
            "select body from act where kind = 'settings' and seq < ?1 order by seq desc limit 1",
            seq
        )
        .fetch_optional(&self.read)
        .await?;
        match body.map(|b| log::parse("settings", &b)).transpose()? {
            Some(Act::Settings(settings)) => Ok(Some(settings)),
            _ => Ok(None),
        }
    }
}

fn line(here: Mark, row: &SqliteRow) -> Result<Row, StoreError> {
    let text = |place: usize| -> Result<String, StoreError> {
        Ok(row.try_get::<Option<String>, _>(place)?.unwrap_or_default())
    };
    let about = text(6)?;
    if here.table == LEDGER {
        let noted: Option<i64> = row.try_get("noted_at")?;
        let entry = Entry {
            id: EntryId(here.id),
            at: ledger::instant(here.at)?,
            noted_at: noted.map(ledger::instant).transpose()?,
            who: text(3)?,
            key: None,
            note: row.try_get("note")?,
            deed: ledger::json(row.try_get("deed")?)?,
            // What it changed is not told.
            changes: Vec::new(),
        };
        return Ok(of_entry(&entry, about));
    }
    let what = match here.table {
        PHOTO => "photo".to_owned(),
        ACCESS => text(4)?,
        // A copy of an account.
        _ => format!("given out: {}", text(4)?),
    };
    Ok(Row {
        at: Stamp(here.at).to_utc(),
        who: text(3)?,
        what,
        about,
        detail: text(5)?,
        change: None,
    })
}
