//! Every page with text that would be markup if anything let it through.

use askama::Template;
use overwinter::web::chart::{
    Strip,
    survival::{Group, Survival},
};
use overwinter::web::compare::Sent;
use overwinter::web::figures::{Line, Section};
use overwinter::web::forms::{
    Again, AlertPage, Aside, ComparePage, CratePage, Done, Entered, Holding, LookBackAnswer,
    LookBackPage, Shelving, Threat, ToldChannel, ToldContact, ToldMessage, ToldPage,
};
use overwinter::web::html::{
    Alert, AlertsPage, By, CrateGroup, CratesPage, Earlier, ErrorPage, Figure, Frame, GroupLink,
    Krate, Lot, NowPage, Off, Refused, Room, RoomSensor, Seen, Sensor, SensorsPage, Source, Tab,
    Tone, Unknown, Verdict,
};
use overwinter::web::paging::Paging;
use overwinter::web::stock::bring::{BringPage, Look, Plan, Report, SheetColumn};
use overwinter::web::stock::paper::{PaperPage, PaperRow};
use overwinter::web::stock::{
    count::{CountPage, Line as CountLine},
    labels::{
        Choice, LabelsPage,
        sheet::{Sheets, Tag, TagLot},
    },
    new::NewCratePage,
    planting::{self, DaysForm, PlantingPage, WishForm},
    season::{self, LiftForm, PackForm, SeasonPage},
    several::{One, SeveralPage},
    typed::{Answer, Meant, TypedPage},
    wall::{Shelf, Spot, Stand, Standing, WallPage},
};
use overwinter::web::winter::{
    Headline, copy,
    file::WinterFile,
    next::Counsel,
    page::WinterPage,
    part::{Part, Picture, Rows},
};

use overwinter::web::stock::round::{RoundCrate, RoundLot, RoundPage};

const HOSTILE: &str = "<script>alert(1)</script>\" onload='x' &";

fn frame(tab: Tab) -> Frame {
    Frame {
        title: HOSTILE.into(),
        tab,
        path: format!("/?q={HOSTILE}"),
        made: "Wed 25 Nov, 10:32".into(),
        made_iso: "2026-11-25T10:32:00-05:00".into(),
        notice: Some(HOSTILE.into()),
        open_alerts: 1,
        open_tone: Tone::ActToday,
        version: "0.1.0".into(),
        devices: true,
        unencrypted: true,
    }
}

fn alert(seen: Seen) -> Alert {
    Alert {
        occurrence: HOSTILE.into(),
        tone: Tone::ActToday,
        priority: "Act today".into(),
        headline: HOSTILE.into(),
        since: HOSTILE.into(),
        figures: HOSTILE.into(),
        consequence: HOSTILE.into(),
        steps: vec![HOSTILE.into()],
        crates: vec![HOSTILE.into()],
        crates_more: Some(HOSTILE.into()),
        crates_href: format!("/crates?q={HOSTILE}"),
        caution: Some(HOSTILE.into()),
        seen,
        href: format!("/alert?occurrence={HOSTILE}"),
        reset: false,
    }
}

fn aside() -> Aside {
    Aside {
        headline: HOSTILE.into(),
        what: HOSTILE.into(),
        why: HOSTILE.into(),
        href: format!("/alert?occurrence={HOSTILE}"),
        unshelve: Some(HOSTILE.into()),
        sensor: Some(HOSTILE.into()),
    }
}

