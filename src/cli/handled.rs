//! What the invented growers of the demonstration did with their crates before it begins.

use std::collections::BTreeMap;

use anyhow::Context as _;
use serde::Deserialize;

use crate::{
    stock::{
        Finding,
        ledger::{Asked, Deed, LotId, Outcome, Stock, Wish},
    },
    store::{Tx, ledger::Request},
    watch::{Stamp, reading::HOUR_MS},
};

const DEEDS: &str = include_str!("../../demo-sensors/deeds.csv");

/// One line of the table.
#[derive(Deserialize)]
struct Line {
    days_before: i64,
    who: String,
    what: String,
    /// A code, or for a look how the places begin: `rack 3`; `all` and `the rest` are what they say.
    #[serde(rename = "crate")]
    krate: String,
    variety: String,
    finding: String,
    count: Option<u32>,
}

/// Enters all of it, each on its day before `from`.
pub(super) async fn enter(tx: &mut Tx, from: Stamp) -> anyhow::Result<()> {
    let mut reader = csv::Reader::from_reader(DEEDS.as_bytes());
    // The newest day on which each crate was looked at.
    let mut looked: BTreeMap<String, i64> = BTreeMap::new();
    for line in reader.deserialize() {
        let line: Line = line?;
        let stock = tx.stock().await?;
        let deeds = deeds(&line, &stock, &mut looked)
            .with_context(|| format!("{} of {}{}", line.what, line.krate, line.variety))?;
        let asked: Vec<Asked> = deeds.into_iter().map(Asked::from).collect();
        let request = Request {
            asked: &asked,
            together: true,
            at: from.plus(-line.days_before * 24 * HOUR_MS),
            who: &line.who,
            doubt: &|_| None,
        };
        let (outcomes, ..) = tx.enter(&request).await?;
        let all = outcomes.iter().all(|o| matches!(o, Outcome::Entered(_)));
        anyhow::ensure!(all, "{} of {}: {outcomes:?}", line.what, line.krate);
    }
    Ok(())
}

fn deeds(
    line: &Line,
    stock: &Stock,
    looked: &mut BTreeMap<String, i64>,
) -> anyhow::Result<Vec<Deed>> {
    if line.what == "sound" {
        let mut sound = Vec::new();
        for (_, krate) in stock.crates() {
            let code = krate.code.to_string();
            let wanted = match line.krate.as_str() {
                "all" => true,
                // Fewer than two weeks ago it was looked at on another walk.
                "the rest" => looked
                    .get(&code)
                    .is_none_or(|before| line.days_before + 14 <= *before),
                place => krate.place.starts_with(place),
            };
            if wanted {
                looked.insert(code, line.days_before);
                sound.push(Deed::Looked {
                    krate: krate.code.clone(),
                    lot: None,
                    finding: Finding::Sound,
                    count: None,
                });
            }
        }
        return Ok(sound);
    }
    let count = line.count.context("how many?")?;
    if line.what == "wanted" {
        let wish = Wish {
            plants: count,
            bed: None,
        };
        return Ok(vec![Deed::Planned {
            variety: line.variety.clone(),
            wish: Some(wish),
        }]);
    }
    let code = line.krate.parse()?;
    let lot = lot(stock, &line.krate, &line.variety).context("no such lot")?;
    Ok(vec![match line.what.as_str() {
        "taken out" => Deed::Culled {
            lot,
            finding: line.finding.parse()?,
            count,
        },
        "left in" => Deed::Looked {
            krate: code,
            lot: Some(lot),
            finding: line.finding.parse()?,
            count: Some(count),
        },
        "given" => Deed::Given { lot, count },
        other => anyhow::bail!("`{other}` is not done here"),
    }])
}

fn lot(stock: &Stock, code: &str, variety: &str) -> Option<LotId> {
    let (krate, _) = stock.find(&code.parse().ok()?)?;
    let mut content = stock.content(krate);
    content
        .find(|(_, lot, _)| lot.variety == variety)
        .map(|(id, ..)| id)
}
