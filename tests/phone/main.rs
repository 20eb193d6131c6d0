//! A phone's way with an alert, in a real browser: the link in the message, what to do, acknowledge,
//! shelve for two hours, listed, and back again.
//!
//! Needs Debian's `chromium` and `chromium-driver`; `tests/run` installs them.

#[path = "../daemon/farm.rs"]
#[allow(dead_code, reason = "another test uses the rest of the farm")]
mod farm;

mod browser;

use std::{fs, net::SocketAddr, time::Duration};

use fantoccini::Locator;
use overwinter::{cli::run::Running, watch::Stamp, web::access::passphrase};
use serde_json::Value;

use browser::{Driver, fits, free_port, press, reads, touch, words};
use farm::{Farm, START, TOKEN, client, minute, object, until};

const PASSPHRASE: &str = "ladle fog nine";

struct Store {
    running: Running,
    base: String,
    http: reqwest::Client,
}

impl Store {
    /// One reading of every sensor; the cellar's air is so cold.
    async fn say(&self, at: Stamp, cellar: f64) {
        for (sensor, t) in [("north", cellar), ("south", cellar), ("back", 9.0)] {
            let posted = self
                .http
                .post(format!("{}/api/readings", self.base))
                .bearer_auth(TOKEN)
                .header("content-type", "application/json")
                .body(object(sensor, at, t, 80.0))
                .send()
                .await
                .unwrap();
            assert_eq!(posted.status(), 200);
        }
    }
}

/// The messages that came, as the program that takes them was given them.
fn messages(farm: &Farm) -> Vec<Value> {
    let text = fs::read_to_string(farm.path("messages")).unwrap_or_default();
    let lines = text.lines().filter_map(|l| serde_json::from_str(l).ok());
    lines.collect()
}

