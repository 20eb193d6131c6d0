//! Sheets as growers keep them, all invented, and what is made of them.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::stock::{
    CrateCode,
    list::{
        self, Parsed,
        tests::{some_crate, told},
    },
};

/// Codes the farm has already.
const KNOWN: [&str; 4] = ["C-7", "c-041", "D-99", "C-x"];

/// Reads a sheet, guesses, answers what is asked and compares mapping, then crates and faults.
fn check(text: &str, answers: &[(&str, &str)], mapping: &str, want: &[&str]) {
    let sheet = Sheet::read(text.as_bytes()).unwrap();
    let guessed = guess(&sheet);
    assert_eq!(shown(&guessed), mapping, "{text}");
    let known = KNOWN.map(|code| code.parse::<CrateCode>().unwrap());
    assert_eq!(
        told(&apply(&sheet, &answered(&guessed, answers), &known)),
        want,
        "{text}"
    );
}

fn answered(mapping: &Mapping, answers: &[(&str, &str)]) -> Mapping {
    let mut fields = mapping.to_fields();
    fields.extend(
        answers
            .iter()
            .map(|(k, v)| ((*k).to_owned(), (*v).to_owned())),
    );
    Mapping::from_fields(&fields).unwrap()
}

fn shown(mapping: &Mapping) -> String {
    let fields = mapping.to_fields();
    assert_eq!(Mapping::from_fields(&fields).as_ref(), Ok(mapping));
    let fields: Vec<_> = fields.iter().map(|(k, v)| format!("{k}={v}")).collect();
    fields.join(" ")
}

#[test]
fn a_sheet_with_decimal_commas() {
    check(
        "Kiste;Sorte;Stück;Form;Gewicht (kg);Regal;Bemerkung;Datum\n\
         K1;Brindolet;24;clump;12,4;Nordwand;weich, zuerst;21.10.2026\n\
         K2;Quenbrisk;60;div;4,6;Nordwand;;3.11.2026\n\
         K3;Rosée;30;div;1.200;;;\n",
        &[("room", "cellar")],
        "column-code=0 column-count=2 column-dug=7 column-form=3 column-note=6 column-place=5 column-variety=1 column-weight=4 dates=day decimal-comma=yes unit=kg",
        &[
            "K1 [cellar|Nordwand|] 24 clump Brindolet 2026-10-21 12400 g (weich, zuerst)",
            "K2 [cellar|Nordwand|] 60 division Quenbrisk 2026-11-03 4600 g",
            "line 4, weight: `1.200` has a point in a column of decimal commas (column `Gewicht (kg)`) -> write decimals with a comma and thousands without a sign, such as 12,4",
        ],
    );
}

#[test]
fn a_sheet_with_a_title_a_total_and_counts_in_words() {
    check(
        "Tuber stock autumn 2026,,,,\n\
         ,,,,\n\
         Crate #,Variety name,Qty,Shelf,Notes\n\
         B 07,Brindolet,24,2,nicked\n\
         #8,Quenbrisk,12 divs,2,\n\
         B_09,Marrowhush,~30,3,\n\
         B-10,Vintrelow,10+2,3,\n\
         ,,,,\n\
         ,Total:,66,,\n",
        &[("room", "cellar"), ("form", "division")],
        "column-code=0 column-count=2 column-note=4 column-place=3 column-variety=1",
        &[
            "B-07 [cellar|shelf 2|] 24 division Brindolet (nicked)",
            "8 [cellar|shelf 2|] 12 division Quenbrisk",
            "line 6, count: `~30` is not a whole number (column `Qty`) -> write how many there are in digits alone, 1 to 100000",
            "line 7, count: `10+2` is not a whole number (column `Qty`) -> write how many there are in digits alone, 1 to 100000",
        ],
    );
}

#[test]
fn a_crate_s_code_may_stand_above_its_lots() {
    check(
        "Box,Cultivar,How many?,Type,Where\n\
         1,Brindolet,12,Clumps,back\n\
         ,Quenbrisk,8,divs.,\n\
         ,Vintrelow,5,Pots,\n\
         2,Brindolet,6,Clumps,front\n\
         ,Marrowhush,7 clumps,divs,\n",
        &[("room", "cellar")],
        "column-code=0 column-count=2 column-form=3 column-place=4 column-variety=1 fill-down=yes",
        &[
            "1 [cellar|back|] 12 clump Brindolet + 8 division Quenbrisk + 5 pot tuber Vintrelow",
            "2 [cellar|front|] 6 clump Brindolet",
            "line 6, count: `7 clumps` counts clumps in a row of another form (column `How many?`) -> correct one of the two",
        ],
    );
}

