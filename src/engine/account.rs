//! The account of a winter, asked for from the store and kept until something changes.

use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, PoisonError},
};

use chrono::NaiveDate;
use tokio::{
    sync::{Mutex as Turn, MutexGuard},
    task::spawn_blocking,
};

use super::sums::sum_up;
use crate::{
    season::{
        account::{About, Account, FORM, Gathered, days_of},
        calendar::{self, Calendar},
        period::{self, Period},
        responses::{Did, History, responses},
        survival::losses,
        yardstick::Yardsticks,
    },
    stock::ledger::{Entry, EntryId},
    store::{Store, StoreError, accounts::Moved},
    watch::{Act, Judge, Models, Role, Stamp, models::Forecast, reading::HOUR_MS},
};

/// Entries fetched at once.
const ENTRIES_AT_ONCE: u32 = 1000;
/// Winters that are kept in memory, the one longest unasked going first.
const KEPT: usize = 3;
/// An account that is kept is made anew behind the page when it is older than this, in milliseconds.
const FRESH_MS: i64 = 10 * 60 * 1000;

/// The store that accounts are of.
#[derive(Debug, Clone)]
pub struct Place {
    /// What it is called.
    pub name: String,
    /// Its days.
    pub calendar: Calendar,
}

/// What the judge had forecast, by room.
#[derive(Debug, Clone, Default)]
pub struct Forecasts {
    made: Vec<(String, Forecast)>,
    forgotten: Option<Stamp>,
}

impl Forecasts {
    /// As the judge has them.
    pub fn of(models: &Models) -> Self {
        let rooms = || models.rooms();
        Self {
            made: rooms()
                .flat_map(|r| r.forecasts.iter().map(|f| (r.name.clone(), f.clone())))
                .collect(),
            forgotten: rooms().filter_map(|r| r.forgotten).max(),
        }
    }

    /// From the log alone, folded once more up to an instant: for those who have no recorder running.
    pub async fn folded(store: &Store, now: Stamp) -> Result<Self, StoreError> {
        let mut judge = Judge::default();
        store
            .fold(|input| {
                judge.step(input);
            })
            .await?;
        judge.step(&crate::watch::Input::Tick { at: now });
        Ok(Self::of(judge.models()))
    }
}

