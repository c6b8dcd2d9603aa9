//! `deltaward replay`: arguments → what is read, asked and written.

use anyhow::Context;
use clap::{Args, ValueEnum};
use deltaward::config::RulesConfig;
use deltaward::fhir::{Instant, datetime};
use deltaward::pipeline::{service, sheets};
use deltaward::recognise::{Mapping, READING_SYSTEM};
use deltaward::replay::cohort::{CohortSettings, Inputs, Order};
use deltaward::replay::input::{self, File, Terminal};
use deltaward::replay::study::{self, StudyOptions};
use deltaward::replay::summary::{self, Pairing};
use deltaward::replay::sweep::Sweep;
use deltaward::replay::{ReplayError, output};
use deltaward::rules::Sheets;
use serde_json::json;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Where the report goes when nothing else is asked for.
const REPORT: &str = "replay-report.html";

#[derive(Args)]
pub struct ReplayArgs {
    /// Files of NDJSON, folders, patterns, or - for standard input; .gz and .zst are unpacked.
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<String>,
    /// Print one JSON object that can be checked with any tool that joins tables by time; no rule sheet.
    #[arg(long, conflicts_with_all = ["rules", "child_rules", "against", "against_child", "arrival", "labels", "sweep", "html", "json", "pairs", "events"])]
    summary: bool,
    /// With --summary: how old a diastolic may be.
    #[arg(long, value_name = "MINUTES", default_value_t = 60, requires = "summary")]
    before_minutes: u32,
    /// With --summary: how much later than the compartment pressure it may be.
    #[arg(long, value_name = "MINUTES", default_value_t = 0, requires = "summary")]
    after_minutes: u32,
    /// With --summary: which diastolic of those.
    #[arg(long, value_enum, default_value_t = Pair::Latest, requires = "summary")]
    pair: Pair,
    /// A further code of a compartment pressure; may be given more than once.
    #[arg(long, value_name = "SYSTEM|CODE", value_parser = system_and_code)]
    compartment_code: Vec<(String, String)>,
    /// A folder of mapping files, as [mapping] folder of the configuration.
    #[arg(long, value_name = "FOLDER")]
    mapping: Option<PathBuf>,
    /// The view of a moment in the past: versions last updated later do not count.
    #[arg(long, value_name = "TIME", value_parser = moment)]
    as_of: Option<Instant>,
    /// The first line that cannot be read ends the replay.
    #[arg(long)]
    strict: bool,
    /// With --summary: how much of what is read may stay in memory; the rest goes to a temporary file.
    #[arg(long, value_name = "MIB", default_value_t = 32, requires = "summary")]
    memory_mib: u64,
    /// Threads; 0: as many as there are processors.
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = threads)]
    threads: usize,
    #[command(flatten)]
    judged: Judged,
}