#[test]
fn lots_below_a_row_that_cannot_be_read_join_no_crate() {
    check(
        "Box,Cultivar,Qty,Form\n\
         1,Brindolet,12,clump\n\
         ,Quenbrisk,8,clump\n\
         2,Vintrelow,5,clump,soft,old\n\
         ,Marrowhush,7,clump\n",
        &[("room", "cellar")],
        "column-code=0 column-count=2 column-form=3 column-variety=1 fill-down=yes",
        &[
            "1 [cellar||] 12 clump Brindolet + 8 clump Quenbrisk",
            "line 4: the row has 6 cells, the header 4 columns -> put double quotes around a cell that holds the sign between columns",
            "line 5, code: the cell is empty (column `Box`) -> fill it in",
        ],
    );
}

#[test]
fn a_sheet_without_codes_is_given_some() {
    check(
        "Name\tType\tDivisions\tDate dug\tWeight lbs\tPrice\n\
         Brindolet\tball\t24\t10/21/2026\t12.5\t9\n\
         Quenbrisk\tcactus\t30\t11/3/2026\t\t8\n\
         Marrowhush\tball\t28\t-\t3 lb 4 oz\t8\n",
        &[("room", "back room")],
        "column-count=2 column-dug=3 column-variety=0 column-weight=4 dates=month form=division series=C- unit=lb",
        &[
            "C-042 [back room||] 24 division Brindolet 2026-10-21 5670 g",
            "C-043 [back room||] 30 division Quenbrisk 2026-11-03",
            "line 4, weight: `3 lb 4 oz` is not in kg, g or lb (column `Weight lbs`) -> write a number and its unit, such as 12.4 kg, 27 lb or 900 g",
        ],
    );
}

#[test]
fn places_and_notes_are_joined() {
    check(
        "No.|Label|Dahlia|Tubers|Rack|Level|Comments|Remarks\n\
         1|A1|Brindolet|20|1|2|dry|use first\n\
         2|A2|Quenbrisk|18|1|3||\n\
         3|A3|Vintrelow|22|east|1|small|\n",
        &[("room", "cellar"), ("form", "division")],
        "column-code=1 column-count=3 column-note=6,7 column-place=4,5 column-variety=2",
        &[
            "A1 [cellar|rack 1 / level 2|] 20 division Brindolet (dry; use first)",
            "A2 [cellar|rack 1 / level 3|] 18 division Quenbrisk",
            "A3 [cellar|east / level 1|] 22 division Vintrelow (small)",
        ],
    );
}

#[test]
fn columns_without_names_are_told_by_their_cells() {
    check(
        ",,,Room,Where,Height\n\
         B-07,Brindolet,24,cellar,north,90\n\
         B-08,Quenbrisk,60,cellar,south,120\n",
        &[("form", "clump")],
        "column-code=0 column-count=2 column-place=4 column-room=3 column-variety=1",
        &[
            "B-07 [cellar|north|] 24 clump Brindolet",
            "B-08 [cellar|south|] 60 clump Quenbrisk",
        ],
    );
}

#[test]
fn a_list_with_the_right_names_may_still_be_rough() {
    check(
        "code,room,variety,form,count,note\n\
         A1,cellar,Brindolet,clump,3,\"first\n\
         second, third\"\n\
         A2,cellar,Brindolet,clump,3,\"open\n\
         A3,cellar,Brindolet,root,3,\n\
         A4,cellar,Brindolet,clump,3,,,more\n\
         A5,cellar,Brindolet,clump\n",
        &[],
        "column-code=0 column-count=4 column-form=3 column-note=5 column-room=1 column-variety=2",
        &[
            "A1 [cellar||] 3 clump Brindolet (first second, third)",
            "line 4: a quotation mark opens a cell and is not closed on this line -> keep the cell on one line, and close the quotation mark or take it out",
            "line 5, form: `root` is not a form -> write clump, division or pot tuber",
            "line 6: the row has 8 cells, the header 6 columns -> put double quotes around a cell that holds the sign between columns",
            "line 7, count: the cell is empty -> fill it in",
        ],
    );
}

