//! fixtures/markup: everything that a record can name carries markup. It goes in by the front door;
//! then every page that links lead to is read.

use crate::process::{Running, config};
use serde_json::Value;
use std::collections::{BTreeSet, VecDeque};
use std::path::Path;

/// The fixtures, by file name.
pub fn fixtures() -> Vec<(String, Value)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/markup");
    let mut files: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|file| file.unwrap().path())
        .collect();
    files.sort();
    let read = |path: &std::path::PathBuf| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        (
            name,
            serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap(),
        )
    };
    files.iter().map(read).collect()
}

/// The tags of a page: name, and attributes with their values as written. A quote opens a value, and
/// only its like closes it (HTML Living Standard, 13.2.5.36 and 13.2.5.37).
fn tags(html: &str) -> Vec<(String, Vec<(String, String)>)> {
    let mut found = Vec::new();
    let mut rest = html;
    while let Some(open) = rest.find('<') {
        rest = &rest[open + 1..];
        if rest.starts_with('/') || rest.starts_with('!') {
            continue;
        }
        let mut end = rest.len();
        let mut quote = None;
        for (at, character) in rest.char_indices() {
            match (quote, character) {
                (None, '>') => {
                    end = at;
                    break;
                }
                (None, '"' | '\'') => quote = Some(character),
                (Some(opened), _) if opened == character => quote = None,
                _ => {}
            }
        }
        found.push(attributes(&rest[..end]));
        rest = &rest[end..];
    }
    found
}

fn attributes(tag: &str) -> (String, Vec<(String, String)>) {
    let (name, mut rest) = tag.split_once(char::is_whitespace).unwrap_or((tag, ""));
    let mut all = Vec::new();
    loop {
        rest = rest.trim_start();
        let Some(end) = rest.find(|character: char| character == '=' || character.is_whitespace()) else {
            if !rest.trim_end_matches('/').is_empty() {
                all.push((rest.to_lowercase(), String::new()));
            }
            return (name.to_lowercase(), all);
        };
        let key = rest[..end].to_lowercase();
        rest = &rest[end..];
        let mut value = String::new();
        if let Some(after) = rest.strip_prefix('=') {
            let quote = after.chars().next().filter(|first| matches!(first, '"' | '\''));
            let (text, more) = match quote {
                Some(quote) => after[1..].split_once(quote).unwrap_or((&after[1..], "")),
                None => after.split_once(char::is_whitespace).unwrap_or((after, "")),
            };
            value = text.to_owned();
            rest = more;
        }
        all.push((key, value));
    }
}

/// The empty icon, so that a browser asks for none.
const NO_ICON: &str = "data:,";

/// What must not stand on a page.
fn faults(html: &str) -> Vec<String> {
    let mut faults = Vec::new();
    for (name, attributes) in tags(html) {
        let has = |key: &str| attributes.iter().any(|(name, _)| name == key);
        match name.as_str() {
            "script" if !has("src") => faults.push(String::from("an inline script")),
            "style" => faults.push(String::from("an inline style sheet")),
            "img" | "iframe" | "object" | "embed" | "base" => faults.push(format!("a <{name}>")),
            _ => {}
        }
        for (key, value) in &attributes {
            let value = value.trim().to_lowercase();
            if key.starts_with("on") || key == "style" || key == "srcdoc" {
                faults.push(format!("<{name} {key}={value:?}>"));
            }
            let address = matches!(key.as_str(), "href" | "src" | "action" | "formaction" | "xlink:href");
            if address
                && !(value.starts_with('/') && !value.starts_with("//") || value.starts_with('#') || value == NO_ICON)
            {
                faults.push(format!("<{name} {key}={value:?}> leads away"));
            }
        }
    }
    faults
}

