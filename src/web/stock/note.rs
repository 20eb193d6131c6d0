//! What forms of the stock enter into the ledger, and why it was not.

use axum::Extension;

use super::{
    super::{Site, access::Who, acts, pages::Failed},
    enter, history,
};
use crate::{
    engine::due::Here,
    stock::ledger::{Asked, Outcome, Refusal},
};

/// Where and when a page is made.
pub(super) fn here(site: &Site) -> Here {
    Here {
        zone: site.manner.zone,
        now: site.clock.now(),
    }
}

/// Enters deeds, all or none; why they were not, in words. What stands so already is fine.
pub(super) async fn note(
    site: &Site,
    who: Option<Extension<Who>>,
    asked: Vec<Asked>,
) -> Result<Option<String>, Failed> {
    let outcomes = enter::enter(site, who, asked, true)
        .await
        .map_err(|error| acts::unavailable(site, &error))?;
    // Another's refusal says more than that the rest was left out with it.
    let worst = outcomes
        .iter()
        .filter(|o| !matches!(o, Outcome::Refused(Refusal::AsItStands)))
        .min_by_key(|o| matches!(o, Outcome::NotAlone));
    let stock = site.store.stock().await.map_err(Failed::store(site))?;
    Ok(worst
        .and_then(|o| history::told(o, &stock, site.clock.now(), site.manner))
        .map(|(why, remedy)| format!("{why} {remedy}")))
}