/// The account of a winter as things stand; none where nothing is known of it. `chosen` are days that
/// somebody asked for instead of those that follow from the stock.
pub async fn account(
    store: &Store,
    place: &Place,
    winter: i32,
    chosen: Option<Period>,
    forecasts: Forecasts,
    now: Stamp,
) -> Result<Option<Account>, StoreError> {
    let calendar = place.calendar;
    sum_up(store, &calendar).await?;
    let yardsticks = store.yardsticks().await?;
    let entries = entries(store).await?;
    let heard = heard(store, &yardsticks, &calendar, winter).await?;
    let Some(period) = days_of(winter, chosen, &entries, heard, &calendar) else {
        return Ok(None);
    };
    let (from, end) = calendar.span(period);
    if now <= from {
        return Ok(None);
    }
    let to = end.min(now);
    let mut gathered = Gathered::new(&calendar, period, now);
    let numbers = (calendar::number(period.from), calendar::number(period.to));
    for (id, yardstick) in &yardsticks.0 {
        // One sensor at a time is in memory.
        let sheets = store.sheets(*id, numbers.0, numbers.1).await?;
        let sheets = sheets
            .into_iter()
            .map(|(day, sheet)| Ok::<_, StoreError>((calendar.day(calendar::date(day)), sheet)));
        gathered.sensor(yardstick, sheets)?;
    }
    let responded = store.responded(from, to).await?;
    let offs = store.offs(i64::MAX).await?;
    // As it was said at the end of the period: what is configured later changes no winter that is over.
    let said = |did: &Did| match &did.act {
        Act::Settings(settings) => Some(settings.altitude_m),
        _ => None,
    };
    let altitude_m = match responded
        .acts
        .iter()
        .filter(|d| d.at < to)
        .filter_map(said)
        .next_back()
    {
        Some(altitude) => altitude,
        None => store.last_settings().await?.map_or(0.0, |s| s.altitude_m),
    };
    let about = About {
        form: FORM,
        program: concat!("overwinter ", env!("CARGO_PKG_VERSION")).to_owned(),
        store: place.name.clone(),
        winter: period::name(winter),
        altitude_m,
        zone: calendar.zone().name().to_owned(),
        first_day: period.from,
        end_day: period.to,
        from: from.to_utc(),
        to: to.to_utc(),
        over: end <= now,
        chosen: chosen.is_some(),
    };
    // A ledger of years and a winter of crates take a moment.
    let made = spawn_blocking(move || {
        let off: Vec<(Stamp, Stamp)> = offs.iter().rev().map(|o| (o.from, o.to)).collect();
        let conditions = gathered.finish(&calendar, &yardsticks, &off, &entries);
        let day = |at: chrono::DateTime<chrono::Utc>| calendar.day_of(at.into()).date;
        let lost = losses(&entries, period, day);
        let mut said = responses(&History {
            from,
            to,
            calendar: &calendar,
            alerts: &responded.alerts,
            acts: &responded.acts,
            messages: &responded.messages,
            entries: &entries,
            forecasts: &forecasts.made,
            forgotten: forecasts.forgotten,
            heard: &responded.heard,
        });
        if about.over {
            // Counted since the beginning: it would change a winter that is over.
            said.heard.clear();
        }
        Account::of(about, conditions, lost, said)
    })
    .await;
    match made {
        Ok(account) => Ok(Some(account)),
        Err(fault) => match fault.try_into_panic() {
            Ok(panic) => std::panic::resume_unwind(panic),
            Err(_) => Ok(None),
        },
    }
}

async fn entries(store: &Store) -> Result<Vec<Entry>, StoreError> {
    let mut all: Vec<Entry> = Vec::new();
    loop {
        let after = all.last().map_or(EntryId(0), |e| e.id);
        let more = store.entries_after(after, ENTRIES_AT_ONCE).await?;
        if more.is_empty() {
            return Ok(all);
        }
        all.extend(more);
    }
}

/// The first and the last day of a winter on which a sensor of a room said anything.
async fn heard(
    store: &Store,
    yardsticks: &Yardsticks,
    calendar: &Calendar,
    winter: i32,
) -> Result<Option<(NaiveDate, NaiveDate)>, StoreError> {
    let whole = Period::whole(winter);
    let (first, end) = (calendar::number(whole.from), calendar::number(whole.to));
    let made = store.sheets_made().await?;
    let of_rooms = made.into_iter().filter(|(id, day, _)| {
        let role = || {
            let yardstick = yardsticks.0.get(id)?;
            let ends = calendar.day(calendar::date(*day)).to;
            Some(yardstick.spans[yardstick.at(ends.plus(-1))].role)
        };
        (first..end).contains(day) && matches!(role(), Some(Role::Air | Role::Crate))
    });
    let days = of_rooms.map(|(_, day, _)| day);
    let ends = days.fold(None, |ends: Option<(i64, i64)>, day| {
        let (a, b) = ends.unwrap_or((day, day));
        Some((a.min(day), b.max(day)))
    });
    Ok(ends.map(|(a, b)| (calendar::date(a), calendar::date(b))))
}

#[derive(Debug, Clone)]
struct Kept {
    account: Option<Arc<Account>>,
    moved: Moved,
    made_at: Stamp,
    asked_at: Stamp,
}

impl Kept {
    /// It was made long ago, or, after the clock was put back, in times to come.
    fn is_old(&self, now: Stamp) -> bool {
        !(0..FRESH_MS).contains(&now.since(self.made_at))
    }

    /// Another one would say the same. A winter that goes on grows by the hour also where nothing is heard.
    fn is_current(&self, moved: &Moved, now: Stamp) -> bool {
        let is_over = self.account.as_ref().is_some_and(|a| a.about.over);
        self.moved == *moved && (!self.is_old(now) || (is_over && self.made_at <= now))
    }
}

