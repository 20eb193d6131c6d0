//! What is owed arrives: against a mail server, a receiver and a program that fail and recover, over
//! restarts, and with the program killed in the middle of it.

#[path = "../daemon/farm.rs"]
#[allow(dead_code)]
mod farm;
mod killed;
mod servers;

use std::{collections::BTreeMap, fs, time::Duration};

use overwinter::{
    store::outbox::MessageRow,
    watch::{Stamp, reading::MINUTE_MS},
};

use farm::{Daemon, Farm, START, minute, until};
use servers::{Mood, Server};

/// A mail address, a hook and a siren, all told by one contact.
fn ways(hook: u16, mail: u16, siren: &str) -> String {
    format!(
        r#"
[[webhook]]
name = "hook"
url = "http://127.0.0.1:{hook}/in"
secret_file = "secret"

[[email]]
name = "mail"
to = "odile@farm.example"
from = "store@farm.example"
server = "127.0.0.1"
port = {mail}
security = "none"

[[command]]
name = "siren"
run = ["sh", "-c", "{siren}"]

[[contact]]
name = "Odile"
channels = ["hook", "mail", "siren"]
"#
    )
}

fn farm(ways: &str) -> Farm {
    let farm = Farm::new(ways);
    farm.append("secret", "garden");
    use std::os::unix::fs::PermissionsExt as _;
    let private = fs::Permissions::from_mode(0o600);
    fs::set_permissions(farm.path("secret"), private).unwrap();
    farm
}

async fn say_all(daemon: &Daemon, at: Stamp, cellar: f64) {
    daemon.say("north", at, cellar, 80.0).await;
    daemon.say("south", at, cellar, 80.0).await;
    daemon.say("back", at, 9.0, 80.0).await;
}

async fn messages(daemon: &Daemon) -> Vec<MessageRow> {
    daemon.store().messages(1000).await.unwrap()
}

