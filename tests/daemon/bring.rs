//! A grower's own list brought in through the pages, without script: what is understood, asked, refused
//! and done.

use std::collections::BTreeMap;

use crate::farm::{Answer, Daemon, Farm};

type Fields = BTreeMap<String, String>;

const OWN: &str = "Tuber stock,,,\n\
    Crate #,Variety name,Qty,Shelf,Price\n\
    B 07,Brindolet,24,north wall,3.50\n\
    B 08,Quenbrisk,12 divs,north wall,4\n\
    B 09,Marrowhush,~30,south wall,4\n\
    ,Total:,66,,\n";

async fn send(daemon: &Daemon, fields: &Fields) -> Answer {
    let mut body = String::new();
    for (name, value) in fields {
        body.push_str("--the-boundary\r\ncontent-disposition: form-data; name=\"");
        body.push_str(name);
        if name == "file" {
            body.push_str("\"; filename=\"list.csv\"\r\ncontent-type: text/csv");
        } else {
            body.push('"');
        }
        body.push_str("\r\n\r\n");
        body.push_str(value);
        body.push_str("\r\n");
    }
    body.push_str("--the-boundary--\r\n");
    let request = daemon
        .client
        .post(format!("{}/stock/bring-in", daemon.base))
        .header("content-type", "multipart/form-data; boundary=the-boundary")
        .body(body);
    Answer::of(request).await
}

fn plain(text: &str) -> String {
    [
        ("&#34;", "\""),
        ("&#39;", "'"),
        ("&#60;", "<"),
        ("&#62;", ">"),
        ("&#38;", "&"),
    ]
    .iter()
    .fold(text.to_owned(), |text, (sign, letter)| {
        text.replace(sign, letter)
    })
}

fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    tag.split_once(&format!(" {name}=\""))?.1.split('"').next()
}

/// What a browser without script would send of the form on a page, but for its buttons.
fn filled(page: &str) -> Fields {
    let form = page
        .split_once("<form")
        .unwrap()
        .1
        .split_once("</form>")
        .unwrap()
        .0;
    let mut fields = Fields::new();
    for tag in form.split("<input").skip(1) {
        let (tag, kind) = (tag.split('>').next().unwrap(), attribute(tag, "type"));
        if kind == Some("file") || kind == Some("checkbox") && !tag.contains(" checked") {
            continue;
        }
        let value = plain(attribute(tag, "value").unwrap_or_default());
        // A browser ends its lines so.
        fields.insert(
            attribute(tag, "name").unwrap().into(),
            value.replace('\n', "\r\n"),
        );
    }
    for select in form.split("<select").skip(1) {
        let select = select.split("</select>").next().unwrap();
        let chosen = select
            .split("<option")
            .find(|option| option.contains(" selected"));
        let value = chosen.and_then(|option| attribute(option, "value"));
        fields.insert(
            attribute(select, "name").unwrap().into(),
            plain(value.unwrap_or_default()),
        );
    }
    fields
}

fn with(mut fields: Fields, more: &[(&str, &str)]) -> Fields {
    fields.extend(more.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())));
    fields
}

fn only(name: &str, value: &str) -> Fields {
    with(Fields::new(), &[(name, value)])
}

fn has(page: &str, texts: &[&str]) {
    let page = plain(page);
    for text in texts {
        assert!(page.contains(text), "no `{text}` in {page}");
    }
}