/// Accounts that were made, for pages: what is kept is shown at once and made anew behind the page.
#[derive(Debug, Clone, Default)]
pub struct Accounts {
    kept: Arc<Mutex<BTreeMap<i32, Kept>>>,
    /// One is made at a time.
    turn: Arc<Turn<()>>,
}

impl Accounts {
    fn kept(&self, winter: i32, now: Stamp) -> Option<Kept> {
        let mut all = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let kept = all.get_mut(&winter)?;
        kept.asked_at = now;
        Some(kept.clone())
    }

    fn keep(&self, winter: i32, kept: Kept) {
        let mut all = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        all.insert(winter, kept);
        while KEPT < all.len() {
            // Winters of which nothing is known are soon asked for again.
            let worth = |k: &Kept| (k.account.is_some(), k.asked_at);
            let oldest = all.iter().min_by_key(|(_, k)| worth(k)).map(|(w, _)| *w);
            let Some(oldest) = oldest else { break };
            all.remove(&oldest);
        }
    }

    /// The account of a winter as it is kept, or made now where none is. One that may have changed is
    /// shown all the same, and made anew for the next who asks.
    pub async fn get(
        &self,
        store: &Store,
        place: &Place,
        winter: i32,
        models: &Models,
        now: Stamp,
    ) -> Result<Option<Arc<Account>>, StoreError> {
        let Some(kept) = self.kept(winter, now) else {
            return self.make(store, place, winter, models, now).await;
        };
        let moved = store.moved_on().await?;
        // What only readings changed can wait; what people did is looked for at once.
        if moved.by_people(&kept.moved) {
            return self.make(store, place, winter, models, now).await;
        }
        let stale = !kept.is_current(&moved, now) && kept.is_old(now);
        if stale && self.turn.try_lock().is_ok() {
            let (own, store, place, models) =
                (self.clone(), store.clone(), place.clone(), models.clone());
            tokio::spawn(async move {
                if let Err(error) = own.make(&store, &place, winter, &models, now).await {
                    tracing::warn!(?error, "the account of a winter could not be made anew");
                }
            });
        }
        Ok(kept.account)
    }

    /// Waits until no account is made: each takes the memory of a winter.
    pub async fn turn(&self) -> MutexGuard<'_, ()> {
        self.turn.lock().await
    }

    async fn make(
        &self,
        store: &Store,
        place: &Place,
        winter: i32,
        models: &Models,
        now: Stamp,
    ) -> Result<Option<Arc<Account>>, StoreError> {
        let _turn = self.turn.lock().await;
        let moved = store.moved_on().await?;
        if let Some(kept) = self.kept(winter, now)
            && kept.is_current(&moved, now)
        {
            // Somebody else waited for the same.
            return Ok(kept.account);
        }
        let forecasts = Forecasts::of(models);
        let made = account(store, place, winter, None, forecasts, now).await?;
        let made = made.map(Arc::new);
        self.keep(
            winter,
            Kept {
                account: made.clone(),
                moved,
                made_at: now,
                asked_at: now,
            },
        );
        Ok(made)
    }
}

/// Winters of which anything is known, the newest first.
pub async fn known(store: &Store, calendar: &Calendar, now: Stamp) -> Result<Vec<i32>, StoreError> {
    let Some((first, last)) = store.reach().await? else {
        return Ok(Vec::new());
    };
    let winter = |at: Stamp| crate::stock::winter::winter_of(calendar.day_of(at).date);
    let (first, last) = (winter(first), winter(last.min(now.plus(HOUR_MS))));
    let stretches: BTreeMap<i32, (Stamp, Stamp)> = (first..=last)
        .map(|w| (w, calendar.span(Period::whole(w))))
        .collect();
    let mut known = store.known_in(&stretches).await?;
    known.reverse();
    Ok(known)
}
