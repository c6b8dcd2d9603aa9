//! The hazard file (deploy/safety/hazards.toml): every control that it claims is shown by a test
//! that exists, runs, and is named there. Which integration tests exist this binary says itself;
//! unit tests are read from the sources as the compiler reads them, from the root along `mod` lines.

use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Fewer hazards than this is a file that was forgotten.
const FEWEST: usize = 16;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HazardFile {
    severity: BTreeMap<String, String>,
    likelihood: BTreeMap<String, String>,
    hazard: Vec<Hazard>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Hazard {
    id: String,
    title: String,
    hazard: String,
    cause: String,
    effect: String,
    control: String,
    site: String,
    residual: String,
    severity: String,
    likelihood: String,
    tests: Vec<String>,
}

/// The tests that exist: those that run, and those that are `#[ignore]`d.
#[derive(Default)]
struct Tests {
    run: BTreeSet<String>,
    ignored: BTreeSet<String>,
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn hazard_text() -> String {
    std::fs::read_to_string(root().join("deploy/safety/hazards.toml")).unwrap()
}

// ---- which tests exist -------------------------------------------------------------------------

/// What this binary says of itself.
fn listed(more: &[&str]) -> BTreeSet<String> {
    let output = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--list", "--format", "terse"])
        .args(more)
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let names = text.lines().filter_map(|line| line.strip_suffix(": test"));
    names.map(str::to_owned).collect()
}

impl Tests {
    /// Unit tests as `deltaward::module::tests::name`, from the sources; integration tests as this
    /// binary names them, those that a macro makes too.
    fn of_the_project() -> Self {
        let mut tests = Self::of_sources("src/lib.rs", vec![String::from("deltaward")]);
        let ignored = listed(&["--ignored"]);
        tests.run.extend(listed(&[]).difference(&ignored).cloned());
        tests.ignored.extend(ignored);
        tests
    }

    fn of_sources(root_file: &str, path: Vec<String>) -> Self {
        let mut tests = Self::default();
        tests.target(&root().join(root_file), path);
        tests
    }

    /// A root file, whose modules stand beside it.
    fn target(&mut self, file: &Path, path: Vec<String>) {
        let folder = file.parent().unwrap().to_path_buf();
        self.file(file, &folder, path);
    }

    /// `folder` is where the modules of this file are.
    fn file(&mut self, file: &Path, folder: &Path, path: Vec<String>) {
        let text = std::fs::read_to_string(file).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
        for module in self.text(&text, path) {
            match module.at {
                Some(at) => {
                    let file = file.parent().unwrap().join(at);
                    let folder = file.parent().unwrap().to_path_buf();
                    self.file(&file, &folder, module.path);
                }
                None => self.module(folder, &module.path),
            }
        }
    }

    fn module(&mut self, folder: &Path, path: &[String]) {
        let name = path.last().unwrap();
        let own = folder.join(name);
        let beside = folder.join(format!("{name}.rs"));
        let file: PathBuf = if beside.is_file() { beside } else { own.join("mod.rs") };
        self.file(&file, &own, path.to_vec());
    }

    /// The tests of one file, in rustfmt's form; what it declares with `mod name;` comes back.
    fn text(&mut self, text: &str, path: Vec<String>) -> Vec<Declared> {
        let mut declared = Vec::new();
        // Modules opened in this file, each with the line that closes it.
        let mut inside: Vec<(String, String)> = Vec::new();
        let (mut test, mut ignored, mut at) = (false, false, None);
        for line in text.lines() {
            let code = line.trim();
            if inside.last().is_some_and(|(_, end)| end == line) {
                inside.pop();
            } else if code.starts_with("#[") {
                test |= code == "#[test]" || code.starts_with("#[tokio::test");
                ignored |= code.starts_with("#[ignore");
                at = at.or(code.strip_prefix("#[path = \"").and_then(|rest| rest.split('"').next()));
            } else if let Some(module) = after(code, "mod ") {
                let name = module.trim_end_matches([';', '{', ' ']).to_owned();
                let here = |name: &str| [names(&path, &inside), vec![name.to_owned()]].concat();
                if module.ends_with(';') {
                    declared.push(Declared {
                        path: here(&name),
                        at: at.map(PathBuf::from),
                    });
                } else if module.ends_with('{') {
                    let indent = line.len() - line.trim_start().len();
                    inside.push((name, format!("{}}}", &line[..indent])));
                }
                (test, ignored, at) = (false, false, None);
            } else if let Some(function) = after(code, "fn ") {
                if test {
                    let name = function.split(['(', '<']).next().unwrap().to_owned();
                    let full = [names(&path, &inside), vec![name]].concat().join("::");
                    let set = if ignored { &mut self.ignored } else { &mut self.run };
                    set.insert(full);
                }
                (test, ignored, at) = (false, false, None);
            } else if !code.is_empty() && !code.starts_with("//") {
                (test, ignored, at) = (false, false, None);
            }
        }
        declared
    }
}

/// A module in a file of its own.
struct Declared {
    path: Vec<String>,
    at: Option<PathBuf>,
}

fn names(path: &[String], inside: &[(String, String)]) -> Vec<String> {
    let inner = inside.iter().map(|(name, _)| name.clone());
    path.iter().cloned().chain(inner).collect()
}

/// What follows `word` when only visibility and `async` stand before it.
fn after<'c>(code: &'c str, word: &str) -> Option<&'c str> {
    let mut rest = code;
    for before in ["pub ", "pub(crate) ", "pub(super) ", "async "] {
        rest = rest.strip_prefix(before).unwrap_or(rest);
    }
    rest.strip_prefix(word)
}

