//! The first sentences: how the winter went.

use super::{
    losses,
    part::{day, share},
    record,
};
use crate::season::account::Account;

/// What stands above everything.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Headline {
    /// "43 of 455 tubers were lost: 9 % (7 to 12 % by chance)."
    pub sentence: String,
    /// "86 % of the hours on record within the band. 97 % of the time is on record. ..."
    pub more: String,
    /// "10 Oct 2025 to 20 May 2026", and whether it goes on.
    pub period: String,
}

/// Of an account.
pub fn headline(account: &Account) -> Headline {
    let rooms = &account.conditions.rooms;
    let (within, judged) = rooms
        .iter()
        .fold((0.0, 0.0), |(w, j), r| (w + r.in_band_h, j + r.judged_h));
    let air = if 0.0 < judged {
        format!(
            "The air was within the band for {} of the hours on record.",
            share(within / judged)
        )
    } else {
        String::new()
    };
    let record = record::sentence(account);
    let more = [air, record].into_iter().filter(|s| !s.is_empty());
    Headline {
        sentence: losses::sentence(&account.losses),
        more: more.collect::<Vec<_>>().join(" "),
        period: period(account),
    }
}

fn period(account: &Account) -> String {
    let about = &account.about;
    let last = about.end_day.pred_opt().unwrap_or(about.end_day);
    let why = match (about.chosen, about.over) {
        (true, _) => "days as they were asked for",
        (false, true) if account.conditions.crates.is_empty() => "all that was recorded",
        (false, true) => "from the first tuber in store to the last",
        (false, false) => "it goes on",
    };
    if about.over {
        format!("{} to {}: {why}.", day(about.first_day), day(last))
    } else {
        format!("{} until now: {why}.", day(about.first_day))
    }
}
