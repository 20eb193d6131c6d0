//! Sheets of days, brought up to date with the log.
//!
//! Readings and acts are the truth; a sheet is made of them and can be made again. What arrived since the
//! last time says which days of which sensors it touches, and these are read again in order of time. Where
//! nothing is summed yet, or most of it anew, the log is read once in its order of arrival instead, and only
//! days to which something came late are read again.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
    time::Duration,
};

use tokio::{
    sync::mpsc::{Sender, channel},
    task::spawn_blocking,
};

use crate::{
    season::{
        calendar::{Calendar, LocalDay, date},
        folding::{Folding, OutOfOrder, Vapour},
        sheet::{FORMAT, Sheet},
        yardstick::{Yardstick, Yardsticks},
    },
    store::{
        Store, StoreError, packed,
        sheets::{Made, Mark, Packed, Place},
    },
    watch::{Reading, SensorId, Stamp, Values},
};

/// Sheets kept in one transaction, so that the recorder waits for milliseconds.
const KEPT_AT_ONCE: usize = 64;
/// Sheets dropped in one transaction.
const DROPPED_AT_ONCE: u32 = 512;
/// Packed rows fetched at once, half a megabyte.
const ROWS_AT_ONCE: u32 = 8;
/// Readings of one sensor fetched at once, some days of them.
const SAID_AT_ONCE: u32 = 8192;
/// How often it is begun again when somebody else makes sheets of the same log.
const TURNS: usize = 5;
/// How long is waited for another program, a figure of this project: a winter takes about that long.
const WAIT: Duration = Duration::from_secs(1);
/// Reading a day again costs some six times as much a reading as reading the log once (measured): beyond
/// this share of the sheets all are made again.
const SHARE: u64 = 6;

/// What was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Summed {
    /// Readings that arrived since the last time.
    pub readings: u64,
    /// Sheets made, those of days that are empty now counted too.
    pub sheets: u64,
    /// All of them were made again.
    pub rebuilt: bool,
}

enum Fault {
    Store(StoreError),
    /// Somebody else began to make sheets meanwhile.
    Overtaken,
}

impl From<StoreError> for Fault {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

/// Brings the sheets up to date with the log. Whatever stops it, the next time goes on from what is kept.
pub async fn sum_up(store: &Store, calendar: &Calendar) -> Result<Summed, StoreError> {
    turns(store, calendar, false).await
}

/// Drops every sheet and makes them again.
pub async fn sum_up_again(store: &Store, calendar: &Calendar) -> Result<Summed, StoreError> {
    turns(store, calendar, true).await
}

async fn turns(store: &Store, calendar: &Calendar, again: bool) -> Result<Summed, StoreError> {
    let _turn = store.turn().await;
    for _ in 0..TURNS {
        match Run::new(store, *calendar).await?.go(again).await {
            Ok(summed) => return Ok(summed),
            // Another program makes sheets of the same log: once it is done little is left.
            Err(Fault::Overtaken) => tokio::time::sleep(WAIT).await,
            Err(Fault::Store(error)) => return Err(error),
        }
    }
    Err(StoreError::Busy)
}

/// Turns of this process.
static NEXT_TURN: AtomicU64 = AtomicU64::new(0);

/// A day of a sensor, counted from 1970.
type Day = (SensorId, i64);

struct Run<'a> {
    store: &'a Store,
    calendar: Calendar,
    yardsticks: Arc<Yardsticks>,
    /// What all yardsticks come to.
    version: String,
    /// As it stands while it is this run's turn: every transaction looks for it, so that two programs that
    /// make sheets of one log never mix them.
    turn: Mark,
    sheets: u64,
}

impl<'a> Run<'a> {
    async fn new(store: &'a Store, calendar: Calendar) -> Result<Self, StoreError> {
        let yardsticks = Arc::new(store.yardsticks().await?);
        Ok(Self {
            store,
            calendar,
            version: format!("{:016x}", yardsticks.version(&calendar)),
            yardsticks,
            turn: Mark {
                through_seq: 0,
                format: FORMAT,
                zone: String::new(),
            },
            sheets: 0,
        })
    }

