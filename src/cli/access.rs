//! `passphrase` and `pair`: who may open the pages, said at the computer itself. Both work while the
//! daemon runs, which looks into the same tables.

use std::{
    env,
    io::{BufRead as _, IsTerminal as _, Read as _, Write as _, stderr, stdin, stdout},
    net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket},
    path::Path,
};

use anyhow::Context as _;
use chrono::{DateTime, Utc};
use nix::{
    sys::termios::{LocalFlags, SetArg, Termios, tcgetattr, tcsetattr},
    unistd::gethostname,
};

use super::{Failure, Outcome, configuration, run::runtime};
use crate::{
    clock::Clock,
    config::Config,
    notify::words::Manner as Words,
    store::{
        Store,
        access::{LINK_MS, passphrase_is_set},
    },
    watch::Stamp,
    web::{
        access::{
            devices::LINK_PATH,
            passphrase,
            qr::{Manner, Symbol},
        },
        names::Names,
    },
};

/// Who it was, for the record.
pub(super) const WHO: &str = "the command line";
/// Bytes of a line that is read; the longest passphrase takes 512.
const LINE: u64 = 4096;
/// A certificate that ends sooner than this is worth a word, in milliseconds (two weeks).
const SOON_MS: i64 = 14 * 24 * 3_600_000;

/// `overwinter passphrase`. The old one is not asked for: who may write the database needs none.
pub fn passphrase(path: &Path) -> Outcome {
    let config = configuration(path)?;
    let chosen = if stdin().is_terminal() {
        tell!(
            "A passphrase for the pages of {}: at least {} characters; {} or more are better, such as four words that do not belong together.",
            config.site,
            passphrase::SHORTEST,
            passphrase::ADVISED
        );
        let chosen = unseen("Passphrase: ")?;
        passphrase::fit(&chosen, &config.site).map_err(not_taken)?;
        if unseen("The same again: ")? != chosen {
            return Err(not_taken(passphrase::Weak::Differs));
        }
        chosen
    } else {
        let chosen = line()?;
        passphrase::fit(&chosen, &config.site).map_err(not_taken)?;
        chosen
    };
    let hash = passphrase::hash(&chosen)?;
    let (changed, ended) = runtime()?.block_on(async {
        let store = open(&config).await?;
        let mut tx = store.begin().await?;
        let changed = tx.passphrase().await?.is_some();
        let ended = tx
            .change_passphrase(&hash, Clock::machine().now(), WHO)
            .await?;
        tx.commit().await?;
        store.close().await;
        Ok::<_, Failure>((changed, ended))
    })?;
    if changed {
        match ended {
            0 => tell!("The passphrase is changed. No device was signed in."),
            1 => tell!("The passphrase is changed. 1 device was signed out and must sign in anew."),
            n => tell!(
                "The passphrase is changed. {n} devices were signed out and must sign in anew."
            ),
        }
    } else {
        tell!("The passphrase is set. From now on every page asks for it, on this computer too.");
    }
    Ok(())
}

fn not_taken(weak: passphrase::Weak) -> Failure {
    Failure::input(
        format!("not taken: {weak}"),
        "any characters will do; nothing was changed",
    )
}

/// One line of standard input without its end.
fn line() -> Result<String, Failure> {
    let mut text = String::new();
    let read = stdin().lock().take(LINE).read_line(&mut text);
    read.map_err(|e| Failure::input(format!("cannot read the passphrase: {e}"), ""))?;
    let text = text.strip_suffix('\n').unwrap_or(&text);
    Ok(text.strip_suffix('\r').unwrap_or(text).to_owned())
}

/// Gives the terminal back as it was.
struct Echo(Termios);

impl Drop for Echo {
    fn drop(&mut self) {
        let _ = tcsetattr(stdin(), SetArg::TCSAFLUSH, &self.0);
    }
}

/// One line from the terminal that is not shown while it is typed.
fn unseen(prompt: &str) -> Result<String, Failure> {
    let before = tcgetattr(stdin()).context("the terminal does not answer")?;
    let mut mode = before.clone();
    mode.local_flags.remove(LocalFlags::ECHO);
    mode.local_flags.insert(LocalFlags::ECHONL);
    let back = Echo(before);
    tcsetattr(stdin(), SetArg::TCSAFLUSH, &mode).context("the terminal shows what is typed")?;
    // Asked only now: what is typed as soon as it is seen is not shown.
    let _ = write!(stderr(), "{prompt}");
    let _ = stderr().flush();
    let text = line();
    drop(back);
    text
}

async fn open(config: &Config) -> Result<Store, Failure> {
    let store = Store::open(&config.database).await;
    Ok(store.with_context(|| format!("cannot open `{}`", config.database.display()))?)
}

/// The names the pages answer to; this computer's own among them.
pub fn names(config: &Config) -> Names {
    Names {
        beyond: !config.listen.ip().is_loopback(),
        tls: config.reach.tls.is_some(),
        own: gethostname().ok().and_then(|name| name.into_string().ok()),
        named: config.reach.names.clone(),
        address: config.address.clone(),
    }
}

