//! The wall of a room: its weight, and what is drawn.

use crate::{farm::Farm, with};

/// Bytes of the page with 200 crates; the slow network of a shed carries it in a second or two.
const HEAVY: usize = 100_000;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_room_of_two_hundred_crates_is_light() {
    let farm = Farm::new("");
    let rows: Vec<String> = (0..200)
        .map(|n| {
            let place = format!(
                "rack {} / shelf {} / {}",
                n / 40 + 1,
                n / 10 % 4 + 1,
                n % 10 + 1
            );
            format!(
                "R-{n:03},cellar,{place},Kettle Vesprin,clump,peat,{},2026-10-21,,,\n",
                n + 1
            )
        })
        .collect();
    let daemon = with(&farm, &rows.concat(), None).await;
    let page = daemon.get("/wall").await.text;
    assert_eq!(page.matches("/crate?code=R-").count(), 200);
    eprintln!("200 crates: {} bytes", page.len());
    assert!(page.len() < HEAVY, "{}", page.len());
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_wall_shows_the_room_that_was_asked_for() {
    let farm = Farm::new("");
    let rows = "\
A-1,attic,by the door,Quenbrisk,clump,peat,5,,,,
B-1,back-room,rack 1 / shelf 1 / 1,Quenbrisk,clump,peat,5,,,,
B-3,back-room,rack 1 / shelf 1 / 3,Quenbrisk,clump,peat,5,,,,
";
    let daemon = with(&farm, rows, None).await;
    // The first room of the configuration has no crates.
    for (path, here, elsewhere) in [
        ("/wall", "B-3", "A-1"),
        ("/wall?room=ATTIC", "A-1", "B-1"),
        ("/wall?room=none", "B-1", "A-1"),
        ("/wall?room=%FF", "B-1", "A-1"),
    ] {
        let page = daemon.get(path).await.text;
        assert!(page.contains(&format!("code={here}\"")), "{path}: {page}");
        assert!(!page.contains(&format!("code={elsewhere}\"")), "{path}");
    }
    let page = daemon.get("/wall").await.text;
    assert!(page.contains("class=\"free\">2"), "{page}");
    // Nothing was heard of the air yet.
    assert!(page.contains("aria-label=\"No word\""), "{page}");
    daemon.running.finish().await;

    let empty = Farm::new("");
    let daemon = with(&empty, "", None).await;
    let page = daemon.get("/wall").await.text;
    assert!(page.contains("There is no crate yet."), "{page}");
    daemon.running.finish().await;
}