    async fn go(mut self, again: bool) -> Result<Summed, Fault> {
        let zone = self.calendar.zone().name();
        let kept = self.store.summed().await?;
        let last = self.store.last_arrival().await?;
        let kept = kept.filter(|mark| {
            let same_zone = mark.zone.split(' ').next() == Some(zone);
            !again && same_zone && mark.format == FORMAT && 0 < mark.through_seq
        });
        let Some(mark) = kept else {
            return self.rebuild(last).await;
        };
        let version = mark.zone.split(' ').nth(1).unwrap_or_default();
        let stale = version != self.version;
        if last <= mark.through_seq && !stale {
            return Ok(Summed::default());
        }
        let (mut days, readings) = self.touched(mark.through_seq, last).await?;
        if stale {
            self.add_stale(&mut days).await?;
        }
        let touched = days.len() as u64;
        if KEPT_AT_ONCE as u64 <= touched && self.store.count_sheets().await? < touched * SHARE {
            return self.rebuild(last).await;
        }
        self.begin(Some(&mark), mark.through_seq, version).await?;
        self.remake(days).await?;
        self.end(last).await?;
        Ok(Summed {
            readings,
            sheets: self.sheets,
            rebuilt: false,
        })
    }

    /// Takes its turn, if the mark is still what it was.
    async fn begin(
        &mut self,
        seen: Option<&Mark>,
        through_seq: u64,
        version: &str,
    ) -> Result<(), Fault> {
        let turn = NEXT_TURN.fetch_add(1, Ordering::Relaxed);
        let (zone, program) = (self.calendar.zone().name(), std::process::id());
        self.turn = Mark {
            through_seq,
            format: FORMAT,
            zone: format!("{zone} {version} {program}-{turn}"),
        };
        let mut tx = self.store.begin().await?;
        if let Some(seen) = seen
            && tx.summed().await?.as_ref() != Some(seen)
        {
            return Err(Fault::Overtaken);
        }
        tx.set_summed(&self.turn).await?;
        Ok(tx.commit().await?)
    }

    /// Everything up to this place is in a sheet.
    async fn end(&mut self, through_seq: u64) -> Result<(), Fault> {
        let mut tx = self.store.begin().await?;
        if tx.summed().await?.as_ref() != Some(&self.turn) {
            return Err(Fault::Overtaken);
        }
        tx.set_summed(&Mark {
            through_seq,
            format: FORMAT,
            zone: format!("{} {}", self.calendar.zone().name(), self.version),
        })
        .await?;
        Ok(tx.commit().await?)
    }

    async fn keep(&mut self, sheets: &[Made]) -> Result<(), Fault> {
        for sheets in sheets.chunks(KEPT_AT_ONCE) {
            let mut tx = self.store.begin().await?;
            if tx.summed().await?.as_ref() != Some(&self.turn) {
                return Err(Fault::Overtaken);
            }
            tx.keep_sheets(sheets).await?;
            tx.commit().await?;
            self.sheets += sheets.len() as u64;
        }
        Ok(())
    }

    /// Days that are touched by what arrived after one place up to another, and how many readings that was.
    async fn touched(&self, after: u64, last: u64) -> Result<(BTreeSet<Day>, u64), Fault> {
        let (mut days, mut readings, mut from) = (BTreeSet::new(), 0, after);
        while from < last {
            let rows = self.store.arrivals(from, ROWS_AT_ONCE).await?;
            let Some(end) = rows.last().map(|row| row.last_seq) else {
                break;
            };
            from = end;
            let (calendar, yardsticks) = (self.calendar, self.yardsticks.clone());
            let found = in_the_background(move || {
                let mut touched = Touched::new(calendar);
                let mut readings = 0;
                for row in &rows {
                    packed::unpack(&row.body, |reading| {
                        if after < reading.seq && reading.seq <= last {
                            readings += 1;
                            if let Some(yardstick) = yardsticks.0.get(&reading.sensor) {
                                touched.note(reading.sensor, yardstick, reading.measured_at);
                            }
                        }
                    })?;
                }
                Ok((touched.days, readings))
            });
            let (more, n) = found.await?;
            days.extend(more);
            readings += n;
        }
        Ok((days, readings))
    }

