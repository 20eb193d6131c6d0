//! Who is owed which message, and when: the one place that decides whether a person is told.
//!
//! Pure: it sees what stands, what has been told before, and the time of the step. The recorder asks it
//! in the transaction in which an alert changes, and again whenever it said it had something due; a
//! look back at an old winter asks the same code.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;

use super::telling::{
    Contact, Owed, Purpose, Telling, Told, after, after_quiet, before, local, moment,
};
use crate::watch::{
    Kind, Occurrence, Priority, SensorName, Stamp, Standing, State, Subject,
    reading::{HOUR_MS, MINUTE_MS},
};

/// In any ten minutes nobody gets more than ten messages: the flood figure of ANSI/ISA-18.2.
const FLOOD_MS: i64 = 10 * MINUTE_MS;
const FLOOD: usize = 10;
/// So many at once are one message.
const TOGETHER: usize = 3;
/// An alert that comes and goes is told anew at most this often: high, and the rest.
const FLAPS_HIGH_MS: i64 = HOUR_MS;
const FLAPS_MS: i64 = 12 * HOUR_MS;
/// A room of which something was told so lately needs no reminder: the day of the alert itself is left
/// to those who were told.
const RECENT_MS: i64 = 36 * HOUR_MS;
/// A reminder that nobody was there to send is sent so much later, and then no more.
const LATE_MS: i64 = 4 * HOUR_MS;
/// What was told of an occurrence is remembered so long after it is over.
const REMEMBER_MS: i64 = 48 * HOUR_MS;
/// What is looked at of the record when the program starts, in milliseconds.
pub const RECALL_MS: i64 = 40 * 24 * HOUR_MS;
/// A test is due a month after the last; overdue is noticed after this.
pub const TEST_OVERDUE_MS: i64 = 35 * 24 * HOUR_MS;

#[derive(Debug, Clone, Copy, PartialEq)]
struct Heard {
    first: Stamp,
    last: Stamp,
    times: u32,
    over: bool,
}

type Contacted<T> = BTreeMap<String, T>;

/// What has been told, and so what is still owed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plan {
    heard: Contacted<BTreeMap<Occurrence, Heard>>,
    /// The last announcement of each alert and its rung.
    alerts: Contacted<BTreeMap<(Kind, Subject), (u8, Stamp)>>,
    /// The last message about each room.
    rooms: Contacted<BTreeMap<String, Stamp>>,
    reminded: Contacted<BTreeMap<String, NaiveDate>>,
    /// When it was last looked whether anything is to be reminded of.
    looked: Contacted<NaiveDate>,
    recent: Contacted<VecDeque<Stamp>>,
    summed: Contacted<NaiveDate>,
    tested: BTreeMap<SensorName, Stamp>,
    /// Nothing is owed before this.
    due: Option<Stamp>,
}

/// One alert that is due to one contact.
struct Due<'a> {
    purpose: Purpose,
    item: &'a Standing,
    times: u32,
}

impl Plan {
    /// Takes in a message of the record; in the order in which they were owed.
    pub fn recall(&mut self, told: &Told, zone: Tz) {
        let day = local(zone, told.at).date();
        match told.purpose {
            Purpose::Summary => {
                self.summed.insert(told.contact.clone(), day);
            }
            Purpose::Test => {
                self.tested.insert(told.channel.clone(), told.at);
            }
            Purpose::Remind => {
                let rooms = self.reminded.entry(told.contact.clone()).or_default();
                rooms.insert(told.room.clone(), day);
            }
            _ => {
                for occurrence in &told.occurrences {
                    let over = told.purpose == Purpose::Over;
                    self.note(&told.contact, occurrence, &told.room, told.at, over);
                }
                // One message by several channels is one.
                let recent = self.recent.entry(told.contact.clone()).or_default();
                if recent.back() != Some(&told.at) {
                    recent.push_back(told.at);
                }
            }
        }
    }

    fn note(&mut self, contact: &str, o: &Occurrence, room: &str, at: Stamp, over: bool) {
        let heard = self.heard.entry(contact.to_owned()).or_default();
        let heard = heard.entry(o.clone()).or_insert(Heard {
            first: at,
            last: at,
            times: 0,
            over: false,
        });
        // The same message by another channel is no further one.
        if heard.times == 0 || heard.last != at {
            heard.times += 1;
        }
        heard.last = at;
        heard.over |= over;
        let alerts = self.alerts.entry(contact.to_owned()).or_default();
        alerts.insert((o.kind, o.subject.clone()), (o.level, at));
        let rooms = self.rooms.entry(contact.to_owned()).or_default();
        rooms.insert(room.to_owned(), at);
    }

