//! What a crate list may look like, and what is said about one that may not.

use proptest::prelude::*;

use super::*;

const HEADER: &str = "code,room,place,variety,form,packing,count,dug,weight,note\n";

/// Reads a whole list and compares crates, then faults, one line of text each.
fn check(text: &str, want: &[&str]) {
    assert_eq!(told(&parse(text)), want, "{text:?}");
}

/// Reads rows below the full header.
fn check_rows(rows: &str, want: &[&str]) {
    check(&format!("{HEADER}{rows}"), want);
}

pub(in crate::stock) fn told(parsed: &Parsed) -> Vec<String> {
    let lot = |lot: &Lot| {
        let dug = lot.dug.map_or(String::new(), |day| format!(" {day}"));
        let weight = lot.weight_g.map_or(String::new(), |g| format!(" {g} g"));
        let prepared = match lot.prepared.to_string() {
            said if said.is_empty() => said,
            said => format!(" <{said}>"),
        };
        let note = if lot.note.is_empty() {
            String::new()
        } else {
            format!(" ({})", lot.note)
        };
        format!(
            "{} {} {}{dug}{weight}{note}{prepared}",
            lot.count, lot.form, lot.variety
        )
    };
    let crates = parsed.crates.iter().map(|krate| {
        let lots: Vec<_> = krate.lots.iter().map(lot).collect();
        format!(
            "{} [{}|{}|{}] {}",
            krate.code,
            krate.room,
            krate.place,
            krate.packing,
            lots.join(" + ")
        )
    });
    let faults = parsed
        .faults
        .iter()
        .map(|fault| format!("{fault} -> {}", fault.remedy));
    crates.chain(faults).collect()
}

#[test]
fn one_row_is_one_lot() {
    check_rows(
        "C-01,cellar,north wall / shelf 1,Brindolet,clump,peat,24,2026-10-21,12.4 kg,two nicked\n",
        &[
            "C-01 [cellar|north wall / shelf 1|peat] 24 clump Brindolet 2026-10-21 12400 g (two nicked)",
        ],
    );
    check_rows(
        "b.7/2,cellar,,Brindolet,Pot Tubers,,100000,,,",
        &["b.7/2 [cellar||] 100000 pot tuber Brindolet"],
    );
}

#[test]
fn columns_come_in_any_order_and_some_may_be_missing() {
    check(
        " Count ,VARIETY,Form,Room,code\n 5 , Brindolet ,division, cellar ,A1\n",
        &["A1 [cellar||] 5 division Brindolet"],
    );
}

#[test]
fn a_list_may_say_how_tubers_were_prepared() {
    check(
        "code,room,variety,form,count,prepared\n\
         A1,cellar,Brindolet,division,5,\"Not cured, washed\"\n\
         A1,,Quenbrisk,division,5,\n\
         A2,cellar,Brindolet,clump,5,brushed;cured\n\
         A3,cellar,Brindolet,clump,5,dipped\n\
         A4,cellar,Brindolet,clump,5,cured;not cured\n",
        &[
            "A1 [cellar||] 5 division Brindolet <washed; not cured> + 5 division Quenbrisk",
            "A2 [cellar||] 5 clump Brindolet <brushed; cured>",
            "line 5, prepared: `dipped` is not a way of preparing tubers -> write washed, brushed, cured or not cured, several divided by `;`",
            "line 6, prepared: `cured;not cured` says both cured and not cured -> take one of the two out, or give the tubers a row of their own",
        ],
    );
}

#[test]
fn rows_of_one_code_are_lots_of_one_crate() {
    check_rows(
        "C-01,cellar,shelf 1,Brindolet,clump,peat,24,,,\n\
         C-02,cellar,shelf 2,Quenbrisk,clump,peat,20,,,\n\
         c-01,,,Quenbrisk,clump,,8,,,\n\
         C-01,Cellar,shelf 1,Brindolet,division,Peat,3,,,\n\
         C-01,,,Brindolet,clump,,2,2026-11-01,,\n",
        &[
            "C-01 [cellar|shelf 1|peat] 24 clump Brindolet + 8 clump Quenbrisk + 3 division Brindolet + 2 clump Brindolet 2026-11-01",
            "C-02 [cellar|shelf 2|peat] 20 clump Quenbrisk",
        ],
    );
}