// ---- the check ---------------------------------------------------------------------------------

/// Everything that is wrong with the file, a line each.
fn faults(text: &str, tests: &Tests) -> Vec<String> {
    let file: HazardFile = match toml::from_str(text) {
        Ok(file) => file,
        Err(error) => return vec![error.to_string()],
    };
    let mut faults = Vec::new();
    if file.hazard.len() < FEWEST {
        faults.push(format!("{} hazards; at least {FEWEST} are known", file.hazard.len()));
    }
    for (word, meaning) in file.severity.iter().chain(&file.likelihood) {
        if meaning.trim().is_empty() {
            faults.push(format!("the scale's {word:?} has no meaning"));
        }
    }
    let mut seen = BTreeSet::new();
    for hazard in &file.hazard {
        let id = &hazard.id;
        if !seen.insert(id) {
            faults.push(format!("{id}: this id stands twice"));
        }
        faults.extend(hazard.empty_fields().map(|field| format!("{id}: {field} is empty")));
        if !file.severity.contains_key(&hazard.severity) {
            faults.push(format!("{id}: severity {:?} is not on the scale", hazard.severity));
        }
        if !file.likelihood.contains_key(&hazard.likelihood) {
            faults.push(format!("{id}: likelihood {:?} is not on the scale", hazard.likelihood));
        }
        faults.extend(hazard.test_faults(tests));
    }
    faults
}

impl Hazard {
    fn empty_fields(&self) -> impl Iterator<Item = &'static str> {
        let fields = [
            ("id", &self.id),
            ("title", &self.title),
            ("hazard", &self.hazard),
            ("cause", &self.cause),
            ("effect", &self.effect),
            ("control", &self.control),
            ("site", &self.site),
            ("residual", &self.residual),
        ];
        fields
            .into_iter()
            .filter_map(|(name, text)| text.trim().is_empty().then_some(name))
    }

    fn test_faults(&self, tests: &Tests) -> Vec<String> {
        let id = &self.id;
        let mut faults = Vec::new();
        if self.tests.is_empty() {
            faults.push(format!("{id}: tests is empty"));
        }
        let mut seen = BTreeSet::new();
        for name in &self.tests {
            if !seen.insert(name) {
                faults.push(format!("{id}: {name} is named twice"));
            }
            if tests.ignored.contains(name) {
                faults.push(format!("{id}: {name} is ignored: it shows nothing"));
            } else if !tests.run.contains(name) {
                faults.push(format!("{id}: there is no test {name}"));
            }
        }
        faults
    }
}

#[test]
fn every_control_is_shown_by_a_test_that_exists() {
    let faults = faults(&hazard_text(), &Tests::of_the_project());
    assert!(faults.is_empty(), "deploy/safety/hazards.toml:\n{}", faults.join("\n"));
}