    /// When it has to be asked again if nothing changes.
    pub fn due(&self) -> Option<Stamp> {
        self.due
    }

    /// When each channel was last tested.
    pub fn tested(&self) -> &BTreeMap<SensorName, Stamp> {
        &self.tested
    }

    /// What is owed now that these alerts stand.
    pub fn step(&mut self, at: Stamp, standing: &[Standing], telling: &Telling) -> Vec<Owed> {
        let mut owed = self.look(at, standing, telling);
        // What was owed now has a time at which it is owed again.
        while !owed.is_empty() {
            let more = self.look(at, standing, telling);
            if more.is_empty() {
                break;
            }
            owed.extend(more);
        }
        owed
    }

    fn look(&mut self, at: Stamp, standing: &[Standing], telling: &Telling) -> Vec<Owed> {
        let mut owed = Vec::new();
        let mut next: Option<Stamp> = None;
        let mut later = |due: Stamp| next = next.into_iter().chain([due]).min();
        for contact in &telling.contacts {
            self.follow(&contact.name, at, standing);
            let mut due = Vec::new();
            // What was told as high and has eased since is still to be told to be over.
            for item in standing.iter().filter(|s| contact.least <= s.raised_as) {
                match self.due_of(contact, item, at, telling) {
                    Some((when, purpose, times)) if when <= at => due.push(Due {
                        purpose,
                        item,
                        times,
                    }),
                    Some((when, ..)) => later(when),
                    None => {}
                }
            }
            if let Some(hold) = self.send(contact, &due, at, &mut owed) {
                later(hold);
            }
            if contact.after_ms == 0 {
                later(self.remind(contact, standing, at, telling, &mut owed));
            }
            if contact.summary {
                later(self.sum_up(contact, at, telling, &mut owed));
            }
        }
        if let Some(due) = self.test(at, telling, &mut owed) {
            later(due);
        }
        self.due = next;
        owed
    }

    /// Forgets what is long over, and learns what ended.
    fn follow(&mut self, contact: &str, at: Stamp, standing: &[Standing]) {
        let Some(heard) = self.heard.get_mut(contact) else {
            return;
        };
        let stands: BTreeSet<&Occurrence> = standing.iter().map(|s| &s.occurrence).collect();
        heard.retain(|o, h| stands.contains(o) || at.since(h.last) < REMEMBER_MS);
        if let Some(alerts) = self.alerts.get_mut(contact) {
            alerts.retain(|_, (_, last)| at.since(*last) < REMEMBER_MS);
        }
    }

    /// When this contact is owed a word about one alert, which, and how often it had one before.
    fn due_of(
        &self,
        contact: &Contact,
        item: &Standing,
        at: Stamp,
        telling: &Telling,
    ) -> Option<(Stamp, Purpose, u32)> {
        let heard = self
            .heard
            .get(&contact.name)
            .and_then(|h| h.get(&item.occurrence));
        let high = item.priority == Priority::High;
        if let Some(heard) = heard {
            let waits = matches!(
                item.state,
                State::Unacknowledged | State::LatchedUnacknowledged
            );
            if item.active || heard.over {
                let again = heard.last.plus(telling.repeat_ms);
                return (waits && high).then_some((again, Purpose::Again, heard.times));
            }
            if !item.state.is_masked() && item.raised_as == Priority::High {
                let when = after_quiet(contact, telling.zone, at);
                return Some((when, Purpose::Over, heard.times));
            }
            return None;
        }
        if !matches!(
            item.state,
            State::Unacknowledged | State::LatchedUnacknowledged
        ) {
            return None;
        }
        if item.priority < contact.least || others(contact, item).is_empty() {
            return None;
        }
        let (mut when, purpose) = if contact.after_ms == 0 {
            (item.occurrence.raised_at, Purpose::Announce)
        } else if item.priority == Priority::Low {
            return None;
        } else {
            // Handed on from when the first of those before was told.
            let before = telling
                .contacts
                .iter()
                .filter(|c| c.after_ms < contact.after_ms && c.least <= item.priority)
                .filter(|c| !others(c, item).is_empty());
            let told = before.clone().filter_map(|c| {
                let heard = self.heard.get(&c.name)?.get(&item.occurrence)?;
                Some(heard.first)
            });
            match told.min() {
                Some(first) => (first.plus(contact.after_ms), Purpose::Escalate),
                // Nobody before them hears of this.
                None if before.count() == 0 => (item.occurrence.raised_at, Purpose::Announce),
                None => return None,
            }
        };
        let alert = (item.occurrence.kind, item.occurrence.subject.clone());
        let last = self.alerts.get(&contact.name).and_then(|a| a.get(&alert));
        // What only went on, and comes off a shelf, is told at once.
        if let Some((level, last)) = last
            && item.occurrence.level <= *level
            && *last < item.since
        {
            when = when.max(last.plus(if high { FLAPS_HIGH_MS } else { FLAPS_MS }));
        }
        if !high {
            // It may have been hidden until now, in the night.
            when = after_quiet(contact, telling.zone, when.max(at));
        }
        Some((when, purpose, 0))
    }

