//! `rules show`, `rules export`, `rules approve`, and what `run` asks of an approval.

use crate::process::{BINARY, Running, approved, config};
use base64::Engine;
use deltaward::outbox::Validator;
use deltaward::outbox::wording::CAUTIONS;
use deltaward::rules::sheet::{ADULT, CHILD};
use deltaward::rules::{ApprovalRecord, Sheet, export, show};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::path::Path;
use std::process::{Command, Output};

fn run(folder: &Path, args: &[&str]) -> (Option<i32>, String, String) {
    let Output { status, stdout, stderr } = Command::new(BINARY).args(args).current_dir(folder).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (status.code(), text(stdout), text(stderr))
}

/// One line, so that a phrase is found wherever it was wrapped.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// What a person reads of a page: the text between tags, entities as letters.
fn read(html: &str) -> String {
    let body = html.split_once("<body>").unwrap().1;
    let mut text = String::new();
    for piece in body.split('<') {
        text.push(' ');
        text.push_str(piece.split_once('>').map_or("", |(_, words)| words));
    }
    flat(
        &text
            .replace("&lt;", "<")
            .replace("&gt;", ">")
            .replace("&quot;", "\"")
            .replace("&amp;", "&"),
    )
}

#[test]
fn everything_that_decides_is_in_the_document() {
    for (sheet, source) in [(Sheet::adult().unwrap(), ADULT), (Sheet::child().unwrap(), CHILD)] {
        let html = show::html(&sheet);
        for page in [flat(&show::text(&sheet)), read(&html)] {
            let has = |text: &str| assert!(page.contains(&flat(text)), "{text:?} is missing in {page}");
            for rule in &sheet.rules {
                for text in [&rule.id, &rule.version, &rule.citation, &rule.says, &rule.next] {
                    has(text);
                }
                has(&rule.known_failure);
                has(&rule.population);
                has(&show::condition(rule.kind, &sheet));
            }
            for caution in CAUTIONS {
                has(caution.text);
            }
            sheet.not_covered.iter().for_each(|sentence| has(sentence));
            for text in [&sheet.id, &sheet.title, &sheet.hash] {
                has(text);
            }
            has("exactly 30 meets 30");
            has("All of these numbers are ours");
            has("Not approved.");
            has("Role Date Decision Signature");
        }
        // The text document wraps the cells of its tables; in the page each is whole.
        let page = read(&html);
        assert!(page.contains("from 60 minutes before to 5 minutes after"));
        for example in sheet.rules.iter().flat_map(|rule| &rule.examples) {
            assert!(page.contains(&flat(&example.why)), "{}", example.why);
        }
        assert_eq!(sheet.hash, format!("{:x}", Sha256::digest(source)));
    }
}

#[test]
fn the_text_keeps_to_100_columns_and_the_strict_comparator_is_shown_as_strict() {
    let strict = ADULT.replacen("comparator = \"at-or-below\"", "comparator = \"below\"", 1);
    for sheet in [
        Sheet::adult().unwrap(),
        Sheet::child().unwrap(),
        Sheet::checked("strict", &strict).unwrap(),
    ] {
        for line in show::text(&sheet).lines() {
            assert!(line.chars().count() <= 100, "{line}");
        }
    }
    let text = flat(&show::text(&Sheet::checked("strict", &strict).unwrap()));
    assert!(text.contains("exactly 30 does not meet 30"));
    assert!(text.contains("at or above 20 and below 30 mmHg"));
    assert!(!text.contains("exactly 30 meets 30"));
}

/// A file that is mailed and printed: it loads nothing, runs nothing, and its texts cannot break out.
#[test]
fn the_page_stands_alone_and_escapes_what_a_site_wrote() {
    let hostile = ADULT.replacen(
        "title = \"Delta pressure in limb compartments, adults\"",
        "title = '</title><script>alert(1)</script>'",
        1,
    );
    let html = show::html(&Sheet::checked("s", &hostile).unwrap());
    assert!(!html.contains("<script"), "{html}");
    assert!(html.contains("&lt;script&gt;"));
    for outside in ["http:", "https:", "src=", "@import", "url("] {
        assert!(!html.contains(outside), "{outside}");
    }
    // A version could reach into the style sheet: it may not even be written.
    let version = ADULT.replacen("version = \"1.1.0\"", "version = '1\"}</style>'", 1);
    assert!(Sheet::parse("s", &version).is_err());
    // Every link of the page leads somewhere in it.
    for target in html
        .split("href=\"#")
        .skip(1)
        .map(|rest| rest.split('"').next().unwrap())
    {
        assert!(html.contains(&format!("id=\"{target}\"")), "{target}");
    }
}