#[test]
fn what_a_sheet_leaves_open_is_asked() {
    check(
        "crate,variety,tubers,lifted,weight\n\
         B1,Brindolet,24,3/4/2026,12.5\n\
         B2,Quenbrisk,24,5/5/26,13 kg\n",
        &[("room", "cellar"), ("form", "clump")],
        "column-code=0 column-count=2 column-dug=3 column-variety=1 column-weight=4",
        &[
            "line 1, dug: `3/4/2026` can be read as more than one day -> choose whether the day, the month or the year comes first",
            "line 1, weight: `12.5` has no unit -> choose kg, g or lb for the column",
        ],
    );
}

#[test]
fn what_was_asked_and_answered_is_read() {
    check(
        "crate,variety,tubers,lifted,weight\n\
         B1,Brindolet,24,3/4/2026,12.5\n\
         B2,Quenbrisk,24,5/5/26,13 kg\n\
         B3,Quenbrisk,24,October,\n",
        &[
            ("room", "cellar"),
            ("form", "clump"),
            ("unit", "lb"),
            ("dates", "month"),
        ],
        "column-code=0 column-count=2 column-dug=3 column-variety=1 column-weight=4",
        &[
            "B1 [cellar||] 24 clump Brindolet 2026-03-04 5670 g",
            "B2 [cellar||] 24 clump Quenbrisk 2026-05-05 13000 g",
            "line 4, dug: `October` is not written year-month-day (column `lifted`) -> write year-month-day, such as 2026-10-21",
        ],
    );
}

#[test]
fn lines_between_and_above_are_no_crates() {
    check(
        "My tubers,,\n\
         printed in November,,\n\
         Crate,Variety,Count\n\
         North wall,,\n\
         N1,Brindolet,12.0\n\
         N2,Quenbrisk,0\n\
         N3,Vintrelow,1,200\n\
         N4,Vintrelow\n",
        &[("room", "cellar"), ("form", "clump")],
        "column-code=0 column-count=2 column-variety=1",
        &[
            "N1 [cellar||] 12 clump Brindolet",
            "line 4, variety: the cell is empty -> fill it in",
            "line 4, count: the cell is empty -> fill it in",
            "line 6, count: `0` is outside 1 to 100000 -> write how many there are in digits alone, 1 to 100000",
            "line 7: the row has 4 cells, the header 3 columns -> put double quotes around a cell that holds the sign between columns",
            "line 8, count: the cell is empty -> fill it in",
        ],
    );
}

#[test]
fn a_sheet_of_too_little_is_asked_about() {
    check(
        "tuber,where\n\
         Brindolet,shelf\n",
        &[("room", "cellar")],
        "column-place=1 series=C-",
        &[
            "line 1, variety: no column is said to hold the variety -> choose the column",
            "line 1, count: no column is said to hold the count -> choose the column",
            "line 1, form: the sheet does not say what was stored -> choose clump, division or pot tuber",
        ],
    );
}

#[test]
fn a_column_without_a_name_may_be_the_count() {
    check(
        "Name,Colour,\n\
         Brindolet,red,24\n\
         Quenbrisk,white,30\n",
        &[("room", "cellar"), ("form", "clump"), ("series", "D-")],
        "column-count=2 column-variety=0 series=C-",
        &[
            "D-100 [cellar||] 24 clump Brindolet",
            "D-101 [cellar||] 30 clump Quenbrisk",
        ],
    );
}

#[test]
fn rooms_places_and_packing_have_names_of_their_own() {
    check(
        "Bin number,Number,Cultivar,Packed in,Store room,Location,Lifted\n\
         T-1,20,Brindolet,peat,cellar,north,1 Oct 2026\n\
         T-2,18,Quenbrisk,,barn,north,2 Oct 2026\n\
         T-2,4,Quenbrisk,sand,back,south,2 Oct 2026\n",
        &[("form", "clump")],
        "column-code=0 column-count=1 column-dug=6 column-packing=3 column-place=5 column-room=4 column-variety=2",
        &[
            "T-1 [cellar|north|peat] 20 clump Brindolet 2026-10-01",
            "T-2 [barn|north|sand] 18 clump Quenbrisk 2026-10-02",
            "line 4, room: crate `T-2` has the room `barn` further up, `back` here (column `Store room`) -> correct one of the two, or leave room empty after a crate's first row; another crate needs a code of its own",
            "line 4, place: crate `T-2` has the place `north` further up, `south` here (column `Location`) -> correct one of the two, or leave place empty after a crate's first row; another crate needs a code of its own",
        ],
    );
}