/// The pages with forms: one alert, who is told, a look back.
fn forms() -> Vec<String> {
    let one = AlertPage {
        frame: frame(Tab::Alerts),
        alert: alert(Seen::NotYet),
        state: HOSTILE.into(),
        later: Some(format!("/alert?occurrence={HOSTILE}")),
        fault: Some(HOSTILE.into()),
        shelving: Some(Shelving {
            reason: HOSTILE.into(),
            spans: vec![(HOSTILE.into(), HOSTILE.into(), true)],
            one_shot: true,
            can_end: true,
        }),
        shelved: true,
        reset: Some(true),
        out: true,
        kind: "frost",
        record: vec![HOSTILE.into()],
    };
    let told = ToldPage {
        frame: frame(Tab::Alerts),
        contacts: vec![ToldContact {
            name: HOSTILE.into(),
            lines: vec![HOSTILE.into()],
        }],
        channels: vec![ToldChannel {
            name: HOSTILE.into(),
            kind: HOSTILE.into(),
            tone: Tone::ActToday,
            state: HOSTILE.into(),
            test: HOSTILE.into(),
            used: true,
        }],
        overdue: vec![HOSTILE.into()],
        hours: (HOSTILE.into(), HOSTILE.into()),
        messages: vec![ToldMessage {
            tone: Tone::ActNow,
            subject: HOSTILE.into(),
            to: HOSTILE.into(),
            state: HOSTILE.into(),
            open: true,
        }],
        waiting: Some(HOSTILE.into()),
    };
    let look = LookBackPage {
        frame: frame(Tab::Alerts),
        rooms: vec![(HOSTILE.into(), true)],
        kinds: vec![(HOSTILE.into(), HOSTILE.into(), true)],
        limit: HOSTILE.into(),
        hours: HOSTILE.into(),
        since: HOSTILE.into(),
        in_force: HOSTILE.into(),
        fault: Some(HOSTILE.into()),
        answer: Some(LookBackAnswer {
            sentence: HOSTILE.into(),
            sent: Some(HOSTILE.into()),
            days: vec![(HOSTILE.into(), 1, 2, HOSTILE.into())],
            lines: HOSTILE.into(),
        }),
    };
    vec![
        one.render().unwrap(),
        told.render().unwrap(),
        look.render().unwrap(),
    ]
}

fn room() -> Room {
    let figure = Figure {
        value: HOSTILE.into(),
        unit: HOSTILE.into(),
        band: HOSTILE.into(),
        outside: Some(HOSTILE.into()),
    };
    Room {
        key: HOSTILE.into(),
        name: HOSTILE.into(),
        stage: HOSTILE.into(),
        stages: vec![(HOSTILE.into(), HOSTILE.into(), true)],
        tone: Tone::Well,
        state: HOSTILE.into(),
        temperature: figure.clone(),
        humidity: figure,
        dew_point: Some(HOSTILE.into()),
        margin: Some(HOSTILE.into()),
        heard: HOSTILE.into(),
        sensors: vec![RoomSensor {
            tone: Tone::NoWord,
            name: HOSTILE.into(),
            figures: HOSTILE.into(),
            heard: HOSTILE.into(),
        }],
        strip: Some(Strip {
            points: Vec::new(),
            from_ms: 0,
            to_ms: 172_800_000,
            band_t: (40.0, 52.0),
            band_rh: (75.0, 85.0),
            unit: "F",
            ticks: vec![(0, HOSTILE.into())],
            rows: Vec::new(),
        }),
        tips: vec![(HOSTILE.into(), HOSTILE.into(), Some("Take care."))],
        ahead: vec![HOSTILE.into()],
        moist: None,
        worst: Some(("/crate?code=C-01".into(), HOSTILE.into())),
        crates: Some(HOSTILE.into()),
        crates_href: HOSTILE.into(),
    }
}

