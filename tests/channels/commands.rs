//! Programs that take a message, and programs that do not.

use std::{fs, path::Path, time::Duration};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use overwinter::notify::{
    channel::{Note, Undelivered, Way},
    command::Settings,
};
use serde_json::{Value, json};

use super::{PATIENT, later, note, send};

fn shell(script: &str, argument: &Path) -> Way {
    Way::Command(Settings {
        program: "sh".into(),
        arguments: ["-c", script, "sh", argument.to_str().unwrap()]
            .map(str::to_owned)
            .to_vec(),
    })
}

async fn run(script: &str, limit: Duration) -> Result<String, Undelivered> {
    send(shell(script, Path::new("/dev/null")), &note(), limit).await
}

/// Far beyond what a pipe holds.
fn long_note() -> Note {
    Note {
        long: "Close the vents. ".repeat(60_000),
        ..note()
    }
}

#[tokio::test]
async fn a_program_gets_the_whole_message() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a file");
    let note = long_note();
    let way = shell("cat > \"$1\"; echo thanks; echo a lot >&2", &file);
    let said = send(way, &note, PATIENT).await.unwrap();
    assert_eq!(said, "`sh` took it: thanks a lot");
    let text = fs::read_to_string(file).unwrap();
    assert_eq!(text.lines().count(), 1);
    assert_eq!(
        serde_json::from_str::<Value>(&text).unwrap(),
        json!({
            "key": "1768356600000 cold cellar:ann",
            "at": "2026-01-14T02:10:00Z",
            "site": "Cellar & barn",
            "purpose": "announce",
            "contact": "ann",
            "priority": "high",
            "subject": "Too cold in the cellar",
            "short": note.short,
            "long": note.long,
            "link": "http://192.168.1.20:8480/alerts",
            "figures": { "room": "cellar", "value": 34.3 },
        })
    );
}

#[tokio::test]
async fn a_program_need_not_read() {
    for script in ["exit 0", "exec <&-; exit 0"] {
        let way = shell(script, Path::new("/dev/null"));
        let said = send(way, &long_note(), PATIENT).await;
        assert_eq!(said.unwrap(), "`sh` took it");
    }
}

#[tokio::test]
async fn any_other_end_is_put_off() {
    for (script, words) in [
        ("echo no paper >&2; exit 75", "exit status: 75: no paper"),
        ("exit 1", "exit status: 1"),
        ("kill -9 $$", "signal: 9"),
    ] {
        let (why, _) = later(run(script, PATIENT).await);
        assert!(why.contains(words), "{why}");
    }
    for program in ["no-such-program-here", "/no/such/program", "/"] {
        let way = Way::Command(Settings {
            program: program.into(),
            arguments: Vec::new(),
        });
        let (why, _) = later(send(way, &note(), PATIENT).await);
        assert!(why.contains("cannot be started"), "{why}");
    }
}

#[tokio::test]
async fn a_flood_is_read_and_forgotten() {
    let flood = "i=0; while [ $i -lt 3000 ]; do echo 0123456789012345678901234567890123456789; echo 01234567890123456789 >&2; i=$((i+1)); done; exit 3";
    let (why, _) = later(run(flood, PATIENT).await);
    assert!(
        why.contains("exit status: 3") && why.chars().count() < 400,
        "{why}"
    );
    let (why, _) = later(run("while :; do echo more; done", Duration::from_millis(300)).await);
    assert!(
        why.contains("killed after 300ms") && why.chars().count() < 400,
        "{why}"
    );
}

/// The numbers a script has written down, as soon as there are two.
async fn two_numbers(file: &Path) -> Vec<i32> {
    loop {
        let text = fs::read_to_string(file).unwrap_or_default();
        let numbers: Vec<i32> = text.lines().map(|l| l.parse().unwrap()).collect();
        if numbers.len() == 2 && text.ends_with('\n') {
            return numbers;
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

/// Waits until a process is gone, or dead and only not cleared away yet.
async fn gone(process: i32) {
    loop {
        let stat = fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
        let state = stat.rsplit(") ").next().unwrap_or_default();
        if state.is_empty() || state.starts_with(['Z', 'X']) {
            return;
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

const HANG: &str = "sleep 600 & echo $! > \"$1\"; echo $$ >> \"$1\"; echo waiting; wait";

#[tokio::test]
async fn what_hangs_is_killed_with_all_it_started() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("numbers");
    let (why, _) = later(send(shell(HANG, &file), &note(), Duration::from_secs(1)).await);
    assert_eq!(why, "`sh` was killed after 1s: waiting");
    for process in two_numbers(&file).await {
        gone(process).await;
    }
}

#[tokio::test]
async fn what_is_no_longer_waited_for_is_killed_too() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("numbers");
    let way = shell(HANG, &file);
    let sending = tokio::spawn(async move { send(way, &note(), PATIENT).await });
    let processes = two_numbers(&file).await;
    sending.abort();
    assert!(sending.await.unwrap_err().is_cancelled());
    for process in processes {
        gone(process).await;
    }
}

#[tokio::test]
async fn a_child_left_behind_holds_nobody_up() {
    let said = run("sleep 600 & echo $!", PATIENT).await.unwrap();
    let left: i32 = said.rsplit(' ').next().unwrap().parse().unwrap();
    assert!(Path::new(&format!("/proc/{left}")).exists(), "it may stay");
    kill(Pid::from_raw(left), Signal::SIGKILL).unwrap();
}
