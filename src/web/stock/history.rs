//! Entries of the ledger in words.

use super::super::forms::Again;
use crate::{
    notify::words::{Manner, count},
    stock::{
        Finding,
        ledger::{Change, Deed, Doubt, Entry, LotId, Outcome, Refusal, Stock, To},
    },
    watch::Stamp,
};

/// What was done, in a few words without a full stop: `took out 3 Amber Lantern: soft`. What was taken back
/// is named when it is among the `others`.
pub(super) fn deed<'a>(
    entry: &Entry,
    stock: &Stock,
    others: impl IntoIterator<Item = &'a Entry>,
) -> String {
    let of = |lot: &LotId| variety(*lot, entry, stock);
    match &entry.deed {
        Deed::Lifted {
            variety,
            count: n,
            form,
            ..
        } => {
            format!("lifted {} of {variety}", counted(*n, &form.to_string()))
        }
        Deed::Listed { krate } => {
            let n: usize = krate.lots.iter().map(|l| l.count as usize).sum();
            format!("taken from a list, {}", count(n, "piece", "pieces"))
        }
        Deed::Packed { packing, .. } => format!("packed in {packing}"),
        Deed::Moved { room, place, .. } if place.is_empty() => format!("moved to {room}"),
        Deed::Moved { room, place, .. } => format!("moved to {room}, {place}"),
        Deed::Divided {
            lot,
            count: n,
            yielded,
            into,
        } => format!(
            "divided {} of {} into {}{}",
            counted(*n, "clump"),
            of(lot),
            counted(*yielded, "division"),
            into.as_ref().map(to).unwrap_or_default()
        ),
        Deed::Merged { krate, into } => format!("everything from {krate} put to {into}"),
        Deed::Split {
            lot,
            count: n,
            into,
        } => format!("{n} {} put{}", of(lot), to(into)),
        Deed::Culled {
            lot,
            finding,
            count: n,
        } => format!("took out {n} {}: {finding}", of(lot)),
        Deed::Looked {
            lot,
            finding,
            count: n,
            ..
        } => looked(lot.as_ref().map(of), *finding, *n),
        Deed::Treated { how, .. } => how.to_string(),
        Deed::Weighed { .. } => "weighed".to_owned(),
        Deed::Woken { .. } => "brought into the warm".to_owned(),
        Deed::Planted { lot, count: n, bed } if bed.is_empty() => {
            format!("planted {n} {}", of(lot))
        }
        Deed::Planted { lot, count: n, bed } => format!("planted {n} {} in {bed}", of(lot)),
        Deed::Sold { lot, count: n } => format!("sold {n} {}", of(lot)),
        Deed::Given { lot, count: n } => format!("gave away {n} {}", of(lot)),
        Deed::Corrected {
            lot,
            count: Some(n),
            ..
        } => format!("counted {} anew: {n}", of(lot)),
        Deed::Corrected { lot, .. } => format!("corrected what is written of {}", of(lot)),
        Deed::Planned {
            variety,
            wish: Some(wish),
        } => {
            format!("wants {} of {variety}", counted(wish.plants, "plant"))
        }
        Deed::Planned {
            variety,
            wish: None,
        } => format!("wants no {variety}"),
        Deed::Season { .. } => "set the days of the winter".to_owned(),
        Deed::Undone { entry } => match others.into_iter().find(|e| e.id == *entry) {
            Some(undone) => format!("took back: {}", deed(undone, stock, [])),
            None => format!("took back entry {}", entry.0),
        },
    }
}

fn looked(of: Option<String>, finding: Finding, n: Option<u32>) -> String {
    let whole = of.is_none() && n.is_none();
    match (finding, whole) {
        (Finding::Sound, true) => "looked at: all sound".to_owned(),
        (_, true) => format!("looked at: {finding}"),
        (Finding::Sound, false) if n.is_none() => format!("looked at{}: sound", space(of)),
        _ => {
            let n = n.map(|n| format!("{n} ")).unwrap_or_default();
            format!(
                "looked at: {n}{} {finding}, left in",
                of.unwrap_or_default()
            )
        }
    }
}

fn space(of: Option<String>) -> String {
    of.map(|of| format!(" {of}")).unwrap_or_default()
}

fn counted(n: u32, one: &str) -> String {
    count(n as usize, one, &format!("{one}s"))
}

fn to(into: &To) -> String {
    format!(" in {}", into.code)
}

/// What a lot is called, also when it is gone.
fn variety(lot: LotId, entry: &Entry, stock: &Stock) -> String {
    let made = entry.changes.iter().find_map(|c| match c {
        Change::Lot {
            id,
            after: Some(made),
            ..
        } if *id == lot => Some(made.variety.clone()),
        _ => None,
    });
    let known = stock.lot(lot).map(|(lot, _)| lot.variety.clone());
    known.or(made).unwrap_or_else(|| format!("lot {}", lot.0))
}

/// Who did it and when: `Ida, 3 December at 8:15`.
pub(super) fn who_when(entry: &Entry, now: Stamp, manner: Manner) -> String {
    format!(
        "{}, {}",
        entry.who,
        manner.moment(entry.done_at().into(), now)
    )
}

/// What a person is told of an outcome: why nothing was entered, and what to do.
pub(super) fn told(
    outcome: &Outcome,
    stock: &Stock,
    now: Stamp,
    manner: Manner,
) -> Option<(String, String)> {
    match outcome {
        Outcome::Entered(_) | Outcome::Known(_) => None,
        Outcome::Refused(refusal) => Some(refused(refusal)),
        Outcome::Doubted(Doubt::Yield(each)) => Some((
            format!("That is {} from every clump.", count(*each as usize, "division", "divisions")),
            "If that is the count, note it all the same; if it is a slip, write it again.".to_owned(),
        )),
        Outcome::Doubted(Doubt::Weight(percent)) => Some((
            format!(
                "That is {} % {} than at the last weighing.",
                percent.abs(),
                if *percent < 0 { "less" } else { "more" }
            ),
            "If tubers or packing were taken out or put in, note it all the same; if not, weigh it again."
                .to_owned(),
        )),
        Outcome::Changed { since, .. } => {
            let told: Vec<String> = since
                .iter()
                .map(|e| format!("{}: {}.", sentence(&who_when(e, now, manner)), deed(e, stock, since)))
                .collect();
            Some((
                format!("Since you looked, this crate was changed. {}", told.join(" ")),
                "Look whether yours is still right, and note it all the same or leave it.".to_owned(),
            ))
        }
        Outcome::NotAlone => Some((
            "Nothing was noted, because of another part of it.".to_owned(),
            "Mend that part, then send all of it again.".to_owned(),
        )),
    }
}

/// The same for a form that can be sent once more, where the person means it.
pub(super) fn again(outcome: &Outcome, stock: &Stock, now: Stamp, manner: Manner) -> Option<Again> {
    let (why, remedy) = told(outcome, stock, now, manner)?;
    let (confirm, newest) = match outcome {
        Outcome::Changed { newest, .. } => (true, newest.0.to_string()),
        Outcome::Doubted(_) => (true, String::new()),
        _ => (false, String::new()),
    };
    Some(Again {
        why: format!("{why} {remedy}"),
        confirm: confirm.then_some("Note it all the same"),
        newest,
    })
}

/// A refusal and its remedy as two sentences.
pub(super) fn refused(refusal: &Refusal) -> (String, String) {
    (
        format!("{}.", sentence(&refusal.to_string())),
        sentence(refusal.remedy()),
    )
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().collect::<String>() + letters.as_str()
    })
}