    /// Days whose sheets were made with something else than what holds by now, and those after it that
    /// the longest hold reaches into.
    async fn add_stale(&self, days: &mut BTreeSet<Day>) -> Result<(), Fault> {
        for (sensor, day, with) in self.store.sheets_made().await? {
            let Some(yardstick) = self.yardsticks.0.get(&sensor) else {
                continue;
            };
            let local = self.calendar.day(date(day));
            if with != yardstick.version(&self.calendar, local.from, local.to) {
                let reach = self
                    .calendar
                    .day_of(local.to.plus(yardstick.longest_hold_ms()));
                days.extend((day..=reach.number()).map(|day| (sensor, day)));
            }
        }
        Ok(())
    }

    /// Makes these days again from what was said, in order of time.
    async fn remake(&mut self, days: BTreeSet<Day>) -> Result<(), Fault> {
        let mut batch = Vec::new();
        for (sensor, first, last) in runs(&days) {
            let Some(yardstick) = self.yardsticks.0.get(&sensor).cloned() else {
                continue;
            };
            let from = self.calendar.day(date(first)).from;
            let to = self.calendar.day(date(last)).to;
            let mut missing: BTreeMap<i64, LocalDay> = (first..=last)
                .map(|n| (n, self.calendar.day(date(n))))
                .collect();
            let mut work = Work {
                sensor,
                calendar: self.calendar,
                folding: Folding::new(yardstick.clone(), self.calendar),
                yardstick: yardstick.clone(),
                vapour: Vapour::default(),
                made: Vec::new(),
            };
            // From what may still hold, and what ended just then.
            let hold = yardstick.longest_hold_ms();
            let mut after: Place = (from.plus(-2 - hold), i64::MAX);
            loop {
                let rows = self.store.said(sensor, after, to, SAID_AT_ONCE).await?;
                let Some((place, _)) = rows.last() else { break };
                after = *place;
                let full = rows.len() == SAID_AT_ONCE as usize;
                work = in_the_background(move || work.take(&rows)).await?;
                pick(&mut work.made, &mut missing, &mut batch);
                while KEPT_AT_ONCE <= batch.len() {
                    let rest = batch.split_off(KEPT_AT_ONCE);
                    self.keep(&batch).await?;
                    batch = rest;
                }
                if !full {
                    break;
                }
            }
            let mut made = in_the_background(move || Ok(work.finish())).await?;
            pick(&mut made, &mut missing, &mut batch);
            batch.extend(missing.into_iter().map(|(day, local)| Made {
                sensor,
                day,
                with: yardstick.version(&self.calendar, local.from, local.to),
                body: None,
            }));
        }
        self.keep(&batch).await
    }