#[test]
fn totals_are_told_and_passed_over() {
    let over = |text: &str| {
        let sheet = Sheet::read(text.as_bytes()).unwrap();
        passed_over(&sheet, &guess(&sheet))
    };
    assert_eq!(
        over("crate,variety,qty\nB1,Total,3\nB2,Brindolet,4\n,TOTAL: ,7\nSum,,7\n"),
        [4, 5]
    );
    assert_eq!(
        over("variety,qty,note\nBrindolet,4,total\nTotal,7,\n,4,Subtotal\n"),
        [3, 4]
    );
}

#[test]
fn a_mapping_of_another_sheet_is_asked_about() {
    let sheet = Sheet::read(b"crate,variety,qty\nB1,Brindolet,3\n").unwrap();
    let odd = [
        ("column-note", "7"),
        ("room", "cellar"),
        ("form", "clump"),
        ("column-code", ""),
    ];
    let told_of = |series| {
        told(&apply(
            &sheet,
            &answered(&answered(&guess(&sheet), &odd), &[("series", series)]),
            &[],
        ))
    };
    let beyond = "line 1, note: the sheet has no column 8 -> choose one of the sheet's columns";
    assert_eq!(told_of("C-"), [beyond]);
    assert_eq!(
        told_of("new crate "),
        [
            beyond,
            "line 1, code: codes cannot begin so -> use at most 20 letters A to Z, digits, `-`, `.` and `/`"
        ]
    );
}

#[test]
fn columns_show_what_they_hold() {
    let sheet =
        Sheet::read("\u{feff}crate|qty| |\nB1|3||\n|4||\nB3|5|x|\nB4|6||\n".as_bytes()).unwrap();
    let columns: Vec<_> = sheet
        .columns()
        .into_iter()
        .map(|c| (c.name, c.samples))
        .collect();
    let want = [
        ("crate", vec!["B1", "B3", "B4"]),
        ("qty", vec!["3", "4", "5"]),
        ("", vec!["x"]),
    ];
    assert_eq!(columns, want);
}

#[test]
fn letters_of_an_older_coding_are_read() {
    let sheet = Sheet::read(b"crate,variety\rB1,Ros\xe9e d\x92Hiver \x80\rB2,\xdcme\r").unwrap();
    assert_eq!(sheet.columns()[1].samples, ["Rosée d’Hiver €", "Üme"]);
}

#[test]
fn what_is_no_sheet_says_so() {
    // Cells that nobody filled are no columns, however many a program writes.
    let padded = format!("crate,variety,qty{0}\n{1}{1}", ",".repeat(9000), "B1,x\n");
    assert_eq!(Sheet::read(padded.as_bytes()).unwrap().columns().len(), 3);
    let wide = format!(
        "crate,variety{}\nB1,x{}\n",
        ",n".repeat(59),
        ",1".repeat(59)
    );
    let long = format!("crate,variety\n{}", "B1,x\n".repeat(MAX_ROWS + 1));
    let large = "x".repeat(MAX_BYTES + 1);
    for (bytes, want) in [
        (b"" as &[u8], SheetFault::Empty),
        (b"\xef\xbb\xbf \r\n\t\n", SheetFault::Empty),
        (b"PK\x03\x04\x14\0", SheetFault::NotText),
        (b"c\0r\0", SheetFault::NotText),
        (b"crate,variety,qty\n", SheetFault::NoHeader),
        (b"one column\nof words\n", SheetFault::NoHeader),
        (b"B1,Brindolet,3\nB2,Quenbrisk,4\n", SheetFault::NoHeader),
        (wide.as_bytes(), SheetFault::Wide),
        (long.as_bytes(), SheetFault::Long),
        (large.as_bytes(), SheetFault::Large),
    ] {
        assert_eq!(Sheet::read(bytes), Err(want));
        assert!(!want.remedy().is_empty());
    }
    assert!(Sheet::read(&long.as_bytes()[..long.len() - 5]).is_ok());
}

