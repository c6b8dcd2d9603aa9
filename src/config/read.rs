//! File and environment → [`Config`].

use super::problem::{ConfigError, Place, Problem};
use super::tables::FileTables;
use super::{Config, check};
use std::path::Path;

/// The environment variable with the bearer token for `[source] fhir`.
pub const SOURCE_TOKEN_VARIABLE: &str = "DELTAWARD_SOURCE_TOKEN";

/// The environment variable with the bearer token for `[sink] fhir`.
pub const SINK_TOKEN_VARIABLE: &str = "DELTAWARD_SINK_TOKEN";

/// The environment variable with the secret of `[auth]`.
pub const AUTH_TOKEN_VARIABLE: &str = "DELTAWARD_AUTH_TOKEN";

/// Read and check the configuration file at `path`. `environment` gives the value of a variable:
/// `|name| std::env::var(name).ok()` in the program, a map in tests.
///
/// # Errors
/// When the file cannot be read, or says something that cannot be used.
pub fn load(path: &Path, environment: &dyn Fn(&str) -> Option<String>) -> Result<Config, ConfigError> {
    let file = path.display().to_string();
    match std::fs::read_to_string(path) {
        Ok(text) => from_text(&text, &file, environment),
        Err(error) => Err(ConfigError::Unreadable {
            file,
            cause: error.to_string(),
        }),
    }
}

/// Check a configuration given as text; `file` is its name in messages. Reads the token files that
/// it names.
///
/// # Errors
/// When it says something that cannot be used. All faults of meaning are told at once; a fault of
/// form (syntax, an unknown key, a wrong type) is told alone, because it hides the rest.
pub fn from_text(text: &str, file: &str, environment: &dyn Fn(&str) -> Option<String>) -> Result<Config, ConfigError> {
    let tables: FileTables = toml::from_str(text).map_err(|error| {
        ConfigError::Invalid(vec![Problem {
            place: error.span().map(|span| Place::new(file, text, span)),
            message: explain(error.message()),
        }])
    })?;
    check::check(tables, environment).map_err(|faults| {
        let problem = |fault: check::Fault| Problem {
            place: fault.span.map(|span| Place::new(file, text, span)),
            message: fault.message,
        };
        ConfigError::Invalid(faults.into_iter().map(problem).collect())
    })
}

/// The parser's words, with what to do where they do not say it.
fn explain(message: &str) -> String {
    let unknown = |key: &str| message.starts_with(&format!("unknown field `{key}`"));
    if unknown("bearer_token") {
        return format!(
            "a bearer token may not stand in this file, which is easily copied and shown: put it in a file of its own and \
             name that in bearer_token_file, or set the environment variable {SOURCE_TOKEN_VARIABLE} or \
             {SINK_TOKEN_VARIABLE}"
        );
    }
    if unknown("token") || unknown("password") || unknown("secret") {
        return format!(
            "a secret may not stand in this file, which is easily copied and shown: put it in a file of its own and name \
             that in [auth] token_file, or set the environment variable {AUTH_TOKEN_VARIABLE}"
        );
    }
    message.replace("expected i64", "expected a whole number")
}
