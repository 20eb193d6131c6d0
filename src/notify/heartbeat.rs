//! A request to a watcher outside, every few minutes: when it stays away, the store itself is dead.
//!
//! Nothing inside can tell that the power is out. Whoever receives these requests raises the alarm when
//! one is late; so none is sent while the recorder stands still or cannot store.

use std::time::Duration;

use tokio::{
    sync::watch,
    time::{MissedTickBehavior, interval},
};
use tracing::{info, warn};

use super::webhook::{self, Address};
use crate::inbox::stopping;

/// One request takes no longer than this.
const LIMIT: Duration = Duration::from_secs(15);

/// Where and how often.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Asked for with GET; any 2xx answer will do.
    pub address: Address,
    /// Between two requests.
    pub every: Duration,
}

/// Asks until it is told to stop; `well` says whether the recorder works at all.
pub async fn run(
    settings: Settings,
    well: impl Fn() -> bool + Send,
    mut stop: watch::Receiver<bool>,
) {
    let mut beat = interval(settings.every);
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut last: Option<bool> = None;
    loop {
        tokio::select! {
            () = stopping(&mut stop) => return,
            _ = beat.tick() => {}
        }
        if !well() {
            warn!("no heartbeat is sent: the recorder does not work");
            last = None;
            continue;
        }
        let heard = webhook::knock(&settings.address, LIMIT).await;
        if last != Some(heard.is_ok()) {
            match &heard {
                Ok(()) => info!(to = ?settings.address, "the heartbeat is heard"),
                Err(why) => warn!(why, "the heartbeat is not heard"),
            }
        }
        last = Some(heard.is_ok());
    }
}
