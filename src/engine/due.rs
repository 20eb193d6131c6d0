//! What is due, and how the spring stands, from what the store and the judge know.

use std::{collections::BTreeMap, sync::Arc};

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;

use crate::{
    notify::telling::{local, moment},
    season::standing::{Looks, standing},
    stock::{
        due::{self, Due, Spring, Standing},
        ledger::Stock,
        plan::{Dates, Plan, dates, plan},
        winter::{date_settings, first_day, inputs, winter_of},
    },
    store::{Store, StoreError},
    watch::{Models, Settings, Stamp},
};

/// How the coming spring stands.
#[derive(Debug)]
pub struct Outlook {
    /// The stock.
    pub stock: Arc<Stock>,
    /// Every variety.
    pub plan: Plan,
    /// The days.
    pub dates: Dates,
    /// Past winters were counted.
    pub past_winters: bool,
}

/// Where and when it is asked.
#[derive(Debug, Clone, Copy)]
pub struct Here {
    /// The farm's time zone.
    pub zone: Tz,
    /// Now.
    pub now: Stamp,
}

impl Here {
    /// The day of an instant.
    pub fn day(self, at: DateTime<Utc>) -> NaiveDate {
        local(self.zone, at.into()).date()
    }

    /// Today.
    pub fn today(self) -> NaiveDate {
        self.day(self.now.to_utc())
    }

    /// When this winter began.
    pub fn winter(self) -> Stamp {
        let first = first_day(winter_of(self.today()));
        moment(self.zone, first, NaiveTime::MIN)
    }
}

/// How the coming spring stands.
pub async fn outlook(
    store: &Store,
    settings: &Settings,
    here: Here,
) -> Result<Outlook, StoreError> {
    let (stock, record) = (store.stock().await?, store.winters(here.winter()).await?);
    let today = here.today();
    let season = stock.season(winter_of(today));
    let dates = dates(&date_settings(settings.planting, &season), today);
    let day = |at| here.day(at);
    let (varieties, farm) = inputs(&stock, &record, dates.planting.day, today, day);
    Ok(Outlook {
        plan: plan(&varieties, &farm),
        past_winters: farm.past.of != 0,
        stock,
        dates,
    })
}

/// The crates as they stand, with when each is to be looked at.
pub async fn crates(
    store: &Store,
    stock: &Stock,
    settings: &Settings,
    models: &Models,
    here: Here,
) -> Result<Vec<Standing>, StoreError> {
    let last = store.last_looks(here.winter()).await?;
    let came = store.first_entries().await?;
    let looks: BTreeMap<_, _> = came
        .into_iter()
        .map(|(id, came)| {
            let last = last.get(&id);
            let looks = Looks {
                came,
                last: last.map(|l| l.at),
                bad: last.and_then(|l| l.bad_at),
            };
            (id, looks)
        })
        .collect();
    let day = |at| here.day(at);
    Ok(standing(stock, &looks, settings, models, here.now, day))
}

/// All that is due, the earliest first.
pub async fn due(
    store: &Store,
    settings: &Settings,
    models: &Models,
    here: Here,
) -> Result<Vec<Due>, StoreError> {
    let outlook = outlook(store, settings, here).await?;
    let crates = crates(store, &outlook.stock, settings, models, here).await?;
    let totals = &outlook.plan.totals;
    let spring = Spring {
        dates: outlook.dates,
        short: totals.short,
        clumps: totals.clumps,
        tubers: totals.have,
    };
    Ok(due::due(&crates, &spring))
}
