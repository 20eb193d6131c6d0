//! The command line: data on standard output, messages on standard error, exit status 0 done, 1 your
//! input, 2 our fault.

/// A line on standard output. Who reads it may have gone, as after `| head`: that is no fault.
macro_rules! say {
    ($($text:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stdout(), $($text)*);
    }};
}

/// A line on standard error, where likewise nobody may be left.
macro_rules! tell {
    ($($text:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stderr(), $($text)*);
    }};
}

pub mod access;
pub mod air;
pub mod data;
pub mod demo;
mod handled;
pub mod labels;
pub mod replay;
pub mod run;
pub mod setup;
pub mod stock;
pub mod told;
pub mod vouch;
pub mod winter;

use std::{
    fs::{self, File, TryLockError},
    io::{IsTerminal, stderr},
    path::{Path, PathBuf},
    process::ExitCode,
};

use clap::{Args, Parser, Subcommand};
use tracing_subscriber::EnvFilter;

use crate::config::Config;

/// What went wrong, and whose turn it is.
#[derive(Debug)]
pub enum Failure {
    /// The user can mend it; ends with status 1. The second text is the way out.
    Input(String, String),
    /// Something of ours or of the machine; ends with status 2.
    Ours(anyhow::Error),
}

impl<E: Into<anyhow::Error>> From<E> for Failure {
    fn from(error: E) -> Self {
        Self::Ours(error.into())
    }
}

impl Failure {
    /// The user's turn, with the way out.
    pub fn input(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::Input(what.into(), hint.into())
    }
}

/// Bad rows of one file that are named; more would only scroll the first ones away.
const NAMED: usize = 100;

/// What a command comes to.
pub type Outcome = Result<(), Failure>;

#[derive(Parser)]
#[command(
    name = "overwinter",
    version,
    about = "Watches a tuber store from autumn to spring: readings in, alerts out, every crate accounted for",
    after_help = "A first look: overwinter demo\nIt advises; it never switches anything, and it is not a life-safety device."
)]
struct Cli {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Args, Clone)]
struct ConfigArg {
    /// The configuration file
    #[arg(long, short, value_name = "FILE", default_value = "overwinter.toml")]
    config: PathBuf,
}

#[derive(Subcommand)]
enum Verb {
    /// Watch the store: take readings, judge them, serve the pages
    Run(ConfigArg),
    /// The same over an invented store with pretend sensors, a day in a minute
    Demo(demo::Options),
    /// Write a complete configuration with comments
    Init {
        /// Where to write it
        #[arg(default_value = "overwinter.toml")]
        file: PathBuf,
    },
    /// Look through the configuration and try every source once
    Check {
        #[command(flatten)]
        config: ConfigArg,
        /// Send a test by every channel as well
        #[arg(long)]
        send: bool,
    },
    /// Bring in readings of the past, a list of crates or a ledger of the stock
    #[command(subcommand)]
    Import(data::Import),
    /// Write out what is stored
    #[command(subcommand)]
    Export(data::Export),
    /// Which alerts recorded readings would have raised
    Replay(replay::Options),
    /// Dew point, mould, drying, venting, water and heat for one temperature and humidity
    Air(Box<air::Options>),
    /// How a winter went: what the air did, what was lost, what was said and done; as text, data or tables
    Winter(Box<winter::Options>),
    /// Whether a copy of a winter is whole, and whether this store gave it out
    Vouch(vouch::Options),
    /// Labels for crates as a page to print, on standard output
    Labels(labels::Options),
    /// Set or change the passphrase of the pages; a change signs every device out
    Passphrase(ConfigArg),
    /// Print a link and a QR code that sign in one phone, once
    Pair(ConfigArg),
    /// Make a token for a gateway that posts readings, or the key of the feed of alerts
    Token {
        /// The name of the gateway, or `feed`
        name: String,
    },
}

/// Parses the arguments, does it, and tells how it ended.
pub fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are answers; everything else is a slip in the arguments.
            let _ = error.print();
            return ExitCode::from(u8::from(error.use_stderr()));
        }
    };
    let outcome = match cli.verb {
        Verb::Run(arg) => run::run(&arg.config),
        Verb::Demo(options) => demo::demo(&options),
        Verb::Init { file } => setup::init(&file),
        Verb::Check { config, send } => setup::check(&config.config, send),
        Verb::Import(what) => data::import(&what),
        Verb::Export(what) => data::export(&what),
        Verb::Replay(options) => replay::replay(&options),
        Verb::Air(options) => air::air(&options),
        Verb::Winter(options) => winter::winter(&options),
        Verb::Vouch(options) => vouch::vouch(&options),
        Verb::Labels(options) => labels::labels(&options),
        Verb::Passphrase(arg) => access::passphrase(&arg.config),
        Verb::Pair(arg) => access::pair(&arg.config),
        Verb::Token { name } => setup::token(&name),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(Failure::Input(what, hint)) => {
            tell!("error: {what}");
            if !hint.is_empty() {
                tell!("\nhint: {hint}");
            }
            ExitCode::from(1)
        }
        Err(Failure::Ours(error)) => {
            // Whoever reads our output has gone: nothing to tell, nobody to tell it to.
            if is_broken_pipe(&error) {
                return ExitCode::SUCCESS;
            }
            tell!("error: {error:#}");
            ExitCode::from(2)
        }
    }
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|e| {
        e.downcast_ref::<std::io::Error>()
            .is_some_and(|e| e.kind() == std::io::ErrorKind::BrokenPipe)
    })
}

/// Reads a configuration or tells every fault in it.
fn configuration(path: &Path) -> Result<Config, Failure> {
    let text = fs::read_to_string(path).map_err(|e| {
        Failure::input(
            format!("cannot read `{}`: {e}", path.display()),
            "`overwinter init` writes one; `--config FILE` names another",
        )
    })?;
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    Config::parse(&text, folder).map_err(|faults| {
        let lines: Vec<String> = faults
            .iter()
            .map(|f| format!("{}:{}: {}", path.display(), f.line, f.what))
            .collect();
        let n = faults.len();
        let s = if n == 1 { "" } else { "s" };
        Failure::input(
            format!("{n} fault{s} in the configuration\n{}", lines.join("\n")),
            "mend these and run `overwinter check`",
        )
    })
}

/// One process at a time may write readings; the lock goes with it.
fn lock(database: &Path) -> Result<File, Failure> {
    let file = File::create(lock_of(database)).map_err(|e| {
        Failure::input(
            format!("cannot write beside `{}`: {e}", database.display()),
            "look at the folder's owner and at `database` in the configuration",
        )
    })?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(Failure::input(
            format!("overwinter is already running on `{}`", database.display()),
            "stop it first; or, to bring in readings while it runs, post them to /api/readings or append them to a followed file",
        )),
        Err(TryLockError::Error(error)) => Err(error.into()),
    }
}

/// The file beside a database that is locked while it is in use.
fn lock_of(database: &Path) -> PathBuf {
    let mut name = database.as_os_str().to_owned();
    name.push(".lock");
    name.into()
}

fn log_to_stderr(default: &str) {
    let filter = EnvFilter::try_from_env("OVERWINTER_LOG").unwrap_or_else(|_| default.into());
    let colour = stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    // A second start in one process, as in tests, keeps the first.
    let _ = tracing_subscriber::fmt()
        .with_writer(stderr)
        .with_ansi(colour)
        .with_target(false)
        .with_env_filter(filter)
        .try_init();
}