async fn held(daemon: &Daemon) -> Vec<String> {
    let crates = daemon.store().crates().await.unwrap();
    let line = |c: &overwinter::stock::list::Crate| {
        let lots: Vec<_> = c
            .lots
            .iter()
            .map(|l| format!("{} {} {}", l.count, l.form, l.variety))
            .collect();
        format!("{} {}|{} {}", c.code, c.room, c.place, lots.join(", "))
    };
    crates.iter().map(line).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_growers_own_list_comes_in_without_script() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    has(
        &daemon.get("/stock/bring-in").await.text,
        &["Look at it", "at most 1 MiB"],
    );

    // The sheet leaves open where the crates stand and what most of them hold.
    let page = send(&daemon, &only("file", OWN)).await;
    assert_eq!(page.status, 200);
    has(
        &page.text,
        &[
            "Say first",
            "The sheet does not name the room.",
            "choose clump, division or pot tuber",
            "Crate #",
            "B 07 · B 08 · B 09",
            "<option value=\"count\" selected>how many",
        ],
    );
    assert!(!page.text.contains("Bring in"));
    let answers = [("room", "cellar"), ("form", "clump"), ("do", "look")];
    let fields = with(filled(&page.text), &answers);
    assert_eq!(fields["use-4"], "", "prices are not used");
    let page = send(&daemon, &fields).await.text;
    has(
        &page,
        &[
            "2 new",
            "B-07: new, 24 pieces",
            "1 left out",
            "<b>Line 5</b>: `~30`",
            "holds a total and no crate: line 6",
            "Not used: Price.",
            "Bring in 2 crates",
        ],
    );
    assert_eq!(held(&daemon).await, [""; 0]);

    // Pressed twice it enters once.
    let fields = with(filled(&page), &[("do", "enter")]);
    let done = send(&daemon, &fields).await.text;
    has(
        &done,
        &[
            "2 crates brought in: 2 new, 0 changed.",
            "Line 5",
            "Look at the list again",
        ],
    );
    let twice = send(&daemon, &fields).await.text;
    has(
        &twice,
        &["2 crates came in at the first press already; nothing was entered twice."],
    );
    let stock = [
        "B-07 cellar|north wall 24 clump Brindolet",
        "B-08 cellar|north wall 12 division Quenbrisk",
    ];
    assert_eq!(held(&daemon).await, stock);

    // The same list once more, corrected: codes that are there are told.
    let again = OWN
        .replace("~30", "30")
        .replace("B 07,Brindolet,24", "b-07,Brindolet,20");
    let page = send(&daemon, &only("text", &again)).await.text;
    let fields = with(filled(&page), &[("room", "cellar"), ("form", "clump")]);
    let page = send(&daemon, &fields).await.text;
    has(
        &page,
        &[
            "2 crates of the list are in the stock already.",
            "b-07: 24 -> 20 pieces",
            "B-08: as before, 12 pieces",
            "B-09: new, 30 pieces",
            "Bring in 2 crates",
        ],
    );

    // What the columns mean was changed on the way: nothing is entered before that was seen.
    let fields = with(filled(&page), &[("do", "enter"), ("use-3", "")]);
    let other = send(&daemon, &fields).await.text;
    has(
        &other,
        &["nothing was entered yet", "Not used: Shelf, Price."],
    );
    assert_eq!(held(&daemon).await, stock);

    // Somebody else counted in between.
    let deed = r#"{"entries":[{"deed":{"kind":"corrected","lot":1,"count":22}}]}"#;
    let entered = daemon
        .client
        .post(format!("{}/api/stock/entries", daemon.base))
        .header("content-type", "application/json")
        .body(deed);
    assert_eq!(Answer::of(entered).await.status, 200);
    let done = send(&daemon, &with(filled(&page), &[("do", "enter")]))
        .await
        .text;
    has(
        &done,
        &[
            "1 crate brought in: 1 new, 0 changed.",
            "1 crate as before.",
            "<b>Crate b-07</b>: Since you looked, this crate was changed.",
        ],
    );
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn codes_are_made_for_a_list_without_any_and_made_once() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    let list = "Variety;Divisions\nBrindolet;24\nQuenbrisk;12\n";
    let page = send(&daemon, &only("text", list)).await.text;
    let fields = with(filled(&page), &[("room", "cellar"), ("series", "K-")]);
    let page = send(&daemon, &fields).await.text;
    let fields = with(filled(&page), &[("do", "enter")]);
    for want in ["2 crates brought in", "nothing was entered twice"] {
        has(&send(&daemon, &fields).await.text, &[want]);
    }
    let stock = [
        "K-01 cellar| 24 division Brindolet",
        "K-02 cellar| 12 division Quenbrisk",
    ];
    assert_eq!(held(&daemon).await, stock);
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_list_is_refused_with_the_way_out() {
    let farm = Farm::new("");
    let daemon = farm.start().await;
    for (fields, status, texts) in [
        (
            only("text", ""),
            422,
            [
                "No list was sent",
                "copy the rows of the sheet into the field",
            ],
        ),
        (
            only("file", "PK\0\u{3}"),
            422,
            ["The file is not plain text", "save it as CSV"],
        ),
        (
            only("text", "hello"),
            422,
            [
                "No line was found that names the columns",
                "write a name above each column",
            ],
        ),
        (
            only("text", &"x".repeat(2 << 20)),
            422,
            [
                "The file is larger than 1048576 bytes",
                "divide it into several files",
            ],
        ),
        (
            only("text", &"x".repeat(4 << 20)),
            413,
            ["the list is larger than 1 MiB", "That could not be done"],
        ),
        (
            with(only("text", OWN), &[("use-0", "count"), ("use-1", "count")]),
            422,
            [
                "Two columns were said to hold the count",
                "choose one of them",
            ],
        ),
        (
            with(
                only("text", OWN),
                &[("use-0", "code"), ("dug", "yesterday")],
            ),
            422,
            ["The field `dug` cannot be read", "such as 2026-10-21"],
        ),
    ] {
        let page = send(&daemon, &fields).await;
        assert_eq!(page.status, status, "{}", texts[0]);
        has(&page.text, &texts);
    }
    let page = send(&daemon, &only("text", OWN)).await.text;
    let fields = with(filled(&page), &[("room", "cellar"), ("form", "clump")]);
    let page = send(&daemon, &fields).await.text;
    let fields = with(filled(&page), &[("do", "enter"), ("hand", "x")]);
    let page = send(&daemon, &fields).await;
    assert_eq!(page.status, 400);
    has(
        &page.text,
        &["this page is not as it was made; load it again"],
    );
    assert_eq!(held(&daemon).await, [""; 0]);
    daemon.running.finish().await;
}