/// What only the full replay knows.
#[derive(Args)]
struct Judged {
    /// The rule sheet for adults (TOML); the built-in one without.
    #[arg(long, value_name = "FILE")]
    rules: Option<PathBuf>,
    /// The rule sheet for children.
    #[arg(long, value_name = "FILE")]
    child_rules: Option<PathBuf>,
    /// Another sheet for adults, to be compared.
    #[arg(long, value_name = "FILE")]
    against: Option<PathBuf>,
    /// Another sheet for children, to be compared.
    #[arg(long, value_name = "FILE")]
    against_child: Option<PathBuf>,
    /// In the order of lastUpdated, late arrivals and corrections included, instead of as measured.
    #[arg(long)]
    arrival: bool,
    /// CSV of what became of whom: patient, outcome, and a time if there is one.
    #[arg(long, value_name = "FILE")]
    labels: Option<PathBuf>,
    /// One number of the sheet over a range: delta_threshold=10..45:5.
    #[arg(long, value_name = "NAME=FROM..TO:STEP", value_parser = sweep)]
    sweep: Option<Sweep>,
    /// The report; ./replay-report.html when nothing else is asked for.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// The figures as JSON; - is standard output.
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Every pairing as CSV.
    #[arg(long, value_name = "FILE")]
    pairs: Option<PathBuf>,
    /// Every message as CSV.
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// A base URL of the source: absolute references to it mean the same patient; may be repeated.
    #[arg(long, value_name = "URL", value_parser = base)]
    base: Vec<String>,
    /// Heading of the report.
    #[arg(long, value_name = "TEXT", default_value = "Replay")]
    title: String,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Pair {
    /// The latest.
    Latest,
    /// The nearest in time; of two as near the later.
    Nearest,
}

fn system_and_code(text: &str) -> Result<(String, String), String> {
    match text.split_once('|') {
        Some((system, code)) if !code.is_empty() => Ok((system.to_owned(), code.to_owned())),
        _ => Err(String::from(
            "give SYSTEM|CODE, for example https://hospital.example/codes|1234 (|1234 for a code without a system)",
        )),
    }
}

fn moment(text: &str) -> Result<Instant, String> {
    datetime::parse_instant(text)
        .map_err(|error| format!("{error}; give a FHIR instant, for example 2026-11-26T08:00:00+01:00"))
}

/// More only cost memory.
const THREADS_MAX: usize = 1024;

fn threads(text: &str) -> Result<usize, String> {
    let number = text.parse().ok().filter(|number| *number <= THREADS_MAX);
    number.ok_or_else(|| format!("give a number from 0 to {THREADS_MAX}"))
}

fn base(text: &str) -> Result<String, String> {
    let is_base = url::Url::parse(text).is_ok_and(|url| matches!(url.scheme(), "http" | "https") && url.has_host());
    match is_base {
        true => Ok(text.trim_end_matches('/').to_owned()),
        false => Err(String::from(
            "give the http or https address below which the source's references lie, as https://fhir.hospital.example/r4",
        )),
    }
}

fn sweep(text: &str) -> Result<Sweep, String> {
    Sweep::parse(text).map_err(|error| error.to_string())
}

/// Why a replay did not come to its end: the arguments, or what happened with what they name.
pub enum Failed {
    /// EX_USAGE.
    Usage(anyhow::Error),
    /// Anything else.
    Work(anyhow::Error),
}

/// Read, judge, write.
pub fn replay(args: ReplayArgs, now: Instant) -> Result<(), Failed> {
    let files = input::files(&args.paths).map_err(|error| Failed::Usage(error.into()))?;
    let mapping = mapping(&args).map_err(Failed::Usage)?;
    match args.summary {
        true => print_summary(&args, &files, &mapping),
        false => judged(args, &files, mapping, now),
    }
}

/// The built-in mapping, a folder's beside it, and the codes that were named, as far as they are new.
fn mapping(args: &ReplayArgs) -> anyhow::Result<Mapping> {
    let folder = args.mapping.as_deref();
    let mapping = service::mapping_of(folder, &[])?;
    let is_new = |(system, code): &&(String, String)| !mapping.is_compartment_code(system, code);
    let new: BTreeSet<_> = args.compartment_code.iter().filter(is_new).collect();
    if new.is_empty() {
        return Ok(mapping);
    }
    let group = |(system, code): &(String, String)| {
        json!({
            "source": system,
            "target": READING_SYSTEM,
            "element": [{"code": code, "target": [{"code": "compartment", "equivalence": "equivalent"}]}],
        })
    };
    let groups: Vec<_> = new.into_iter().map(group).collect();
    let map = json!({"resourceType": "ConceptMap", "status": "active", "group": groups});
    service::mapping_of(folder, &[(String::from("--compartment-code.json"), map.to_string())])
        .context("--compartment-code cannot be used beside the mapping")
}

/// Usage, or work that failed.
fn failed(error: ReplayError) -> Failed {
    match error.is_usage() {
        true => Failed::Usage(error.into()),
        false => Failed::Work(error.into()),
    }
}

fn print_summary(args: &ReplayArgs, files: &[File], mapping: &Mapping) -> Result<(), Failed> {
    let options = summary::Options {
        scan: input::Options {
            threads: args.threads,
            strict: args.strict,
        },
        before_minutes: args.before_minutes,
        after_minutes: args.after_minutes,
        pairing: match args.pair {
            Pair::Latest => Pairing::Latest,
            Pair::Nearest => Pairing::Nearest,
        },
        as_of: args.as_of,
        memory_bytes: args.memory_mib.saturating_mul(1 << 20),
    };
    let summary = summary::summary(files, mapping, &options, &Terminal::new(files)).map_err(failed)?;
    for sample in &summary.bad.samples {
        eprintln!(
            "{}: line {}, column {}: {}",
            sample.file, sample.line, sample.column, sample.what
        );
    }
    let text = serde_json::to_string_pretty(&summary).map_err(|error| Failed::Work(error.into()))?;
    output::print(&format!("{text}\n")).map_err(failed)
}

fn sheets_of(adult: Option<PathBuf>, child: Option<PathBuf>) -> anyhow::Result<Sheets> {
    sheets::in_force(&RulesConfig {
        sheet: adult,
        child_sheet: child,
    })
}

impl Judged {
    /// Files that are written, standard output aside.
    fn outputs(&self) -> Vec<&Path> {
        let all = [&self.html, &self.json, &self.pairs, &self.events];
        let files = all.into_iter().flatten().map(PathBuf::as_path);
        files.filter(|path| path.as_os_str() != "-").collect()
    }