    /// Owes what is due to one contact, together where it is much. When some of it has to wait, tells
    /// until when.
    fn send(
        &mut self,
        contact: &Contact,
        due: &[Due<'_>],
        at: Stamp,
        owed: &mut Vec<Owed>,
    ) -> Option<Stamp> {
        if due.is_empty() {
            return None;
        }
        let recent = self.recent.entry(contact.name.clone()).or_default();
        while recent
            .front()
            .is_some_and(|first| FLOOD_MS <= at.since(*first))
        {
            recent.pop_front();
        }
        if FLOOD <= recent.len() {
            return recent.front().map(|first| first.plus(FLOOD_MS));
        }
        let many = TOGETHER <= due.len() || FLOOD <= recent.len() + due.len();
        // What is over waits when there is no room left beside the one message of all others.
        let mut room = FLOOD - recent.len() - 1;
        let (taken, held): (Vec<_>, Vec<_>) = due.iter().partition(|d| {
            let over = d.purpose == Purpose::Over;
            let fits = !over || 0 < room;
            room -= usize::from(over && fits);
            fits
        });
        let mut messages: Vec<Owed> = Vec::new();
        for d in &taken {
            let message = Owed {
                at,
                contact: contact.name.clone(),
                purpose: d.purpose,
                priority: d.item.priority,
                room: d.item.room.clone(),
                about: match d.purpose {
                    Purpose::Again => format!("{} for time {}", d.item.occurrence, d.times + 1),
                    _ => d.item.occurrence.to_string(),
                },
                items: vec![d.item.clone()],
                channels: others(contact, d.item),
            };
            // What is over stays a message of its own: the record has to tell the two apart.
            let joins = many && d.purpose != Purpose::Over;
            let first = messages.iter_mut().find(|m| m.purpose != Purpose::Over);
            match first {
                Some(first) if joins => {
                    first.purpose = Purpose::Digest;
                    first.priority = first.priority.max(message.priority);
                    if first.room != message.room {
                        first.room.clear();
                    }
                    first.items.extend(message.items);
                    first.channels.clone_from(&contact.channels);
                }
                _ => messages.push(message),
            }
        }
        for message in &mut messages {
            if message.purpose == Purpose::Digest {
                // One occurrence may be announced and repeated in two digests.
                message.about = format!("{} and more at {}", message.about, at.to_rfc3339());
            }
            recent.push_back(at);
        }
        for d in &taken {
            let over = d.purpose == Purpose::Over;
            self.note(&contact.name, &d.item.occurrence, &d.item.room, at, over);
        }
        owed.extend(messages);
        (!held.is_empty()).then(|| at.plus(FLOOD_MS))
    }

    /// One reminder per room and day of what still stands, unless something was told within a day.
    fn remind(
        &mut self,
        contact: &Contact,
        standing: &[Standing],
        at: Stamp,
        telling: &Telling,
        owed: &mut Vec<Owed>,
    ) -> Stamp {
        let today = local(telling.zone, at).date();
        let hour = |day| {
            after_quiet(
                contact,
                telling.zone,
                moment(telling.zone, day, telling.remind_at),
            )
        };
        let due = hour(today);
        if at < due {
            return due;
        }
        let tomorrow = hour(after(today));
        let looked = self.looked.insert(contact.name.clone(), today);
        // What became due while nobody ran is told late, but not at night.
        let night = at < after_quiet(contact, telling.zone, at);
        if looked == Some(today) || LATE_MS < at.since(due) || night {
            return tomorrow;
        }
        let mut rooms: BTreeMap<&str, Vec<Standing>> = BTreeMap::new();
        for s in standing {
            let stands = s.state.is_sounding()
                || matches!(
                    s.state,
                    State::LatchedUnacknowledged | State::LatchedAcknowledged
                );
            if stands && contact.least.max(Priority::Medium) <= s.priority {
                rooms.entry(&s.room).or_default().push(s.clone());
            }
        }
        let reminded = self.reminded.entry(contact.name.clone()).or_default();
        for (room, items) in rooms {
            let told = self.rooms.get(&contact.name).and_then(|r| r.get(room));
            // Seen from the hour of the reminder, so that a start after it finds the same.
            let recent = told.is_some_and(|told| due.since(*told) < RECENT_MS);
            if recent || reminded.get(room) == Some(&today) {
                continue;
            }
            reminded.insert(room.to_owned(), today);
            owed.push(Owed {
                at,
                contact: contact.name.clone(),
                purpose: Purpose::Remind,
                priority: items
                    .iter()
                    .map(|i| i.priority)
                    .max()
                    .unwrap_or(Priority::Low),
                room: room.to_owned(),
                about: if room.is_empty() {
                    format!("of {today}")
                } else {
                    format!("of {today} for {room}")
                },
                items,
                channels: contact.channels.clone(),
            });
        }
        tomorrow
    }

    fn sum_up(
        &mut self,
        contact: &Contact,
        at: Stamp,
        telling: &Telling,
        owed: &mut Vec<Owed>,
    ) -> Stamp {
        let today = local(telling.zone, at).date();
        let hour = |day| {
            after_quiet(
                contact,
                telling.zone,
                moment(telling.zone, day, telling.summary_at),
            )
        };
        let (due, tomorrow) = (hour(today), hour(after(today)));
        let last = self.summed.get(&contact.name).copied();
        if at < due {
            if last.is_none() {
                // Begun before today's hour: today's is owed.
                self.summed.insert(contact.name.clone(), before(today));
            }
            return due;
        }
        let morning = after_quiet(contact, telling.zone, at);
        if at < morning {
            // It became due while nobody ran, and now it is night.
            return morning.min(tomorrow);
        }
        // Whoever is told from here on for the first time begins tomorrow.
        self.summed.insert(contact.name.clone(), today);
        if last.is_some_and(|last| last < today) {
            owed.push(Owed {
                at,
                contact: contact.name.clone(),
                purpose: Purpose::Summary,
                priority: Priority::Low,
                room: String::new(),
                about: format!("of {today}"),
                items: Vec::new(),
                channels: contact.channels.clone(),
            });
        }
        tomorrow
    }

    /// A test by one channel that a person asks for; `None` when no contact is told by it.
    pub fn test_now(&mut self, at: Stamp, channel: &SensorName, telling: &Telling) -> Option<Owed> {
        let contact = telling
            .contacts
            .iter()
            .find(|c| c.channels.contains(channel))?;
        self.tested.insert(channel.clone(), at);
        let mut owed = test_of(contact, channel, at);
        owed.about = format!("asked for at {}", at.to_rfc3339());
        Some(owed)
    }

    /// A test by every channel each month; a new one is tested at once, outside quiet hours.
    fn test(&mut self, at: Stamp, telling: &Telling, owed: &mut Vec<Owed>) -> Option<Stamp> {
        let mut next: Option<Stamp> = None;
        let mut seen = BTreeSet::new();
        for contact in &telling.contacts {
            for channel in &contact.channels {
                if !seen.insert(channel) {
                    continue;
                }
                let due = match self.tested.get(channel) {
                    None => at,
                    Some(last) => {
                        let day = local(telling.zone, *last).date();
                        let first = day.with_day(1).unwrap_or(day);
                        let month = first.checked_add_months(chrono::Months::new(1));
                        moment(telling.zone, month.unwrap_or(day), telling.summary_at)
                    }
                };
                let due = after_quiet(contact, telling.zone, due);
                if at < due {
                    next = next.into_iter().chain([due]).min();
                    continue;
                }
                self.tested.insert(channel.clone(), at);
                let day = local(telling.zone, at).date();
                let mut test = test_of(contact, channel, at);
                test.about = format!("of {day}");
                owed.push(test);
            }
        }
        next
    }
}

/// The channels by which a contact is told of something: all, but for the one that is failing.
fn others(contact: &Contact, item: &Standing) -> Vec<SensorName> {
    let failing = match &item.occurrence.subject {
        Subject::Channel(name) => name.as_str(),
        _ => "",
    };
    let channels = contact.channels.iter();
    channels
        .filter(|c| c.as_str() != failing)
        .cloned()
        .collect()
}

fn test_of(contact: &Contact, channel: &SensorName, at: Stamp) -> Owed {
    Owed {
        at,
        contact: contact.name.clone(),
        purpose: Purpose::Test,
        priority: Priority::Low,
        room: String::new(),
        about: String::new(),
        items: Vec::new(),
        channels: vec![channel.clone()],
    }
}
