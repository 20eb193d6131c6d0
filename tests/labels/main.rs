//! Labels as a printer and a phone's camera have them, what a label leads to, and the wall of a room.
//!
//! Needs Debian's `chromium` and `poppler-utils`; `tests/run` installs them.

#[path = "../daemon/farm.rs"]
#[allow(dead_code, reason = "another test uses the rest of the farm")]
mod farm;
mod leads;
mod paper;
mod printed;
mod wall;

use overwinter::{cli::run::Running, stock::list::parse, store::Store};

use farm::{Daemon, Farm, client};

const HEADER: &str = "code,room,place,variety,form,packing,count,dug,weight,note,prepared\n";

/// A daemon on a farm with these rows of a list, told to be found at `address`.
async fn with(farm: &Farm, rows: &str, address: Option<&str>) -> Daemon {
    let parsed = parse(&format!("{HEADER}{rows}"));
    assert_eq!(parsed.faults, []);
    let mut config = farm.config();
    config.address = address.map(str::to_owned);
    let store = Store::open(&config.database).await.unwrap();
    let mut tx = store.begin().await.unwrap();
    let at = farm.clock.now();
    let brought = tx.import_crates(&parsed.crates, at, "a test").await;
    assert!(brought.unwrap().refused.is_empty());
    tx.commit().await.unwrap();
    store.close().await;
    let running = Running::start(&config, farm.clock.clone(), None).await;
    let running = running.unwrap_or_else(|e| panic!("{e:?}"));
    Daemon {
        base: format!("http://{}", running.address),
        client: client(),
        running,
    }
}