fn crates_page() -> CratesPage {
    CratesPage {
        frame: frame(Tab::Crates),
        by: By::Place,
        q: HOSTILE.into(),
        found: Some(HOSTILE.into()),
        totals: vec![("1".into(), HOSTILE.into())],
        mean: Some((HOSTILE.into(), HOSTILE.into())),
        whole: Some(HOSTILE.into()),
        index: vec![GroupLink {
            href: HOSTILE.into(),
            title: HOSTILE.into(),
            count: HOSTILE.into(),
            tone: Some(Tone::ActToday),
        }],
        paging: Paging::new(2, 99, 40, |_| HOSTILE.into()),
        empty: vec![(HOSTILE.into(), HOSTILE.into())],
        n_empty: 2,
        groups: vec![CrateGroup {
            id: "g-1".into(),
            folded: Some(true),
            tone: Some(Tone::ActToday),
            title: HOSTILE.into(),
            count: HOSTILE.into(),
            air: vec![(Tone::Well, HOSTILE.into())],
            several: Some(format!("/several?variety={HOSTILE}")),
            krates: vec![Krate {
                href: "/crate?code=C-01".into(),
                threat: Some((Tone::LookSoon, HOSTILE.into())),
                code: HOSTILE.into(),
                place: HOSTILE.into(),
                tone: Some(Tone::ActToday),
                lots: vec![Lot {
                    variety: HOSTILE.into(),
                    what: HOSTILE.into(),
                }],
                dug: HOSTILE.into(),
                note: Some(HOSTILE.into()),
            }],
        }],
    }
}

fn sensors_page() -> SensorsPage {
    SensorsPage {
        frame: frame(Tab::Sensors),
        summary: HOSTILE.into(),
        sensors: vec![Sensor {
            name: HOSTILE.into(),
            room: HOSTILE.into(),
            role: HOSTILE.into(),
            tone: Tone::Well,
            state: HOSTILE.into(),
            advice: Some(HOSTILE.into()),
            reading: HOSTILE.into(),
            corrected: Some(HOSTILE.into()),
            checked: Some(HOSTILE.into()),
            compare: format!("/sensors/compare?sensor={HOSTILE}"),
            heard: HOSTILE.into(),
            interval: HOSTILE.into(),
            battery: Some(HOSTILE.into()),
            counts: vec![("1".into(), HOSTILE.into())],
            source: HOSTILE.into(),
            out: true,
        }],
        sources: vec![Source {
            name: HOSTILE.into(),
            kind: HOSTILE.into(),
            tone: Tone::NoWord,
            state: HOSTILE.into(),
            refused_count: Some(HOSTILE.into()),
            refused: vec![Refused {
                at: HOSTILE.into(),
                reason: HOSTILE.into(),
                line: HOSTILE.into(),
            }],
        }],
        unknown: vec![Unknown {
            name: HOSTILE.into(),
            heard: HOSTILE.into(),
        }],
    }
}

