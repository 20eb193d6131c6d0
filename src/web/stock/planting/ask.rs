//! What the forms of the page Planting ask of the ledger.

use chrono::NaiveDate;
use serde::Deserialize;

use crate::{
    climate::Unit,
    stock::{
        ledger::{self, Deed},
        plan,
    },
};

/// Nobody wakes tubers earlier than this many weeks before planting; judgement.
const MOST_WEEKS: u32 = 20;
/// A foot and an inch in millimetres (the international yard, exact by definition).
const FOOT_MM: f64 = 304.8;
const INCH_MM: f64 = 25.4;

/// What the forms send.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub(in crate::web::stock) struct Sent {
    pub(super) what: String,
    pub(super) variety: String,
    pub(super) plants: String,
    pub(super) length: String,
    pub(super) rows: String,
    pub(super) spacing: String,
    pub(super) planting: String,
    pub(super) order_by: String,
    pub(super) wake_weeks: String,
}

/// The units of a bed's length and of the spacing of its plants, in millimetres.
pub(super) fn lengths_mm(unit: Unit) -> (f64, f64) {
    match unit {
        Unit::F => (FOOT_MM, INCH_MM),
        Unit::C => (1000.0, 10.0),
    }
}

/// A number as people write it, with a point or a comma.
fn number(text: &str, what: &str) -> Result<f64, String> {
    let number: Result<f64, _> = text.trim().replace(',', ".").parse();
    number
        .ok()
        .filter(|n| n.is_finite())
        .ok_or_else(|| format!("{what} is no number. Write one such as 18."))
}

fn whole(text: &str, what: &str) -> Result<u32, String> {
    text.trim()
        .parse()
        .map_err(|_| format!("{what} is no whole number. Write one such as 40."))
}

pub(super) fn wished(sent: &Sent, unit: Unit) -> Result<Deed, String> {
    let is_empty = |text: &str| text.trim().is_empty();
    if is_empty(&sent.variety) {
        return Err("No variety is named. Write its name as it stands on the crates.".to_owned());
    }
    let variety = sent.variety.trim().to_owned();
    let wish = match (is_empty(&sent.plants), is_empty(&sent.length)) {
        (true, true) => None,
        (false, false) => {
            return Err(
                "There are plants and a bed, and they may differ. Fill in one of them.".to_owned(),
            );
        }
        (false, true) => Some(ledger::Wish {
            plants: whole(&sent.plants, "The number of plants")?,
            bed: None,
        }),
        (true, false) => Some(bed(sent, unit)?),
    };
    Ok(Deed::Planned { variety, wish })
}

fn bed(sent: &Sent, unit: Unit) -> Result<ledger::Wish, String> {
    let (long, apart) = lengths_mm(unit);
    let length_mm = number(&sent.length, "The bed's length")? * long;
    let rows = whole(&sent.rows, "The number of rows")?;
    let spacing_mm = number(&sent.spacing, "The spacing")? * apart;
    let bed = plan::Bed {
        length_m: length_mm / 1000.0,
        rows,
        spacing_m: spacing_mm / 1000.0,
    };
    let plants = bed
        .plants()
        .map_err(|why| format!("That is no bed: {why}. Look at the units."))?;
    Ok(ledger::Wish {
        plants,
        bed: Some(ledger::Bed {
            length_mm: length_mm.round() as u32,
            rows,
            spacing_mm: spacing_mm.round() as u32,
        }),
    })
}

pub(super) fn days(sent: &Sent, winter: i32, before: ledger::Season) -> Result<Deed, String> {
    let day = |text: &str, what: &str| match text.trim() {
        "" => Ok(None),
        text => text
            .parse::<NaiveDate>()
            .map(Some)
            .map_err(|_| format!("{what} is no day. Write it as 2027-05-15.")),
    };
    let wake_weeks = match sent.wake_weeks.trim() {
        "" => None,
        text => Some(whole(text, "The number of weeks")?),
    };
    if wake_weeks.is_some_and(|weeks| MOST_WEEKS < weeks) {
        return Err(format!(
            "Nobody wakes tubers so early. Write at most {MOST_WEEKS} weeks."
        ));
    }
    let season = ledger::Season {
        planting: day(&sent.planting, "The day of planting")?,
        order_by: day(&sent.order_by, "The day to order")?,
        wake_weeks,
        ..before
    };
    Ok(Deed::Season { winter, season })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sent(plants: &str, length: &str, rows: &str, spacing: &str) -> Sent {
        Sent {
            variety: " Brindolet ".into(),
            plants: plants.into(),
            length: length.into(),
            rows: rows.into(),
            spacing: spacing.into(),
            ..Sent::default()
        }
    }

    #[test]
    fn a_wish_is_a_number_or_a_bed_in_the_units_of_the_site() {
        let plants = |sent: &Sent, unit| match wished(sent, unit) {
            Ok(Deed::Planned { variety, wish }) => {
                assert_eq!(variety, "Brindolet");
                Ok(wish.map(|w| w.plants))
            }
            other => other.map(|_| None),
        };
        assert_eq!(plants(&sent("40", "", "1", "18"), Unit::F), Ok(Some(40)));
        assert_eq!(plants(&sent("", "", "1", "18"), Unit::F), Ok(None));
        assert_eq!(plants(&sent("", "30", "2", "18"), Unit::F), Ok(Some(40)));
        assert_eq!(plants(&sent("", "9", "2", "45"), Unit::C), Ok(Some(40)));
        assert_eq!(plants(&sent("", "4,5", "1", "45"), Unit::C), Ok(Some(10)));
        for (form, why) in [
            (sent("40", "30", "1", "18"), "plants and a bed"),
            (sent("many", "", "", ""), "no whole number"),
            (sent("-3", "", "", ""), "no whole number"),
            (sent("", "NaN", "1", "18"), "no number"),
            (sent("", "30", "x", "18"), "no whole number"),
            (sent("", "30", "1", "0"), "no bed"),
            (sent("", "1e9", "1", "18"), "no bed"),
        ] {
            let told = plants(&form, Unit::F).unwrap_err();
            assert!(told.contains(why), "{told}");
        }
        assert!(wished(&Sent::default(), Unit::F).is_err());
    }

    #[test]
    fn days_keep_what_was_settled_of_the_frost() {
        let frost = NaiveDate::from_ymd_opt(2026, 10, 14);
        let before = ledger::Season {
            killing_frost: frost,
            ..ledger::Season::default()
        };
        let form = Sent {
            planting: "2027-05-20".into(),
            wake_weeks: "6".into(),
            ..Sent::default()
        };
        let Ok(Deed::Season {
            winter: 2026,
            season,
        }) = days(&form, 2026, before)
        else {
            panic!("it can be");
        };
        assert_eq!(
            (season.killing_frost, season.wake_weeks, season.order_by),
            (frost, Some(6), None)
        );
        for (planting, weeks) in [("May", "6"), ("2027-02-30", "6"), ("", "-1"), ("", "21")] {
            let form = Sent {
                planting: planting.into(),
                wake_weeks: weeks.into(),
                ..Sent::default()
            };
            assert!(days(&form, 2026, before).is_err(), "{planting} {weeks}");
        }
    }
}