#[test]
fn the_form_is_plain_fields() {
    let fields = |pairs: &[(&str, &str)]| -> BTreeMap<String, String> {
        pairs
            .iter()
            .map(|(k, v)| ((*k).to_owned(), (*v).to_owned()))
            .collect()
    };
    let all = fields(&[
        ("column-code", "0"),
        ("column-note", "4,7"),
        ("column-place", "3,2"),
        ("dates", "day"),
        ("decimal-comma", "yes"),
        ("dug", "2026-10-21"),
        ("fill-down", "yes"),
        ("form", "pot tuber"),
        ("packing", "peat"),
        ("room", "cellar"),
        ("series", "C-"),
        ("unit", "lb"),
    ]);
    let mapping = Mapping::from_fields(&all).unwrap();
    assert_eq!(mapping.to_fields(), all);
    assert_eq!(mapping.columns["place"], [3, 2]);
    let blank = fields(&[("room", " "), ("column-code", ""), ("button", "go")]);
    assert_eq!(Mapping::from_fields(&blank), Ok(Mapping::default()));
    for (key, value) in [
        ("column-code", "0,1"),
        ("column-code", "x"),
        ("column-count", "-1"),
        ("column-place", "1,,2"),
        ("form", "root"),
        ("dug", "3/4/26"),
        ("dates", "week"),
        ("unit", "stone"),
    ] {
        let bad = Mapping::from_fields(&fields(&[(key, value)]));
        assert_eq!(bad, Err(BadField(key.to_owned())), "{value}");
    }
}

/// The cells of a crate list with its columns in another order, divided by another sign.
fn rewritten(text: &str, separator: u8, order: &[usize], capitals: bool) -> Vec<u8> {
    let mut out = csv::WriterBuilder::new()
        .delimiter(separator)
        .from_writer(Vec::new());
    let mut rows = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(text.as_bytes());
    for (nth, row) in rows.records().enumerate() {
        let row = row.unwrap();
        let cell = |at: &usize| {
            if nth == 0 && capitals {
                row[*at].to_uppercase()
            } else {
                row[*at].to_owned()
            }
        };
        out.write_record(order.iter().map(cell)).unwrap();
    }
    out.into_inner().unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(100))]

    #[test]
    fn a_crate_list_is_a_sheet(
        crates in prop::collection::vec(some_crate(), 1..6),
        separator in prop::sample::select(vec![b',', b';', b'\t', b'|']),
        order in Just((0..11).collect::<Vec<usize>>()).prop_shuffle(),
        capitals in any::<bool>(),
    ) {
        let mut codes = BTreeSet::new();
        let crates: Vec<_> = crates.into_iter().filter(|k| codes.insert(k.code.clone())).collect();
        let bytes = rewritten(&list::write(&crates), separator, &order, capitals);
        let sheet = Sheet::read(&bytes).unwrap();
        prop_assert_eq!(apply(&sheet, &guess(&sheet), &[]), Parsed { crates, faults: vec![] });
    }

    #[test]
    fn any_bytes_are_survived(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        survives(&bytes);
    }

    #[test]
    fn any_rows_are_survived(
        text in "(crate|variety|qty|kg|date|[;,\t|]|;;|\n|\n\n|\"|#?[0-9]{1,2}|3/4/26|12 divs|2,5|Total|é| |Brindolet){0,60}"
    ) {
        survives(text.as_bytes());
    }
}

fn survives(bytes: &[u8]) {
    let Ok(sheet) = Sheet::read(bytes) else {
        return;
    };
    let guessed = guess(&sheet);
    let mapping = answered(
        &guessed,
        &[
            ("room", "cellar"),
            ("form", "clump"),
            ("unit", "kg"),
            ("dates", "day"),
        ],
    );
    let parsed = apply(&sheet, &mapping, &[]);
    for krate in &parsed.crates {
        assert!(!krate.room.is_empty() && !krate.lots.is_empty());
    }
    assert_eq!(
        list::parse(&list::write(&parsed.crates)).crates,
        parsed.crates
    );
}
