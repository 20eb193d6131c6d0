//! `init`, `check` and `token`: getting from nothing to a store that is watched.

use std::{
    fs::{self, File, OpenOptions, TryLockError},
    io::{ErrorKind, Write as _, stdout},
    net::{Ipv4Addr, SocketAddr, TcpListener},
    path::Path,
    time::Duration,
};

use tokio::io::AsyncReadExt;

use super::{Failure, Outcome, access, configuration, lock_of, run::runtime, told};
use crate::{
    config::{Config, EXAMPLE},
    intake::{
        decode::{Decoded, json, line, table},
        file_tail::{self, Format},
        hex,
        serial::{self, Lines},
        sha256_hex,
    },
    watch::SensorName,
};

/// How long a serial port is listened to.
const LISTEN: Duration = Duration::from_secs(5);
/// Bytes of a file that are tried.
const TRIED: usize = 64 * 1024;

/// `overwinter init`: never over an existing file.
pub fn init(path: &Path) -> Outcome {
    let opened = OpenOptions::new().write(true).create_new(true).open(path);
    match opened {
        Ok(mut file) => {
            file.write_all(EXAMPLE.as_bytes())?;
            tell!(
                "Wrote `{0}`. Name your rooms and sensors in it, then:\n  overwinter check --config {0}\n  overwinter run --config {0}",
                path.display()
            );
            Ok(())
        }
        Err(e) if e.kind() == ErrorKind::AlreadyExists => Err(Failure::input(
            format!("`{}` is there already and stays as it is", path.display()),
            "give another name: overwinter init FILE",
        )),
        Err(e) => Err(Failure::input(
            format!("cannot write `{}`: {e}", path.display()),
            "",
        )),
    }
}

/// `overwinter token`: the token once, and what to put into the configuration.
pub fn token(name: &str) -> Outcome {
    let name = SensorName::new(name).map_err(|e| Failure::input(e.to_string(), ""))?;
    let token = new_token()?;
    if name.as_str() == "feed" {
        writeln!(
            stdout(),
            "# Give this address to the feed reader, with your own store in front; the key is not kept:\n#   /feeds/alerts.atom?key={token}\n[alerts]\nfeed_token_sha256 = \"{}\"",
            sha256_hex(&token)
        )?;
        return Ok(());
    }
    // Lost on the way it could not be shown again, so a failed write is told.
    writeln!(
        stdout(),
        "# Give this token to the gateway; it is not kept and cannot be shown again:\n#   {token}\n[[http]]\nname = \"{name}\"\ntoken_sha256 = \"{}\"",
        sha256_hex(&token)
    )?;
    Ok(())
}

/// 256 random bits in hexadecimal.
pub fn new_token() -> Result<String, Failure> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes).map_err(|e| anyhow::anyhow!("no random numbers: {e}"))?;
    Ok(hex(&bytes))
}

/// `overwinter check`: every fault, then every source once; with `send` a test by every channel.
pub fn check(path: &Path, send: bool) -> Outcome {
    let config = configuration(path)?;
    say!(
        "configuration: rooms {}, sensors {}, sources {}",
        config.watch.rooms.len(),
        config.watch.sensors.len(),
        config.files.len() + config.gateways.len() + config.serials.len()
    );
    for warning in &config.warnings {
        say!(
            "warning: {}:{}: {}",
            path.display(),
            warning.line,
            warning.what
        );
    }
    let mut faults = 0;
    let mut tell = |name: &str, result: Result<String, String>| match result {
        Ok(what) => say!("{name}: {what}"),
        Err(what) => {
            faults += 1;
            say!("{name}: FAULT: {what}");
        }
    };
    tell("database", database(&config));
    tell("pages", pages(&config));
    tell("passphrase", access::look_at_passphrase(&config));
    tell("phones", access::look_at_address(&config));
    if let Some(result) = access::look_at_certificate(&config) {
        tell("certificate", result);
    }
    tell("told", told::look_at_contacts(&config));
    for channel in &config.channels {
        let result = if send {
            runtime()?.block_on(told::send_test(&config, channel))
        } else {
            Ok(told::describe(channel).to_owned())
        };
        tell(channel.name.as_str(), result);
    }
    for file in &config.files {
        tell(file.source.as_str(), try_file(file, &config));
    }
    for gateway in &config.gateways {
        let what = format!(
            "waits for posts to {}://{}/api/readings with its token",
            access::names(&config).scheme(),
            here(config.listen)
        );
        tell(gateway.source.as_str(), Ok(what));
    }
    for port in &config.serials {
        let tried = runtime()?.block_on(try_serial(port, &config));
        tell(port.source.as_str(), tried);
    }
    if faults == 0 {
        say!("all well");
        return Ok(());
    }
    Err(Failure::input(
        format!("{faults} of these did not work"),
        "mend them and check again; `overwinter run` runs all the same and keeps trying",
    ))
}

