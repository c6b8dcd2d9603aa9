//! The quick reader against serde_json: the same texts are JSON, and what is read of them is equal.
//! `tests/it/fhir_observation.rs` does the same with the fixtures, changed and unchanged.

#![allow(clippy::unwrap_used, clippy::panic)]
use super::element::{Raw, Text};
use super::json::{self, DEPTH_MAX, Quick};
use super::json_fault::deeper_than;
use super::observation::{Observation, Remnant};
use proptest::prelude::*;
use proptest::sample::select;
use serde::Deserialize;
use std::fmt::Debug;

fn by_serde<'a, T: Deserialize<'a>>(text: &'a str) -> Option<T> {
    let value = serde_json::from_str(text).ok()?;
    (!deeper_than(text, DEPTH_MAX)).then_some(value)
}

fn quick<'a, T: Quick<'a>>(text: &'a str) -> Option<T> {
    let mut value = T::default();
    json::read(text, &mut value).then_some(value)
}

/// What the quick reader reads is what serde reads; it may give up only at a name with escapes.
fn agree_as<'a, T: Quick<'a> + Deserialize<'a> + PartialEq + Debug>(text: &'a str) {
    let (quick, general) = (quick::<T>(text), by_serde::<T>(text));
    let may_give_up = text.contains('\\');
    assert!(
        quick == general || (quick.is_none() && may_give_up),
        "{text:?}: {quick:?} {general:?}"
    );
}

