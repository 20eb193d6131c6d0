//! A look back: which alerts other limits would have raised over what is recorded, and how many
//! messages on which day.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::Serialize;

use crate::{
    notify::{
        plan::Plan,
        telling::{Contact, Owed, Purpose, Telling, local},
    },
    store::{Store, StoreError},
    watch::{
        Input, Judge, Occurrence, Priority, SensorId, SensorName, Settings, Stamp, Transition,
    },
};

/// What came to pass on one local day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct DayCount {
    /// Alerts raised.
    pub raised: u32,
    /// Messages, one for each person told; reminders, summaries and tests left out.
    pub messages: u32,
    /// Daily reminders.
    pub reminders: u32,
    /// Morning summaries.
    pub summaries: u32,
}

impl DayCount {
    /// Counts one message.
    pub fn add(&mut self, purpose: Purpose) {
        match purpose {
            Purpose::Remind => self.reminders += 1,
            Purpose::Summary => self.summaries += 1,
            Purpose::Test => {}
            _ => self.messages += 1,
        }
    }
}

/// The judge and the plan of messages together, over inputs of the past in their order.
#[derive(Debug)]
pub struct Backtest {
    judge: Judge,
    plan: Plan,
    telling: Telling,
    /// Every change, where it is kept.
    pub told: Vec<Transition>,
    keeps: bool,
    begun: bool,
    /// Every message that would have been owed.
    pub owed: Vec<Owed>,
    /// Every alert that would have been raised, and when.
    pub raised: Vec<(Stamp, Occurrence)>,
}

impl Backtest {
    /// Begins with nothing. Where nobody is told, one person who hears everything stands in, so that
    /// there is something to count.
    pub fn new(telling: &Telling) -> Self {
        let mut telling = telling.clone();
        if telling.contacts.is_empty() {
            telling.contacts.push(Contact {
                name: "you".to_owned(),
                channels: SensorName::new("any").into_iter().collect(),
                least: Priority::Low,
                after_ms: 0,
                quiet: None,
                summary: true,
            });
        }
        Self {
            judge: Judge::new(),
            plan: Plan::default(),
            telling,
            told: Vec::new(),
            keeps: false,
            begun: false,
            owed: Vec::new(),
            raised: Vec::new(),
        }
    }

    /// The judge after the last input.
    pub fn judge(&self) -> &Judge {
        &self.judge
    }

    /// Takes in one input; tells what changed, deadlines before it included.
    pub fn feed(&mut self, input: &Input) -> Vec<Transition> {
        let mut told = Vec::new();
        // Who is told depends on what stood at each deadline, so they are crossed one by one. While the
        // recorder was off there were none.
        let until = match input {
            Input::Started { off_from, .. } => *off_from,
            _ => input.at(),
        };
        loop {
            let judge = self.judge.due_before(until);
            let plan = self.plan.due().filter(|due| *due <= until);
            let Some(due) = judge.into_iter().chain(plan).min() else {
                break;
            };
            let changes = self.judge.step(&Input::Tick { at: due });
            self.tell(due.max(self.judge.now()), &changes);
            told.extend(changes);
        }
        let changes = self.judge.step(input);
        self.tell(input.at(), &changes);
        told.extend(changes);
        told
    }

    fn tell(&mut self, at: Stamp, changes: &[Transition]) {
        if self.keeps {
            self.told.extend_from_slice(changes);
        }
        for t in changes.iter().filter(|t| t.raises()) {
            self.raised.push((t.at, t.occurrence.clone()));
        }
        if self.begun && changes.is_empty() && self.plan.due().is_none_or(|due| at < due) {
            return;
        }
        self.begun = true;
        let standing = self.judge.standing();
        self.owed
            .extend(self.plan.step(at, &standing, &self.telling));
    }

    /// What came to pass on each local day from an instant on.
    pub fn days(&self, since: Stamp) -> BTreeMap<NaiveDate, DayCount> {
        let mut days: BTreeMap<NaiveDate, DayCount> = BTreeMap::new();
        let day = |at| local(self.telling.zone, at).date();
        for (at, _) in self.raised.iter().filter(|(at, _)| since <= *at) {
            days.entry(day(*at)).or_default().raised += 1;
        }
        for owed in self.owed.iter().filter(|o| since <= o.at) {
            days.entry(day(owed.at)).or_default().add(owed.purpose);
        }
        days
    }

    /// Messages from an instant on; reminders, summaries and tests left out.
    pub fn messages(&self, since: Stamp) -> usize {
        let owed = self.owed.iter().filter(|o| since <= o.at);
        owed.filter(|o| o.purpose.interrupts()).count()
    }

    /// An act of a person, about the alert that stands here where it names one that does not: who
    /// acknowledged too dry at 75 % would have acknowledged it at 72 % as well.
    fn about_what_stands(&self, input: &Input) -> Input {
        let mut input = input.clone();
        if let Input::Acknowledge { occurrence, .. }
        | Input::Shelve { occurrence, .. }
        | Input::Unshelve { occurrence, .. }
        | Input::Reset { occurrence, .. } = &mut input
        {
            let standing = self.judge.standing();
            let same = standing.iter().find(|s| {
                s.occurrence.kind == occurrence.kind && s.occurrence.subject == occurrence.subject
            });
            if let Some(same) = same {
                occurrence.clone_from(&same.occurrence);
            }
        }
        input
    }
}

/// What was recorded, judged by these settings from the beginning. Changes of limits at the time are
/// left out, what people did is kept; failing channels are not played again.
pub async fn recorded(
    store: &Store,
    mut settings: Settings,
    telling: &Telling,
) -> Result<Backtest, StoreError> {
    let ids: BTreeMap<String, SensorId> = store
        .sensor_names()
        .await?
        .into_iter()
        .map(|(id, name)| (name, id))
        .collect();
    // A sensor that was never heard gets a key that nothing has.
    let mut free = ids.values().map(|id| id.0).max().unwrap_or(0);
    for sensor in &mut settings.sensors {
        sensor.id = ids.get(sensor.name.as_str()).copied().unwrap_or_else(|| {
            free += 1;
            SensorId(free)
        });
    }
    let mut backtest = Backtest::new(telling);
    backtest.keeps = true;
    let mut first = true;
    store
        .fold(|input| {
            if first {
                first = false;
                backtest.feed(&Input::Settings {
                    at: input.at(),
                    settings: settings.clone(),
                });
            }
            match input {
                Input::Settings { .. } | Input::Channel { .. } => {}
                Input::Reading(_) => {
                    backtest.feed(input);
                }
                other => {
                    let other = backtest.about_what_stands(other);
                    backtest.feed(&other);
                }
            }
        })
        .await?;
    Ok(backtest)
}

/// What was really sent on each local day from an instant on. One message by several channels is one.
pub async fn sent(
    store: &Store,
    telling: &Telling,
    since: Stamp,
) -> Result<BTreeMap<NaiveDate, DayCount>, StoreError> {
    let mut days: BTreeMap<NaiveDate, DayCount> = BTreeMap::new();
    let mut last = None;
    for row in store.told(since).await? {
        let this = (
            row.at,
            row.contact.clone(),
            row.purpose.clone(),
            row.occurrences.clone(),
        );
        if row.at < since || last.as_ref() == Some(&this) {
            continue;
        }
        last = Some(this);
        if let Some(purpose) = Purpose::parse(&row.purpose) {
            let day = local(telling.zone, row.at).date();
            days.entry(day).or_default().add(purpose);
        }
    }
    Ok(days)
}
