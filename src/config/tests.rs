//! The example holds, and faults are told with their lines.

use super::*;
use crate::watch::Priority;

mod models;

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
                t if t.starts_with(['s', 'd', 'o', 'p', '{', ']']) => inside,
                _ => false,
            };
            let line = if inside { bare } else { line };
            format!("{line}\n")
        })
        .collect();
    assert_eq!(spelled.matches("\n[room.").count(), 16, "{spelled}");
    let spelled = Config::parse(&spelled, Path::new("/store")).unwrap();
    for (a, b) in [(&spelled.watch.rooms[0].limits, &plain.watch.rooms[0].limits)] {
        for (a, b) in [
            (&a.frost, &b.frost),
            (&a.cold, &b.cold),
            (&a.warm, &b.warm),
            (&a.dry_out, &b.dry_out),
            (&a.rot_risk, &b.rot_risk),
            (&a.sweating, &b.sweating),
            (&a.frost_ahead, &b.frost_ahead),
            (&a.frost_ahead_below, &b.frost_ahead_below),
            (&a.thaw, &b.thaw),
            (&a.shrink, &b.shrink),
            (&a.shrink_weighed, &b.shrink_weighed),
            (&a.mould, &b.mould),
            (&a.mould_ahead, &b.mould_ahead),
            (&a.waking, &b.waking),
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

/// The example with the comment marks of its ways out taken off, in a folder with what they name.
fn ways_out() -> (tempfile::TempDir, String) {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    for name in ["mail-password", "hook-secret"] {
        let path = folder.path().join(name);
        std::fs::write(&path, "s3cret\n").unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
    }
    let (head, tail) = EXAMPLE.split_once("# ---- how you are told").unwrap();
    let mut text = head.to_owned();
    let mut inside = false;
    for line in tail.lines().skip(1) {
        let bare = line.strip_prefix("# ").unwrap_or_default();
        inside = bare.starts_with("[[") || inside && bare.contains(" = ");
        // The certificate is the one thing that cannot be made up here.
        if inside && !bare.starts_with("ca_file") {
            text.push_str(bare);
            text.push('\n');
        }
    }
    (folder, text)
}

#[test]
fn the_ways_out_of_the_example_are_ways_out() {
    use crate::notify::{channel::Way, email::Security};
    let (folder, text) = ways_out();
    let config = Config::parse(&text, folder.path()).unwrap();
    let names: Vec<&str> = config.channels.iter().map(|c| c.name.as_str()).collect();
    assert_eq!(names, ["mail", "hook", "siren"]);
    let seconds: Vec<u64> = config
        .channels
        .iter()
        .map(|c| c.time_limit.as_secs())
        .collect();
    assert_eq!(seconds, [60, 15, 30]);
    let Way::Email(email) = &config.channels[0].way else {
        panic!("no e-mail");
    };
    assert_eq!(
        (email.security, email.port, email.to.len()),
        (Security::StartTls, 587, 2)
    );
    assert!(email.login.is_some());
    assert!(!format!("{config:?}").contains("s3cret"));
    // The siren is not there.
    assert_eq!(config.warnings.len(), 1, "{:?}", config.warnings);
    assert!(config.warnings[0].what.contains("/usr/local/bin/siren"));
    let told: Vec<_> = config
        .telling
        .contacts
        .iter()
        .map(|c| {
            (
                c.name.as_str(),
                c.after_ms / 60_000,
                c.least,
                c.channels.len(),
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            ("Me", 0, Priority::Low, 1),
            ("Helper", 30, Priority::High, 2)
        ]
    );
}

#[test]
fn faults_of_ways_out_have_their_line_and_remedy() {
    let (folder, text) = ways_out();
    // Nobody is told by them here, so that one fault stays one.
    let (text, _) = text.split_once("[[contact]]").unwrap();
    std::fs::write(folder.path().join("empty"), "\n").unwrap();
    std::fs::write(folder.path().join("two"), "a\nb\n").unwrap();
    std::fs::write(folder.path().join("wide"), "s3cret").unwrap();
    let found = |from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        let line = 1 + text[..text.find(from).unwrap()].matches('\n').count();
        let text = text.replacen(from, to, 1);
        match Config::parse(&text, folder.path()) {
            Ok(config) => {
                let warnings = config.warnings.iter().map(ToString::to_string);
                warnings.map(|w| format!("warning {w}")).collect::<String>()
            }
            Err(faults) => {
                assert_eq!(faults.len(), 1, "{faults:?}");
                assert_eq!(faults[0].line, line, "{faults:?}");
                faults[0].what.clone()
            }
        }
    };
    let mail = "security = \"starttls\"";
    let file = "password_file = \"mail-password\"";
    let url = "url = \"https://hook.example.org/overwinter\"";
    let run = "run = [\"/usr/local/bin/siren\", \"--on\"]";
    for (from, to, words) in [
        ("name = \"hook\"", "name = \"mail\"", "rename one"),
        (
            "from = \"store@example.org\"",
            "from = \"store\"",
            "no e-mail address",
        ),
        (
            "to = [\"me@example.org\", \"helper@example.org\"]",
            "to = []",
            "1 to 20 addresses",
        ),
        (
            "to = [\"me@example.org\", \"helper@example.org\"]",
            "to = 5",
            "a text or a list of texts",
        ),
        (
            "server = \"mail.example.org\"",
            "server = \"smtp://x\"",
            "its name alone",
        ),
        (mail, "security = \"ssl\"", "starttls, tls or none"),
        (mail, "security = \"none\"", "unencrypted = true"),
        (
            mail,
            "security = \"none\"\nunencrypted = true",
            "warning line",
        ),
        ("port = 587", "port = 0", "1 to 65535"),
        (
            file,
            "password_file = \"nowhere\"",
            "write the password alone into it",
        ),
        (file, "password_file = \"empty\"", "is empty"),
        (file, "password_file = \"two\"", "more than one line"),
        (file, "password_file = \"wide\"", "chmod 600"),
        (
            file,
            "password_env = \"OVERWINTER_NO_SUCH_VARIABLE\"",
            "set it where the program is started",
        ),
        (file, "# none", "has no password"),
        (url, "url = \"hook.example.org\"", "no address such as"),
        (url, "url = \"https://u:p@hook.example.org\"", "take it out"),
        (url, "url = \"http://hook.example.org\"", "use https"),
        (run, "run = []", "names no program"),
        (run, "run = \"siren --on\"", "sequence"),
        (
            "time_limit = \"30s\"",
            "time_limit = \"1h\"",
            "`1s` to `10min`",
        ),
        ("time_limit = \"30s\"", "ca_file = \"x\"", "unknown field"),
    ] {
        if to == "# none" {
            // Told at the user, which stands on the line before.
            let faults = Config::parse(&text.replacen(from, to, 1), folder.path()).unwrap_err();
            assert!(faults[0].what.contains(words), "{faults:?}");
            continue;
        }
        let what = found(from, to);
        assert!(what.contains(words), "{to}: {what}");
        assert!(!what.contains("s3cret"), "{what}");
    }
    let with_ca = text.replacen(url, &format!("{url}\nca_file = \"wide\""), 1);
    let faults = Config::parse(&with_ca, folder.path()).unwrap_err();
    assert!(
        faults[0].what.contains("holds no certificate"),
        "{faults:?}"
    );
}

#[test]
fn faults_of_contacts_have_their_remedy() {
    let (folder, text) = ways_out();
    let found = |from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        match Config::parse(&text.replacen(from, to, 1), folder.path()) {
            Ok(_) => panic!("{to} is taken"),
            Err(faults) => faults[0].what.clone(),
        }
    };
    for (from, to, words) in [
        ("name = \"Helper\"", "name = \"Me\"", "two contacts"),
        (
            "channels = [\"mail\"]",
            "channels = [\"post\"]",
            "there are `mail`, `hook`, `siren`",
        ),
        ("channels = [\"mail\"]", "channels = []", "name one"),
        ("hears = \"low\"", "hears = \"all\"", "low, medium or high"),
        (
            "quiet = [\"22:00\", \"6:00\"]",
            "quiet = [\"22\", \"6\"]",
            "time of day",
        ),
        ("after = \"30min\"", "after = \"soon\"", "no duration"),
    ] {
        let what = found(from, to);
        assert!(what.contains(words), "{to}: {what}");
    }
    let alerts = |line: &str| {
        let text = format!("{text}\n[alerts]\n{line}\n");
        match Config::parse(&text, folder.path()) {
            Ok(_) => panic!("{line} is taken"),
            Err(faults) => faults[0].what.clone(),
        }
    };
    assert!(alerts("longest_shelf = \"30d\"").contains("out of service"));
    assert!(alerts("repeat_every = \"1min\"").contains("10 minutes"));
    assert!(alerts("again_after = \"9d\"").contains("48 hours"));
    assert!(alerts("heartbeat = \"ftp://x\"").contains("https://"));
    assert!(alerts("summary_at = \"noon\"").contains("7:00"));
}

#[test]
fn one_faulty_way_out_is_one_fault_and_quiet_hours_are_two_times() {
    let (folder, text) = ways_out();
    let faults = |from: &str, to: &str| {
        assert!(text.contains(from), "{from}");
        Config::parse(&text.replacen(from, to, 1), folder.path()).unwrap_err()
    };
    let found = faults(
        "password_file = \"mail-password\"",
        "password_file = \"nowhere\"",
    );
    assert_eq!(found.len(), 1, "{found:?}");
    for quiet in ["quiet = \"22:00-6:00\"", "quiet = [\"22:00\"]"] {
        let found = faults("quiet = [\"22:00\", \"6:00\"]", quiet);
        assert!(
            found.iter().any(|f| f.what.contains("two times of day")),
            "{found:?}"
        );
    }
}
