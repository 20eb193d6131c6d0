//! From what was heard to what is stored: which sensor, which instant, new or known.

use std::collections::{BTreeMap, HashMap, HashSet};

use crate::{
    inbox::{CONFLICTS_NAMED, Receipt},
    store::{StoreError, Tx, sources::Tally},
    watch::{
        Heard, Reading, SensorId, SensorName, Stamp, Values,
        reading::{AHEAD_MS, HOUR_MS, Merge, Refused, clock_is_wrong, merge, union},
    },
};

/// A device that does not know the time and repeats itself within this is taken to have sent the
/// same reading twice; later it may have started anew from the same false time.
const ODD_REPEAT_MS: i64 = HOUR_MS;

/// What the writer knows of sensors beside the judge.
#[derive(Debug, Clone, Default)]
pub(super) struct Sensors {
    pub ids: BTreeMap<SensorName, SensorId>,
    /// Newest instant stored of each sensor; anything later is new without a look at the store.
    pub newest: BTreeMap<SensorId, Stamp>,
    pub next_seq: u64,
}

/// Readings that are new in this transaction, in order, and the part of its instant each one is.
#[derive(Default)]
pub(super) struct Fresh {
    pub readings: Vec<Reading>,
    pub parts: Vec<i64>,
    /// What is stored or about to be, for instants that were asked for.
    known: HashMap<(SensorId, Stamp), (i64, Values)>,
}

impl Fresh {
    fn remember(&mut self, stored: Vec<((SensorId, Stamp), i64, Values)>) {
        for (key, part, values) in stored {
            let entry = self.known.entry(key).or_default();
            entry.0 = entry.0.max(part + 1);
            entry.1 = union(entry.1, values);
        }
    }
}

struct Placed<'a> {
    heard: &'a Heard,
    sensor: SensorId,
    measured_at: Stamp,
    received_at: Stamp,
    /// What the device claimed, where that could not be used.
    odd: Option<Stamp>,
}

impl Sensors {
    /// Decides over one batch heard at `at`; nothing is taken to arrive before `floor`. This computer's
    /// clock is `behind_ms` behind `at`. Readings that are new are appended to `fresh` in order.
    #[allow(clippy::too_many_arguments)]
    pub(super) async fn accept(
        &mut self,
        tx: &mut Tx,
        source: &SensorName,
        heard: &[Heard],
        at: Stamp,
        floor: Stamp,
        behind_ms: i64,
        fresh: &mut Fresh,
    ) -> Result<(Receipt, Vec<Tally>), StoreError> {
        let mut receipt = Receipt::default();
        let mut tallies: BTreeMap<&str, Tally> = BTreeMap::new();
        let mut placed = self
            .place(tx, heard, at, floor, behind_ms, fresh, &mut receipt)
            .await?;
        self.look_up(tx, &placed, fresh).await?;

        for p in &mut placed {
            let tally = tallies
                .entry(p.heard.sensor.as_str())
                .or_insert_with(|| Tally {
                    source: source.to_string(),
                    sensor: p.heard.sensor.to_string(),
                    last_at: at.0,
                    ..Tally::default()
                });
            if p.odd.is_some() {
                // Several may arrive at one instant; each keeps one of its own.
                while self.known_at(tx, p, fresh).await?.is_some() {
                    p.measured_at = p.measured_at.plus(1);
                }
            } else if p.heard.device_at.is_none() && self.known_at(tx, p, fresh).await?.is_some() {
                // Without a time of its own it cannot contradict anything: the clock stands still or
                // was set back, and this comes after what was heard before.
                let newest = self.newest.get(&p.sensor).copied().unwrap_or_default();
                if newest.since(p.measured_at) <= AHEAD_MS {
                    p.measured_at = p.measured_at.max(newest);
                }
                if let Some(values) = self.known_at(tx, p, fresh).await?
                    && merge(values, p.heard.values).1
                {
                    p.measured_at = p.measured_at.plus(1);
                }
            }
            let key = (p.sensor, p.measured_at);
            let newest = self.newest.entry(p.sensor).or_insert(Stamp(i64::MIN));
            let known = if *newest < p.measured_at {
                None
            } else {
                fresh.known.get(&key).copied()
            };
            let (parts, values) = known.unwrap_or_default();
            let (fate, conflict) = merge(values, p.heard.values);
            if conflict {
                receipt.conflict += 1;
                if receipt.conflicts.len() < CONFLICTS_NAMED {
                    receipt.conflicts.push(contradiction(p, values));
                }
                tally.conflict += 1;
            }
            let Merge::New(left) = fate else {
                if !conflict {
                    receipt.duplicate += 1;
                    tally.duplicate += 1;
                }
                continue;
            };
            receipt.stored += 1;
            tally.stored += 1;
            *newest = (*newest).max(p.measured_at);
            fresh.known.insert(key, (parts + 1, union(values, left)));
            fresh.readings.push(Reading {
                seq: self.next_seq,
                sensor: p.sensor,
                measured_at: p.measured_at,
                received_at: p.received_at,
                values: left,
            });
            fresh.parts.push(parts);
            self.next_seq += 1;
            if let Some(device_at) = p.odd {
                tx.note_odd_clock(p.sensor, p.measured_at, device_at)
                    .await?;
            }
        }
        Ok((receipt, tallies.into_values().collect()))
    }