#[test]
fn a_later_row_may_add_what_the_first_left_open() {
    check_rows(
        "C-01,cellar,,Brindolet,clump,,24,,,\nC-01,,shelf 1,Quenbrisk,clump,bare,8,,,\n",
        &["C-01 [cellar|shelf 1|bare] 24 clump Brindolet + 8 clump Quenbrisk"],
    );
}

#[test]
fn rows_that_disagree_about_a_crate_are_faults() {
    const REST: &str = "after a crate's first row; another crate needs a code of its own";
    for (row, field, known, said) in [
        (
            "C-01,back-room,,Quenbrisk,clump,,8,,,",
            "room",
            "cellar",
            "back-room",
        ),
        (
            "C-01,,shelf 2,Quenbrisk,clump,,8,,,",
            "place",
            "shelf 1",
            "shelf 2",
        ),
        (
            "c-01,,,Quenbrisk,clump,bare,8,,,",
            "packing",
            "peat",
            "bare",
        ),
    ] {
        let code = &row[..4];
        check_rows(
            &format!("C-01,cellar,shelf 1,Brindolet,clump,peat,24,,,\n{row}\n"),
            &[
                "C-01 [cellar|shelf 1|peat] 24 clump Brindolet",
                &format!(
                    "line 3, {field}: crate `{code}` has the {field} `{known}` further up, `{said}` here -> correct one of the two, or leave {field} empty {REST}"
                ),
            ],
        );
    }
}

#[test]
fn a_row_pasted_twice_does_not_double_the_stock() {
    check_rows(
        "C-01,cellar,,Brindolet,clump,,24,2026-10-21,,\nC-01,,,BRINDOLET,clump,,24,2026-10-21,,\n",
        &[
            "C-01 [cellar||] 24 clump Brindolet 2026-10-21",
            "line 3: crate `C-01` already holds clump of `BRINDOLET` from this dig -> take the second row out, or add the two counts together on one row",
        ],
    );
}

#[test]
fn a_crate_needs_a_room_once() {
    let no_room = "line 2, room: the first row of crate `C-01` names no room -> write the room the crate stands in";
    check_rows(
        "C-01,,,Brindolet,clump,,24,,,\nC-01,,,Quenbrisk,clump,,24,,,\n",
        &[no_room],
    );
    check_rows(
        "C-01,,,Brindolet,clump,,24,,,\nC-01,cellar,,Quenbrisk,clump,,24,,,\n",
        &["C-01 [cellar||] 24 clump Quenbrisk", no_room],
    );
    // The room of a row refused for something else still counts.
    check_rows(
        "C-01,cellar,,Brindolet,clump,,none,,,\nC-01,,,Quenbrisk,clump,,24,,,\n",
        &[
            "C-01 [cellar||] 24 clump Quenbrisk",
            "line 2, count: `none` is not a whole number -> write how many there are in digits alone, 1 to 100000",
        ],
    );
}

#[test]
fn all_faults_of_a_row_are_told_at_once_and_the_rows_around_it_stand() {
    let long = "é".repeat(201);
    let parsed = parse(&format!(
        "{},prepared\nA,r,,v,clump,,1,,,,\n=,{long},{long},,root,{long},x,y,z,{long},w\nB,r,,v,clump,,1,,,,\n",
        HEADER.trim_end()
    ));
    assert_eq!(parsed.crates.len(), 2);
    let mut fields: Vec<_> = parsed.faults.iter().filter_map(|f| f.field).collect();
    fields.sort_unstable();
    let mut every = COLUMNS;
    every.sort_unstable();
    assert_eq!(fields, every);
    assert!(parsed.faults.iter().all(|fault| fault.line == 3));
}