/// The check itself: it must see what it is for.
#[test]
fn inline_script_style_and_handlers_are_seen() {
    for bad in [
        "<script>1</script>",
        "<SCRIPT type=x>1</script>",
        "<style>a{}</style>",
        "<p style=\"x\">",
        "<p class='a' onclick=\"x\">",
        "<p title=\"a\" onmouseover='x'>",
        "<p title='a>b' onfocus=x>",
        "<img src=x>",
        "<a href=\"javascript:alert(1)\">",
        "<a href=\"//stranger.example\">",
        "<a href=\"https://stranger.example\">",
    ] {
        assert!(!faults(bad).is_empty(), "{bad}");
    }
    let good = "<!doctype html><p title=\"&lt;b onclick=1\" data-x='a &quot; style=x'>onclick= style=</p>\
                <script src=\"/a.js\" defer></script><a href=\"#a\">x</a><a href='/patient?id=a'>";
    assert_eq!(faults(good), Vec::<String>::new());
}

fn links(html: &str) -> Vec<String> {
    let tags = tags(html).into_iter().filter(|(name, _)| name == "a");
    let hrefs = tags.flat_map(|(_, attributes)| attributes.into_iter().filter(|(key, _)| key == "href"));
    let plain = |(_, value): (String, String)| value.replace("&amp;", "&").split('#').next().unwrap_or("").to_owned();
    hrefs
        .map(plain)
        .filter(|href| href.starts_with('/') && !href.starts_with("/fhir"))
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn markup_in_a_record_is_text_on_every_page() {
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let running = Running::start(folder.path(), &["run", "--config", &file]);
    let client = reqwest::Client::new();
    for (name, resource) in fixtures() {
        let (kind, id) = (
            resource["resourceType"].as_str().unwrap(),
            resource["id"].as_str().unwrap(),
        );
        let request = client
            .put(format!("{}/fhir/{kind}/{id}", running.base))
            .header("content-type", "application/fhir+json")
            .body(resource.to_string());
        assert_eq!(request.send().await.unwrap().status(), 201, "{name}");
    }
    let mut waiting: VecDeque<String> = [
        "/",
        "/set-aside",
        "/stopped",
        "/rules",
        "/patient?id=%3Cscript%3Ealert(1)%3C/script%3E",
        "/no-such-page<script>",
    ]
    .map(String::from)
    .into();
    let mut read = BTreeSet::new();
    let mut shown = 0;
    while let Some(path) = waiting.pop_front() {
        if !read.insert(path.clone()) {
            continue;
        }
        assert!(read.len() < 100, "pages without end");
        let answer = client.get(format!("{}{path}", running.base)).send().await.unwrap();
        let policy = answer.headers()["content-security-policy"].to_str().unwrap().to_owned();
        assert!(
            policy.starts_with("default-src 'none'") && !policy.contains("unsafe"),
            "{path}: {policy}"
        );
        assert_eq!(answer.headers()["x-content-type-options"], "nosniff", "{path}");
        let kind = answer.headers()["content-type"].to_str().unwrap().to_owned();
        let text = answer.text().await.unwrap();
        if !kind.starts_with("text/html") {
            assert!(kind.starts_with("text/plain"), "{path}: {kind}");
            continue;
        }
        assert_eq!(faults(&text), Vec::<String>::new(), "{path}");
        for raw in ["<script>alert", "<img src=x", "\"><img"] {
            assert!(!text.contains(raw), "{path} holds {raw}");
        }
        shown += text.matches("&lt;script&gt;alert(1)").count();
        waiting.extend(links(&text));
    }
    // Both patients' pages were found by their links, and what the record says is shown as text.
    let patients = read.iter().filter(|path| path.starts_with("/patient?id=")).count();
    assert!(patients >= 3 && shown > 10, "{read:?}, shown {shown} times");
    // What the page's own script writes, it writes as text.
    let script = include_str!("../../../src/server/pages/page.js");
    for sink in [
        "innerHTML",
        "outerHTML",
        "insertAdjacentHTML",
        "document.write",
        "eval(",
        "Function(",
    ] {
        assert!(!script.contains(sink), "page.js uses {sink}");
    }
}