    /// Files that are read, or belong to one that is, besides the record.
    fn settings(&self) -> Vec<PathBuf> {
        let sheets = [&self.rules, &self.child_rules, &self.against, &self.against_child];
        let sheets = sheets.into_iter().flatten();
        let approvals = sheets.clone().map(|sheet| sheets::record_path(sheet));
        approvals.chain(sheets.chain(&self.labels).cloned()).collect()
    }

    /// Only the figures as JSON go to standard output, and nothing is written over what is read.
    fn check_outputs(&self, files: &[File], mapping: Option<&Path>) -> Result<(), Failed> {
        for (option, path) in [
            ("--html", &self.html),
            ("--pairs", &self.pairs),
            ("--events", &self.events),
        ] {
            if path.as_deref().is_some_and(|path| path.as_os_str() == "-") {
                return Err(Failed::Usage(anyhow::anyhow!(
                    "{option} -: only --json goes to standard output; name a file"
                )));
            }
        }
        let record = files.iter().filter_map(|file| file.path.as_deref());
        let mut settings = self.settings();
        let folder = mapping.and_then(|folder| std::fs::read_dir(folder).ok());
        settings.extend(folder.into_iter().flatten().flatten().map(|entry| entry.path()));
        let inputs: Vec<&Path> = settings.iter().map(PathBuf::as_path).chain(record).collect();
        output::keep_apart(&self.outputs(), &inputs).map_err(failed)
    }
}

fn judged(args: ReplayArgs, files: &[File], mapping: Mapping, now: Instant) -> Result<(), Failed> {
    let mut asked = args.judged;
    if [&asked.html, &asked.json, &asked.pairs, &asked.events]
        .iter()
        .all(|path| path.is_none())
    {
        asked.html = Some(PathBuf::from(REPORT));
    }
    asked.check_outputs(files, args.mapping.as_deref())?;
    let written: Vec<String> = asked.outputs().iter().map(|path| path.display().to_string()).collect();
    // What is not given anew is compared with itself.
    let is_compared = asked.against.is_some() || asked.against_child.is_some();
    let against = is_compared.then(|| {
        let adult = asked.against.or_else(|| asked.rules.clone());
        let child = asked.against_child.or_else(|| asked.child_rules.clone());
        sheets_of(adult, child).context("--against")
    });
    let options = StudyOptions {
        sheets: sheets_of(asked.rules, asked.child_rules).map_err(Failed::Usage)?,
        against: against.transpose().map_err(Failed::Usage)?,
        order: if asked.arrival { Order::Arrived } else { Order::Taken },
        settings: CohortSettings {
            mapping: Arc::new(mapping),
            as_of: args.as_of,
            bases: asked.base,
            systolics: asked.arrival,
        },
        labels: asked.labels,
        sweep: asked.sweep,
        html: asked.html,
        json: asked.json,
        pairs: asked.pairs,
        events: asked.events,
        threads: args.threads,
        strict: args.strict,
        title: asked.title,
        made_at: now,
    };
    let study = study::run(options, files, &Terminal::new(files)).map_err(failed)?;
    eprintln!(
        "{} watched patients, {} messages; written: {}",
        study.burden.watched,
        study.burden.messages,
        if written.is_empty() {
            String::from("standard output")
        } else {
            written.join(", ")
        }
    );
    warn(&study.findings.inputs);
    if study.burden.watched == 0 {
        eprintln!(
            "no compartment pressure was found in {} lines: nothing could be judged; see that these are FHIR R4 Observations and that the mapping knows their codes (--compartment-code, --mapping)",
            study.findings.inputs.lines
        );
    }
    if let Some(judged) = &study.judged
        && judged.cells.all() == 0
    {
        eprintln!(
            "no label is of a watched patient: they are named in the labels as the record refers to them, Patient/123 or 123"
        );
    }
    Ok(())
}

/// What may have gone wrong without a fault.
fn warn(inputs: &Inputs) {
    if inputs.bad.count > 0 {
        eprintln!(
            "{} lines could not be read; the report and the figures name the first",
            inputs.bad.count
        );
    }
    if inputs.shared_ids > 0 {
        eprintln!(
            "{} ids stand for different patients: of each only the newest version counts; replay the files of different servers one by one",
            inputs.shared_ids
        );
    }
    if let Some(bundles) = inputs.by_type.get("Bundle") {
        eprintln!("{bundles} lines are Bundles, whose entries are not read; give each resource a line of its own");
    }
}
