//! A followed file through all that loggers, rotations and restarts do to it: nothing twice, nothing
//! lost.

use std::{fs, os::unix::fs::MetadataExt};

use overwinter::watch::{Input, Stamp};

use crate::farm::{Daemon, FILE, Farm, HEADER, minute, row};

/// One row of the north sensor; `n` is both its minute and what tells it from the others.
fn line(n: i64) -> String {
    row("north", minute(n), 9.0 + n as f64 / 1000.0, 80.0)
}

fn lines(range: std::ops::Range<i64>) -> String {
    range.map(line).collect()
}

/// The minutes that are stored, in order.
async fn minutes(daemon: &Daemon) -> Vec<i64> {
    let mut found = Vec::new();
    daemon
        .store()
        .fold(|input| {
            if let Input::Reading(r) = input {
                found.push(r.measured_at.since(minute(0)) / 60_000);
            }
        })
        .await
        .unwrap();
    found.sort_unstable();
    found
}

fn late_enough(farm: &Farm) {
    farm.clock.set(minute(10_000));
}

async fn holds(daemon: &Daemon, range: std::ops::Range<i64>) {
    daemon.stored(range.end - range.start).await;
    assert_eq!(minutes(daemon).await, range.collect::<Vec<_>>());
    let tallies = daemon.store().tallies().await.unwrap();
    let repeated: i64 = tallies.iter().map(|t| t.duplicate + t.conflict).sum();
    assert_eq!(repeated, 0, "nothing is read twice: {tallies:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_file_appears_and_its_last_line_waits_for_its_end() {
    let farm = Farm::new(FILE);
    late_enough(&farm);
    let daemon = farm.start().await;
    daemon
        .shows("/sensors", "waiting for the file to appear")
        .await;
    let (begun, rest) = (line(1), lines(2..3));
    let (half, other) = begun.split_at(begun.len() - 5);
    farm.append("north.csv", &format!("{HEADER}{}{half}", line(0)));
    daemon.stored(1).await;
    // `...,80.` would be a valid number: it has to wait until the line is ended.
    daemon.shows("/sensors", "following it, 2 lines read").await;
    farm.append("north.csv", other);
    farm.append("north.csv", &rest);
    daemon.stored(3).await;
    holds(&daemon, 0..3).await;
    let mut values = Vec::new();
    let note = |input: &Input| {
        if let Input::Reading(r) = input {
            values.push((r.values.temperature_mc, r.values.humidity_mpct));
        }
    };
    daemon.store().fold(note).await.unwrap();
    assert_eq!(values[1], (Some(9001), Some(80_000)));
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn rotation_by_renaming_finishes_the_old_file_first() {
    let farm = Farm::new(FILE);
    late_enough(&farm);
    farm.append("north.csv", HEADER);
    let daemon = farm.start().await;
    let (file, old) = (farm.path("north.csv"), farm.path("north.csv.1"));
    let mut n = 0;
    // Many times, because rotation and reading race.
    for _ in 0..30 {
        farm.append("north.csv", &line(n));
        daemon.stored(n + 1).await;
        farm.append("north.csv", &lines(n + 1..n + 3));
        fs::rename(&file, &old).unwrap();
        // The logger has not noticed yet.
        farm.append("north.csv.1", &line(n + 3));
        let fresh = farm.path("north.new");
        fs::write(&fresh, format!("{HEADER}{}", line(n + 4))).unwrap();
        fs::rename(&fresh, &file).unwrap();
        n += 5;
        daemon.stored(n).await;
    }
    holds(&daemon, 0..n).await;
    let page = daemon.get("/sensors").await.text;
    assert!(!page.contains("refused"), "{page}");
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_new_file_may_have_another_header() {
    let farm = Farm::new(FILE);
    late_enough(&farm);
    farm.append("north.csv", &format!("{HEADER}{}", line(0)));
    let daemon = farm.start().await;
    daemon.stored(1).await;
    fs::rename(farm.path("north.csv"), farm.path("north.old")).unwrap();
    let at = |n: i64| Stamp::to_rfc3339(minute(n));
    farm.append(
        "north.csv",
        &format!(
            "humidity_pct,temperature_f,sensor,measured_at\n80,48.2,north,{}\n",
            at(1)
        ),
    );
    daemon.stored(2).await;
    let status = daemon.get("/api/status").await.json();
    assert_eq!(status["sensors"][0]["temperature_c"], 9.0);
    // Truncated and begun anew with yet another one.
    fs::write(
        farm.path("north.csv"),
        format!("sensor,measured_at,humidity_pct\nnorth,{},81\n", at(2)),
    )
    .unwrap();
    daemon.stored(3).await;
    holds(&daemon, 0..3).await;
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn truncation_after_copying_is_noticed() {
    let farm = Farm::new(FILE);
    late_enough(&farm);
    farm.append("north.csv", &format!("{HEADER}{}", lines(0..20)));
    let daemon = farm.start().await;
    daemon.stored(20).await;
    let file = farm.path("north.csv");
    let inode = fs::metadata(&file).unwrap().ino();
    fs::copy(&file, farm.path("north.copy")).unwrap();
    fs::OpenOptions::new()
        .write(true)
        .open(&file)
        .unwrap()
        .set_len(0)
        .unwrap();
    farm.append("north.csv", &format!("{HEADER}{}", lines(20..23)));
    daemon.stored(23).await;
    assert_eq!(fs::metadata(&file).unwrap().ino(), inode);
    holds(&daemon, 0..23).await;
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_restart_goes_on_where_it_was() {
    let farm = Farm::new(FILE);
    late_enough(&farm);
    farm.append("north.csv", HEADER);
    let mut n = 0;
    for round in 0..4 {
        let daemon = farm.start().await;
        daemon.stored(n).await;
        // A line begun before the stop is ended after it.
        let next = line(n + 2);
        farm.append("north.csv", &lines(n..n + 2));
        farm.append("north.csv", &next[..20]);
        daemon.stored(n + 2).await;
        daemon.running.finish().await;
        farm.append("north.csv", &next[20..]);
        if round == 1 {
            // Rotated while nobody looked; what was written since stands in the old file.
            farm.append("north.csv", &line(n + 3));
            fs::rename(farm.path("north.csv"), farm.path("north.1")).unwrap();
            farm.append("north.csv", &format!("{HEADER}{}", line(n + 4)));
            n += 2;
        }
        n += 3;
    }
    let daemon = farm.start().await;
    holds(&daemon, 0..n).await;
    daemon.running.finish().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn several_rotations_while_nobody_looked_are_all_read() {
    let farm = Farm::new(FILE);
    late_enough(&farm);
    farm.append("north.csv", &format!("{HEADER}{}", lines(0..2)));
    let daemon = farm.start().await;
    daemon.stored(2).await;
    daemon.running.finish().await;
    // The usual way of moving everything one further, three times.
    let mut n = 2;
    let start = fs::metadata(farm.path("north.csv"))
        .unwrap()
        .modified()
        .unwrap();
    for turn in 1..4 {
        farm.append("north.csv", &line(n));
        // A day passes between two of them.
        let written = start + std::time::Duration::from_secs(86_400) * turn;
        let file = fs::File::options()
            .append(true)
            .open(farm.path("north.csv"));
        file.unwrap().set_modified(written).unwrap();
        for older in (1..4).rev() {
            let from = farm.path(&format!("north.csv.{older}"));
            let _ = fs::rename(from, farm.path(&format!("north.csv.{}", older + 1)));
        }
        fs::rename(farm.path("north.csv"), farm.path("north.csv.1")).unwrap();
        farm.append("north.csv", &format!("{HEADER}{}", line(n + 1)));
        n += 2;
    }
    farm.append("north.csv.9.gz", "not to be read");
    let daemon = farm.start().await;
    holds(&daemon, 0..n).await;
    let page = daemon.get("/sensors").await.text;
    assert!(!page.contains("refused"), "{page}");
    daemon.running.finish().await;
}

/// A header alone says little about a file: an equally long past could begin with the same.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_file_written_anew_while_nobody_looked_is_no_old_friend() {
    let farm = Farm::new(FILE);
    late_enough(&farm);
    farm.append("north.csv", HEADER);
    let daemon = farm.start().await;
    daemon.shows("/sensors", "following it, 1 lines read").await;
    farm.append("north.csv", &lines(0..2));
    daemon.stored(2).await;
    daemon.running.finish().await;
    let file = farm.path("north.csv");
    let inode = fs::metadata(&file).unwrap().ino();
    fs::write(&file, format!("{HEADER}{}", lines(2..12))).unwrap();
    assert_eq!(fs::metadata(&file).unwrap().ino(), inode);
    let daemon = farm.start().await;
    holds(&daemon, 0..12).await;
    daemon.running.finish().await;
}