/// Reading sources is checked where the answer is known: this binary lists its own tests.
#[test]
fn the_tests_that_are_found_are_those_of_the_binary() {
    let found = Tests::of_sources("tests/it/main.rs", Vec::new());
    let ignored = listed(&["--ignored"]);
    let run: BTreeSet<String> = listed(&[]).difference(&ignored).cloned().collect();
    assert_eq!(found.ignored, ignored);
    let invented: Vec<&String> = found.run.difference(&run).collect();
    assert!(invented.is_empty(), "{invented:?}");
    // A macro makes the store's conformance tests, once for each store.
    let unseen = run.difference(&found.run);
    let unseen: Vec<&String> = unseen.filter(|name| !name.starts_with("store::sqlite_")).collect();
    assert!(unseen.is_empty(), "{unseen:?}");
    let unit = Tests::of_the_project().run;
    assert!(unit.iter().filter(|name| name.starts_with("deltaward::")).count() > 40);
    assert!(
        unit.contains("deltaward::fhir::decimal::tests::never_panics"),
        "a proptest"
    );
}

#[test]
fn the_check_can_fail() {
    let tests = Tests::of_the_project();
    let fault = |change: &dyn Fn(&mut toml::Table), said: &str| {
        let mut file: toml::Table = toml::from_str(&hazard_text()).unwrap();
        change(&mut file);
        let faults = faults(&file.to_string(), &tests);
        assert!(faults.iter().any(|fault| fault.contains(said)), "{said}: {faults:?}");
    };
    let first = |file: &mut toml::Table, key: &str, value: toml::Value| {
        file["hazard"][0].as_table_mut().unwrap().insert(key.into(), value);
    };
    // A name is the whole path, and a function that is no test is none.
    for (name, said) in [
        (
            "core_rules::an_invented_test",
            "missed-alert: there is no test core_rules::an_invented_test",
        ),
        ("one_low_reading_raises_act_once", "there is no test one_low"),
        ("hazards::faults", "there is no test hazards::faults"),
        ("pages::look::look_at_the_pages", "look_at_the_pages is ignored"),
    ] {
        fault(&|file| first(file, "tests", vec![name].into()), said);
    }
    fault(
        &|file| first(file, "tests", toml::Value::Array(Vec::new())),
        "tests is empty",
    );
    fault(
        &|file| file["hazard"].as_array_mut().unwrap().truncate(FEWEST - 1),
        "15 hazards; at least 16",
    );
    fault(
        &|file| first(file, "id", "late-alert".into()),
        "late-alert: this id stands twice",
    );
    for field in ["title", "hazard", "cause", "effect", "control", "site", "residual"] {
        fault(&|file| first(file, field, " ".into()), &format!("{field} is empty"));
    }
    fault(
        &|file| first(file, "likelihood", "never".into()),
        "\"never\" is not on the scale",
    );
    fault(
        &|file| first(file, "severity", "none".into()),
        "\"none\" is not on the scale",
    );
    fault(
        &|file| first(file, "controls", "a word that nobody reads".into()),
        "unknown field",
    );
    fault(
        &|file| drop(file["hazard"][0].as_table_mut().unwrap().remove("site")),
        "missing field",
    );
}

#[test]
fn ignored_nested_and_commented_tests_are_told_apart() {
    let mut tests = Tests::default();
    let text = [
        "#[test]",
        "fn one() {}",
        "// #[test]",
        "fn none() {}",
        "#[ignore = \"by hand\"]",
        "#[tokio::test(flavor = \"x\")]",
        "async fn two() {}",
        "mod inner {",
        "    #[test]",
        "    #[should_panic]",
        "    fn three() {}",
        "}",
        "#[test]",
        "/// Said.",
        "fn four() {}",
        "mod other;",
        "#[path = \"../x.rs\"]",
        "pub mod third;",
    ];
    let declared = tests.text(&text.join("\n"), vec![String::from("m")]);
    assert_eq!(
        tests.run,
        ["m::four", "m::inner::three", "m::one"].map(String::from).into()
    );
    assert_eq!(tests.ignored, ["m::two"].map(String::from).into());
    let paths: Vec<String> = declared.iter().map(|module| module.path.join("::")).collect();
    assert_eq!(paths, ["m::other", "m::third"]);
    assert_eq!(declared[1].at, Some(PathBuf::from("../x.rs")));
}