fn pages() -> Vec<String> {
    let now = NowPage {
        frame: frame(Tab::Now),
        verdict: Verdict {
            tone: Tone::ActToday,
            sentence: HOSTILE.into(),
            more: Some(HOSTILE.into()),
        },
        alerts: vec![
            alert(Seen::NotYet),
            alert(Seen::By {
                name: HOSTILE.into(),
                at: HOSTILE.into(),
            }),
            alert(Seen::CameAndWent {
                ended: Some(HOSTILE.into()),
            }),
            alert(Seen::Stands {
                ended: Some(HOSTILE.into()),
            }),
        ],
        due: Some(HOSTILE.into()),
        rooms: vec![room()],
    };
    let alerts = AlertsPage {
        frame: frame(Tab::Alerts),
        alerts: vec![alert(Seen::NotYet)],
        forecasts: vec![(HOSTILE.into(), HOSTILE.into())],
        aside: vec![aside()],
        earlier: vec![Earlier {
            tone: Tone::ActNow,
            priority: HOSTILE.into(),
            when: HOSTILE.into(),
            headline: HOSTILE.into(),
            lasted: HOSTILE.into(),
            seen: HOSTILE.into(),
            href: format!("/alert?occurrence={HOSTILE}"),
        }],
        off: vec![Off {
            from: HOSTILE.into(),
            to: HOSTILE.into(),
            lasted: HOSTILE.into(),
        }],
        figures: Section {
            days: HOSTILE.into(),
            lines: vec![Line {
                name: HOSTILE.into(),
                value: HOSTILE.into(),
                target: HOSTILE.into(),
                missed: true,
            }],
        },
    };
    let error = ErrorPage {
        frame: frame(Tab::Elsewhere),
        status: "404".into(),
        headline: HOSTILE.into(),
        what: HOSTILE.into(),
        todo: vec![HOSTILE.into()],
    };
    vec![
        now.render().unwrap(),
        alerts.render().unwrap(),
        crates_page().render().unwrap(),
        sensors_page().render().unwrap(),
        error.render().unwrap(),
        crate_page(Tone::ActNow).render().unwrap(),
        several_page().render().unwrap(),
        count_page().render().unwrap(),
        labels_page().render().unwrap(),
        typed_page(Answer::Slip).render().unwrap(),
        typed_page(Answer::Gone).render().unwrap(),
        typed_page(Answer::IsIt).render().unwrap(),
        wall_page().render().unwrap(),
        new_crate_page().render().unwrap(),
        round_page().render().unwrap(),
    ]
    .into_iter()
    .chain(forms())
    .chain([paper_page().render().unwrap()])
    .chain(["ice", "salt", "instrument", "difference"].map(|w| compare_page(w).render().unwrap()))
    .chain(spring())
    .chain([0, 1, 2].map(|step| bring_page(step).render().unwrap()))
    .chain([winter_page().render().unwrap()])
    .collect()
}

fn winter_head() -> Headline {
    Headline {
        sentence: HOSTILE.into(),
        more: HOSTILE.into(),
        period: HOSTILE.into(),
    }
}

fn winter_counsel() -> Vec<Counsel> {
    vec![Counsel {
        head: HOSTILE.into(),
        figures: HOSTILE.into(),
    }]
}

fn winter_rows() -> Rows {
    let mut rows = Rows::new(HOSTILE, &[HOSTILE, HOSTILE]).noting(HOSTILE);
    rows.push([HOSTILE.to_owned(), HOSTILE.to_owned()]);
    rows
}

/// One part with everything that a part may have; its picture is drawn from names of a stranger.
fn winter_part() -> Part {
    let drawn = Survival {
        groups: vec![Group {
            name: HOSTILE.into(),
            alive: 3,
            of: 4,
            interval: (0.3, 0.95),
            by_crate: None,
            small: true,
        }],
        confidence_pct: 95,
    };
    Part {
        id: "lost".into(),
        title: HOSTILE.into(),
        words: vec![HOSTILE.into()],
        pictures: vec![Picture {
            title: HOSTILE.into(),
            figure: drawn.figure("lost-by"),
            sentence: HOSTILE.into(),
        }],
        tables: vec![winter_rows(), winter_rows().open()],
    }
}

fn winter_page() -> WinterPage {
    WinterPage {
        frame: frame(Tab::Winter),
        winter: HOSTILE.into(),
        winters: vec![(HOSTILE.into(), true), (HOSTILE.into(), false)],
        head: Some(winter_head()),
        counsel: winter_counsel(),
        nothing: "",
        parts: vec![winter_part()],
        up_to: HOSTILE.into(),
        beside: Some(winter_rows().open()),
        tables: vec![(HOSTILE.into(), HOSTILE.into())],
    }
}

fn winter_file() -> WinterFile {
    let data = copy::data_of(&serde_json::json!({ "note": HOSTILE, HOSTILE: [HOSTILE] })).unwrap();
    let about = copy::About {
        overwinter_winter: copy::FORM,
        program: HOSTILE.into(),
        made_at: HOSTILE.into(),
        made_by: HOSTILE.into(),
        units: HOSTILE.into(),
        sha256: String::new(),
    };
    WinterFile {
        store: HOSTILE.into(),
        winter: HOSTILE.into(),
        head: winter_head(),
        counsel: winter_counsel(),
        nothing: "",
        parts: vec![winter_part()],
        trail: winter_rows(),
        program: HOSTILE.into(),
        made: HOSTILE.into(),
        by: HOSTILE.into(),
        sha256: HOSTILE.into(),
        style: String::new(),
        sealed: copy::in_page(&copy::seal(about, &data).unwrap()),
    }
}

