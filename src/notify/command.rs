//! Messages to a program on this computer: the note as JSON on its standard input, its exit as the answer.

use std::{ffi::OsString, process::Stdio, time::Duration};

use nix::{
    sys::signal::{Signal, killpg},
    unistd::Pid,
};
use serde::Serialize;
use tokio::{
    io::{AsyncRead, AsyncReadExt, AsyncWriteExt},
    process::{Child, ChildStdin, Command},
    time::timeout,
};

use super::channel::{ANSWER_BYTES, Facts, Note, Undelivered, causes, said};

/// After a program has ended, what it wrote is waited for so long; a child of its own that it left
/// behind may hold the pipes open for ever.
const LAST_WORDS: Duration = Duration::from_millis(500);
/// A killed program is waited for so long; after that the runtime clears it away when it is gone.
const FUNERAL: Duration = Duration::from_secs(1);

/// A program to start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// A path, or a name that is looked for in `PATH`.
    pub program: OsString,
    /// Handed over as they are; no shell reads them.
    pub arguments: Vec<String>,
}

/// What stands on the standard input, in one line.
#[derive(Serialize)]
struct Input<'a> {
    key: &'a str,
    at: String,
    site: &'a str,
    purpose: &'a str,
    #[serde(flatten)]
    facts: Facts<'a>,
}

/// Kills the program and every child it started, unless the program has ended by itself.
struct Group(Option<Pid>);

impl Group {
    fn kill(&mut self) {
        if let Some(group) = self.0.take() {
            // Gone already is as good.
            let _ = killpg(group, Signal::SIGKILL);
        }
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        self.kill();
    }
}

pub(super) async fn send(
    settings: &Settings,
    note: &Note,
    site: &str,
    limit: Duration,
) -> Result<String, Undelivered> {
    let mut input = serde_json::to_vec(&Input {
        key: &note.key,
        at: note.at.to_rfc3339(),
        site,
        purpose: note.purpose,
        facts: Facts::of(note),
    })
    .map_err(|e| Undelivered::never(format!("the message cannot be written as JSON: {e}")))?;
    input.push(b'\n');

    let name = settings.program.to_string_lossy();
    let mut child = Command::new(&settings.program)
        .args(&settings.arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        // A group of its own, so that what it starts can be ended with it.
        .process_group(0)
        .kill_on_drop(true)
        .spawn()
        .map_err(|e| Undelivered::later(format!("`{name}` cannot be started: {}", causes(&e))))?;
    // Declared after the child and so dropped before it: the group still bears the child's number.
    let mut group = Group(child.id().map(|id| Pid::from_raw(id as i32)));

    let (mut out, mut err) = (Vec::new(), Vec::new());
    let ended = {
        let talk = talk(&mut child, &input, &mut out, &mut err);
        tokio::pin!(talk);
        let mut talked = false;
        let ended = timeout(limit, async {
            loop {
                tokio::select! {
                    ended = child.wait() => {
                        // Reaped: the number may belong to another by now.
                        group.0 = None;
                        break ended;
                    }
                    () = &mut talk, if !talked => talked = true,
                }
            }
        })
        .await;
        if ended.is_err() {
            group.kill();
            let _ = timeout(FUNERAL, child.wait()).await;
        }
        if !talked {
            let _ = timeout(LAST_WORDS, &mut talk).await;
        }
        ended
    };
    out.push(b' ');
    out.append(&mut err);
    let words = match said(&out) {
        words if words.is_empty() => String::new(),
        words => format!(": {words}"),
    };
    match ended {
        Err(_) => Err(Undelivered::later(format!(
            "`{name}` was killed after {}{words}",
            humantime::format_duration(limit)
        ))),
        Ok(Err(e)) => Err(Undelivered::later(format!(
            "`{name}` cannot be waited for: {}",
            causes(&e)
        ))),
        Ok(Ok(status)) if status.success() => Ok(format!("`{name}` took it{words}")),
        // 75 is EX_TEMPFAIL of sysexits.h; the others are mended by mending the program.
        Ok(Ok(status)) => Err(Undelivered::later(format!(
            "`{name}` ended with {status}{words}"
        ))),
    }
}

/// Hands over the input and listens until both pipes are closed. Holds the ends of the pipes, not
/// the child.
fn talk<'a>(
    child: &mut Child,
    input: &'a [u8],
    out: &'a mut Vec<u8>,
    err: &'a mut Vec<u8>,
) -> impl Future<Output = ()> + use<'a> {
    let (stdin, stdout, stderr) = (child.stdin.take(), child.stdout.take(), child.stderr.take());
    async move {
        tokio::join!(feed(stdin, input), listen(stdout, out), listen(stderr, err));
    }
}

/// A program that does not read its input has not failed by that.
async fn feed(stdin: Option<ChildStdin>, input: &[u8]) {
    if let Some(mut stdin) = stdin {
        let _ = stdin.write_all(input).await;
        let _ = stdin.shutdown().await;
    }
}

/// Keeps the beginning; the rest is read all the same, so that the program is not held up.
async fn listen(pipe: Option<impl AsyncRead + Unpin>, kept: &mut Vec<u8>) {
    let Some(mut pipe) = pipe else { return };
    let mut part = [0; ANSWER_BYTES];
    while let Ok(n @ 1..) = pipe.read(&mut part).await {
        let room = ANSWER_BYTES - kept.len();
        kept.extend_from_slice(&part[..n.min(room)]);
    }
}