/// Waits until `found` of the messages, half a minute passing on the farm at each look.
async fn passing(
    farm: &Farm,
    daemon: &Daemon,
    from: Stamp,
    what: &str,
    found: impl Fn(&[MessageRow]) -> bool,
) -> Stamp {
    let mut now = from;
    for _ in 0..300 {
        if found(&messages(daemon).await) {
            return now;
        }
        now = now.plus(MINUTE_MS / 2);
        farm.clock.set(now);
        if now.since(START) % (10 * MINUTE_MS) == 0 {
            say_all(daemon, now, 1.0).await;
        }
        // The couriers look twice a second.
        tokio::time::sleep(Duration::from_millis(250)).await;
    }
    panic!("did not come about: {what}: {:#?}", messages(daemon).await);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_message_arrives_however_the_receivers_behave() {
    use Mood::{Busy, Error, HangUp, Slow};
    // The hook fails for longer than a quarter of an hour, the mail server now and then, the siren
    // once. Every channel has a test message to deliver as well.
    let hook = Server::http(&[
        Error,
        HangUp,
        Busy(90),
        Error,
        Error,
        HangUp,
        Error,
        Error,
        Error,
        Error,
        Error,
        Error,
        Slow(300),
    ])
    .await;
    let mail = Server::smtp(&[Busy(0), HangUp, Error, Slow(300)]).await;
    let siren = "if [ -e once ]; then cat >> heard; echo >> heard; else touch once; exit 75; fi";
    let folder_siren = |f: &Farm| {
        siren
            .replace("once", f.path("once").to_str().unwrap())
            .replace("heard", f.path("heard").to_str().unwrap())
    };
    let farm = farm("");
    let text = ways(hook.port, mail.port, &folder_siren(&farm));
    let farm = farm.and(&text);
    let daemon = farm.start().await;
    say_all(&daemon, START, 1.0).await;

    // Told by the other channels, as soon as these deliver.
    let failing = |m: &[MessageRow]| {
        let of_hook = "channel-failing 1 channel hook";
        let told = m
            .iter()
            .filter(|m| m.channel != "hook" && m.state == "sent");
        told.filter(|m| m.occurrences.iter().any(|o| o.contains(of_hook)))
            .count()
            == 2
    };
    let now = passing(
        &farm,
        &daemon,
        minute(20),
        "the failing hook is told",
        failing,
    )
    .await;
    let all = |m: &[MessageRow]| m.iter().all(|m| m.state == "sent");
    passing(&farm, &daemon, now, "everything is delivered", all).await;

    // Frost for the cellar by every channel, and a test of each; at least once, none forgotten.
    let rows = messages(&daemon).await;
    let purposes = |channel: &str| {
        let own = rows.iter().filter(|m| m.channel == channel);
        own.map(|m| m.purpose.as_str()).collect::<Vec<_>>()
    };
    for channel in ["hook", "mail", "siren"] {
        let purposes = purposes(channel);
        assert!(purposes.contains(&"test"), "{channel}: {purposes:?}");
        assert!(
            purposes.contains(&"announce") || purposes.contains(&"digest"),
            "{channel}: {purposes:?}"
        );
    }
    let keys = |server: &Server| {
        let mut keys = server.got();
        keys.sort();
        keys.dedup();
        keys.len()
    };
    assert_eq!(keys(&hook), purposes("hook").len(), "{:?}", hook.got());
    assert_eq!(keys(&mail), purposes("mail").len(), "{:?}", mail.got());
    let heard = fs::read_to_string(farm.path("heard")).unwrap();
    let heard = heard.lines().filter(|l| !l.is_empty()).count();
    assert_eq!(heard, purposes("siren").len());
    // What was taken in without an answer came twice under the same name.
    assert!(keys(&hook) < hook.got().len());
    assert!(keys(&mail) < mail.got().len());
    let frost = |m: &&MessageRow| m.subject.contains("Frost near in the cellar");
    assert!(rows.iter().any(|m| m.channel == "mail" && frost(&m)));
    // The letter itself, however its lines are folded.
    let letters = mail.texts().concat().replace("=\r\n", "");
    assert!(
        letters.contains("Go and look: is a door or vent open"),
        "{letters}"
    );

    // Every try is on record, and every visit was a try.
    let tries = daemon.store().tries().await.unwrap();
    let mut by_key: BTreeMap<&str, Vec<(i64, &str)>> = BTreeMap::new();
    for (key, nth, outcome) in &tries {
        by_key.entry(key).or_default().push((*nth, outcome));
    }
    for (key, tries) in &by_key {
        let nths: Vec<i64> = tries.iter().map(|t| t.0).collect();
        assert_eq!(nths, (1..=nths.len() as i64).collect::<Vec<_>>(), "{key}");
        assert_eq!(tries.last().unwrap().1, "sent", "{key}");
    }
    let of = |channel: &str| tries.iter().filter(|t| t.0.ends_with(channel)).count();
    assert_eq!(of("by hook"), hook.visits());
    assert_eq!(of("by mail"), mail.visits());
    assert_eq!(
        rows.iter().map(|m| m.tries).sum::<i64>(),
        tries.len() as i64
    );
    let alerts = daemon.get("/api/alerts").await.text;
    assert!(
        alerts.contains("channel-failing 1 channel hook"),
        "{alerts}"
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_listens_and_then_somebody_does() {
    let hook = Server::absent(&[]).await;
    let mail = Server::smtp(&[]).await;
    let farm = farm(&ways(hook.port, mail.port, "cat > /dev/null"));
    let daemon = farm.start().await;
    until("the hook was tried", async || {
        let tries = daemon.store().tries().await.unwrap();
        tries.iter().any(|t| t.0.ends_with("hook")).then_some(())
    })
    .await;
    daemon.running.finish().await;
    // A restart forgets nothing and repeats nothing that was delivered.
    let delivered = mail.got();
    let daemon = farm.start().await;
    hook.open_http().await;
    let all = |m: &[MessageRow]| m.iter().all(|m| m.state == "sent");
    passing(&farm, &daemon, START, "the hook is heard", all).await;
    assert_eq!(hook.got().len(), 1, "the test message");
    assert_eq!(mail.got(), delivered);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_restart_in_any_state_neither_loses_nor_repeats_a_message() {
    let (hook, mail) = (Server::http(&[]).await, Server::smtp(&[]).await);
    let keys = |rows: &[MessageRow]| -> Vec<String> {
        let mut keys: Vec<String> = rows
            .iter()
            .map(|m| format!("{} {} {} {:?}", m.at.0, m.purpose, m.channel, m.occurrences))
            .collect();
        keys.sort();
        keys
    };
    // The same day twice: once in one run, once with a restart at every step.
    let mut days = Vec::new();
    for restarts in [false, true] {
        let farm = farm(&ways(hook.port, mail.port, "cat > /dev/null"));
        let mut daemon = farm.start().await;
        for m in (0..75).map(|n| n * 20) {
            farm.clock.set(minute(m));
            // Frost in the first hours, dry from then on.
            let (t, rh) = if m < 300 { (1.0, 80.0) } else { (9.0, 60.0) };
            for sensor in ["north", "south"] {
                daemon.say(sensor, minute(m), t, rh).await;
            }
            daemon.say("back", minute(m), 9.0, 80.0).await;
            if restarts && m % 100 == 0 {
                daemon.running.finish().await;
                daemon = farm.start().await;
            }
        }
        days.push(keys(&messages(&daemon).await));
        daemon.running.finish().await;
    }
    assert_eq!(days[0], days[1]);
    for purpose in ["again", "summary", "announce"] {
        assert!(
            days[0].iter().any(|k| k.contains(purpose)),
            "{:#?}",
            days[0]
        );
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_heartbeat_goes_on_while_the_recorder_works() {
    use std::sync::{
        Arc,
        atomic::{AtomicBool, AtomicUsize, Ordering},
    };

    use overwinter::notify::{channel::Post, heartbeat, webhook::Address};
    use tokio::{
        io::{AsyncReadExt, AsyncWriteExt},
        net::TcpListener,
    };

    Post::new();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = format!("http://{}/beat/7f3a", listener.local_addr().unwrap());
    let beats = Arc::new(AtomicUsize::new(0));
    let heard = beats.clone();
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let mut head = [0; 1024];
            let n = stream.read(&mut head).await.unwrap_or(0);
            assert!(head[..n].starts_with(b"GET /beat/7f3a "));
            heard.fetch_add(1, Ordering::SeqCst);
            let answer = b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n";
            let _ = stream.write_all(answer).await;
        }
    });
    let settings = heartbeat::Settings {
        address: Address::parse(&address).unwrap(),
        every: Duration::from_millis(20),
    };
    assert!(
        !format!("{settings:?}").contains("7f3a"),
        "a key in the address is not shown"
    );
    let works = Arc::new(AtomicBool::new(true));
    let well = works.clone();
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let run = tokio::spawn(heartbeat::run(
        settings,
        move || well.load(Ordering::SeqCst),
        stopped,
    ));
    until("it beats", async || {
        (3 < beats.load(Ordering::SeqCst)).then_some(())
    })
    .await;
    // The recorder stands still: the watcher outside must notice.
    works.store(false, Ordering::SeqCst);
    let mut still = tokio::time::interval(Duration::from_millis(100));
    still.tick().await;
    let mut last = usize::MAX;
    loop {
        still.tick().await;
        let now = beats.load(Ordering::SeqCst);
        if std::mem::replace(&mut last, now) == now {
            break;
        }
    }
    works.store(true, Ordering::SeqCst);
    until("it beats again", async || {
        (last + 2 < beats.load(Ordering::SeqCst)).then_some(())
    })
    .await;
    stop.send_replace(true);
    run.await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_waits_for_a_channel_that_is_gone_is_told_by_the_one_in_its_place() {
    let (mail, gone) = (Server::smtp(&[]).await, Server::absent(&[]).await);
    let text = ways(gone.port, mail.port, "cat > /dev/null");
    // First the contact has the hook alone, which nobody answers; then the mail in its place.
    let only = |channel: &str| {
        text.replace(
            "channels = [\"hook\", \"mail\", \"siren\"]",
            &format!("channels = [\"{channel}\"]"),
        )
    };
    let before = farm(&only("hook"));
    let daemon = before.start().await;
    for n in [0, 10, 20] {
        before.clock.set(minute(n));
        say_all(&daemon, minute(n), 1.0).await;
    }
    let frost = |m: &&MessageRow| m.purpose == "announce" && m.subject.contains("Frost");
    until("the hook was tried", async || {
        let rows = messages(&daemon).await;
        rows.iter().find(frost).filter(|m| 0 < m.tries).map(|_| ())
    })
    .await;
    daemon.running.finish().await;

    let mut config = before.config();
    for contact in &mut config.telling.contacts {
        contact.channels = vec![overwinter::watch::SensorName::new("mail").unwrap()];
    }
    let running = overwinter::cli::run::Running::start(&config, before.clock.clone(), None)
        .await
        .unwrap_or_else(|e| panic!("{e:?}"));
    until("the mail tells it", async || {
        let rows = running.store.messages(1000).await.unwrap();
        let told = rows
            .iter()
            .any(|m| frost(&m) && m.channel == "mail" && m.state == "sent");
        let waits = rows
            .iter()
            .any(|m| m.channel == "hook" && m.state == "waiting");
        (told && !waits).then_some(())
    })
    .await;
    running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_that_is_set_back_puts_off_no_second_try() {
    let (hook, mail) = (Server::http(&[Mood::Error]).await, Server::smtp(&[]).await);
    let farm = farm(&ways(hook.port, mail.port, "cat > /dev/null"));
    let daemon = farm.start().await;
    until("the hook was tried", async || {
        let tries = daemon.store().tries().await.unwrap();
        tries.iter().any(|t| t.0.ends_with("hook")).then_some(())
    })
    .await;
    farm.clock.step(-120 * MINUTE_MS);
    let before = farm.clock.now();
    let all = |m: &[MessageRow]| m.iter().all(|m| m.state == "sent");
    let now = passing(&farm, &daemon, before, "the hook is tried again", all).await;
    assert!(now.since(before) < 10 * MINUTE_MS, "{}", now.since(before));
    daemon.running.finish().await;
}