fn compare_page(way: &'static str) -> ComparePage {
    let text = || HOSTILE.to_owned();
    ComparePage {
        frame: frame(Tab::Sensors),
        name: text(),
        room: text(),
        says: vec![text()],
        holds: text(),
        checked: Some(text()),
        ways: vec![(
            "In melting ice",
            format!("/sensors/compare?sensor={HOSTILE}"),
            true,
        )],
        way,
        salts: vec![("table-salt", text(), true)],
        letter: "F",
        humid: true,
        most: text(),
        fault: Some(text()),
        fault_back: Some((text(), text())),
        entered: vec![Entered {
            what: text(),
            from: text(),
            fate: text(),
            stands: false,
            who_when: text(),
            why: text(),
            begins: Some(text()),
        }],
        sent: Sent {
            sensor: text(),
            way: text(),
            salt: text(),
            t_read: text(),
            t_true: text(),
            rh_read: text(),
            rh_true: text(),
            t_off: text(),
            rh_off: text(),
            from: text(),
            begins: text(),
            why: text(),
        },
    }
}

fn paper_page() -> PaperPage {
    let text = || HOSTILE.to_owned();
    PaperPage {
        frame: frame(Tab::Crates),
        day: text(),
        by_variety: true,
        rows: vec![PaperRow {
            code: text(),
            place: text(),
            variety: text(),
            form: text(),
            count: text(),
            packing: text(),
            dug: text(),
        }],
        total: text(),
    }
}

/// The pages from the field to the crate and back to the bed.
fn spring() -> Vec<String> {
    let row = planting::Row {
        variety: HOSTILE.into(),
        by: HOSTILE.into(),
        figures: HOSTILE.into(),
        href: format!("/planting?variety={HOSTILE}#wish"),
    };
    let group = |key, folded| planting::Group {
        key,
        title: "Short",
        tone: Tone::ActToday,
        lead: "So it is.",
        folded,
        rows: vec![row.clone()],
    };
    let planting = PlantingPage {
        frame: frame(Tab::Crates),
        tone: Tone::ActToday,
        sentence: HOSTILE.into(),
        dates: vec![("Planting", HOSTILE.into(), HOSTILE.into())],
        soil: vec![(Tone::Well, HOSTILE.into())],
        groups: vec![group("short", false), group("spare", true)],
        assumed: vec![HOSTILE.into()],
        wish: WishForm {
            variety: HOSTILE.into(),
            plants: HOSTILE.into(),
            length: HOSTILE.into(),
            rows: HOSTILE.into(),
            spacing: HOSTILE.into(),
            varieties: vec![HOSTILE.into()],
            fault: Some(HOSTILE.into()),
            ..WishForm::default()
        },
        days: DaysForm {
            planting: HOSTILE.into(),
            order_by: HOSTILE.into(),
            wake_weeks: HOSTILE.into(),
            fault: Some(HOSTILE.into()),
        },
    };
    let season = SeasonPage {
        frame: frame(Tab::Crates),
        tone: Tone::ActToday,
        sentence: HOSTILE.into(),
        frost: HOSTILE.into(),
        frost_day: HOSTILE.into(),
        fault: Some(HOSTILE.into()),
        groups: vec![season::Group {
            key: "dry",
            title: "Drying",
            wants: "Air.",
            cautions: vec!["Gloves."],
            crates: vec![season::Row {
                code: HOSTILE.into(),
                href: format!("/crate?code={HOSTILE}"),
                holds: HOSTILE.into(),
                place: HOSTILE.into(),
                steps: vec![("Lifted", HOSTILE.into())],
                air: HOSTILE.into(),
                warning: Some((Tone::ActToday, HOSTILE.into())),
                clumps: vec![(1, HOSTILE.into())],
                ticked: true,
            }],
            buttons: vec![("washed", "Washed", true)],
            packing: Some(PackForm {
                packing: HOSTILE.into(),
                known: vec![HOSTILE.into()],
                doubted: true,
            }),
            fault: Some(HOSTILE.into()),
        }],
        packed: vec![(
            HOSTILE.into(),
            format!("/crate?code={HOSTILE}"),
            HOSTILE.into(),
        )],
        lift: LiftForm {
            krate: HOSTILE.into(),
            rooms: vec![(HOSTILE.into(), true)],
            variety: HOSTILE.into(),
            count: HOSTILE.into(),
            open: true,
        },
        key: HOSTILE.into(),
    };
    vec![planting.render().unwrap(), season.render().unwrap()]
}

