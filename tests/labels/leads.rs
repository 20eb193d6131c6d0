//! What a label leads to: scanned by a phone, typed by a person, and where phones are sent.

use crate::{farm::Farm, with};

const ROWS: &str = "\
B-07,cellar,north wall / shelf 2 / 3,Brindolet,division,shavings,60,2026-10-21,,,
B.07,back-room,rack 1 / shelf 1 / 1,Quenbrisk,clump,peat,24,2026-10-22,,,
C-01,cellar,north wall / shelf 1 / 1,Ossamurle,clump,bare,20,2026-10-22,,,
A/../B,cellar,,Ossamurle,clump,bare,2,2026-10-22,,,
";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_label_leads_to_its_crate() {
    let farm = Farm::new("");
    let daemon = with(&farm, ROWS, None).await;
    let to = async |path: &str| {
        let asked = daemon.client.get(format!("{}{path}", daemon.base));
        let answer = asked.send().await.unwrap();
        let location = answer.headers().get("location");
        let location = location.map_or("", |l| l.to_str().unwrap()).to_owned();
        (answer.status().as_u16(), location)
    };
    for (path, crate_page) in [
        ("/K/C-01", "/crate?code=C-01"),
        ("/k/c-01", "/crate?code=C-01"),
        ("/K/A%2F..%2FB", "/crate?code=A%2F..%2FB"),
        // With its check character, small letters, a space and a zero for an O.
        ("/find?code=c+01+d", "/crate?code=C-01"),
        ("/find?code=C-O1D", "/crate?code=C-01"),
    ] {
        let (status, location) = to(path).await;
        assert_eq!((status, location.as_str()), (303, crate_page), "{path}");
    }
    for (path, status, says) in [
        ("/find", 200, &["Type what the label says"][..]),
        ("/find?code=+", 200, &["Type what the label says"]),
        (
            "/find?code=c-01",
            200,
            &[
                "Is it this one?",
                "Ossamurle",
                "north wall",
                "/crate?code=C-01",
            ],
        ),
        (
            "/find?code=b07",
            200,
            &["Which one is it?", "Brindolet", "Quenbrisk"],
        ),
        (
            "/find?code=C-01X",
            200,
            &[
                "The check character does not fit",
                "/crate?code=C-01",
                "value=\"C-01X\"",
            ],
        ),
        (
            "/find?code=%3Cb%3E",
            200,
            &["The check character does not fit"],
        ),
        ("/find?code=%FF", 200, &["The check character does not fit"]),
        (
            "/K/C-91",
            404,
            &["There is no such crate", "C-91", "/crate?code=C-01"],
        ),
        ("/k/%3Cscript%3E", 404, &["There is no such crate"]),
        ("/k/%FF", 404, &["There is no such crate"]),
    ] {
        let page = daemon.get(path).await;
        assert_eq!(page.status, status, "{path}");
        for text in says {
            assert!(page.text.contains(text), "{path}: {text}: {}", page.text);
        }
        assert!(
            page.text.contains("autocapitalize=\"characters\""),
            "{path}"
        );
        assert!(page.text.contains("autocorrect=\"off\""), "{path}");
        assert!(!page.text.contains("<script>"), "{path}");
    }
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn labels_are_for_the_crates_that_were_asked_for() {
    let farm = Farm::new("");
    let daemon = with(&farm, ROWS, Some("http://store.lan:8480")).await;
    for (query, labels, says) in [
        ("", 0, "Which labels"),
        ("?room=", 0, "Which labels"),
        ("?all=yes", 12, "12 labels for 4 crates, on 2 sheets."),
        (
            "?all=yes&copies=1&paper=single",
            4,
            "4 labels for 4 crates.",
        ),
        ("?code=B-07&code=c-01", 6, "6 labels for 2 crates"),
        ("?code=b-07,+c-01+X-9", 6, "No crate has the code X-9."),
        ("?room=Cellar&copies=6", 18, "18 labels for 3 crates"),
        ("?shelf=north+wall+/+shelf+1", 3, "3 labels for 1 crate"),
        ("?variety=ossamurle&copies=2", 4, "4 labels for 2 crates"),
        (
            "?variety=Brindolet&room=back-room",
            0,
            "No crate fits all of this.",
        ),
        ("?all=yes&copies=99", 24, "24 labels"),
        ("?all=yes&copies=x&paper=x&size=x", 12, "on 2 sheets"),
        ("?code=%3Cscript%3E", 0, "No crate has the code"),
    ] {
        let page = daemon.get(&format!("/labels{query}")).await;
        assert_eq!(page.status, 200, "{query}");
        assert_eq!(
            page.text.matches("class=\"check\"").count(),
            labels,
            "{query}"
        );
        assert!(page.text.contains(says), "{query}: {}", page.text);
        assert!(!page.text.contains("A phone cannot follow"), "{query}");
    }
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn where_phones_cannot_go_the_page_says_so() {
    let farm = Farm::new("");
    let daemon = with(&farm, ROWS, None).await;
    let page = daemon.get("/labels?all=yes").await.text;
    assert!(page.contains("A phone cannot follow these codes"), "{page}");
    assert!(
        page.contains("<code>address</code> under <code>[site]</code>"),
        "{page}"
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn more_crates_than_a_page_takes_are_said() {
    let farm = Farm::new("");
    let rows: Vec<String> = (1..=203)
        .map(|n| {
            format!(
                "R-{n},cellar,rack {} / shelf 1 / {n},Quenbrisk,clump,peat,5,,,,\n",
                n % 7
            )
        })
        .collect();
    let daemon = with(&farm, &rows.concat(), Some("http://store.lan:8480")).await;
    let page = daemon.get("/labels?all=yes&copies=6&size=small").await.text;
    assert_eq!(page.matches("class=\"check\"").count(), 1200);
    assert!(
        page.contains("These are the first 200; 3 more are left out."),
        "{page:.2000}"
    );
    assert!(page.len() < 1_500_000, "{}", page.len());
    eprintln!("1200 labels: {} bytes", page.len());
    daemon.running.finish().await;
}