#[test]
fn a_row_of_the_wrong_width_spoils_only_itself() {
    let ten = "the header 10 columns";
    check_rows(
        "C-01,cellar,,Brindolet,clump,,24,,\n\
         C-02,cellar,,Brindolet,clump,,24,,,soft, use first\n\
         nonsense\n\
         C-03,cellar,,Brindolet,clump,,24,,,\n",
        &[
            "C-03 [cellar||] 24 clump Brindolet",
            &format!(
                "line 2: the row has 9 cells, {ten} -> add the missing commas; an empty cell keeps its comma"
            ),
            &format!(
                "line 3: the row has 11 cells, {ten} -> put double quotes around a cell that holds a comma: \"soft, use first\""
            ),
            &format!(
                "line 4: the row has 1 cell, {ten} -> add the missing commas; an empty cell keeps its comma"
            ),
        ],
    );
}

#[test]
fn an_open_quotation_mark_swallows_no_crate() {
    let open = "a quotation mark opens a cell and is not closed on this line -> keep the cell on one line, and close the quotation mark or take it out";
    check_rows(
        "C-01,cellar,,Brindolet,clump,,24,,,\"big eyes\n\
         C-02,cellar,,Brindolet,clump,,24,,,\n\
         C-03,cellar,,Brindolet,clump,,24,,,\"fine, good\"\n\
         C-04,cellar,\"shelf,Brindolet,clump,,24,,,\n\
         C-05,cellar,,Brindolet,clump,,24,,,\"last",
        &[
            "C-02 [cellar||] 24 clump Brindolet",
            "C-03 [cellar||] 24 clump Brindolet (fine, good)",
            &format!("line 2: {open}"),
            &format!("line 5: {open}"),
            &format!("line 6: {open}"),
        ],
    );
}

#[test]
fn spreadsheets_write_marks_quotes_and_line_ends_of_their_own() {
    let row = "C-01,cellar,\"north wall, low\",\"the \"\"late\"\" one\",clump,12\" pot,24,,,=1+1\n";
    let want = [
        "C-01 [cellar|north wall, low|12\" pot] 24 clump the \"late\" one (=1+1)",
        "line 4, count: `x` is not a whole number -> write how many there are in digits alone, 1 to 100000",
    ];
    let text = format!("\u{feff}{HEADER}{row}\nC-02,cellar,,Brindolet,clump,,x,,,\n,,,,,,,,,\n");
    check(&text, &want);
    check(&text.replace('\n', "\r\n"), &want);
    check(&text.replace('\n', "\r"), &want);
}

#[test]
fn signs_of_a_formula_or_a_page_are_only_text() {
    for text in [
        "=HYPERLINK(0)",
        "+1",
        "-1",
        "@sum",
        "<b>&amp;",
        "'; drop table",
        "{{x}}",
        "%00",
    ] {
        check_rows(
            &format!("C-01,cellar,,{text},clump,,24,,,{text}\n"),
            &[&format!("C-01 [cellar||] 24 clump {text} ({text})")],
        );
    }
    check_rows(
        "C-01,cellar,,a\tb\u{a0}c,clump,,24,,,\n",
        &["C-01 [cellar||] 24 clump a b c"],
    );
}