fn bring_page(step: usize) -> BringPage {
    let text = || HOSTILE.to_owned();
    let lines = || vec![text()];
    let left_out = || vec![(text(), text(), text())];
    let look = Look {
        columns: vec![SheetColumn {
            nth: 0,
            name: text(),
            samples: text(),
            field: "",
        }],
        said: ["room", "packing", "dug", "series"]
            .map(|field| (field.to_owned(), text()))
            .into(),
        rooms: lines(),
        mapped: std::collections::BTreeSet::new(),
        questions: vec![(text(), text())],
        shown: text(),
        hand: text(),
        before: text(),
        seen: 1,
        plan: Some(Plan {
            new: lines(),
            changed: lines(),
            same: lines(),
            refused: left_out(),
            totals: text(),
            unused: text(),
            unwatched: text(),
            known: text(),
            button: Some(text()),
        }),
        notice: None,
    };
    let report = Report {
        sentences: lines(),
        refused: left_out(),
        again: true,
    };
    BringPage {
        frame: frame(Tab::Crates),
        fault: Some((text(), text())),
        text: text(),
        look: (step == 1).then_some(look),
        done: (step == 2).then_some(report),
    }
}

fn crate_page(tone: Tone) -> CratePage {
    let text = || HOSTILE.to_owned();
    CratePage {
        frame: frame(Tab::Crates),
        code: text(),
        check: 'K',
        place: text(),
        room: text(),
        spot: text(),
        packing: text(),
        lots: vec![Holding {
            id: 1,
            variety: text(),
            what: text(),
            dug: Some(text()),
            note: text(),
            count: 3,
            clump: true,
        }],
        seen: 4,
        key: text(),
        alerts: vec![("/alert?occurrence=x".into(), HOSTILE.into(), tone)],
        threats: vec![Threat {
            key: "drying",
            tone: Tone::Well,
            name: "Drying",
            short: HOSTILE.into(),
            figures: HOSTILE.into(),
            picture: None,
            source: "",
        }],
        unknown: text(),
        lived: vec![("Sweating", text())],
        weighed: text(),
        weight_unit: "lb",
        weighings: vec![(text(), text(), text())],
        history: vec![Done {
            id: 4,
            who_when: text(),
            what: text(),
            note: text(),
            undone: false,
            can_undo: true,
        }],
        more: true,
        photos: vec![(1, text())],
        rooms: vec![text()],
        packings: vec![text()],
        again: Some(Again {
            why: text(),
            confirm: Some("Note it all the same"),
            newest: "4".into(),
        }),
        fields: ["kind", "room", "note", HOSTILE]
            .map(|name| (name.to_owned(), text()))
            .into_iter()
            .collect(),
    }
}

