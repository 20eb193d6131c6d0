//! What the program said and what people did, what is counselled, and everything that was entered.

use super::{number, table, word};
use crate::{
    climate::Unit,
    notify::{kinds::reason, words::Manner},
    season::{
        account::Account,
        responses::{After, Answer, OneAlert},
        trail::Row,
    },
    watch::Stamp,
    web::winter::{
        next,
        table::{
            Cell, Column,
            Kind::{Day, Instant, Number, Text, YesNo},
            Table, column,
        },
    },
};

const ALERTS: &[Column] = &[
    column("raised_at", Instant, "When it was raised, in UTC."),
    column("kind", Text, "What kind."),
    column("says", Text, "The same in words."),
    column(
        "subject",
        Text,
        "What it was about: a room, a crate, a sensor, a channel or the recorder.",
    ),
    column("room", Text, "The room; may be empty."),
    column("priority", Text, "Its last priority: high, medium or low."),
    column(
        "ended_at",
        Instant,
        "When it was over, in UTC; empty if it was not.",
    ),
    column("hours_h", Number, "Hours from the one to the other."),
    column("seen_at", Instant, "When a person saw it, in UTC."),
    column("seen_after_min", Number, "Minutes until then."),
    column("seen_by", Text, "Who saw it."),
    column(
        "answers",
        Text,
        "What was done about it, its sensor or the stage of its room, one after the other with a semicolon between: when, who, what, why.",
    ),
    column(
        "after",
        Text,
        "What was done to crates within a day of it: what, to how many crates, when first. That it was done because of it nobody knows.",
    ),
];

fn answers(answers: &[Answer]) -> String {
    let each = answers.iter().map(|a| {
        let parts = [
            Stamp::from(a.at).to_rfc3339(),
            a.who.clone(),
            a.what.clone(),
            a.detail.clone(),
        ];
        let parts: Vec<String> = parts.into_iter().filter(|p| !p.is_empty()).collect();
        parts.join(" ")
    });
    each.collect::<Vec<_>>().join("; ")
}

fn after(after: &[After]) -> String {
    let each = after.iter().map(|a| {
        let at = Stamp::from(a.first_at).to_rfc3339();
        format!("{} {} {at}", a.what, a.crates)
    });
    each.collect::<Vec<_>>().join("; ")
}

pub(super) fn alerts(account: &Account) -> Table {
    table(
        ("alerts", "Every alert, and what was done"),
        ALERTS,
        &account.responses.alerts,
        |a: &OneAlert| {
            vec![
                a.raised.into(),
                word(&a.kind),
                reason(a.kind).name.into(),
                (&a.subject).into(),
                (&a.room).into(),
                a.priority.as_str().into(),
                a.ended.into(),
                a.hours.into(),
                a.seen.into(),
                a.seen_after_min.into(),
                a.seen_by.as_ref().into(),
                answers(&a.answers).into(),
                after(&a.after).into(),
            ]
        },
    )
}

const MESSAGES: &[Column] = &[
    column("purpose", Text, "What for."),
    column(
        "sent",
        Number,
        "Delivered; the same by two channels is two.",
    ),
    column("given_up", Number, "Given up."),
    column("waiting", Number, "Neither yet."),
];

pub(super) fn messages(account: &Account) -> Table {
    table(
        ("messages", "Messages by purpose"),
        MESSAGES,
        &account.responses.messages,
        |m| {
            vec![
                (&m.purpose).into(),
                m.sent.into(),
                m.given_up.into(),
                m.waiting.into(),
            ]
        },
    )
}

const FORECASTS: &[Column] = &[
    column(
        "target",
        Text,
        "Towards what: frost, cold, warm, dry or damp.",
    ),
    column("made", Number, "Forecasts made."),
    column("came", Number, "Of these the limit was passed in time."),
    column("not", Number, "It was not."),
    column("unseen", Number, "Nobody was looking: no readings told."),
    column("open", Number, "Not over yet."),
    column(
        "median_lead_h",
        Number,
        "Median hours from the making to passing the limit.",
    ),
    column(
        "complete",
        YesNo,
        "Every forecast of the period is counted.",
    ),
];

pub(super) fn forecasts(account: &Account) -> Table {
    let complete = account.responses.forecasts_complete;
    table(
        ("forecasts", "What was forecast, and what came of it"),
        FORECASTS,
        &account.responses.forecasts,
        |f| {
            vec![
                word(&f.target),
                f.made.into(),
                f.came.into(),
                f.not.into(),
                f.unseen.into(),
                f.open.into(),
                f.median_lead_h.into(),
                complete.into(),
            ]
        },
    )
}