#[test]
fn show_prints_each_form_and_the_source_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    let printed = |args: &[&str]| {
        let (code, out, err) = run(folder.path(), args);
        assert_eq!(code, Some(0), "{err}");
        out
    };
    assert_eq!(printed(&["rules", "show", "--source"]), ADULT);
    assert_eq!(printed(&["rules", "show", "--child", "--source"]), CHILD);
    assert_eq!(printed(&["rules", "show"]), show::text(&Sheet::adult().unwrap()));
    assert_eq!(
        printed(&["rules", "show", "--child", "--format", "html"]),
        show::html(&Sheet::child().unwrap())
    );
    std::fs::write(
        folder.path().join("own.toml"),
        CHILD.replacen("child-limb", "own-limb", 1),
    )
    .unwrap();
    assert!(printed(&["rules", "show", "own.toml"]).contains("own-limb"));
    let (code, _, err) = run(folder.path(), &["rules", "show", "own.toml", "--child"]);
    assert_eq!(code, Some(64), "{err}");
}

/// The two resources of a sheet, from the command.
fn exported(folder: &Path, args: &[&str]) -> [Value; 2] {
    let (code, out, err) = run(folder, &[&["rules", "export"], args].concat());
    assert_eq!(code, Some(0), "{err}");
    let mut lines = out.lines();
    [(); 2].map(|()| {
        let path = folder.join(lines.next().unwrap());
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
    })
}

#[test]
fn the_export_carries_the_sheet_and_says_which_one_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let [plan, library] = exported(folder.path(), &["built-in", "--out", "."]);
    let sheet = Sheet::adult().unwrap();
    for resource in [&plan, &library] {
        let parts = resource["extension"][0]["extension"].as_array().unwrap();
        let values: Vec<&str> = parts.iter().filter_map(|part| part["valueString"].as_str()).collect();
        assert_eq!(values, [sheet.id.as_str(), &sheet.version, &sheet.hash]);
        assert_eq!(resource["status"], "draft");
        assert_eq!(resource["version"], sheet.version.as_str());
    }
    assert_eq!(plan["type"]["coding"][0]["code"], "eca-rule");
    assert_eq!(
        plan["library"][0],
        format!("{}|{}", library["url"].as_str().unwrap(), sheet.version)
    );
    let actions = plan["action"].as_array().unwrap();
    assert_eq!(actions.len(), sheet.rules.len());
    for (action, rule) in actions.iter().zip(&sheet.rules) {
        assert!(action["title"].as_str().unwrap().starts_with(&rule.id));
        let citation = action["documentation"][0]["citation"].as_str().unwrap();
        assert!(citation.starts_with(&rule.citation), "{citation}");
        assert_eq!(action["documentation"][0]["type"], "citation");
    }
    // critical and act call now.
    let stat = actions.iter().filter(|action| action["priority"] == "stat").count();
    assert_eq!(stat, 6);
    // The attachment is the sheet, byte for byte, with the hash that the standard asks for.
    let content = &library["content"][0];
    let bytes = base64::engine::general_purpose::STANDARD
        .decode(content["data"].as_str().unwrap())
        .unwrap();
    assert_eq!(bytes, ADULT.as_bytes());
    assert_eq!(format!("{:x}", Sha256::digest(&bytes)), sheet.hash);
    assert_eq!(content["size"], ADULT.len());
    let sha1 = base64::engine::general_purpose::STANDARD
        .decode(content["hash"].as_str().unwrap())
        .unwrap();
    let coreutils = Command::new("sha1sum")
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/profiles/rules/adult.toml"))
        .output()
        .unwrap();
    let hex: String = sha1.iter().map(|byte| format!("{byte:02x}")).collect();
    assert!(String::from_utf8_lossy(&coreutils.stdout).starts_with(&hex), "{hex}");
}

#[test]
fn the_export_passes_the_r4_schema_and_the_check_can_fail() {
    let validator = Validator::of(&["PlanDefinition", "Library"]).unwrap();
    for (sheet, source) in [(Sheet::adult().unwrap(), ADULT), (Sheet::child().unwrap(), CHILD)] {
        for resource in export::export(&sheet, source) {
            assert_eq!(validator.validate(&resource), Ok(()));
            for (field, wrong) in [
                ("status", Value::from("approved")),
                ("rule", Value::from("x")),
                ("version", Value::from(1)),
            ] {
                let mut broken = resource.clone();
                broken[field] = wrong;
                assert!(validator.validate(&broken).is_err(), "{field}");
            }
        }
    }
}

/// What the independent validator runs in: pinned, in the build folder, made once.
const REQUIREMENTS: &str = include_str!("../support/fhir-validator.txt");

