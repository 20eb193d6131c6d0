//! The example holds, and faults are told with their lines.

use super::*;

fn faults(text: &str) -> Vec<String> {
    match Config::parse(text, Path::new("/store")) {
        Ok(_) => Vec::new(),
        Err(faults) => faults.iter().map(ToString::to_string).collect(),
    }
}

#[test]
fn the_example_is_a_configuration_and_shows_the_defaults() {
    let plain = Config::parse(EXAMPLE, Path::new("/store")).unwrap();
    assert_eq!(plain.database, Path::new("/store/overwinter.db"));
    assert_eq!(plain.watch.sensors.len(), 1);
    assert_eq!(plain.warnings, []);
    // With the comment marks of the alert sections taken off, nothing changes.
    let mut inside = false;
    let spelled: String = EXAMPLE
        .lines()
        .map(|line| {
            let bare = line.strip_prefix("# ").unwrap_or(line);
            inside = match bare.trim_start() {
                t if t.starts_with("[room.") => true,
                t if t.starts_with(['s', 'd', 'o', '{', ']']) => inside,
                _ => false,
            };
            let line = if inside { bare } else { line };
            format!("{line}\n")
        })
        .collect();
    assert_eq!(spelled.matches("\n[room.").count(), 6, "{spelled}");
    let spelled = Config::parse(&spelled, Path::new("/store")).unwrap();
    for (a, b) in [(&spelled.watch.rooms[0].limits, &plain.watch.rooms[0].limits)] {
        for (a, b) in [
            (&a.frost, &b.frost),
            (&a.cold, &b.cold),
            (&a.warm, &b.warm),
            (&a.dry_out, &b.dry_out),
            (&a.rot_risk, &b.rot_risk),
            (&a.sweating, &b.sweating),
        ] {
            assert_eq!(a.off_delay_ms, b.off_delay_ms);
            assert!((a.deadband - b.deadband).abs() < 1e-9);
            assert_eq!(a.steps.len(), b.steps.len());
            for (a, b) in a.steps.iter().zip(&b.steps) {
                assert!((a.limit - b.limit).abs() < 1e-9);
                assert_eq!((a.delay_ms, a.priority), (b.delay_ms, b.priority));
            }
        }
    }
}

#[test]
fn every_fault_is_told_with_its_line() {
    let text = r#"[site]
time_zone = "Mars/Olympus"
listen = "0.0.0.0:80"

[[room]]
name = "cellar"
temperature = ["52F", "40F"]

[[room]]
name = "attic"
humidity = ["seventy", "85%"]
[room.dry-out]
steps = [{ beyond = "70%", for = "soon", priority = "low" }]

[[sensor]]
name = "north"
room = "celar"
role = "air"
interval = "2h"

[[sensor]]
name = "south"
room = "cellar"
role = "wind"
interval = "5min"

[[http]]
name = "gw"
token_sha256 = "secret"
sensors = ["west"]

[[radio]]
name = "x"
"#;
    let found = faults(text);
    let lines: Vec<&str> = found.iter().map(|f| f.split(':').next().unwrap()).collect();
    assert_eq!(
        lines,
        [
            "line 2", "line 3", "line 7", "line 11", "line 13", "line 17", "line 19", "line 24",
            "line 29", "line 30", "line 32"
        ],
        "{found:#?}"
    );
}

#[test]
fn how_it_is_reached_goes_together() {
    let read = |site: &str| {
        let text = format!("[site]\n{site}\n[[room]]\nname = \"a\"\n");
        Config::parse(&text, Path::new("/store")).map_err(|f| f[0].to_string())
    };
    let pair = "tls_certificate = \"c.pem\"\ntls_key = \"k.pem\"";
    let open = "listen = \"0.0.0.0:8480\"";
    let config = read(&format!("{open}\n{pair}\nnames = [\"Store.lan\"]")).unwrap();
    assert_eq!(config.reach.names, ["store.lan"]);
    let tls = config.reach.tls.unwrap();
    assert_eq!(tls.certificate, Path::new("/store/c.pem"));
    assert_eq!(tls.key, Path::new("/store/k.pem"));
    let config = read(&format!(
        "{open}\nplain_http = true\naddress = \"http://Store.lan:8480/\""
    ))
    .unwrap();
    assert_eq!(config.address.as_deref(), Some("http://store.lan:8480"));
    for (site, line, what) in [
        (open.to_owned(), 2, "can be reached by others"),
        (
            format!("{open}\nplain_http = false"),
            2,
            "can be reached by others",
        ),
        ("tls_key = \"k.pem\"".to_owned(), 2, "needs its certificate"),
        ("tls_certificate = \"c.pem\"".to_owned(), 2, "needs its key"),
        (
            format!("{pair}\nplain_http = true"),
            4,
            "leave one of the two out",
        ),
        (
            format!("{pair}\naddress = \"http://store.lan\""),
            4,
            "begins with https",
        ),
        ("address = \"store.lan\"".to_owned(), 2, "is no address"),
        ("names = [\"http://store.lan\"]".to_owned(), 2, "is no name"),
    ] {
        let told = read(&site).unwrap_err();
        assert!(
            told.starts_with(&format!("line {line}: ")) && told.contains(what),
            "{told}"
        );
    }
}

#[test]
fn a_slip_of_the_pen_is_named() {
    for (line, what) in [("name = north", "words"), ("name = 5", "invalid type")] {
        let found = faults(&format!("[[room]]\n{line}\n"));
        assert!(
            found[0].starts_with(&format!("line 2: {what}")),
            "{found:?}"
        );
        assert!(found[0].contains("in quotes"), "{found:?}");
    }
    assert!(faults("[site\n")[0].starts_with("line 1: "));
    let found = faults("[[room]]\nname = \"a\"\nhumidty = [\"1%\", \"2%\"]\n");
    assert!(
        found[0].starts_with("line 3: unknown field `humidty`"),
        "{found:?}"
    );
    assert_eq!(
        faults(""),
        ["line 1: names no room; add a [[room]] with a name"]
    );
    let probe = |room: &str, name: &str| {
        format!(
            "[[sensor]]\nname = \"{name}\"\nroom = \"{room}\"\nrole = \"crate\"\ncrate = \"C-1\"\ninterval = \"5min\"\n"
        )
    };
    let rooms = "[[room]]\nname = \"a\"\n[[room]]\nname = \"b\"\n";
    let found = faults(&format!("{rooms}{}{}", probe("a", "p"), probe("b", "q")));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        found[0].starts_with("line 13: is in the same crate as `p`"),
        "{found:?}"
    );
    let found = faults("[[room]]\nname = \"a\"\nhumidity = [\"80%\", \"81%\"]\n");
    assert!(found[0].contains("deadband"), "{found:?}");
}
