//! The judge over recorded readings, without a database: which alerts would have been raised.

use std::collections::BTreeMap;

use super::backtest::Backtest;
use crate::{
    notify::telling::Telling,
    watch::{
        CrateFacts, Heard, Input, Judge, Reading, SensorId, SensorName, Settings, Stamp,
        Transition, Values,
        reading::{Merge, Refused, merge, union},
    },
};

/// Feeds readings to a judge in the order given.
pub struct Replay {
    backtest: Backtest,
    ids: BTreeMap<SensorName, SensorId>,
    /// Given to the judge with the first reading: before that nothing was expected.
    settings: Option<Settings>,
    /// Crates that stand there from the first reading on.
    crates: Vec<CrateFacts>,
    last: BTreeMap<SensorId, (Stamp, Values)>,
    clock: Stamp,
    seq: u64,
}

impl Replay {
    /// Starts with an empty memory; sensors get keys in the order of the settings.
    pub fn new(mut settings: Settings, telling: &Telling) -> Self {
        for (key, sensor) in (1..).zip(&mut settings.sensors) {
            sensor.id = SensorId(key);
        }
        let ids = settings.sensors.iter().map(|s| (s.name.clone(), s.id));
        Self {
            backtest: Backtest::new(telling),
            ids: ids.collect(),
            settings: Some(settings),
            crates: Vec::new(),
            last: BTreeMap::new(),
            clock: Stamp(i64::MIN),
            seq: 0,
        }
    }

    /// With crates that stand there from the first reading on.
    #[must_use]
    pub fn listing(self, crates: Vec<CrateFacts>) -> Self {
        Self { crates, ..self }
    }

    /// Takes in one reading and tells what changed. It was received when the file says so, else when
    /// it was measured; what repeats the reading before it is passed over.
    pub fn feed(&mut self, heard: &Heard) -> Result<Vec<Transition>, Refused> {
        let Some(&sensor) = self.ids.get(&heard.sensor) else {
            return Err(Refused::unknown_sensor(heard.line, &heard.sensor));
        };
        let Some(measured_at) = heard.device_at.or(heard.received_at) else {
            let why = "a replay needs `measured_at` on every row";
            return Err(Refused::new(heard.line, heard.sensor.as_str(), why));
        };
        let received_at = heard.received_at.unwrap_or(measured_at).max(self.clock);
        self.clock = received_at;
        let mut told = Vec::new();
        if let Some(settings) = self.settings.take() {
            told = self.backtest.feed(&Input::Settings {
                at: received_at,
                settings,
            });
            told.extend(self.backtest.feed(&Input::Crates {
                at: received_at,
                changed: std::mem::take(&mut self.crates),
                gone: Vec::new(),
            }));
        }
        let known = match self.last.get(&sensor) {
            Some(&(at, values)) if at == measured_at => values,
            _ => Values::default(),
        };
        let (Merge::New(values), _) = merge(known, heard.values) else {
            return Ok(told);
        };
        self.last
            .insert(sensor, (measured_at, union(known, values)));
        self.seq += 1;
        told.extend(self.backtest.feed(&Input::Reading(Reading {
            seq: self.seq,
            sensor,
            measured_at,
            received_at,
            values,
        })));
        Ok(told)
    }

    /// Takes in what a person did.
    pub fn act(&mut self, input: &Input) -> Vec<Transition> {
        self.clock = self.clock.max(input.at());
        self.backtest.feed(input)
    }

    /// The judge after the last reading.
    pub fn judge(&self) -> &Judge {
        self.backtest.judge()
    }

    /// What people would have been told.
    pub fn backtest(&self) -> &Backtest {
        &self.backtest
    }
}