/// The Python of the environment. It must be there: nothing is skipped.
fn python() -> std::path::PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("fhir-validator");
    let (python, stamp) = (folder.join("bin/python"), folder.join("installed.txt"));
    if std::fs::read_to_string(&stamp).is_ok_and(|text| text == REQUIREMENTS) {
        return python;
    }
    let must = |command: &mut Command, what: &str| {
        let output = command
            .output()
            .unwrap_or_else(|error| panic!("{what}: {error}; run tests/all, which installs it"));
        let told = String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout);
        assert!(
            output.status.success(),
            "{what} failed; tests/all installs python3-venv: {told}"
        );
    };
    must(
        Command::new("python3").args(["-m", "venv", "--clear"]).arg(&folder),
        "python3 -m venv",
    );
    let list = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/support/fhir-validator.txt");
    must(
        Command::new(&python).args(["-m", "pip", "install", "--quiet", "--requirement", list]),
        "pip install",
    );
    std::fs::write(stamp, REQUIREMENTS).unwrap();
    python
}

/// PyPI fhir.resources, an independent model of the standard (R4B, which changed nothing in these
/// two resources but the subjects that a PlanDefinition may name).
#[test]
fn the_export_passes_an_independent_validator_and_that_can_fail() {
    let folder = tempfile::tempdir().unwrap();
    let mut files = Vec::new();
    std::fs::write(
        folder.path().join("own.toml"),
        ADULT.replacen("adult-limb", "own-limb", 1),
    )
    .unwrap();
    approved(folder.path(), "own.toml");
    for args in [&["built-in"][..], &["built-in", "--child"], &["own.toml"]] {
        files.extend(exported(folder.path(), args));
    }
    assert_eq!(files[4]["status"], "active");
    let validate = |resource: &Value| {
        let file = folder.path().join("resource.json");
        std::fs::write(&file, resource.to_string()).unwrap();
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/support/fhir_validator.py");
        let output = Command::new(python()).arg(script).arg(&file).output().unwrap();
        (
            output.status.success(),
            String::from_utf8_lossy(&output.stderr).into_owned(),
        )
    };
    for resource in &files {
        let (valid, told) = validate(resource);
        assert!(valid, "{told}");
    }
    for (field, wrong) in [
        ("action", Value::from("x")),
        ("rule", Value::from("x")),
        ("status", Value::Null),
    ] {
        let mut broken = files[0].clone();
        broken[field] = wrong;
        let (valid, told) = validate(&broken);
        assert!(!valid && told.contains(field), "{field}: {told}");
    }
}

#[test]
fn an_approval_stands_for_exactly_one_text_and_earlier_ones_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let (sheet, record) = (
        folder.path().join("own.toml"),
        folder.path().join("own.toml.approval.toml"),
    );
    std::fs::write(&sheet, ADULT).unwrap();
    let approve = |role: &str, note: &str| {
        run(
            folder.path(),
            &["rules", "approve", "own.toml", "--by", role, "--note", note],
        )
    };
    let (code, out, err) = approve("Trauma committee, chair", "Meeting 12, \"item 3\"");
    assert_eq!(code, Some(0), "{err}");
    assert!(out.contains("approved as Trauma committee, chair on 20"), "{out}");
    let first = std::fs::read_to_string(&record).unwrap();
    assert_eq!(approve("Head of nursing", "read").0, Some(0));
    let second = std::fs::read_to_string(&record).unwrap();
    assert!(second.starts_with(&first), "{second}");
    let hash = Sheet::adult().unwrap().hash;
    let parsed = ApprovalRecord::parse("r", &second, &hash).unwrap();
    let roles: Vec<&str> = parsed.of_this.iter().map(|one| one.role.as_str()).collect();
    assert_eq!(roles, ["Trauma committee, chair", "Head of nursing"]);
    assert_eq!(parsed.of_this[0].note, "Meeting 12, \"item 3\"");
    // An independent reader of the file: the time is RFC 3339 in UTC.
    let table: toml::Table = second.parse().unwrap();
    let at = table["approval"][0]["at"].as_str().unwrap();
    assert!(at.parse::<jiff::Timestamp>().is_ok() && at.ends_with('Z'), "{at}");
    // The document says it, and the resources are active.
    let shown = run(folder.path(), &["rules", "show", "own.toml"]).1;
    assert!(
        flat(&shown).contains("Approval: Approved as Trauma committee, chair on"),
        "{shown}"
    );
    // One comment more, another text.
    std::fs::write(&sheet, format!("{ADULT}\n# changed\n")).unwrap();
    let shown = run(folder.path(), &["rules", "show", "own.toml"]).1;
    assert!(
        flat(&shown).contains("Not approved: the record beside it is of another text (version 1.1.0, SHA-256"),
        "{shown}"
    );
    // A record that cannot be read is not passed over.
    std::fs::write(&record, "approval = 3\n").unwrap();
    let (code, _, err) = run(folder.path(), &["rules", "show", "own.toml"]);
    assert!(
        code == Some(1) && err.contains("own.toml.approval.toml: this is no approval record"),
        "{err}"
    );
}