fn agree(text: &str) {
    // A whole value that is skipped: there the two agree without exception.
    assert_eq!(quick::<Raw<'_>>(text), by_serde(text), "{text:?}");
    agree_as::<Text<'_>>(text);
    agree_as::<Observation<'_>>(text);
    agree_as::<Remnant<'_>>(text);
}

/// Every place where the grammar can be broken, as a value, in an object that is skipped, and in
/// one that is read.
#[test]
fn hard_cases() {
    let good = [
        "null",
        "true",
        "false",
        "0",
        "-0",
        "0.0",
        "-1.50E+07",
        "1e5",
        "1E-0",
        "12e999999",
        "123456789012345678901234567890",
        r#""""#,
        r#""a""#,
        r#""\"\\\/\b\f\n\r\t""#,
        r#""\u00e9""#,
        r#""\uD83D\uDE00""#,
        "\"é😀\u{7f}\u{2028}\"",
        r#""seven!!""#,
        r#""eight!!!""#,
        r#""nine!!!!!""#,
        r#""long enough for several words, and \" in it""#,
        "[]",
        "[ ]",
        "{}",
        "{ }",
        "[1,2]",
        "[[],{}]",
        r#"{"a":1}"#,
        " \t\r\n[ 1 , { \"a\" : null } ] \n",
        r#"{"a":1,"a":2}"#,
        r#"{"":0}"#,
        r#"{"st\u0061tus":1}"#,
    ];
    let bad = [
        "",
        " ",
        "nul",
        "nulll",
        "True",
        "+1",
        "01",
        "-",
        "-a",
        "1.",
        ".5",
        "1.e5",
        "1e",
        "1e+",
        "0x1",
        "NaN",
        "Infinity",
        "1_0",
        "\"",
        "\"a",
        "\"a\nb\"",
        "\"a\tb\"",
        "\"\u{0}\"",
        "\"\u{1f}234567\"",
        r#""\"#,
        r#""\""#,
        r#""\x""#,
        r#""\u12""#,
        r#""\u12g4""#,
        r#""\uD83D""#,
        r#""\uDE00""#,
        r#""\uD83Dx""#,
        r#""\uD83D\n""#,
        r#""\uD83D\u0041""#,
        "'a'",
        "[",
        "]",
        "[1",
        "[1,",
        "[1,]",
        "[,1]",
        "[1 2]",
        "[1}",
        "{",
        "}",
        "{\"a\"}",
        "{\"a\":}",
        "{\"a\":1",
        "{\"a\":1,}",
        "{,}",
        "{\"a\":1]",
        "{a:1}",
        "{1:1}",
        "{null:1}",
        "{\"a\" 1}",
        "{\"a\"::1}",
        "{\"a\":1 \"b\":2}",
        "{\"a\n\":1}",
        "\u{feff}1",
        "1 2",
        "{} {}",
        "[]]",
        "null,",
        "//",
        "1//",
        "\u{a0}1",
        "\u{c}1",
    ];
    for value in good.into_iter().chain(bad) {
        for text in [
            value.to_owned(),
            format!("[{value}]"),
            format!("{{\"x\":{value}}}"),
            format!("{{\"status\":{value},\"id\":\"b\"}}"),
            format!("{{\"implicitRules\":{value}}}"),
            format!("{{\"contained\": {value} ,\"id\":{value}}}"),
            format!("{{\"code\":{value}}}"),
            format!("{{\"component\":[{{\"valueQuantity\":{{\"value\":{value}}}}}]}}"),
            format!("{{\"focus\":[{value}, {value}]}}"),
            format!("{{\"status\":null,\"status\":{value}}}"),
            format!("{{\"status\":\"a\",\"status\":{value}}}"),
            format!("{{\"valueString\":{value},\"valueBoolean\":{value}}}"),
            format!("{{{value}:1}}"),
            format!("{value}{value}"),
        ] {
            agree(&text);
        }
    }
}

#[test]
fn depth_is_counted_alike() {
    for depth in DEPTH_MAX - 2..DEPTH_MAX + 3 {
        for (open, close) in [("[", "]"), ("{\"a\":[", "]}"), ("{\"code\":", "}")] {
            let text = |inner: &str| format!("{}{inner}{}", open.repeat(depth), close.repeat(depth));
            for inner in ["1", "[]", "{}", "[{}]"] {
                agree(&text(inner));
                agree(&format!("{{\"x\":{}}}", text(inner)));
            }
        }
    }
}

/// Pieces of JSON, good and bad.
const PIECES: &[&str] = &[
    "{",
    "}",
    "[",
    "]",
    ",",
    ":",
    "\"",
    "\\",
    "\\\"",
    "\\u00",
    "\\u0041",
    "\\ud800",
    "\n",
    "\n\"",
    "\u{0}",
    " ",
    "é",
    "null",
    "true",
    "fals",
    "-",
    "0",
    "1",
    ".",
    "e",
    "E+",
    "12.50",
    "\"a\"",
    "\"status\"",
    "\"status\":",
    "\"code\":{",
    "\"coding\":[",
    "\"value\":",
    "\"valueQuantity\":{",
    "\"component\":[{",
    "\"st\\u0061tus\":",
    "\"subject\":null,",
    "{\"id\":\"x\",",
    "a",
    "\"text\":\"b\",",
];

const NAMES: &[&str] = &[
    "resourceType",
    "status",
    "code",
    "coding",
    "system",
    "text",
    "subject",
    "reference",
    "identifier",
    "valueQuantity",
    "value",
    "component",
    "contained",
    "hasMember",
    "bodySite",
    "extension",
    "effectiveDateTime",
    "focus",
    "id",
    "meta",
    "tag",
    "x",
    "",
    "unit",
    "valueString",
    "valueTime",
    "cod\\u0065",
];

/// A JSON text whose names are those of the Observation, each as likely to be twice.
fn json_text() -> impl Strategy<Value = String> {
    let leaf = prop_oneof![
        select(
            &[
                "null",
                "true",
                "0",
                "-1.5e3",
                "01",
                "1.",
                "\"\"",
                "\"a\"",
                "\"a \\\"b\\\" \\u00e9\"",
                "\"\\ud800\"",
                "{}",
                "[]"
            ][..]
        )
        .prop_map(str::to_owned),
        r#""[a-zé/:.-]{0,20}""#,
    ];
    let space = || select(&["", "", "", " ", "\n  "][..]);
    leaf.prop_recursive(6, 60, 6, move |inner| {
        let member = (select(NAMES), space(), inner.clone()).prop_map(|(name, space, value)| format!("\"{name}\"{space}:{space}{value}"));
        prop_oneof![
            2 => proptest::collection::vec(member, 0..7).prop_map(|all| format!("{{{}}}", all.join(","))),
            1 => (proptest::collection::vec(inner, 0..4), space()).prop_map(|(all, space)| format!("[{}{space}]", all.join(","))),
        ]
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn generated_texts_are_read_alike(text in json_text()) {
        agree(&text);
    }

    #[test]
    fn pieces_are_read_alike(pieces in proptest::collection::vec(select(PIECES), 0..14)) {
        agree(&pieces.concat());
    }
}

/// Strings are searched in blocks of 64 bytes, counted from the start of the text: what ends a string at any
/// place of a block, and at the end of the text, is found, and nothing of the block before or behind it.
#[test]
fn whatever_ends_a_string_is_found_at_every_place_of_a_block() {
    for before in 0..130 {
        for length in [0, 1, 15, 16, 17, 47, 62, 63, 64, 65, 127, 128, 129] {
            let (space, text) = (" ".repeat(before), "x".repeat(length));
            for special in [
                "", "\\\"", "\\\\", "\\u0041", "\u{1f}", "\u{7f}", "ü", "\\", "\\u00", "\"",
            ] {
                agree(&format!("{space}\"{text}{special}{text}\""));
                agree(&format!("{space}\"{text}{special}"));
                agree(&format!("{{\"id\":{space}\"{text}{special}\",\"status\":\"{text}\"}}"));
            }
        }
    }
}