    /// Finds sensor and instant of each reading; unknown sensors are refused.
    #[allow(clippy::too_many_arguments)]
    async fn place<'a>(
        &self,
        tx: &mut Tx,
        heard: &'a [Heard],
        at: Stamp,
        floor: Stamp,
        behind_ms: i64,
        fresh: &Fresh,
        receipt: &mut Receipt,
    ) -> Result<Vec<Placed<'a>>, StoreError> {
        // Readings of a device without the time keep their distances; the last one is the present.
        let mut last_odd: BTreeMap<&SensorName, Stamp> = BTreeMap::new();
        let received = |h: &Heard| h.received_at.unwrap_or(at);
        // While this computer's clock is behind the log, a device that knows the time seems to speak of
        // the past; what it says is of now.
        let wall = at.plus(-behind_ms);
        let set_back = |d: Stamp| AHEAD_MS < behind_ms && wall.since(d).abs() <= AHEAD_MS;
        let odd = |h: &Heard| {
            h.device_at
                .filter(|&d| clock_is_wrong(d, received(h)) || set_back(d))
        };
        for h in heard {
            if let Some(device_at) = odd(h) {
                let last = last_odd.entry(&h.sensor).or_insert(device_at);
                *last = (*last).max(device_at);
            }
        }
        let mut clock = floor;
        let mut placed = Vec::with_capacity(heard.len());
        for h in heard {
            let Some(&sensor) = self.ids.get(&h.sensor) else {
                receipt
                    .refused
                    .push(Refused::unknown_sensor(h.line, &h.sensor));
                continue;
            };
            // The order of arrival is the order of time, whatever a file claims.
            clock = clock.max(received(h));
            // What waited for the store speaks for when it was heard, unless the clock was set back.
            let last = self.newest.get(&sensor);
            let heard_at = if last.is_none_or(|last| *last < received(h)) {
                received(h)
            } else {
                clock
            };
            let mut p = Placed {
                heard: h,
                sensor,
                measured_at: h.device_at.unwrap_or(heard_at),
                received_at: clock,
                odd: None,
            };
            if let Some(device_at) = odd(h) {
                let behind = last_odd[&h.sensor].since(device_at);
                // Never more than a winter back: a device may jump from 1970 to 2106.
                p.measured_at = clock.plus(-behind.min(200 * 24 * HOUR_MS));
                p.odd = Some(device_at);
                if let Some(given) = self.odd_repeat(tx, &p, device_at, fresh).await? {
                    p.measured_at = given;
                    p.odd = None;
                }
            }
            placed.push(p);
        }
        Ok(placed)
    }

    /// The instant that was given to this very reading when it was sent before.
    async fn odd_repeat(
        &self,
        tx: &mut Tx,
        p: &Placed<'_>,
        device_at: Stamp,
        fresh: &Fresh,
    ) -> Result<Option<Stamp>, StoreError> {
        // Distances may reach further back than that; what counts is how late the retry is.
        let not_before = p.measured_at.plus(-ODD_REPEAT_MS);
        let given = tx.odd_clock_given(p.sensor, device_at, not_before).await?;
        let keys: Vec<_> = given.iter().map(|&at| (p.sensor, at)).collect();
        let repeats = |values| merge(values, p.heard.values) == (Merge::Duplicate, false);
        // The first try may be in this very transaction.
        let here = |key: &&(SensorId, Stamp)| fresh.known.get(key).is_some_and(|k| repeats(k.1));
        if let Some((_, at)) = keys.iter().find(here) {
            return Ok(Some(*at));
        }
        let stored = tx.known(&keys).await?;
        let same = stored.iter().find(|(_, _, values)| repeats(*values));
        Ok(same.map(|((_, at), _, _)| *at))
    }

    /// What is stored or about to be for the instant of one reading.
    async fn known_at(
        &self,
        tx: &mut Tx,
        p: &Placed<'_>,
        fresh: &mut Fresh,
    ) -> Result<Option<Values>, StoreError> {
        let key = (p.sensor, p.measured_at);
        let past = |newest: &Stamp| p.measured_at <= *newest;
        if !fresh.known.contains_key(&key) && self.newest.get(&p.sensor).is_some_and(past) {
            fresh.remember(tx.known(&[key]).await?);
        }
        Ok(fresh.known.get(&key).map(|known| known.1))
    }

    /// Fetches what is stored for instants that are not later than everything of their sensor.
    async fn look_up(
        &self,
        tx: &mut Tx,
        placed: &[Placed<'_>],
        fresh: &mut Fresh,
    ) -> Result<(), StoreError> {
        let mut newest = self.newest.clone();
        let mut asked = HashSet::new();
        let mut wanted = Vec::new();
        for p in placed {
            let key = (p.sensor, p.measured_at);
            let last = newest.entry(p.sensor).or_insert(Stamp(i64::MIN));
            if *last < p.measured_at {
                *last = p.measured_at;
            } else if !fresh.known.contains_key(&key) && asked.insert(key) {
                wanted.push(key);
            }
        }
        if wanted.is_empty() {
            return Ok(());
        }
        fresh.remember(tx.known(&wanted).await?);
        Ok(())
    }
}

/// Both words about one instant; the first stands.
fn contradiction(p: &Placed<'_>, kept: Values) -> Refused {
    let words = |v: Values| {
        let unit = |n: Option<i32>, unit| n.map(|n| format!("{} {unit}", f64::from(n) / 1000.0));
        let battery = v.battery_pct.map(|b| format!("battery {b} %"));
        let all = [
            unit(v.temperature_mc, "C"),
            unit(v.humidity_mpct, "%"),
            battery,
        ];
        all.into_iter().flatten().collect::<Vec<_>>().join(" ")
    };
    let why = format!(
        "sensor `{}` said {} at {} before; that is kept",
        p.heard.sensor,
        words(kept),
        p.measured_at.to_rfc3339()
    );
    Refused::new(p.heard.line, &words(p.heard.values), why)
}
