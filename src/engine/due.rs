//! What is due, and how the spring stands, from what the store and the judge know.

use std::{collections::BTreeMap, sync::Arc};

use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;

use crate::{
    notify::telling::{local, moment},
    season::standing::{Looks, Stands, standing},
    stock::{
        Finding,
        due::{self, Due, Spring},
        ledger::{CrateId, Deed, Entry, Stock},
        plan::{Dates, Plan, dates, plan},
        winter::{date_settings, first_day, inputs, winter_of},
    },
    store::{Store, StoreError, looks::Visited},
    watch::{Models, Settings, Stamp, correction},
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
pub fn crates(
    visits: &BTreeMap<CrateId, Visited>,
    stock: &Stock,
    settings: &Settings,
    models: &Models,
    here: Here,
) -> Vec<Stands> {
    let looks = visits.iter().map(|(id, visited)| {
        let last = visited.looks.last().map(Entry::done_at);
        let mut bad = visited.looks.iter().filter(|look| spreads(look));
        let looks = Looks {
            came: visited.came,
            last,
            bad: bad.next_back().map(Entry::done_at),
        };
        (*id, looks)
    });
    let looks = looks.collect();
    standing(stock, &looks, settings, models, here.now, |at| here.day(at))
}

/// Whether a look found what spreads through a crate, or comes back.
fn spreads(look: &Entry) -> bool {
    let (Deed::Looked { finding, .. } | Deed::Culled { finding, .. }) = look.deed else {
        return false;
    };
    matches!(finding, Finding::Soft | Finding::Mould | Finding::Mouse)
}

/// All that is due, the earliest first.
pub async fn due(
    store: &Store,
    settings: &Settings,
    models: &Models,
    here: Here,
) -> Result<Vec<Due>, StoreError> {
    let outlook = outlook(store, settings, here).await?;
    let visits = store.visits().await?;
    let crates = crates(&visits, &outlook.stock, settings, models, here);
    let crates: Vec<_> = crates.into_iter().map(|c| c.standing).collect();
    let totals = &outlook.plan.totals;
    let spring = Spring {
        dates: outlook.dates,
        short: totals.short,
        clumps: totals.clumps,
        tubers: totals.have,
    };
    let mut all = due::due(&crates, &spring);
    let compared = correction::compared(&store.corrections().await?);
    let sensors = settings.sensors.iter().filter_map(|s| {
        let entered = compared.get(&s.name).map(|at| here.day(at.to_utc()));
        Some((s.name.as_str(), s.checked.max(entered)?))
    });
    all.extend(due::checks(sensors));
    all.sort();
    Ok(all)
}
