//! What is kept of `independent.py` is what it prints.

use std::{
    io::{self, Write as _},
    process::Command,
};

use serde_json::Value;

use super::real_winter::{file, independent};

/// Alike but for the last digits of fractions, which may differ from library to library.
fn alike(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Object(a), Value::Object(b)) => {
            a.len() == b.len()
                && (a.iter())
                    .all(|(k, v)| k == "made_with" || b.get(k).is_some_and(|w| alike(v, w)))
        }
        (Value::Array(a), Value::Array(b)) => {
            a.len() == b.len() && a.iter().zip(b).all(|(v, w)| alike(v, w))
        }
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            (a - b).abs() <= 1e-6 * a.abs().max(1.0)
        }
        _ => a == b,
    }
}

/// What is kept is what the script prints. Where there is no pandas this says so and is content: the
/// program is held against what is kept in any case. `OVERWINTER_PYTHON` names another Python.
#[test]
fn the_script_still_prints_what_is_kept() {
    let python = std::env::var("OVERWINTER_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = file("account/independent.py");
    let without = |why: &str| {
        // Past what holds back the words of tests that pass.
        writeln!(io::stderr(), "tests/account/independent.py: not run: {why}").unwrap();
    };
    let output = match Command::new(&python).arg(&script).output() {
        Ok(output) => output,
        Err(e) => return without(&format!("no {python} ({e})")),
    };
    // The script's own way to say so.
    if output.status.code() == Some(77) {
        return without("no pandas");
    }
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{}: {words}", output.status);
    let printed: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(
        alike(&printed, &independent()),
        "{python} {} prints something else now; look at both before the new one is kept",
        script.display()
    );
}