fn labels_page() -> LabelsPage {
    let text = || HOSTILE.to_owned();
    LabelsPage {
        frame: frame(Tab::Crates),
        faults: vec![text()],
        sheets: Sheets {
            copies: 2,
            tags: vec![Tag {
                code: text(),
                check: 'K',
                symbol: None,
                lots: vec![TagLot {
                    variety: text(),
                    what: text(),
                }],
                dug: text(),
                place: text(),
            }],
            ..Sheets::default()
        },
        host: text(),
        here: false,
        settled: false,
        codes: text(),
        fields: vec![Choice {
            name: "room",
            word: "Room",
            options: vec![(text(), true)],
        }],
        all: true,
    }
}

fn typed_page(answer: Answer) -> TypedPage {
    let text = || HOSTILE.to_owned();
    TypedPage {
        frame: frame(Tab::Crates),
        text: text(),
        answer,
        crates: vec![Meant {
            code: text(),
            check: 'K',
            href: format!("/crate?code={HOSTILE}"),
            lots: vec![(text(), text())],
            place: text(),
        }],
    }
}

fn wall_page() -> WallPage {
    let text = || HOSTILE.to_owned();
    let krate = |tone| {
        Spot::Crate(Standing {
            code: text(),
            href: format!("/crate?code={HOSTILE}"),
            tone,
            due: true,
            holds: text(),
        })
    };
    WallPage {
        frame: frame(Tab::Crates),
        room: text(),
        rooms: vec![
            (text(), format!("/wall?room={HOSTILE}"), true),
            (text(), text(), false),
        ],
        count: text(),
        stands: vec![Stand {
            name: text(),
            shelves: vec![Shelf {
                name: text(),
                spots: vec![
                    krate(Some(Tone::Well)),
                    krate(None),
                    Spot::Free(text()),
                    Spot::Free(text()),
                    Spot::Free(text()),
                ],
            }],
        }],
    }
}

fn several_page() -> SeveralPage {
    let text = || HOSTILE.to_owned();
    SeveralPage {
        frame: frame(Tab::Crates),
        title: text(),
        done: Some(text()),
        room: text(),
        shelf: text(),
        variety: text(),
        crates: vec![One {
            code: text(),
            what: text(),
            seen: 1,
            ticked: true,
        }],
        left_out: 2,
        key: text(),
        rooms: vec![text()],
        faults: vec![text()],
        fields: ["bed", "note", HOSTILE]
            .map(|name| (name.to_owned(), text()))
            .into_iter()
            .collect(),
    }
}

fn new_crate_page() -> NewCratePage {
    let text = || HOSTILE.to_owned();
    NewCratePage {
        frame: frame(Tab::Crates),
        code: text(),
        key: text(),
        today: text(),
        rooms: vec![text()],
        packings: vec![text()],
        varieties: vec![text()],
        fault: Some(text()),
        fields: [
            "into", "variety", "note", "room", "place", "packing", "count", "dug",
        ]
        .map(|name| (name.to_owned(), text()))
        .into_iter()
        .collect(),
    }
}

fn count_page() -> CountPage {
    let text = || HOSTILE.to_owned();
    CountPage {
        frame: frame(Tab::Crates),
        winter: text(),
        earlier: Some((2025, text())),
        later: Some((2027, text())),
        lines: vec![(text(), text())],
        left: text(),
        varieties: vec![(text(), [text(), text(), text(), text()])],
        entries: vec![CountLine {
            id: 4,
            who_when: text(),
            what: text(),
            note: text(),
            undone: true,
            crates: vec![(text(), format!("/crate?code={HOSTILE}"))],
        }],
        older: Some(3),
    }
}