fn database(config: &Config) -> Result<String, String> {
    let path = &config.database;
    let folder = path.parent().unwrap_or(Path::new("."));
    match fs::metadata(path) {
        Ok(meta) => Ok(format!("{} ({} bytes)", path.display(), meta.len())),
        Err(_) if folder.is_dir() => Ok(format!("{} will be made", path.display())),
        Err(_) => Err(format!(
            "the folder {} is not there; make it",
            folder.display()
        )),
    }
}

/// What this computer's own browser can open: every address is listened on, none is named so.
fn here(mut listen: SocketAddr) -> SocketAddr {
    if listen.ip().is_unspecified() {
        listen.set_ip(Ipv4Addr::LOCALHOST.into());
    }
    listen
}

fn pages(config: &Config) -> Result<String, String> {
    let listen = config.listen;
    let scheme = access::names(config).scheme();
    match TcpListener::bind(listen) {
        Ok(_) => Ok(format!("{scheme}://{}/", here(listen))),
        Err(e) if e.kind() == ErrorKind::AddrInUse && running(&config.database) => Ok(format!(
            "{scheme}://{}/, overwinter is running; stop it and start it again to put changes into force",
            here(listen)
        )),
        Err(e) => Err(format!(
            "cannot listen on {listen}: {e}; another program has it, or overwinter runs on another database: give another port with `listen`"
        )),
    }
}

/// Whether a daemon holds the lock of a database; makes nothing.
fn running(database: &Path) -> bool {
    File::open(lock_of(database))
        .is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

fn known(decoded: &Decoded, config: &Config) -> Result<String, String> {
    let unknown = decoded
        .heard
        .iter()
        .find(|h| !config.watch.sensors.iter().any(|s| s.name == h.sensor));
    if let Some(h) = unknown {
        return Err(format!(
            "line {}: sensor `{}` is not in the configuration; add a [[sensor]] with that name",
            h.line, h.sensor
        ));
    }
    let understood = decoded.heard.len();
    match decoded.refused.first() {
        Some(first) if understood == 0 => Err(format!("line {}: {}", first.line, first.reason)),
        Some(first) => Ok(format!(
            "lines understood: {understood}, refused: {}, the first at line {}: {}",
            decoded.refused.len(),
            first.line,
            first.reason
        )),
        None => Ok(format!("lines understood: {understood}")),
    }
}

fn try_file(file: &file_tail::Settings, config: &Config) -> Result<String, String> {
    let path = file.path.display();
    let mut text = match fs::read(&file.path) {
        Ok(text) => text,
        Err(e) if e.kind() == ErrorKind::NotFound => {
            return Ok(format!("{path} is not there yet; it will be waited for"));
        }
        Err(e) => return Err(format!("{path}: {e}; look at its owner and rights")),
    };
    text.truncate(TRIED);
    // What follows the last line end is not complete.
    text.truncate(text.iter().rposition(|&b| b == b'\n').map_or(0, |e| e + 1));
    if text.is_empty() {
        return Ok(format!("{path} has no complete line yet"));
    }
    let decoded = match &file.format {
        Format::Csv(shape) => table::body(&text, shape).map_err(|e| format!("{path}: {e}"))?,
        Format::JsonLines { sensor } => json::lines(&text, 1, sensor.as_ref()),
    };
    known(&decoded, config)
        .map(|w| format!("{path}: {w}"))
        .map_err(|w| format!("{path}: {w}"))
}

async fn try_serial(settings: &serial::Settings, config: &Config) -> Result<String, String> {
    let name = &settings.port;
    let mut port = serial::open(settings).map_err(|e| {
        format!("{name} cannot be opened: {e}; is it plugged in, and may this user use it?")
    })?;
    let mut lines = Lines::default();
    let mut decoded = Decoded::default();
    let listening = async {
        let mut bytes = [0; 1024];
        while decoded.heard.is_empty() {
            match port.read(&mut bytes).await {
                Ok(0) | Err(_) => return,
                Ok(length) => {
                    for l in lines.push(&bytes[..length]) {
                        let heard = line::decode(&l.text, l.number, &settings.shape);
                        decoded.push(l.number, &l.text, heard);
                    }
                }
            }
        }
    };
    let _ = tokio::time::timeout(LISTEN, listening).await;
    if decoded.heard.is_empty() && decoded.refused.is_empty() {
        return Ok(format!(
            "{name} is open; nothing was said in {} s",
            LISTEN.as_secs()
        ));
    }
    known(&decoded, config)
        .map(|w| format!("{name}: {w}"))
        .map_err(|w| format!("{name}: {w}"))
}