    /// Drops every sheet and makes them again from the log, read once up to a place.
    async fn rebuild(mut self, last: u64) -> Result<Summed, Fault> {
        self.begin(None, 0, "-").await?;
        loop {
            let mut tx = self.store.begin().await?;
            if tx.summed().await?.as_ref() != Some(&self.turn) {
                return Err(Fault::Overtaken);
            }
            let dropped = tx.drop_sheets(DROPPED_AT_ONCE).await?;
            tx.commit().await?;
            if dropped < u64::from(DROPPED_AT_ONCE) {
                break;
            }
        }
        let (to_fold, mut rows) = channel::<Vec<Packed>>(4);
        let (to_keep, mut made) = channel::<Vec<Made>>(4);
        let mut through = Through::new(self.calendar, &self.yardsticks, last, to_keep);
        let folding = spawn_blocking(move || {
            while let Some(rows) = rows.blocking_recv() {
                for row in &rows {
                    packed::unpack(&row.body, |reading| through.take(&reading))?;
                }
                if through.out.is_closed {
                    break;
                }
            }
            Ok::<_, StoreError>(through.finish())
        });
        let store = self.store;
        let read = async move {
            let mut after = 0;
            while after < last {
                let rows = store.arrivals(after, ROWS_AT_ONCE).await?;
                let Some(end) = rows.last().map(|row| row.last_seq) else {
                    break;
                };
                after = end;
                if to_fold.send(rows).await.is_err() {
                    break;
                }
            }
            Ok(())
        };
        let keep = async {
            while let Some(sheets) = made.recv().await {
                self.keep(&sheets).await?;
            }
            Ok::<(), Fault>(())
        };
        tokio::try_join!(read, keep)?;
        let (late, readings) = joined(folding.await)?;
        self.remake(late).await?;
        self.end(last).await?;
        Ok(Summed {
            readings,
            sheets: self.sheets,
            rebuilt: true,
        })
    }
}

async fn in_the_background<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, StoreError> + Send + 'static,
) -> Result<T, StoreError> {
    joined(spawn_blocking(work).await)
}

fn joined<T>(done: Result<Result<T, StoreError>, tokio::task::JoinError>) -> Result<T, StoreError> {
    done.unwrap_or_else(|error| match error.try_into_panic() {
        Ok(panic) => std::panic::resume_unwind(panic),
        // The program is ending.
        Err(_) => Err(StoreError::Busy),
    })
}

/// Takes those that were wanted; the days beside them were read in part only.
fn pick(made: &mut Vec<Made>, missing: &mut BTreeMap<i64, LocalDay>, batch: &mut Vec<Made>) {
    batch.extend(made.drain(..).filter(|m| missing.remove(&m.day).is_some()));
}

/// Unbroken runs of days of one sensor: the first and the last.
fn runs(days: &BTreeSet<Day>) -> Vec<(SensorId, i64, i64)> {
    let mut runs: Vec<(SensorId, i64, i64)> = Vec::new();
    for (sensor, day) in days {
        match runs.last_mut() {
            Some((s, _, last)) if s == sensor && *last + 1 == *day => *last = *day,
            _ => runs.push((*sensor, *day, *day)),
        }
    }
    runs
}

/// Days that are touched by readings.
struct Touched {
    calendar: Calendar,
    days: BTreeSet<Day>,
    /// The last one, since readings of one day come together.
    last: Option<(SensorId, LocalDay)>,
}

impl Touched {
    fn new(calendar: Calendar) -> Self {
        Self {
            calendar,
            days: BTreeSet::new(),
            last: None,
        }
    }

    fn note(&mut self, sensor: SensorId, yardstick: &Yardstick, at: Stamp) {
        let (from, to) = yardstick.touches(at);
        if let Some((s, day)) = &self.last
            && day.from <= from
            && to < day.to
        {
            if *s != sensor {
                self.days.insert((sensor, day.number()));
            }
            return;
        }
        let mut day = self.calendar.day_of(from);
        self.days.insert((sensor, day.number()));
        while day.to <= to {
            day = self.calendar.day_of(day.to);
            self.days.insert((sensor, day.number()));
        }
        self.last = Some((sensor, day));
    }
}

fn made(
    calendar: Calendar,
    sensor: SensorId,
    yardstick: &Yardstick,
    day: LocalDay,
    sheet: &Sheet,
) -> Made {
    Made {
        sensor,
        day: day.number(),
        with: yardstick.version(&calendar, day.from, day.to),
        body: Some(sheet.encode()),
    }
}

/// One sensor's readings in order of time, as they are read from disk.
struct Work {
    sensor: SensorId,
    calendar: Calendar,
    yardstick: Arc<Yardstick>,
    folding: Folding,
    vapour: Vapour,
    made: Vec<Made>,
}