fn round_page() -> RoundPage {
    let text = || HOSTILE.to_owned();
    let lot = |id| RoundLot {
        id,
        variety: text(),
        what: text(),
        count: 3,
    };
    RoundPage {
        frame: frame(Tab::Round),
        sentence: text(),
        said: Some((text(), text())),
        others: vec![(format!("/round?room={HOSTILE}"), text())],
        weight_unit: "lb",
        room: text(),
        all: true,
        crates: vec![RoundCrate {
            code: text(),
            next: text(),
            place: text(),
            seen: 4,
            key: text(),
            photo_key: text(),
            lots: vec![lot(1), lot(2)],
            threat: Some((Tone::ActNow, text())),
            due: text(),
            last: vec![text()],
            again: Some(Again {
                why: text(),
                confirm: Some("Note it all the same"),
                newest: text(),
            }),
            typed: ["crate", "count", "weight", "note"]
                .map(|name| (name.to_owned(), text()))
                .into_iter()
                .collect(),
        }],
    }
}

#[test]
fn an_alert_that_names_a_crate_looks_as_urgent_as_it_is() {
    for (tone, mark) in [
        (Tone::ActNow, "now"),
        (Tone::ActToday, "today"),
        (Tone::LookSoon, "soon"),
    ] {
        let page = crate_page(tone).render().unwrap();
        let line = page.lines().find(|l| l.contains("/alert?occurrence=x"));
        let line = line.unwrap();
        assert!(line.contains(&format!("href=\"#s-{mark}\"")), "{line}");
        assert!(line.contains(&format!("class=\"state {mark}\"")), "{line}");
    }
}

#[test]
fn nothing_from_outside_becomes_markup() {
    for page in pages() {
        assert!(!page.contains("<script>"), "a script of a stranger");
        assert!(!page.contains("\" onload"), "a stranger's attribute");
        assert!(!page.contains("' onload") && !page.contains("onload='"));
        assert!(page.contains("script"), "the text itself is shown");
    }
}

/// The file has a style, a script and data of its own, and nothing else that is one.
#[test]
fn nothing_from_outside_becomes_markup_in_the_file_of_a_winter() {
    let page = winter_file().render().unwrap();
    assert_eq!(page.matches("<style>").count(), 1);
    assert_eq!(page.matches("<script").count(), 2);
    assert_eq!(page.matches("</script>").count(), 2);
    let (before, after) = page
        .split_once("<script type=\"application/json\"")
        .unwrap();
    let (sealed, after) = after.split_once("</script>").unwrap();
    assert!(!sealed.contains('<'), "data could end their own box");
    assert!(after.contains("<script>addEventListener(\"beforeprint\""));
    for part in [before, after] {
        assert!(!part.contains("\" onload") && !part.contains("' onload"));
        assert!(!part.contains("onload='"), "a stranger's attribute");
        assert!(!part.contains("alert(1)</"), "a script of a stranger");
    }
    assert!(before.contains("alert(1)"), "the text itself is shown");
    let read: serde_json::Value = copy::open(&page).unwrap().read().unwrap();
    assert_eq!(read["note"], HOSTILE);
    for word in [
        "http://",
        "https://",
        " style=",
        "javascript:",
        "url(",
        "src=",
    ] {
        assert!(!page.contains(word), "{word}");
    }
}

#[test]
fn pages_need_nobody_else_and_no_inline_code() {
    for page in pages() {
        for word in ["http://", "https://", " style=", "<style", "javascript:"] {
            assert!(!page.contains(word), "{word}");
        }
    }
}

#[test]
fn the_button_is_there_until_somebody_has_seen_it() {
    let page = &pages()[0];
    assert_eq!(page.matches("action=\"/alerts/acknowledge\"").count(), 3);
    assert_eq!(page.matches("name=\"occurrence\"").count(), 3);
    assert_eq!(page.matches("name=\"back\"").count(), 3);
    assert_eq!(page.matches("Seen by").count(), 1);
    assert_eq!(page.matches("Came and went").count(), 1);
}

#[test]
fn the_open_page_is_marked_in_the_navigation() {
    for (page, marked) in pages().iter().zip([1, 1, 1, 1, 0]) {
        assert_eq!(page.matches("aria-current=\"page\"").count(), marked);
    }
}