async fn link(farm: &Farm, nth: usize) -> String {
    until("the message comes", async || {
        let announced: Vec<Value> = messages(farm)
            .into_iter()
            .filter(|m| m["purpose"] == "announce")
            .collect();
        Some(announced.get(nth)?["link"].as_str()?.to_owned())
    })
    .await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn from_the_message_to_the_shelf_and_back() {
    let farm = Farm::new("");
    let heard = farm.path("messages");
    let farm = farm.and(&format!(
        r#"
[[command]]
name = "phone"
run = ["sh", "-c", "cat >> '{}'"]

[[contact]]
name = "Ida"
channels = ["phone"]
"#,
        heard.display()
    ));
    let mut config = farm.config();
    let address: SocketAddr = ([127, 0, 0, 1], free_port()).into();
    config.listen = address;
    config.address = Some(format!("http://{address}"));
    let running = Running::start(&config, farm.clock.clone(), None).await;
    let store = Store {
        running: running.unwrap_or_else(|e| panic!("{e:?}")),
        base: format!("http://{address}"),
        http: client(),
    };
    let hash = passphrase::hash(PASSPHRASE).unwrap();
    let mut tx = store.running.store.begin().await.unwrap();
    tx.change_passphrase(&hash, START, "a test").await.unwrap();
    tx.commit().await.unwrap();

    // Cold for an hour and ten minutes: a message comes, with a link.
    for n in 0..=7 {
        farm.clock.set(minute(n * 10));
        store.say(minute(n * 10), 3.0).await;
    }
    let first = link(&farm, 0).await;
    let driver = Driver::start();
    let phone = driver.phone().await;

    // The link asks who it is, and leads on to the alert.
    phone.goto(&first).await.unwrap();
    reads(&phone, "Sign in").await;
    fits(&phone).await;
    for (field, text) in [("name", "Ida"), ("passphrase", PASSPHRASE)] {
        let field = phone.find(Locator::Id(field)).await.unwrap();
        field.send_keys(text).await.unwrap();
    }
    press(&phone, "Sign in").await;
    reads(&phone, "Cold in the cellar").await;
    assert_eq!(phone.current_url().await.unwrap().as_str(), first);
    fits(&phone).await;

    // What is wrong, what happens, what to do.
    for text in [
        "37.4 F now, should be 40 F or more",
        "3.0 C now, should be 4.4 C or more",
    ] {
        // The invented store reads in C.
        assert_eq!(
            words(&phone).await.contains(text),
            text.contains(" C "),
            "{text}"
        );
    }
    reads(&phone, "If nothing is done").await;
    reads(&phone, "Shut vents and doors to the outside.").await;
    reads(&phone, "Nobody has acknowledged it yet.").await;

    press(&phone, "Acknowledge").await;
    reads(&phone, "Seen by Ida").await;
    reads(&phone, "Somebody has seen it; it still holds.").await;

    // Shelved for two hours, with a reason; without one the browser keeps the form.
    let shelf = phone.find(Locator::Css("#shelf > summary")).await.unwrap();
    touch(&phone, shelf).await;
    let reason = phone.find(Locator::Id("reason")).await.unwrap();
    reason
        .send_keys("the vent's flap is being mended")
        .await
        .unwrap();
    let span = phone.find(Locator::Id("span")).await.unwrap();
    span.select_by_value("2h").await.unwrap();
    fits(&phone).await;
    press(&phone, "Shelve").await;
    reads(
        &phone,
        "On the shelf until 3:10 in the night, by Ida: the vent's flap is being mended.",
    )
    .await;

    // Listed, and counted no more.
    phone.goto(&format!("{}/alerts", store.base)).await.unwrap();
    reads(&phone, "Set aside").await;
    reads(&phone, "the vent's flap is being mended").await;
    fits(&phone).await;
    assert!(phone.find(Locator::Css("nav .tally")).await.is_err());
    assert!(
        phone
            .find(Locator::Css("section.alerts article"))
            .await
            .is_err()
    );
    phone.goto(&store.base).await.unwrap();
    reads(&phone, "No alert, but it is cold in the cellar just now.").await;
    phone.goto(&format!("{}/alerts", store.base)).await.unwrap();

    // Two hours later it is still cold: it comes back by itself, on the page that lies open, and is told.
    for n in 8..=19 {
        farm.clock.set(minute(n * 10));
        store.say(minute(n * 10), 3.0).await;
    }
    farm.clock.set(minute(191));
    let second = link(&farm, 1).await;
    assert_ne!(
        first, second,
        "a raising of its own, that no old button reaches"
    );
    let began = std::time::Instant::now();
    while phone
        .find(Locator::Css("section.alerts article"))
        .await
        .is_err()
    {
        assert!(
            began.elapsed() < Duration::from_secs(20),
            "{}",
            words(&phone).await
        );
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let page = words(&phone).await;
    assert!(!page.contains("Set aside"), "{page}");
    assert!(phone.find(Locator::Css("nav .tally")).await.is_ok());

    // The old link says what became of it and leads to what stands.
    phone.goto(&first).await.unwrap();
    reads(&phone, "A later one has followed it. Seen by Ida").await;
    let stands = Locator::LinkText("What stands now");
    let stands = phone.find(stands).await.unwrap();
    touch(&phone, stands).await;
    reads(&phone, "Nobody has acknowledged it yet.").await;
    assert_eq!(phone.current_url().await.unwrap().as_str(), second);

    // What is being typed stays, though the page is made anew under the fingers.
    let sensors = format!("{}/sensors", store.base);
    phone.goto(&sensors).await.unwrap();
    let fold = phone.find(Locator::Css("#out-1 > summary")).await.unwrap();
    touch(&phone, fold).await;
    let field = phone.find(Locator::Id("why-1")).await.unwrap();
    field.send_keys("its cable is").await.unwrap();
    farm.clock.set(minute(200));
    store.say(minute(200), 5.5).await;
    reads(&phone, "5.5 C").await;
    let field = phone.find(Locator::Id("why-1")).await.unwrap();
    field.send_keys(" mended").await.unwrap();
    let typed = field.prop("value").await.unwrap();
    assert_eq!(typed.as_deref(), Some("its cable is mended"));

    // A refusal stays with what was typed, whatever comes in meanwhile.
    let new = format!("{}/crate/new", store.base);
    phone.goto(&new).await.unwrap();
    let send = "const f = document.querySelector('form.fill'); f.variety.value = 'Quenbrisk'; \
                f.count.value = 'a few'; f.requestSubmit()";
    phone.execute(send, vec![]).await.unwrap();
    reads(&phone, "Write how many, in digits alone.").await;
    let asked = "return performance.getEntriesByType('resource').filter(e => e.initiatorType === 'fetch').length";
    let before = phone.execute(asked, vec![]).await.unwrap();
    farm.clock.set(minute(260));
    store.say(minute(260), 5.2).await;
    let heard = "return document.getElementById('contact').textContent";
    assert_eq!(phone.execute(heard, vec![]).await.unwrap(), "");
    let field = phone.find(Locator::Id("variety")).await.unwrap();
    assert_eq!(
        field.prop("value").await.unwrap().as_deref(),
        Some("Quenbrisk")
    );
    reads(&phone, "Write how many, in digits alone.").await;
    assert_eq!(
        phone.execute(asked, vec![]).await.unwrap(),
        before,
        "the page was not asked for anew"
    );

    phone.close().await.unwrap();
    store.running.finish().await;
}
