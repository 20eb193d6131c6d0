//! What the forms of the page From field to crate ask of the ledger.

use chrono::NaiveDate;

use super::way::Way;
use crate::{
    engine::due::Here,
    notify::words::span,
    stock::{
        CrateCode, Form,
        field::{DRYING_HOURS, WASHED_HOURS, Wet},
        ledger::{self, Asked, Deed, LotId, Stock, To},
        winter::winter_of,
    },
    watch::reading::HOUR_MS,
};

/// What the forms send: names and values in order, a name for each crate that is chosen.
pub(super) type Sent = Vec<(String, String)>;

pub(super) fn sent<'a>(form: &'a Sent, name: &str) -> &'a str {
    let found = form.iter().find(|(n, _)| n == name);
    found.map_or("", |(_, value)| value.trim())
}

/// The crates that were ticked.
pub(super) fn chosen(form: &Sent) -> Result<Vec<CrateCode>, String> {
    let ticked = form.iter().filter(|(name, _)| name == "crate");
    let codes: Vec<CrateCode> = ticked
        .map(|(_, code)| code.trim().parse().map_err(|why| format!("{why}.")))
        .collect::<Result<_, String>>()?;
    if codes.is_empty() {
        return Err("No crate is ticked. Tick those it was done to.".to_owned());
    }
    Ok(codes)
}

/// What the forms ask for; those that tubers come by have a key, so that sending one twice enters it once.
pub(super) fn asked(form: &Sent, deeds: Vec<Deed>) -> Result<Vec<Asked>, String> {
    let key = Some(sent(form, "key")).filter(|key| !key.is_empty());
    if key.is_some_and(|key| ledger::bad_key(key).is_some()) {
        return Err("This page is not as it was made. Load it again.".to_owned());
    }
    let mut asked: Vec<Asked> = deeds.into_iter().map(Asked::from).collect();
    if let [one] = asked.as_mut_slice() {
        one.key = key.map(str::to_owned);
    }
    Ok(asked)
}

fn whole(text: &str, what: &str) -> Result<u32, String> {
    text.parse()
        .map_err(|_| format!("{what} is no whole number. Write one such as 12."))
}

pub(super) fn frost(form: &Sent, stock: &Stock, here: Here) -> Result<Deed, String> {
    let killing_frost = match sent(form, "frost") {
        "" => None,
        text => Some(
            text.parse::<NaiveDate>()
                .map_err(|_| "That is no day. Write it as 2026-10-14.".to_owned())?,
        ),
    };
    if killing_frost.is_some_and(|day| here.today() < day) {
        return Err("That day is still to come. Note the frost when it has been.".to_owned());
    }
    let winter = winter_of(killing_frost.unwrap_or_else(|| here.today()));
    let season = ledger::Season {
        killing_frost,
        ..stock.season(winter)
    };
    Ok(Deed::Season { winter, season })
}

pub(super) fn lifted(form: &Sent) -> Result<Deed, String> {
    let code = sent(form, "code")
        .parse()
        .map_err(|why| format!("{why}."))?;
    Ok(Deed::Lifted {
        into: To {
            code,
            room: sent(form, "room").to_owned(),
            place: String::new(),
            packing: String::new(),
        },
        variety: sent(form, "variety").to_owned(),
        form: Form::Clump,
        count: whole(sent(form, "count"), "The number of clumps")?,
        dug: None,
    })
}

pub(super) fn divided(form: &Sent) -> Result<Deed, String> {
    let lot = sent(form, "lot").parse().map(LotId);
    Ok(Deed::Divided {
        lot: lot.map_err(|_| "No lot is named. Use the form of its crate.".to_owned())?,
        count: whole(sent(form, "count"), "The number of clumps")?,
        yielded: whole(sent(form, "yielded"), "The number of divisions")?,
        into: None,
    })
}

/// Packs what was ticked; what may be wet only for who says that it is dry, or means it.
pub(super) fn pack(form: &Sent, ways: &[Way]) -> Result<Vec<Deed>, String> {
    let crates = chosen(form)?;
    let packing = sent(form, "packing");
    if packing.is_empty() {
        return Err("No packing is named. Write what they lie in, such as shavings.".to_owned());
    }
    let (dry, anyhow) = (sent(form, "dry") == "yes", sent(form, "anyhow") == "yes");
    let mut told = Vec::new();
    let mut deeds = Vec::new();
    for krate in crates {
        let wet = ways.iter().find(|w| w.code == krate).and_then(|w| w.wet);
        match wet {
            Some(wet) if !dry && !anyhow => told.push(format!("{krate}: {}", why_wet(wet))),
            _ => deeds.push(Deed::Packed {
                krate,
                packing: packing.to_owned(),
                skins_dry: if dry { Some(true) } else { wet.map(|_| false) },
            }),
        }
    }
    if told.is_empty() {
        return Ok(deeds);
    }
    Err(format!(
        "Packed wet, tubers rot. {}. Feel them: tick that they are dry, or pack all the same.",
        told.join("; ")
    ))
}

fn why_wet(wet: Wet) -> String {
    let hours = |h: f64| span((h * HOUR_MS as f64) as i64);
    match wet {
        Wet::Washed(h) => format!(
            "wet {} ago, and {WASHED_HOURS:.0} hours of drying are common",
            hours(h)
        ),
        Wet::Air(h) => {
            format!("only {h:.0} hours of drying air since it was wet, less than {DRYING_HOURS:.0}")
        }
        Wet::Cut(h) => format!("cut {} ago", hours(h)),
    }
}
