//! A folder with its list of hashes, as `sha256sum` writes and reads it.

use std::{
    collections::BTreeSet,
    fmt::Write as _,
    fs,
    path::{Component, Path},
};

use super::{Found, Store, copy, described, hash_of, one};
use crate::{
    cli::{Failure, Outcome, winter::SUMS},
    web::winter::tables::DESCRIBED_BY,
};

/// Every file that the list names, and every copy in the folder.
pub(super) async fn folder(path: &Path, store: Option<&Store>, found: &mut Found) -> Outcome {
    let shown = path.display();
    let mut files: BTreeSet<String> = BTreeSet::new();
    let entries = fs::read_dir(path)
        .map_err(|e| Failure::input(format!("cannot read `{shown}`: {e}"), ""))?;
    for entry in entries {
        let entry = entry?;
        if entry.file_type()?.is_file() {
            files.insert(entry.file_name().to_string_lossy().into_owned());
        }
    }
    let listed = if let Ok(text) = fs::read_to_string(path.join(SUMS)) {
        list(&text, found)
    } else {
        found.fault(
            SUMS,
            "there is none in the folder, so nobody can say whether it is complete",
        );
        Vec::new()
    };
    let (mut right, before) = (0, found.faults.len());
    for (hash, name) in &listed {
        if !files.contains(name) {
            found.fault(name, "is missing");
        } else if hash_of(&path.join(name))?.eq_ignore_ascii_case(hash) {
            right += 1;
        } else {
            found.fault(name, "was changed: its hash is not the one in SHA256SUMS");
        }
    }
    if !listed.is_empty() {
        let all = if found.faults.len() == before {
            "all "
        } else {
            ""
        };
        let _ = writeln!(
            found.text,
            "{shown}: {all}{right} of {} files are as {SUMS} has them",
            listed.len()
        );
    }
    let named: BTreeSet<&str> = listed.iter().map(|(_, name)| name.as_str()).collect();
    for name in files.iter().filter(|n| *n != SUMS) {
        if !listed.is_empty() && !named.contains(name.as_str()) {
            found.say(&format!("{name} is in the folder and not in the list."));
        }
    }
    let ends = |name: &str, with: &str| name.ends_with(with) && !name.ends_with(DESCRIBED_BY);
    for name in &files {
        let path = path.join(name);
        if ends(name, ".html") || ends(name, ".json") {
            // What else lies there is no copy, and none of ours.
            let is_copy = fs::read_to_string(&path)
                .is_ok_and(|text| !matches!(copy::open(&text), Err(copy::NoCopy::Unknown)));
            if is_copy {
                one(&path, store, found).await?;
            }
        }
    }
    tables(path, &files, store, found).await
}

/// Tables are many: those that are right are counted.
async fn tables(
    path: &Path,
    files: &BTreeSet<String>,
    store: Option<&Store>,
    found: &mut Found,
) -> Outcome {
    let (mut right, mut given, mut all) = (0, 0, 0);
    for name in files.iter().filter(|n| is_csv(n)) {
        let path = path.join(name);
        let hash = hash_of(&path)?;
        let (notes, fault) = described(&path, &hash);
        all += 1;
        match (notes, fault) {
            (_, Some(fault)) => found.fault(name, &fault),
            (Some(_), None) => right += 1,
            (None, None) => found.say(&format!("{name} has no description beside it.")),
        }
        if let Some(store) = store
            && store.knows(&hash).await?
        {
            given += 1;
        }
    }
    if all != 0 {
        let _ = writeln!(
            found.text,
            "tables: {right} of {all} are those that their descriptions name"
        );
        if store.is_some() {
            found.say(&format!(
                "The store at hand gave out {given} of them as they are."
            ));
        }
    }
    Ok(())
}

/// Hashes and names of a list. A name that leads out of the folder is not followed.
fn list(text: &str, found: &mut Found) -> Vec<(String, String)> {
    let mut all = Vec::new();
    for (n, line) in text
        .lines()
        .enumerate()
        .filter(|(_, l)| !l.trim().is_empty())
    {
        let parts = line.split_once(' ').and_then(|(hash, name)| {
            let name = name.strip_prefix([' ', '*'])?;
            let digits = hash.len() == 64 && hash.bytes().all(|b| b.is_ascii_hexdigit());
            let mut parts = Path::new(name).components();
            let one = matches!(parts.next(), Some(Component::Normal(_))) && parts.next().is_none();
            (digits && one).then(|| (hash.to_owned(), name.to_owned()))
        });
        match parts {
            Some(parts) => all.push(parts),
            None => found.fault(SUMS, &format!("line {} is no hash with a name", n + 1)),
        }
    }
    all
}

/// Whether a file is a table, by its name.
fn is_csv(name: &str) -> bool {
    let kind = Path::new(name).extension();
    kind.is_some_and(|kind| kind.eq_ignore_ascii_case("csv"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_is_read_as_it_is_written_and_leads_nowhere_else() {
        let hash = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let mut found = Found::default();
        let text = format!(
            "{hash}  days.csv\n{hash} *winter 2025.html\r\n\n{hash}  ../days.csv\n{hash}  /etc/hosts\nshort  a.csv\n{hash}\n"
        );
        let listed = list(&text, &mut found);
        let names: Vec<&str> = listed.iter().map(|(_, name)| name.as_str()).collect();
        assert_eq!(names, ["days.csv", "winter 2025.html"]);
        assert_eq!(found.faults.len(), 4, "{:?}", found.faults);
        assert_eq!(found.faults[0], "SHA256SUMS: line 4 is no hash with a name");
    }
}