#[test]
fn a_sheet_that_fails_its_check_cannot_be_approved() {
    let folder = tempfile::tempdir().unwrap();
    let wrong = [
        (
            "example.toml",
            ADULT.replacen(
                "why = \"exactly 20\"\nreadings = [{ minute = 0, diastolic = 70 }",
                "why = \"exactly 20\"\nreadings = [{ minute = 0, diastolic = 75 }",
                1,
            ),
            "rule delta-20, example 1",
        ),
        (
            "gap.toml",
            ADULT.replacen(
                "lower_mmhg = 20\nupper_mmhg = 30",
                "lower_mmhg = 21\nupper_mmhg = 30",
                1,
            ),
            "gap:",
        ),
    ];
    for (name, text, says) in wrong {
        assert_ne!(text, ADULT, "{name}");
        std::fs::write(folder.path().join(name), text).unwrap();
        let (code, _, err) = run(
            folder.path(),
            &["rules", "approve", name, "--by", "chair", "--note", "x"],
        );
        assert!(code == Some(1) && err.contains(says), "{err}");
        assert!(!folder.path().join(format!("{name}.approval.toml")).exists());
    }
    std::fs::write(folder.path().join("own.toml"), ADULT).unwrap();
    for (role, note) in [("", "x"), ("chair", " "), ("two\nlines", "x")] {
        let (code, _, err) = run(
            folder.path(),
            &["rules", "approve", "own.toml", "--by", role, "--note", note],
        );
        assert!(code == Some(64) && err.contains("one line"), "{err}");
    }
    let help = run(folder.path(), &["rules", "approve", "--help"]).1;
    assert!(help.contains("never a person's name"), "{help}");
}

const LIVE: &str = "[sink]\nfhir = \"http://127.0.0.1:9/fhir\"\nmode = \"live\"\nrecipients = [\"CareTeam/night\"]\n";

#[test]
fn live_needs_approved_sheets_and_says_which_what_and_how() {
    let folder = tempfile::tempdir().unwrap();
    let refused = |more: &str, says: &[&str]| {
        let file = config(folder.path(), &format!("{LIVE}{more}"));
        for command in ["run", "config check"] {
            let args: Vec<&str> = command.split(' ').chain(["--config", &file]).collect();
            let (code, _, err) = run(folder.path(), &args);
            assert_eq!(code, Some(64), "{command}: {err}");
            for says in says
                .iter()
                .chain(&["deltaward rules approve FILE", "mode = \"shadow\""])
            {
                assert!(err.contains(says), "{command}: {says:?} is not in: {err}");
            }
        }
    };
    // The built-in sheets are nobody's.
    refused(
        "",
        &[
            "[rules] sheet is not set, and the built-in adult-limb 1.1.0",
            "deltaward rules show --source > adult.toml",
            "[rules] child_sheet is not set",
            "deltaward rules show --child --source > child.toml",
        ],
    );
    for (name, text) in [("adult.toml", ADULT), ("child.toml", CHILD)] {
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    let named = "[rules]\nsheet = \"adult.toml\"\nchild_sheet = \"child.toml\"\n";
    let hash = Sheet::adult().unwrap().hash;
    refused(
        named,
        &[
            "[rules] sheet adult.toml",
            &hash,
            "there is no approval record adult.toml.approval.toml",
        ],
    );
    approved(folder.path(), "adult.toml");
    refused(named, &["[rules] child_sheet child.toml", "child.toml.approval.toml"]);
    approved(folder.path(), "child.toml");
    let file = config(folder.path(), &format!("{LIVE}{named}"));
    let (code, out, err) = run(folder.path(), &["config", "check", "--config", &file]);
    assert_eq!(code, Some(0), "{err}");
    assert_eq!(out.matches("approved as ").count(), 2, "{out}");
    // A changed sheet is another text.
    std::fs::write(folder.path().join("adult.toml"), format!("{ADULT}\n")).unwrap();
    refused(named, &["adult.toml.approval.toml approves another text", &hash]);
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_live_sink_it_runs_and_says_not_approved() {
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let (code, out, _) = run(folder.path(), &["config", "check", "--config", &file]);
    assert_eq!(code, Some(0));
    assert!(
        out.contains("rules: adults and unknown age: adult-limb 1.1.0") && out.contains(": not approved"),
        "{out}"
    );
    let mut running = Running::start(folder.path(), &["run", "--config", &file]);
    let line = running.wait_for_line("rules: children: child-limb");
    assert!(line.ends_with(": not approved"), "{line}");
    for path in ["", "rules"] {
        let page = reqwest::get(format!("{}/{path}", running.base))
            .await
            .unwrap()
            .text()
            .await
            .unwrap();
        assert_eq!(
            page.matches("<strong>not approved</strong>").count(),
            if path.is_empty() { 2 } else { 4 },
            "{path}"
        );
    }
}
