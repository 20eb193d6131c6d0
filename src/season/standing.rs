//! The crates as they stand today, with what their air threatens, for what is due.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use crate::{
    stock::{
        due::Standing,
        field,
        ledger::{Crate, CrateId, Lot, Stock},
        round::{self, Look, Risk},
    },
    watch::{
        Priority, Settings, Stage, Stamp,
        models::{
            Models,
            threat::{Threat, threats},
        },
    },
};

/// How long a crate may be on its way from the field before it is taken to be stored. Our choice: tubers
/// dry for one to three days (common practice).
const ON_ITS_WAY: TimeDelta = TimeDelta::days(7);

/// What the ledger tells of looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Looks {
    /// When the first entry about the crate was made.
    pub came: DateTime<Utc>,
    /// The last look.
    pub last: Option<DateTime<Utc>>,
    /// The last one that found what spreads or comes back.
    pub bad: Option<DateTime<Utc>>,
}

/// Whether a crate's content is in its packing: somebody said so, or it came on a list of what is in store.
pub fn is_packed(krate: &Crate, washed: bool) -> bool {
    let steps = &krate.steps;
    let known = steps.lifted.is_some() || steps.cleaned.is_some() || steps.skins_dry.is_some();
    field::at(steps, washed) == field::At::Packed || !known
}

/// Whether anything in it was washed.
pub fn is_washed<'a>(lots: impl IntoIterator<Item = &'a Lot>) -> bool {
    lots.into_iter().any(|lot| lot.prepared.washed)
}

/// One crate as it stands.
#[derive(Debug, Clone)]
pub struct Stands {
    /// Which.
    pub id: CrateId,
    /// What its next look follows from.
    pub check: round::Standing,
    /// What threatens it most.
    pub worst: Option<Threat>,
    /// What is due with it.
    pub standing: Standing,
}

/// Every crate that holds anything. `day` tells the day of an instant where the farm is.
pub fn standing(
    stock: &Stock,
    looks: &BTreeMap<CrateId, Looks>,
    settings: &Settings,
    models: &Models,
    now: Stamp,
    day: impl Fn(DateTime<Utc>) -> NaiveDate,
) -> Vec<Stands> {
    let today = day(now.to_utc());
    let mut washed: BTreeMap<CrateId, bool> = BTreeMap::new();
    for (_, lot, _) in stock.lots().filter(|(.., count)| *count != 0) {
        *washed.entry(lot.krate).or_default() |= lot.prepared.washed;
    }
    let held = washed.into_iter();
    held.filter_map(|(id, washed)| {
        let krate = stock.krate(id)?;
        let known = looks.get(&id);
        let packed = is_packed(krate, washed);
        let came = (krate.steps.packed.filter(|_| packed))
            .or(krate.steps.lifted)
            .or(known.map(|l| l.came));
        let came = came.map_or(today, &day);
        // It is in hands every day; later it was packed, and nobody said so.
        let on_its_way = !packed && today.signed_duration_since(came) <= ON_ITS_WAY;
        let room = settings
            .rooms
            .iter()
            .find(|r| r.name.eq_ignore_ascii_case(krate.room.trim()));
        let stand = models.krate(krate.code.as_str());
        let stand = stand.and_then(|k| models.stand(k, now));
        let worst = stand
            .zip(room)
            .and_then(|(stand, room)| threats(&stand, &room.in_force()).first().copied());
        let check = round::Standing {
            packed: came,
            looked: known
                .and_then(|l| l.last.map(|at| (at, l.bad)))
                .map(|(at, bad)| Look {
                    day: day(at),
                    bad: bad.is_some_and(|bad| day(bad) == day(at)),
                }),
            stage: match room.map(|r| r.stage) {
                Some(Stage::Curing) => round::Stage::Curing,
                Some(Stage::Waking) => round::Stage::Waking,
                Some(Stage::Empty) => round::Stage::Empty,
                Some(Stage::Storing) | None => round::Stage::Storing,
            },
            risk: match worst.and_then(Threat::priority) {
                None => Risk::None,
                Some(Priority::Low) => Risk::Soon,
                Some(Priority::Medium) => Risk::Today,
                Some(Priority::High) => Risk::Now,
            },
        };
        let weighed = models.krate(krate.code.as_str());
        let weighed = weighed.and_then(|k| k.weighings.last());
        let standing = Standing {
            code: krate.code.clone(),
            room: room.map_or_else(|| krate.room.trim().to_owned(), |r| r.name.clone()),
            packing: krate.packing.clone(),
            packed: came,
            look: round::due(&check, today).filter(|_| !on_its_way),
            weighed: weighed.map(|w| day(w.at.to_utc())),
            dries_out: field::over_dry(&krate.steps, washed)
                .filter(|_| !packed)
                .map(&day),
        };
        Some(Stands {
            id,
            check,
            worst,
            standing,
        })
    })
    .collect()
}