impl Work {
    fn take(mut self, rows: &[(Place, Values)]) -> Result<Self, StoreError> {
        for ((at, _), values) in rows {
            let mut done = |day, sheet| {
                let made = made(self.calendar, self.sensor, &self.yardstick, day, &sheet);
                self.made.push(made);
            };
            self.folding
                .push(*at, *values, &mut self.vapour, &mut done)
                .map_err(|error: OutOfOrder| StoreError::Packed(error.to_string()))?;
        }
        Ok(self)
    }

    fn finish(self) -> Vec<Made> {
        let Self {
            sensor,
            calendar,
            yardstick,
            folding,
            mut vapour,
            made: mut all,
        } = self;
        folding.finish(&mut vapour, &mut |day, sheet| {
            all.push(made(calendar, sensor, &yardstick, day, &sheet));
        });
        all
    }
}

/// Sheets on their way to the disk.
struct Out {
    calendar: Calendar,
    batch: Vec<Made>,
    to: Sender<Vec<Made>>,
    /// Nobody takes them any more.
    is_closed: bool,
}

impl Out {
    fn add(&mut self, sheet: Made) {
        self.batch.push(sheet);
        if KEPT_AT_ONCE <= self.batch.len() {
            self.send();
        }
    }

    fn send(&mut self) {
        let batch = std::mem::take(&mut self.batch);
        self.is_closed |= self.to.blocking_send(batch).is_err();
    }
}

/// The log, read once in its order of arrival.
struct Through {
    out: Out,
    sensors: Vec<Option<(Arc<Yardstick>, Folding)>>,
    vapour: Vapour,
    after: u64,
    last: u64,
    readings: u64,
    /// Days to which something came late.
    late: Touched,
}

impl Through {
    fn new(calendar: Calendar, yardsticks: &Yardsticks, last: u64, to: Sender<Vec<Made>>) -> Self {
        let most = yardsticks.0.keys().last().map_or(0, |id| id.0 as usize + 1);
        let mut sensors: Vec<Option<(Arc<Yardstick>, Folding)>> = Vec::new();
        sensors.resize_with(most, || None);
        for (id, yardstick) in &yardsticks.0 {
            let folding = Folding::new(yardstick.clone(), calendar);
            sensors[id.0 as usize] = Some((yardstick.clone(), folding));
        }
        Self {
            out: Out {
                calendar,
                batch: Vec::new(),
                to,
                is_closed: false,
            },
            sensors,
            vapour: Vapour::default(),
            after: 0,
            last,
            readings: 0,
            late: Touched::new(calendar),
        }
    }

    fn take(&mut self, reading: &Reading) {
        // Short rows may have been put together meanwhile.
        if reading.seq <= self.after || self.last < reading.seq {
            return;
        }
        self.after = reading.seq;
        self.readings += 1;
        let (id, at) = (reading.sensor, reading.measured_at);
        let slot = self.sensors.get_mut(id.0 as usize);
        let Some((yardstick, folding)) = slot.and_then(Option::as_mut) else {
            return;
        };
        let out = &mut self.out;
        let mut done = |day, sheet| out.add(made(out.calendar, id, yardstick, day, &sheet));
        let pushed = folding.push(at, reading.values, &mut self.vapour, &mut done);
        if pushed.is_err() {
            self.late.note(id, yardstick, at);
        }
    }

    fn finish(mut self) -> (BTreeSet<Day>, u64) {
        let out = &mut self.out;
        for (id, slot) in (0..).zip(self.sensors) {
            let Some((yardstick, folding)) = slot else {
                continue;
            };
            folding.finish(&mut self.vapour, &mut |day, sheet| {
                out.add(made(out.calendar, SensorId(id), &yardstick, day, &sheet));
            });
        }
        self.out.send();
        (self.late.days, self.readings)
    }
}
