//! Arguments → command → exit code.

mod replay_command;

use anyhow::Context;
use clap::{Args, Parser, Subcommand};
use deltaward::config::{self, Config};
use deltaward::fhir::Instant;
use deltaward::pipeline::check::check;
use deltaward::pipeline::rules::Which;
use deltaward::pipeline::{self, Clock, demo, run, service, telemetry};
use deltaward::rules::approval::one_line;
use deltaward::rules::{Sheet, show};
use deltaward::store::SqliteStore;
use replay_command::{Failed, ReplayArgs, replay};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

/// A step makes many small allocations; with this allocator it takes about a tenth less time than
/// with glibc's (69 µs against 77 µs in one comparison of `cargo bench --bench core -- step`).
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// EX_USAGE of sysexits.h: the command was used wrongly.
const USAGE: u8 = 64;

/// Limb compartment pressures and blood pressures from FHIR R4 into delta-pressure alerts.
///
/// Decision support: local protocol and licensed practice decide.
#[derive(Parser)]
#[command(name = "deltaward", version, arg_required_else_help = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Show an invented ward at night: one command, no configuration.
    #[command(after_help = "Example: deltaward demo --pace 20\n         deltaward demo --until-end")]
    Demo(DemoArgs),
    /// Run the service; without --config self-contained on 127.0.0.1:8080 with ./deltaward.db.
    #[command(after_help = "Example: deltaward run --config deltaward.toml")]
    Run(ConfigArgs),
    /// What a rule sheet would have said on old data: a report for a committee, or figures to check.
    #[command(
        after_help = "Examples: deltaward replay export/ --labels outcomes.csv --sweep delta_threshold=10..45:5\n          deltaward replay 'export/*.ndjson.gz' --rules ours.toml --against new.toml\n          deltaward replay observations.ndjson --summary"
    )]
    Replay(Box<ReplayArgs>),
    /// Show, check, export or approve a rule sheet.
    #[command(subcommand, after_help = "Example: deltaward rules check my-sheet.toml")]
    Rules(RulesCommand),
    /// Check or copy the store.
    #[command(
        subcommand,
        after_help = "Examples: deltaward store check --config deltaward.toml\n          deltaward store backup night.db --config deltaward.toml"
    )]
    Store(StoreCommand),
    /// Check a configuration file without starting anything.
    #[command(subcommand, after_help = "Example: deltaward config check --config deltaward.toml")]
    Config(ConfigCommand),
}

#[derive(Args)]
struct DemoArgs {
    /// Where the page is.
    #[arg(long, default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    /// Real seconds for one hour of the ward; smaller is faster.
    #[arg(long, default_value_t = 60.0, value_parser = positive)]
    pace: f64,
    /// Run the whole script without waiting, print each event in one line, and end.
    #[arg(long)]
    until_end: bool,
}

#[derive(Args)]
struct ConfigArgs {
    /// The configuration (TOML).
    #[arg(long)]
    config: Option<PathBuf>,
}

#[derive(Subcommand)]
enum RulesCommand {
    /// Print a sheet as a document for a committee; the built-in adult sheet without FILE.
    #[command(
        after_help = "Examples: deltaward rules show my-sheet.toml --format html > my-sheet.html\n          deltaward rules show --child --source > child.toml"
    )]
    Show {
        #[command(flatten)]
        which: WhichSheet,
        /// How it looks.
        #[arg(long, value_enum, default_value_t = Format::Text)]
        format: Format,
        /// Print the sheet itself (TOML), to be saved, changed and approved.
        #[arg(long, conflicts_with = "format")]
        source: bool,
    },
    /// Check a sheet (overlaps, gaps, sources) and run every example in it.
    #[command(after_help = "Example: deltaward rules check my-sheet.toml")]
    Check(WhichSheet),
    /// Write a sheet as FHIR R4 PlanDefinition and Library (which carries the sheet itself).
    #[command(after_help = "Example: deltaward rules export my-sheet.toml --out fhir/")]
    Export {
        /// A rule sheet (TOML), or: built-in.
        sheet: PathBuf,
        /// Of the built-in sheets the children's.
        #[arg(long)]
        child: bool,
        /// An existing folder for the files.
        #[arg(long, default_value = ".")]
        out: PathBuf,
    },
    /// Record, beside FILE, that somebody answers for exactly this text. A sheet that fails its
    /// check cannot be approved; earlier approvals are kept.
    #[command(
        after_help = "Example: deltaward rules approve my-sheet.toml --by \"Trauma committee, chair\" --note \"Meeting 12, item 3\""
    )]
    Approve {
        /// A rule sheet (TOML).
        file: PathBuf,
        /// In which role: never a person's name; the record is copied and shown.
        #[arg(long, value_name = "ROLE", value_parser = one_line)]
        by: String,
        /// What the approval rests on, in one line.
        #[arg(long, value_name = "TEXT", value_parser = one_line)]
        note: String,
    },
}

