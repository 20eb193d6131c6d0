//! The crates on their way from the field, with the air they dried in.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};

use super::super::super::Site;
use crate::{
    engine::{Status, due::Here},
    season::standing::{is_packed, is_washed},
    stock::{
        CrateCode,
        field::{self, At, Wet},
        ledger::{CrateId, Steps, Stock},
    },
    store::StoreError,
    watch::{
        Role, Stamp,
        reading::{HOUR_MS, MINUTE_MS},
    },
};

/// Crates stay on the page for so many days after they were packed.
const PACKED_DAYS: i64 = 14;
/// Air is looked at for at most so long; tubers that lie bare for longer are long over-dry.
const LOOKED_BACK_MS: i64 = 14 * 24 * HOUR_MS;
/// Stretches over which the air of a room is meant, in milliseconds: as long as the longest time between
/// two words of its sensors, within these bounds, so that none is counted that no word speaks for.
const STRETCH_MS: (i64, i64) = (30 * MINUTE_MS, 2 * HOUR_MS);

/// A crate on its way, or packed not long ago.
#[derive(Debug, Clone)]
pub(super) struct Way {
    pub(super) id: CrateId,
    pub(super) code: CrateCode,
    pub(super) steps: Steps,
    pub(super) washed: bool,
    pub(super) at: At,
    /// Hours of drying air since it was wet, where a sensor tells.
    pub(super) hours: Option<f64>,
    pub(super) wet: Option<Wet>,
}

/// Every crate on its way or packed not long ago, those that wait longest first.
pub(super) async fn ways(
    site: &Site,
    status: &Status,
    stock: &Stock,
    here: Here,
) -> Result<Vec<Way>, StoreError> {
    let now = here.now.to_utc();
    let mut ways = Vec::new();
    for (id, krate) in stock.crates() {
        let lots: Vec<_> = stock.content(id).map(|(_, lot, _)| lot).collect();
        if lots.is_empty() {
            continue;
        }
        let washed = is_washed(lots);
        let at = if is_packed(krate, washed) {
            At::Packed
        } else {
            field::at(&krate.steps, washed)
        };
        let lately = |packed: DateTime<Utc>| (now - packed).num_days() < PACKED_DAYS;
        if at == At::Packed && !krate.steps.packed.is_some_and(lately) {
            continue;
        }
        ways.push(Way {
            id,
            code: krate.code.clone(),
            steps: krate.steps,
            washed,
            at,
            hours: None,
            wet: None,
        });
    }
    let mut air: BTreeMap<String, Option<Means>> = BTreeMap::new();
    for way in ways.iter_mut().filter(|w| w.at != At::Packed) {
        let Some(wet_at) = field::wetted(&way.steps, way.washed) else {
            continue;
        };
        let room = stock
            .krate(way.id)
            .map_or("", |c| c.room.trim())
            .to_lowercase();
        if !air.contains_key(&room) {
            let found = room_means(site, status, &room, here.now).await?;
            air.insert(room.clone(), found);
        }
        if let Some(Some(Means { over, means })) = air.get(&room) {
            let since = Stamp::from(wet_at);
            let own = means.iter().filter(|(at, ..)| since <= *at);
            let own = own.map(|(_, t, rh)| (*t, *rh));
            way.hours = Some(field::drying_hours(own, *over as f64 / HOUR_MS as f64));
        }
        way.wet = field::wet(&way.steps, way.washed, way.hours, now);
    }
    ways.sort_by_key(|w| (w.at, field::wetted(&w.steps, w.washed), w.code.clone()));
    Ok(ways)
}

/// The air of a room in means.
struct Means {
    /// Length of a stretch in milliseconds.
    over: i64,
    /// Its beginning, C and percent.
    means: Vec<(Stamp, f64, f64)>,
}

/// The air of a room; none without a sensor for temperature and
/// humidity.
async fn room_means(
    site: &Site,
    status: &Status,
    room: &str,
    now: Stamp,
) -> Result<Option<Means>, StoreError> {
    let sensors: Vec<_> = status
        .settings
        .sensors
        .iter()
        .filter(|s| s.role == Role::Air && s.room.to_lowercase() == room)
        .collect();
    let longest = sensors
        .iter()
        .map(|s| s.interval_ms)
        .max()
        .unwrap_or_default();
    let over = longest.clamp(STRETCH_MS.0, STRETCH_MS.1);
    let mut sums: BTreeMap<Stamp, (f64, f64, f64)> = BTreeMap::new();
    for sensor in sensors {
        for mean in site
            .store
            .means(sensor.id, now.plus(-LOOKED_BACK_MS), over)
            .await?
        {
            if let Some(humidity) = mean.humidity {
                let (n, t, rh) = sums.entry(mean.at).or_default();
                *n += 1.0;
                *t += mean.temperature;
                *rh += humidity;
            }
        }
    }
    if sums.is_empty() {
        return Ok(None);
    }
    let means = sums.into_iter().map(|(at, (n, t, rh))| (at, t / n, rh / n));
    Ok(Some(Means {
        over,
        means: means.collect(),
    }))
}
