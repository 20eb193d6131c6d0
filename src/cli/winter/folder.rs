//! A winter as a folder to be given out: the page, the data, every table, the readings, and their hashes.

use std::{
    fmt::Write as _,
    fs::{self, File},
    io::{self, BufWriter, Write},
    path::Path,
};

use sha2::{Digest as _, Sha256};

use super::{Opened, WHO};
use crate::{
    cli::{Failure, Outcome, data::write_readings_of},
    watch::Stamp,
    web::{
        feed::hex,
        winter::{
            copy,
            data::{self as given, Data},
            file::page_file,
            table::{
                Column,
                Kind::{Instant, Number, Text},
                Table, column,
            },
            tables::{DESCRIBED_BY, file_name, notes, tables, with_description},
        },
    },
};

/// The list of hashes.
pub(in crate::cli) const SUMS: &str = "SHA256SUMS";
/// The readings.
const READINGS: &str = "readings.csv";

/// The columns of the interchange file.
const COLUMNS: &[Column] = &[
    column("measured_at", Instant, "When it was measured, in UTC."),
    column("sensor", Text, "By which sensor."),
    column(
        "temperature_c",
        Number,
        "Temperature as the sensor said it, C.",
    ),
    column(
        "humidity_pct",
        Number,
        "Relative humidity as the sensor said it, percent.",
    ),
    column(
        "battery_pct",
        Number,
        "What was left of its battery, percent.",
    ),
    column("received_at", Instant, "When it arrived, in UTC."),
];

/// Refuses a folder in which anything is.
pub(super) fn is_free(folder: &Path) -> Outcome {
    let name = folder.display();
    match fs::read_dir(folder) {
        Ok(mut files) => match files.next() {
            None => Ok(()),
            Some(_) => Err(Failure::input(
                format!("`{name}` has files in it and stays as it is"),
                "name a folder that is not there yet, or an empty one",
            )),
        },
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(Failure::input(
            format!("cannot write `{name}`: {error}"),
            "",
        )),
    }
}

/// Counts and hashes what goes through it.
struct Hashing<W> {
    to: W,
    hash: Sha256,
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.to.write(bytes)?;
        self.hash.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// Files as they are written, with their hashes.
struct Out<'a> {
    folder: &'a Path,
    sums: String,
}

impl Out<'_> {
    fn cannot(&self, name: &str, error: &io::Error) -> Failure {
        Failure::input(
            format!(
                "cannot write `{}`: {error}",
                self.folder.join(name).display()
            ),
            "what is in the folder is not complete; take it away and try again",
        )
    }

    fn put(&mut self, name: &str, text: &str) -> Outcome {
        let path = self.folder.join(name);
        fs::write(path, text).map_err(|e| self.cannot(name, &e))?;
        self.note(name, &copy::sha256_hex(text));
        Ok(())
    }

    /// As `sha256sum` writes it: the hash, a space, a mark for binary files (none here), the name.
    fn note(&mut self, name: &str, hash: &str) {
        let _ = writeln!(self.sums, "{hash}  {name}");
    }
}

/// Writes all of it; the list of hashes comes last, so that what is not complete has none.
pub(super) async fn write(opened: &Opened, data: &Data, folder: &Path) -> Outcome {
    let mut out = Out {
        folder,
        sums: String::new(),
    };
    fs::create_dir_all(folder).map_err(|e| out.cannot("", &e))?;
    let about = &data.account.about;
    let winter = &about.winter;
    let (text, hash) = given::hashed(data)?;
    let mut told = given::about(opened.now, WHO, opened.manner.unit);
    told.sha256.clone_from(&hash);
    let mut remembered = vec![
        ("page".to_owned(), hash.clone()),
        ("json".to_owned(), hash.clone()),
    ];
    out.put(&format!("winter-{winter}.html"), &page_file(data, &told)?)?;
    out.put(&format!("winter-{winter}.json"), &copy::seal(told, &text)?)?;
    let notes = notes(data, &hash);
    for table in tables(data) {
        let (csv, described) = with_description(&table, &notes);
        let name = file_name(&table);
        out.put(&name, &csv)?;
        let described = serde_json::to_string_pretty(&described)?;
        out.put(&format!("{name}{DESCRIBED_BY}"), &format!("{described}\n"))?;
        remembered.push((table.name.to_owned(), copy::sha256_hex(&csv)));
    }
    let (readings, own) = readings(opened, data, &out).await?;
    out.note(READINGS, &own);
    remembered.push(("readings".to_owned(), own.clone()));
    let mut notes = notes;
    notes["csv_sha256"] = own.into();
    notes["readings"] = readings.into();
    notes["as_said"] = "Readings as the sensors said them: corrections are not applied to this file, but to every other one.".into();
    let table = Table {
        name: "readings",
        title: "Every reading of the period as the sensors said it, in the order of arrival",
        columns: COLUMNS,
        rows: Vec::new(),
    };
    let described = serde_json::to_string_pretty(&table.described(READINGS, &notes))?;
    out.put(
        &format!("{READINGS}{DESCRIBED_BY}"),
        &format!("{described}\n"),
    )?;
    opened.note(data, &remembered).await?;
    let sums = std::mem::take(&mut out.sums);
    fs::write(folder.join(SUMS), &sums).map_err(|e| out.cannot(SUMS, &e))?;
    tell!(
        "{} files of the winter {winter} written into `{}`; `overwinter vouch {}` looks through them",
        sums.lines().count() + 1,
        folder.display(),
        folder.display()
    );
    if !about.over {
        tell!("The winter is not over: it is counted up to now.");
    }
    Ok(())
}

/// The readings of the period, raw; how many, and their hash.
async fn readings(opened: &Opened, data: &Data, out: &Out<'_>) -> Result<(u64, String), Failure> {
    let about = &data.account.about;
    let (from, to): (Stamp, Stamp) = (about.from.into(), about.to.into());
    let file = File::create(out.folder.join(READINGS)).map_err(|e| out.cannot(READINGS, &e))?;
    let mut to_file = Hashing {
        to: BufWriter::new(file),
        hash: Sha256::new(),
    };
    let within = |r: &crate::watch::Reading| from <= r.measured_at && r.measured_at < to;
    let written = write_readings_of(&opened.store, &mut to_file, within).await?;
    Ok((written, hex(&to_file.hash.finalize())))
}