#[test]
fn a_header_that_is_not_one_is_refused_whole() {
    let comma = "save the sheet again as CSV and choose the comma as field separator";
    let known = "take the column out or use one of: code, room, place, variety, form, packing, count, dug, weight, note, prepared";
    let begin =
        "begin with the line `code,room,place,variety,form,packing,count,dug,weight,note,prepared`";
    for (text, want) in [
        (
            "",
            vec![format!("line 1: the list is empty -> {begin}")],
        ),
        (
            "\u{feff}\r\n ,, \r\n",
            vec![format!("line 1: the list is empty -> {begin}")],
        ),
        (
            "code;room;variety;form;count\nA1;cellar;Brindolet;clump;3,5\n",
            vec![format!(
                "line 1: the columns are divided by semicolons, not by commas -> {comma}"
            )],
        ),
        (
            "\ncode\troom\tvariety\tform\tcount\n",
            vec![format!(
                "line 2: the columns are divided by tabs, not by commas -> {comma}"
            )],
        ),
        (
            "code,room,variety,form,count,Colour,,CODE\nA1,cellar,Brindolet,clump,3,red,,A1\n",
            vec![
                format!("line 1: `Colour` is not a column of a crate list -> {known}"),
                format!("line 1: column 7 has no name -> {known}"),
                "line 1, code: `code` heads two columns -> take one of the two out".into(),
            ],
        ),
        (
            "code,place,variety,form\nA1,,Brindolet,clump\n",
            vec![
                "line 1, room: the column `room` is missing -> add `room` to the header and fill it in".into(),
                "line 1, count: the column `count` is missing -> add `count` to the header and fill it in".into(),
            ],
        ),
        (
            "code,\"room\n",
            vec!["line 1: a quotation mark opens a cell and is not closed on this line -> keep the cell on one line, and close the quotation mark or take it out".into()],
        ),
    ] {
        check(text, &want.iter().map(String::as_str).collect::<Vec<_>>());
    }
}

#[test]
fn reading_ends_at_a_limit_and_says_so() {
    let parsed = parse(&format!("{HEADER}{}", "x\n".repeat(5000)));
    assert_eq!(parsed.faults.len(), MAX_FAULTS + 1);
    let last = parsed.faults.last().unwrap();
    assert_eq!(
        last.to_string(),
        "line 502: not read from here on, after 500 faults"
    );
    check(
        &"x".repeat(MAX_BYTES + 1),
        &["line 1: the list is longer than 1048576 bytes -> divide it into several files"],
    );
    assert!(parse(&"x,".repeat(MAX_BYTES / 2)).faults.len() <= MAX_FAULTS + NEEDED.len());
    // A crate of very many lots, all sound, is read in one go.
    let rows: Vec<_> = (0..5000)
        .map(|n| format!("A,r,,v{n},clump,,1,,,"))
        .collect();
    let parsed = parse(&format!("{HEADER}{}", rows.join("\n")));
    assert_eq!((parsed.crates.len(), parsed.faults.len()), (1, 0));
    assert_eq!(parsed.crates[0].lots.len(), 5000);
}

#[test]
fn the_pretend_farm_keeps_a_sound_list() {
    let parsed = parse(include_str!("../../../demo-sensors/crates.csv"));
    assert_eq!(parsed.faults, []);
    assert!(parsed.crates.len() >= 40, "{}", parsed.crates.len());
    let lots = || parsed.crates.iter().flat_map(|krate| &krate.lots);
    let varieties: BTreeSet<_> = lots().map(|lot| &lot.variety).collect();
    assert!(varieties.len() >= 25, "{}", varieties.len());
    let rooms: BTreeSet<_> = parsed.crates.iter().map(|k| k.room.as_str()).collect();
    assert_eq!(rooms, BTreeSet::from(["back room", "cellar"]));
    // One crate stands in one place.
    let places: BTreeSet<_> = parsed.crates.iter().map(|k| (&k.room, &k.place)).collect();
    assert_eq!(places.len(), parsed.crates.len());
    assert!(lots().all(|lot| (20..=80).contains(&lot.count)));
    assert_eq!(parse(&write(&parsed.crates)), parsed);
}

