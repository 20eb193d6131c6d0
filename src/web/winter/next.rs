//! What the winter counsels for the next, in words.

use super::{
    losses,
    part::{hours, share},
    rooms::capital,
};
use crate::{
    notify::{
        message::the,
        words::{Manner, thousands},
    },
    season::{
        account::Account,
        counsel::{Advice, Compared},
        sheet::Side,
        survival,
    },
};

/// One counsel: what to do or look at, and the figures behind it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Counsel {
    /// "Shavings rather than paper bags".
    pub head: String,
    /// "Paper bags lost 21 of 80, shavings 9 of 84: 16 points more, 3 to 28 by crates."
    pub figures: String,
}

/// At most so many are told; more are no counsel.
const MOST: usize = 7;

/// The list: of several about the same packing, place or variety the one that would have saved most.
pub fn list(account: &Account, manner: Manner) -> Vec<Counsel> {
    let mut about: Vec<(std::mem::Discriminant<Advice>, &survival::Name)> = Vec::new();
    let mut told = Vec::new();
    for advice in &account.next {
        if let Some(c) = advice.compared() {
            let key = (std::mem::discriminant(advice), &c.worse.name);
            if c.worse.name != survival::Name::Rest && about.contains(&key) {
                continue;
            }
            about.push(key);
        }
        told.push(one(advice, manner));
    }
    told.truncate(MOST);
    told
}

/// Where losses were noted, and are alike.
const NOTHING: &str = "Nothing can be told from chance this winter: no packing, place or variety lost more than another by more than luck explains.";
/// The same where nobody noted what was lost.
pub const NOT_KEPT: &str = "Nobody noted what was lost, so nothing can be counselled from it.";

/// What is said where nothing can be counselled.
pub fn nothing(losses: &survival::Losses) -> &'static str {
    if losses.kept && losses.at_risk != 0 {
        NOTHING
    } else {
        NOT_KEPT
    }
}

pub(super) fn one(advice: &Advice, manner: Manner) -> Counsel {
    match advice {
        Advice::Packing(c) => compared(c, |worse, better| format!("Rather {better} than {worse}")),
        Advice::Form(c) => compared(c, |worse, _| {
            if worse == "divided" {
                "Keep some whole of what you divide, and compare".to_owned()
            } else {
                "Divide some of what you keep whole, and compare".to_owned()
            }
        }),
        Advice::Room(c) => compared(c, |worse, better| {
            format!(
                "Look at what {} had that {} had not",
                the(worse),
                the(better)
            )
        }),
        Advice::Place(c) => compared(c, |worse, better| match better {
            "all others" => format!("Find out what ails {worse}"),
            _ => format!("Use {better} first"),
        }),
        Advice::Variety(c) => compared(c, |worse, better| match better {
            "all others" => format!("Give {worse} the best place, or plan for its losses"),
            _ => format!("{better} keeps well where others do not"),
        }),
        Advice::Dug(c) => compared(c, |worse, better| match better {
            "all others" => format!("What was {worse} kept worse: what was different that day?"),
            _ => format!("What was {better} kept better: what was different that day?"),
        }),
        Advice::ColderPlace {
            room,
            place,
            beside,
            by_k,
            hours: h,
            pattern,
        } => {
            let mut figures = format!(
                "{} ran {} colder than {beside} over {}, more than chance and the sensors' errors explain.",
                capital(place),
                manner.difference(*by_k),
                hours(*h)
            );
            if let Some(pattern) = pattern {
                figures.push(' ');
                figures.push_str(&losses::pattern(pattern));
                figures.push('.');
            }
            Counsel {
                head: format!(
                    "In {}, move crates from {place}, or the sensor nearer to them",
                    the(room)
                ),
                figures,
            }
        }
        Advice::OutsideBand {
            room,
            side,
            hours: h,
            of_hours,
        } => {
            let head = match side {
                Side::Cold => "More warmth, or less cold let in",
                Side::Warm => "Less warmth, or more night air let in",
                Side::Dry => "More damp: water on the floor, lids or liners",
                Side::Damp => "Less damp: let out air on dry days, look for water coming in",
            };
            let word = match side {
                Side::Cold => "too cold",
                Side::Warm => "too warm",
                Side::Dry => "too dry",
                Side::Damp => "too damp",
            };
            Counsel {
                head: format!("{head} in {}", the(room)),
                figures: format!(
                    "The mean of its sensors was {word} by more than they may be off for {} of {} ({}).",
                    hours(*h),
                    hours(*of_hours),
                    share(if *of_hours == 0.0 { 0.0 } else { h / of_hours })
                ),
            }
        }
        Advice::Pattern(p) => Counsel {
            head: format!("Look at {}", losses::figure(p.figure).0),
            figures: format!(
                "{}. No proof: such crates may have had something else in common.",
                losses::pattern(p)
            ),
        },
    }
}

fn compared(c: &Compared, head: impl Fn(&str, &str) -> String) -> Counsel {
    let side = |s: &survival::Side| {
        let n = |n: u64| thousands(i64::try_from(n).unwrap_or(i64::MAX));
        let of = if s.at_risk == 0 {
            0.0
        } else {
            s.lost as f64 / s.at_risk as f64
        };
        format!(
            "{} lost {} of {} ({}) in {} crates",
            losses::name(&s.name),
            n(s.lost),
            n(s.at_risk),
            share(of),
            n(s.crates)
        )
    };
    let (worse, better) = (losses::name(&c.worse.name), losses::name(&c.better.name));
    Counsel {
        head: head(&worse, &better),
        figures: format!(
            "{}, {}. The true difference is probably {:.0} to {:.0} in 100.",
            capital(&side(&c.worse)),
            side(&c.better),
            c.interval.low * 100.0,
            c.interval.high * 100.0,
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::season::period::Period;

    #[test]
    fn where_nobody_noted_losses_none_are_said_to_be_alike() {
        let mut losses = survival::losses(&[], Period::whole(2026), |at| at.date_naive());
        assert_eq!(nothing(&losses), NOT_KEPT);
        (losses.kept, losses.at_risk) = (true, 40);
        assert_eq!(nothing(&losses), NOTHING);
    }
}