#[derive(Args)]
struct WhichSheet {
    /// A rule sheet (TOML); the built-in adult sheet without.
    file: Option<PathBuf>,
    /// The built-in children's sheet.
    #[arg(long, conflicts_with = "file")]
    child: bool,
}

impl WhichSheet {
    fn which(self) -> Which {
        Which::of(self.file, self.child)
    }
}

#[derive(Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// Plain text, at most 100 columns.
    Text,
    /// One HTML file, made to be printed.
    Html,
}

#[derive(Subcommand)]
enum ConfigCommand {
    /// Read the file, check every value, the rule sheet and the mapping that it names.
    #[command(after_help = "Example: deltaward config check --config deltaward.toml")]
    Check(ConfigArgs),
}

#[derive(Subcommand)]
enum StoreCommand {
    /// Check every page of the store, then recompute every patient from the stored inputs and print
    /// each difference from what stands. Changes nothing. Ends with 0 when there is none, else 1.
    ///
    /// The service must not run meanwhile: stop it, or check a copy. Differences name patients.
    #[command(
        after_help = "Example: deltaward store backup copy.db --config deltaward.toml\n         deltaward store check --config deltaward.toml --store copy.db"
    )]
    Check(WhichStore),
    /// Copy the store as of this moment to the new file FILE, also while the service runs.
    #[command(after_help = "Example: deltaward store backup night.db --config deltaward.toml")]
    Backup {
        /// The copy; never written over an existing file.
        file: PathBuf,
        #[command(flatten)]
        which: WhichStore,
    },
}

#[derive(Args)]
struct WhichStore {
    /// The configuration of the service (TOML): its store, rule sheets and mapping.
    #[arg(long)]
    config: Option<PathBuf>,
    /// This store instead of the configured one (./deltaward.db without a configuration).
    #[arg(long, value_name = "FILE")]
    store: Option<PathBuf>,
}

fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(seconds) if seconds > 0.0 && seconds.is_finite() => Ok(seconds),
        _ => Err(String::from("give a number of seconds above 0")),
    }
}

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version go to standard output and are no fault.
            let code = if error.use_stderr() { USAGE } else { 0 };
            if error.print().is_err() {
                return ExitCode::from(USAGE);
            }
            return ExitCode::from(code);
        }
    };
    match command(cli.command) {
        Ok(code) => code,
        Err(error) => {
            eprintln!("deltaward: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn command(command: Command) -> anyhow::Result<ExitCode> {
    match command {
        Command::Demo(args) => {
            if !args.listen.ip().is_loopback() {
                return Ok(refuse(
                    &"the demo listens on this machine only; give --listen 127.0.0.1:PORT",
                ));
            }
            let quiet = config::TelemetryConfig {
                level: String::from("warn"),
                ..Config::default().telemetry
            };
            telemetry::start(&quiet)?;
            let options = demo::Options {
                listen: args.listen,
                pace_seconds: args.pace,
                until_end: args.until_end,
            };
            runtime()?.block_on(demo::demo(options))?;
            Ok(ExitCode::SUCCESS)
        }
        Command::Run(args) => {
            let config = match read_config(args.config.as_deref()) {
                Ok(config) => config,
                Err(error) => return Ok(refuse(&error)),
            };
            if let Err(error) = service::check(&config) {
                return Ok(refuse(&format!("{error:#}")));
            }
            telemetry::start(&config.telemetry)?;
            runtime()?.block_on(run::run(config, system_clock()))?;
            Ok(ExitCode::SUCCESS)
        }
        Command::Replay(args) => match replay(*args, system_clock()()) {
            Ok(()) => Ok(ExitCode::SUCCESS),
            Err(Failed::Usage(error)) => Ok(refuse(&format!("{error:#}"))),
            Err(Failed::Work(error)) => Err(error),
        },
        Command::Rules(command) => rules(command),
        Command::Store(command) => store(command),
        Command::Config(ConfigCommand::Check(args)) => match read_config(args.config.as_deref()) {
            Ok(config) => {
                let sheets = match service::check(&config) {
                    Ok(sheets) => sheets,
                    Err(error) => return Ok(refuse(&format!("{error:#}"))),
                };
                println!("{}", config.mode_words());
                for line in pipeline::sheets::lines(&sheets) {
                    println!("{line}");
                }
                for warning in config.warnings() {
                    println!("warning: {warning}");
                }
                println!("the configuration can be used");
                Ok(ExitCode::SUCCESS)
            }
            Err(error) => Ok(refuse(&error)),
        },
    }
}

fn refuse(error: &dyn std::fmt::Display) -> ExitCode {
    eprintln!("deltaward: {error}");
    ExitCode::from(USAGE)
}

fn read_config(path: Option<&Path>) -> Result<Config, config::ConfigError> {
    match path {
        Some(path) => config::load(path, &|name| std::env::var(name).ok()),
        // The environment counts without a file too.
        None => config::from_text("", "no file", &|name| std::env::var(name).ok()),
    }
}

fn rules(command: RulesCommand) -> anyhow::Result<ExitCode> {
    match command {
        RulesCommand::Show {
            which, source: true, ..
        } => print!("{}", which.which().text()?),
        RulesCommand::Show { which, format, .. } => {
            let sheet = which.which().sheet()?;
            match format {
                Format::Text => print!("{}", show::text(&sheet)),
                Format::Html => print!("{}", show::html(&sheet)),
            }
        }
        RulesCommand::Check(which) => return check_rules(&which.which().sheet()?),
        RulesCommand::Export { sheet, child, out } => {
            let file = (sheet.as_os_str() != "built-in").then_some(sheet);
            if file.is_some() && child {
                return Ok(refuse(
                    &"--child is for the built-in sheets: give a file, or built-in --child",
                ));
            }
            for path in pipeline::rules::write_resources(&Which::of(file, child), &out)? {
                println!("{}", path.display());
            }
        }
        RulesCommand::Approve { file, by, note } => {
            let (approval, record) = pipeline::rules::approve(&file, &by, &note, system_clock()())?;
            println!(
                "{} {} · SHA-256 {} · approved {}\nrecorded in {}",
                approval.sheet,
                approval.version,
                approval.sha256,
                approval.words(),
                record.display()
            );
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn store(command: StoreCommand) -> anyhow::Result<ExitCode> {
    let (StoreCommand::Check(which) | StoreCommand::Backup { which, .. }) = &command;
    let config = match read_config(which.config.as_deref()) {
        Ok(config) => config,
        Err(error) => return Ok(refuse(&error)),
    };
    let path = which.store.clone().unwrap_or_else(|| config.store.path.clone());
    if let StoreCommand::Backup { file, .. } = command {
        let bytes = deltaward::store::sqlite::backup(&path, &file)?;
        println!("{}: {bytes} bytes, a copy of {}", file.display(), path.display());
        return Ok(ExitCode::SUCCESS);
    }
    let settings = match service::settings(&config) {
        Ok(settings) => settings,
        Err(error) => return Ok(refuse(&format!("{error:#}"))),
    };
    let store = SqliteStore::open_to_read(&path).context(
        "the store is not checked (while the service runs, check a copy: deltaward store backup copy.db, then \
         deltaward store check --store copy.db)",
    )?;
    store.sound()?;
    let mut differences = 0;
    let looked = check(&store, &settings, system_clock()(), &mut |difference| {
        differences += 1;
        println!("{difference}");
    })?;
    println!(
        "{}: {} patients, {} inputs, {} derived Observations, {} open concerns · {differences} differences",
        path.display(),
        looked.patients,
        looked.inputs,
        looked.standing,
        looked.open
    );
    Ok(match differences {
        0 => ExitCode::SUCCESS,
        _ => ExitCode::FAILURE,
    })
}

fn check_rules(sheet: &Sheet) -> anyhow::Result<ExitCode> {
    let failures = deltaward::patient::examples::failures(sheet);
    for failure in &failures {
        println!("{failure}");
    }
    for note in deltaward::rules::notes::notes(sheet) {
        println!("note: {note}");
    }
    let examples: usize = sheet.rules.iter().map(|rule| rule.examples.len()).sum();
    println!(
        "{} {} · SHA-256 {} · {} rules, {examples} examples, {} failed · {}",
        sheet.id,
        sheet.version,
        sheet.hash,
        sheet.rules.len(),
        failures.len(),
        sheet.record.words()
    );
    Ok(if failures.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

fn runtime() -> std::io::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build()
}

/// The one place where the service reads the time.
fn system_clock() -> Clock {
    Arc::new(|| Instant::from_millis(jiff::Timestamp::now().as_millisecond()))
}