const WARNINGS: &[Column] = &[
    column("kind", Text, "What people were warned of."),
    column("raised", Number, "How often."),
    column(
        "followed",
        Number,
        "How often it followed in the same room: frost within 9 hours; mould or shrivelled tubers found within 30 days.",
    ),
];

pub(super) fn warnings(account: &Account) -> Table {
    table(
        (
            "warnings",
            "Warnings that people were told of, and what followed",
        ),
        WARNINGS,
        &account.responses.warned,
        |w| vec![word(&w.kind), w.raised.into(), w.followed.into()],
    )
}

const ROUNDS: &[Column] = &[
    column("crate", Text, "What stands on its label."),
    column("room", Text, "The room in which it stood at the end."),
    column("from", Day, "The local day from which rounds count."),
    column("to", Day, "The last local day that counts."),
    column(
        "in_time",
        Number,
        "Rounds kept within three days of the due day.",
    ),
    column("late", Number, "Kept later, and before the next was due."),
    column("missed", Number, "Not kept."),
    column("early", Number, "Looks beside the rounds."),
];

pub(super) fn rounds(account: &Account) -> Table {
    table(
        ("rounds", "How rounds were kept, crate by crate"),
        ROUNDS,
        &account.responses.rounds.crates,
        |r| {
            vec![
                (&r.krate).into(),
                (&r.room).into(),
                r.from.into(),
                r.to.into(),
                r.in_time.into(),
                r.late.into(),
                r.missed.into(),
                r.early.into(),
            ]
        },
    )
}

const CHECKS: &[Column] = &[
    column("sensor", Text, "The sensor."),
    column("room", Text, "Its room."),
    column(
        "checked",
        Day,
        "The day on which it was last compared with something that is known; empty where nobody said so.",
    ),
    column(
        "in_date",
        YesNo,
        "That was within twelve months of the last day.",
    ),
];

pub(super) fn checks(account: &Account) -> Table {
    table(
        (
            "checks",
            "When sensors were compared with something that is known",
        ),
        CHECKS,
        &account.responses.checks,
        |c| {
            vec![
                (&c.sensor).into(),
                (&c.room).into(),
                c.checked.into(),
                c.in_date.into(),
            ]
        },
    )
}

const COUNSEL: &[Column] = &[
    column(
        "place",
        Number,
        "Its place in the list, the weightiest first.",
    ),
    column("about", Text, "What it is about."),
    column("counsel", Text, "What to do or look at."),
    column("figures", Text, "On what it rests; temperatures in C."),
    column(
        "saved_tubers",
        Number,
        "Tubers it would have saved; empty where that cannot be said.",
    ),
];

pub(super) fn counsel(account: &Account) -> Table {
    let manner = Manner {
        zone: account.about.zone.parse().unwrap_or(chrono_tz::UTC),
        unit: Unit::C,
    };
    table(
        ("counsel", "What the winter counsels for the next"),
        COUNSEL,
        account.next.iter().enumerate(),
        |(n, advice)| {
            let told = next::one(advice, manner);
            let about = match serde_json::to_value(advice) {
                Ok(value) => value["about"].as_str().unwrap_or_default().to_owned(),
                Err(_) => String::new(),
            };
            let plain = |text: String| text.replace('\u{a0}', " ");
            vec![
                (n + 1).into(),
                about.into(),
                plain(told.head).into(),
                plain(told.figures).into(),
                number(advice.saved()),
            ]
        },
    )
}

const TRAIL: &[Column] = &[
    column("at", Instant, "When it was entered, in UTC."),
    column("who", Text, "By whom; empty where nobody signed in."),
    column("what", Text, "Of what kind."),
    column(
        "about",
        Text,
        "What it is about: a room, a sensor, an alert, crates.",
    ),
    column("detail", Text, "More about it, in words or as JSON."),
    column("field", Text, "Of a change of settings: which one."),
    column(
        "old",
        Text,
        "As it was, as JSON in the settings' own units (C, percent, milliseconds).",
    ),
    column("new", Text, "As it is."),
];

pub(super) fn trail(trail: &[Row]) -> Table {
    table(
        ("trail", "Everything that was entered, in order of time"),
        TRAIL,
        trail,
        |row| {
            let change = row.change.as_ref();
            let json = |of: Option<&serde_json::Value>| Cell::from(of.map(ToString::to_string));
            vec![
                row.at.into(),
                (&row.who).into(),
                (&row.what).into(),
                (&row.about).into(),
                (&row.detail).into(),
                change.map(|c| &c.field).into(),
                json(change.and_then(|c| c.old.as_ref())),
                json(change.and_then(|c| c.new.as_ref())),
            ]
        },
    )
}