/// Text as a cell keeps it: trimmed, with nothing unseen in it.
fn a_cell(most: usize) -> impl Strategy<Value = String> {
    prop::collection::vec(any::<char>(), 0..=most).prop_map(|chars| {
        let text: String = chars
            .into_iter()
            .filter(|c| !cell::unseen(*c))
            .map(|c| if c.is_whitespace() { ' ' } else { c })
            .collect();
        text.trim().to_owned()
    })
}

fn some_cell(most: usize) -> impl Strategy<Value = String> {
    a_cell(most).prop_map(|text| if text.is_empty() { "x".into() } else { text })
}

fn some_prepared() -> impl Strategy<Value = Prepared> {
    (any::<bool>(), any::<bool>(), any::<Option<bool>>()).prop_map(|(washed, brushed, cured)| {
        Prepared {
            washed,
            brushed,
            cured,
        }
    })
}

fn some_lot() -> impl Strategy<Value = Lot> {
    (
        some_cell(80),
        prop::sample::select(vec![Form::Clump, Form::Division, Form::PotTuber]),
        1..=100_000_u32,
        prop::option::of(0..36_000_i32),
        prop::option::of(1..=1_000_000_u32),
        a_cell(200),
        some_prepared(),
    )
        .prop_map(
            |(variety, form, count, day, weight_g, note, prepared)| Lot {
                variety,
                form,
                count,
                // Day 730 120 of the common era is 1 January 2000.
                dug: day.and_then(|day| NaiveDate::from_num_days_from_ce_opt(730_120 + day)),
                weight_g,
                note,
                prepared,
            },
        )
}

pub(in crate::stock) fn some_crate() -> impl Strategy<Value = Crate> {
    (
        "[A-Za-z0-9./-]{0,23}[A-Za-z0-9]",
        some_cell(60),
        a_cell(80),
        a_cell(60),
        prop::collection::vec(some_lot(), 1..4),
    )
        .prop_map(|(code, room, place, packing, mut lots)| {
            let mut seen = BTreeSet::new();
            lots.retain(|lot| seen.insert((lot.variety.to_lowercase(), lot.form, lot.dug)));
            Crate {
                code: code.parse().unwrap(),
                room,
                place,
                packing,
                lots,
            }
        })
}

fn is_sound(text: &str) {
    let parsed = parse(text);
    let lines = text.split(['\n', '\r']).count() as u64;
    for fault in &parsed.faults {
        assert!((1..=lines).contains(&fault.line), "{fault}");
        assert!(!fault.reason.is_empty() && !fault.remedy.is_empty());
        assert!(!fault.reason.contains(char::is_control), "{fault:?}");
    }
    for krate in &parsed.crates {
        assert!(!krate.room.is_empty() && !krate.lots.is_empty());
    }
    assert_eq!(parse(&write(&parsed.crates)).crates, parsed.crates);
}

proptest! {
    #[test]
    fn any_text_is_survived(text in any::<String>()) {
        is_sound(&text);
    }

    #[test]
    fn any_rows_are_survived(rows in "([A-Ca-c]?[0-9]?|clump|\"|,|,,,|\r|\n|kg|2026-10-21|;| |é|\u{feff}){0,80}") {
        is_sound(&format!("{HEADER}{rows}"));
        is_sound(&format!("code,room,variety,form,count\n{rows}"));
    }

    #[test]
    fn any_words_of_preparing_are_survived(words in "(washed|brushed|cured|not|dry|;|,| |\"){0,9}") {
        is_sound(&format!("code,room,variety,form,count,prepared\nA,r,v,clump,1,{words}"));
    }

    #[test]
    fn what_is_written_is_read_back(crates in prop::collection::vec(some_crate(), 0..6)) {
        let mut codes = BTreeSet::new();
        let crates: Vec<_> = crates.into_iter().filter(|k| codes.insert(k.code.clone())).collect();
        let text = write(&crates);
        prop_assert_eq!(parse(&text), Parsed { crates: crates.clone(), faults: vec![] });
        prop_assert_eq!(parse(&text.replace('\n', "\r\n")).crates, crates);
    }
}
