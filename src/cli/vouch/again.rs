//! What the store says to a copy: whether it gave these data out, and whether it has the same today.

use serde_json::Value;

use super::{Copy, Data, Found, program, year, zone};
use crate::{
    cli::{Failure, winter::Opened},
    config::Config,
    season::period::Period,
    watch::Stamp,
    web::winter::{data, page::bytes},
};

/// Times of giving out that are named.
const NAMED: usize = 3;

/// The store at hand.
pub(super) struct Store(Opened);

/// What the pieces of an account are called, by where they stand in the data.
const PIECES: [(&str, &str); 9] = [
    ("/account/about", "what it is of (days, store, program)"),
    (
        "/account/conditions/record",
        "the record (sensors, corrections, when the recorder was off)",
    ),
    ("/account/conditions/rooms", "the air of the rooms"),
    ("/account/conditions/crates", "what crates lived through"),
    ("/account/losses", "what was lost"),
    (
        "/account/patterns",
        "losses held against what crates lived through",
    ),
    ("/account/responses", "alerts, and what was done"),
    ("/account/next", "what it counsels"),
    ("/trail", "everything that was entered"),
];

impl Store {
    pub(super) async fn open(config: &Config) -> Result<Self, Failure> {
        Ok(Self(Opened::of(config).await?))
    }

    pub(super) async fn close(&self) {
        self.0.store.close().await;
    }

    pub(super) fn name(&self) -> &str {
        self.0.name()
    }

    /// Whether these bytes were given out.
    pub(super) async fn knows(&self, hash: &str) -> Result<bool, Failure> {
        Ok(!self.0.store.given(&bytes(hash)).await?.is_empty())
    }

    /// When and by whom these data were given out. That they never were is a fault: who changes a copy can
    /// make a new hash, but not the record of it.
    pub(super) async fn given(
        &self,
        name: &str,
        hash: &str,
        found: &mut Found,
    ) -> Result<(), Failure> {
        let given = self.0.store.given(&bytes(hash)).await?;
        if given.is_empty() {
            found.fault(
                name,
                "the store at hand has no record of having given out these data",
            );
            return Ok(());
        }
        let each = given.iter().take(NAMED).map(|g| {
            let by = if g.who.is_empty() {
                "somebody not signed in"
            } else {
                &g.who
            };
            let at = self.0.manner.day_and_clock(g.at);
            format!("{at} ({}) by {by} as {}", g.at.to_rfc3339(), g.what)
        });
        let told = each.collect::<Vec<_>>().join("; ");
        let more = match given.len().saturating_sub(NAMED) {
            0 => String::new(),
            n => format!("; and {n} times more"),
        };
        found.say(&format!("The store at hand gave it out: {told}{more}."));
        Ok(())
    }

    /// Whether the account as it is worked out now has the same data; if not, what differs.
    pub(super) async fn again(&self, copy: &Copy, data: &Data) -> Result<String, Failure> {
        let about = &data.account.about;
        let chosen = about.chosen.then_some(Period {
            from: about.first_day,
            to: about.end_day,
        });
        // One that was not over is worked out up to the same instant, not up to now.
        let until = if about.over {
            self.0.now
        } else {
            Stamp::from(about.to)
        };
        if zone(&about.zone) != self.0.manner.zone {
            return Ok(format!(
                "Not worked out again: it counts days in {}, the store at hand in {}.",
                about.zone, self.0.manner.zone
            ));
        }
        let account = self.0.account(year(&about.winter), chosen, until).await?;
        let Some(account) = account else {
            return Ok("The store at hand knows nothing of that winter today.".to_owned());
        };
        let now = data::data(&self.0.store, account).await?;
        let mut now = serde_json::to_value(&now)?;
        let mut then: Value = serde_json::from_str(&copy.data)?;
        if !about.over {
            // Counted since the beginning, whatever the period.
            for value in [&mut now, &mut then] {
                if let Some(responses) = value.pointer_mut("/account/responses") {
                    responses["heard"] = Value::Null;
                }
            }
        }
        let differ: Vec<&str> = (PIECES.iter())
            .filter(|(at, _)| now.pointer(at) != then.pointer(at))
            .map(|(_, name)| *name)
            .collect();
        if differ.is_empty() {
            return Ok("Worked out again now it comes to the same.".to_owned());
        }
        let version = if about.program == program() {
            String::new()
        } else {
            format!(" It was made by {}, this is {}.", about.program, program())
        };
        Ok(format!(
            "Worked out again now it differs in: {}. Something was entered, corrected or delivered since, or the copy is not what was given out.{version}",
            differ.join("; ")
        ))
    }
}
