//! `passphrase`, `pair`, `check` and `run` as they are typed, beside a running daemon.

use std::{
    fs::{self, File},
    io::{BufRead as _, BufReader, Read as _, Write as _},
    process::{Child, Command, Stdio},
};

use nix::{
    pty::openpty,
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use overwinter::clock::Clock;

use crate::{
    browser::{PASSPHRASE, Store},
    farm::Farm,
};

const BINARY: &str = env!("CARGO_BIN_EXE_overwinter");

pub(crate) struct Said {
    pub(crate) status: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

pub(crate) fn command(farm: &Farm, verb: &str) -> Command {
    let path = farm.path("overwinter.toml");
    if !path.exists() {
        fs::write(&path, farm.text()).unwrap();
    }
    let mut command = Command::new(BINARY);
    command
        .args([verb, "--config"])
        .arg(path)
        .env_remove("LC_ALL")
        .env_remove("LC_CTYPE")
        .env("LANG", "C")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

pub(crate) fn say(mut command: Command, typed: &str) -> Said {
    let mut child = command.spawn().unwrap();
    if let Some(mut stdin) = child.stdin.take() {
        // Whoever reads no further is not waited for.
        let _ = stdin.write_all(typed.as_bytes());
    }
    let output = child.wait_with_output().unwrap();
    let said = Said {
        status: output.status.code().unwrap(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    };
    assert!(!said.err.contains("panicked"), "{}", said.err);
    said
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_passphrase_is_set_and_changed_beside_the_daemon() {
    let mut farm = Farm::new("");
    // The commands go by the machine's clock.
    farm.clock = Clock::machine();
    let store = Store::open(&farm).await;
    let browser = store.browser();
    assert!(browser.is_in().await);
    let pair = say(command(&farm, "pair"), "");
    assert_eq!(pair.status, 1);
    assert!(pair.err.contains("overwinter passphrase"), "{}", pair.err);
    for weak in ["", "short\n", "password\n", "Invented Store\n"] {
        let said = say(command(&farm, "passphrase"), weak);
        assert_eq!((said.status, said.out.as_str()), (1, ""), "{}", said.err);
        assert!(said.err.contains("not taken"), "{}", said.err);
    }
    assert!(browser.is_in().await, "nothing was set");
    let said = say(command(&farm, "passphrase"), &format!("{PASSPHRASE}\n"));
    assert_eq!(said.status, 0, "{}", said.err);
    assert!(said.err.contains("is set") && !said.err.contains(PASSPHRASE));
    assert!(!browser.is_in().await, "at once, without a start");

    let (ida, jonas) = (store.signed_in("Ida").await, store.signed_in("Jonas").await);
    let pair = say(command(&farm, "pair"), "");
    assert_eq!(pair.status, 0, "{}", pair.err);
    assert!(
        pair.out.contains("####") && pair.out.is_ascii(),
        "{}",
        pair.out
    );
    let address = pair.out.lines().last().unwrap();
    let path = address.strip_prefix("http://127.0.0.1:0").unwrap();
    let phone = store.browser();
    assert_eq!(phone.post(path, &[("name", "Field")]).await.status, 303);
    assert!(phone.is_in().await);
    let mut utf8 = command(&farm, "pair");
    utf8.env("LANG", "en_US.UTF-8");
    let left_over = say(utf8, "");
    assert!(left_over.out.contains('█'), "{}", left_over.out);
    let path = left_over.out.lines().last().unwrap();
    let path = path.strip_prefix("http://127.0.0.1:0").unwrap();

    let said = say(command(&farm, "passphrase"), "another four words\r\n");
    assert_eq!(said.status, 0, "{}", said.err);
    assert!(
        said.err.contains("3 devices were signed out"),
        "{}",
        said.err
    );
    for browser in [&ida, &jonas, &phone] {
        assert!(!browser.is_in().await);
    }
    assert_eq!(phone.get(path).await.status, 410, "links are void as well");
    assert_eq!(ida.sign_in(PASSPHRASE, "Ida").await.status, 403);
    assert_eq!(ida.sign_in("another four words", "Ida").await.status, 303);

    let log = store.log().await;
    for what in ["passphrase set", "passphrase changed", "link made"] {
        assert!(
            log.contains(&("the command line".into(), what.into())),
            "{log:?}"
        );
    }
    store.running.finish().await;
    let mut everything = Vec::new();
    for entry in fs::read_dir(farm.path("")).unwrap() {
        let mut file = File::open(entry.unwrap().path()).unwrap();
        file.read_to_end(&mut everything).unwrap();
    }
    let cookie = ida.cookie.lock().unwrap().clone();
    let token = cookie.split_once('=').unwrap().1;
    for secret in [
        PASSPHRASE,
        "another four words",
        token,
        path.trim_start_matches("/phone/"),
    ] {
        let found = everything
            .windows(secret.len())
            .any(|w| w == secret.as_bytes());
        assert!(!found, "a secret is kept");
    }
}

#[test]
fn what_is_typed_at_a_terminal_is_not_shown() {
    let farm = Farm::new("");
    let pty = openpty(None, None).unwrap();
    let mut command = command(&farm, "passphrase");
    command.stdin(Stdio::from(pty.slave.try_clone().unwrap()));
    let mut child = command.spawn().unwrap();
    let mut terminal = File::from(pty.master);
    let mut err = BufReader::new(child.stderr.take().unwrap());
    for prompt in ["Passphrase: ", "again: "] {
        let mut seen = Vec::new();
        while !seen.ends_with(prompt.as_bytes()) {
            let mut byte = [0];
            err.read_exact(&mut byte).unwrap();
            seen.push(byte[0]);
        }
        terminal
            .write_all(format!("{PASSPHRASE}\n").as_bytes())
            .unwrap();
    }
    let mut rest = String::new();
    err.read_to_string(&mut rest).unwrap();
    assert!(child.wait().unwrap().success(), "{rest}");
    assert!(rest.contains("is set"), "{rest}");
    // The marker comes after all that was echoed.
    terminal.write_all(b"\n").unwrap();
    let mut shown = [0; 256];
    let length = terminal.read(&mut shown).unwrap();
    let shown = String::from_utf8_lossy(&shown[..length]);
    assert!(!shown.contains("ladle"), "{shown}");
    drop(pty.slave);
}

fn stop(mut child: Child) {
    kill(Pid::from_raw(child.id() as i32), Signal::SIGTERM).unwrap();
    // It may not have come so far as to take the signal itself.
    child.wait().unwrap();
}

#[test]
fn the_first_run_prints_a_code_and_refuses_to_be_open_to_everyone() {
    let farm = Farm::new("");
    let mut child = command(&farm, "run").spawn().unwrap();
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
    let line = lines
        .find_map(|l| Some(l.unwrap()).filter(|l| l.contains("set-up code: ")))
        .unwrap();
    let code = line.rsplit(' ').next().unwrap();
    assert_eq!(code.len(), 19, "{line}");
    assert!(line.contains("/welcome"), "{line}");
    stop(child);

    let open = farm
        .text()
        .replace("listen = \"127.0.0.1:0\"", "listen = \"0.0.0.0:0\"");
    let config = farm.path("overwinter.toml");
    fs::write(&config, &open).unwrap();
    let said = say(command(&farm, "run"), "");
    assert_eq!(said.status, 1);
    assert!(said.err.contains("plain_http"), "{}", said.err);
    let plain = open.replace(
        "[site]",
        "[site]\nplain_http = true\naddress = \"http://store.lan:8480\"",
    );
    fs::write(&config, &plain).unwrap();
    let said = say(command(&farm, "run"), "");
    assert_eq!(said.status, 1);
    assert!(
        said.err.contains("hint: set one: overwinter passphrase"),
        "{}",
        said.err
    );
    let said = say(command(&farm, "check"), "");
    assert_eq!(said.status, 1);
    assert!(
        said.out.contains("passphrase: FAULT: none is set"),
        "{}",
        said.out
    );
    assert!(
        said.out
            .contains("phones: http://store.lan:8480/, not encrypted"),
        "{}",
        said.out
    );

    let said = say(command(&farm, "passphrase"), PASSPHRASE);
    assert_eq!(said.status, 0, "{}", said.err);
    let said = say(command(&farm, "check"), "");
    assert_eq!(said.status, 0, "{}", said.out);
    assert!(said.out.contains("passphrase: is set"), "{}", said.out);
    let mut child = command(&farm, "run").spawn().unwrap();
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
    let mut seen = Vec::new();
    for line in &mut lines {
        seen.push(line.unwrap());
        if seen.last().unwrap().contains("Watching") {
            break;
        }
    }
    assert!(
        seen.iter().any(|l| l.contains("http://store.lan:8480/")),
        "{seen:?}"
    );
    stop(child);
    let rest: Vec<String> = lines.map(Result::unwrap).collect();
    assert!(!rest.iter().any(|l| l.contains("code")), "{rest:?}");

    let tls = open.replace(
        "[site]",
        "[site]\ntls_certificate = \"no.pem\"\ntls_key = \"no-key.pem\"",
    );
    fs::write(&config, &tls).unwrap();
    for verb in ["run", "check"] {
        let said = say(command(&farm, verb), "");
        assert_eq!(said.status, 1);
        let all = said.out + &said.err;
        assert!(
            all.contains("no.pem") && all.contains("cannot be used"),
            "{all}"
        );
    }
}