/// Where phones find what is served at `bound`: every address is none in particular, so the one is
/// taken from which others are reached.
pub fn served(bound: SocketAddr) -> SocketAddr {
    if !bound.ip().is_unspecified() {
        return bound;
    }
    // An address for documentation (RFC 5737): no packet is sent by connecting.
    let own = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).and_then(|socket| {
        socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9))?;
        socket.local_addr()
    });
    let ip = own.map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |own| own.ip());
    SocketAddr::new(ip, bound.port())
}

fn base(config: &Config) -> String {
    names(config).base(None, served(config.listen))
}

/// `overwinter pair`: a one-time link and its QR code.
pub fn pair(path: &Path) -> Outcome {
    let config = configuration(path)?;
    let no_passphrase = || {
        Failure::input(
            "no passphrase is set, so there is nothing to sign in to",
            "set one first: overwinter passphrase",
        )
    };
    let set = runtime()?.block_on(passphrase_is_set(&config.database));
    if !set.with_context(|| format!("cannot open `{}`", config.database.display()))? {
        return Err(no_passphrase());
    }
    let token = passphrase::token::<16>()?;
    let now = Clock::machine().now();
    runtime()?.block_on(async {
        let store = open(&config).await?;
        let mut tx = store.begin().await?;
        tx.make_link(&passphrase::digest(&token), now, WHO).await?;
        tx.commit().await?;
        store.close().await;
        Ok::<_, Failure>(())
    })?;
    let address = format!("{}{LINK_PATH}{token}", base(&config));
    let symbol = Symbol::of(&address).map(|s| s.text(manner()));
    // Lost on the way it could not be shown again, so a failed write is told.
    writeln!(stdout(), "{}{address}", symbol.unwrap_or_default())?;
    let words = Words {
        zone: config.zone,
        unit: config.unit,
    };
    tell!(
        "Signs in one phone, once, until {}. Show it to nobody else; an earlier link holds no longer.",
        words.clock(now.plus(LINK_MS))
    );
    if config.listen.ip().is_loopback() && config.address.is_none() {
        tell!(
            "The pages are served on this computer only, so a phone cannot open it yet: set `listen` in the configuration."
        );
    }
    Ok(())
}

/// Blocks where the terminal writes UTF-8 (POSIX: the first of these that is set), colours where
/// there is a terminal.
fn manner() -> Manner {
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"]
        .into_iter()
        .filter_map(|name| env::var(name).ok())
        .find(|value| !value.is_empty())
        .unwrap_or_default()
        .to_ascii_uppercase();
    if !locale.contains("UTF-8") && !locale.contains("UTF8") {
        Manner::Ascii
    } else if stdout().is_terminal() {
        Manner::Blocks
    } else {
        Manner::BlocksPlain
    }
}

/// For `check`: whether the pages can be opened, and by whom.
pub fn look_at_passphrase(config: &Config) -> Result<String, String> {
    let runtime = runtime().map_err(|_| "no thread could be started".to_owned())?;
    let set = runtime.block_on(passphrase_is_set(&config.database));
    let here = config.listen.ip().is_loopback();
    match set {
        Ok(true) => Ok("is set".to_owned()),
        Ok(false) if here => Ok("none is set; the pages open on this computer only".to_owned()),
        Ok(false) => Err(format!(
            "none is set, and `listen` is {}: run `overwinter passphrase`",
            config.listen
        )),
        Err(fault) => Err(format!("{fault}")),
    }
}

/// For `check`: where phones find the pages.
pub fn look_at_address(config: &Config) -> Result<String, String> {
    if config.listen.ip().is_loopback() && config.address.is_none() {
        return Ok("no phone can reach the pages; `listen` is this computer only".to_owned());
    }
    let plain = if config.reach.tls.is_none() && !base(config).starts_with("https:") {
        ", not encrypted"
    } else {
        ""
    };
    Ok(format!("{}/{plain}", base(config)))
}

/// For `check`: whether the certificate can be used and until when; `None` without one.
pub fn look_at_certificate(config: &Config) -> Option<Result<String, String>> {
    let files = config.reach.tls.as_ref()?;
    let now = Clock::machine().now();
    Some(match files.load() {
        Err(fault) => Err(fault.to_string()),
        Ok(loaded) => until(loaded.ends, now).map(|until| format!("can be used{until}")),
    })
}

fn until(ends: Option<Stamp>, now: Stamp) -> Result<String, String> {
    let Some(end) = ends else {
        return Ok("; it does not say when it ends".to_owned());
    };
    let day = DateTime::<Utc>::from_timestamp_millis(end.0).map_or_else(
        || "a day that is none".to_owned(),
        |end| end.format("%Y-%m-%d").to_string(),
    );
    match end.since(now) {
        over if over <= 0 => Err(format!(
            "it ended on {day}; browsers refuse it: get a new one"
        )),
        left if left < SOON_MS => Ok(format!("; it ends soon, on {day}: get a new one in time")),
        _ => Ok(format!(" until {day}")),
    }
}

/// Prints how the first passphrase can be set from a browser.
pub fn offer(base: &str, code: &str) {
    tell!(
        "No passphrase is set, so only this computer can open the pages. To open them from a phone, set one:\n  overwinter passphrase\nor open {base}/welcome within an hour and give this set-up code: {code}"
    );
}

/// The words for a daemon that would be open to everyone.
pub fn refuse_open(listen: SocketAddr) -> Failure {
    Failure::input(
        format!("`listen` is {listen}, which others can reach, and no passphrase is set"),
        "set one: overwinter passphrase",
    )
}
