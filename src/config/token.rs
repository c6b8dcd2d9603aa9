//! Secrets: from a file or the environment, never from the configuration's text, never repeated.

use super::check::{Checker, Fault};
use super::tables::AuthTable;
use super::{AUTH_TOKEN_VARIABLE, AuthConfig};
use secrecy::{ExposeSecret, SecretString};
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};
use toml::Spanned;

/// The longest token file that is read.
const MAX_TOKEN_BYTES: u64 = 64 * 1024;
/// The shortest secret of `[auth]`: 16 random hexadecimal digits are 64 bits, and with fewer a
/// verifier would have to limit the tries (NIST SP 800-63B, revision 3, section 5.1.2.2).
const MIN_AUTH_CHARS: usize = 16;

impl Checker<'_> {
    /// What the environment says, when it says anything.
    pub(super) fn variable(&self, name: &str) -> Option<String> {
        (self.environment)(name).filter(|value| !value.trim().is_empty())
    }

    /// The secret that requests must carry. An `[auth]` without one is a fault: nobody who wrote the
    /// table means an open door. The variable alone is enough.
    pub(super) fn auth(&mut self, table: Option<Spanned<AuthTable>>) -> Option<AuthConfig> {
        let span = table.as_ref().map(Spanned::span);
        let file = table.and_then(|table| table.into_inner().token_file);
        if let (None, Some(span), None) = (&file, &span, self.variable(AUTH_TOKEN_VARIABLE)) {
            let message = format!(
                "[auth] has no secret: name a file that holds it in token_file, or set the environment variable \
                 {AUTH_TOKEN_VARIABLE}"
            );
            self.fault(span.clone(), message);
            return None;
        }
        let place = file.as_ref().map(Spanned::span);
        let token = self.token("token_file", file, AUTH_TOKEN_VARIABLE)?;
        if let Some(weakness) = weakness(token.expose_secret()) {
            let message = format!("the secret of [auth] {weakness}; make one with: openssl rand -hex 32");
            self.faults.push(Fault { span: place, message });
            return None;
        }
        Some(AuthConfig { token })
    }

    /// The token of the file or of the environment; both at once is refused, because it cannot be
    /// known which one is out of date.
    pub(super) fn token(&mut self, key: &str, file: Option<Spanned<PathBuf>>, variable: &str) -> Option<SecretString> {
        let of_environment = self.variable(variable);
        let (span, outcome): (Option<Range<usize>>, _) = match (file, of_environment) {
            (None, None) => return None,
            (Some(file), Some(_)) => {
                let message = format!("{key} and the environment variable {variable} both give a token: keep one");
                (Some(file.span()), Err(message))
            }
            (Some(file), None) => (Some(file.span()), read_token(file.get_ref())),
            (None, Some(value)) => {
                let named = |fault| format!("the environment variable {variable} {fault}");
                (None, bare_token(&value).map_err(named))
            }
        };
        match outcome {
            Ok(token) => Some(token),
            Err(message) => {
                self.faults.push(Fault { span, message });
                None
            }
        }
    }
}

/// Why a secret is no good for `[auth]`. It must be a b64token, the one form that every client can
/// send as a bearer token (RFC 6750, section 2.1).
fn weakness(secret: &str) -> Option<String> {
    let body = secret.trim_end_matches('=');
    let known = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~+/".contains(&byte);
    if body.is_empty() || !body.bytes().all(known) {
        return Some(String::from(
            "holds other characters than letters, digits and - . _ ~ + / (= only at its end), which a bearer token may \
             not (RFC 6750)",
        ));
    }
    (secret.len() < MIN_AUTH_CHARS).then(|| format!("is shorter than {MIN_AUTH_CHARS} characters"))
}

fn read_token(path: &Path) -> Result<SecretString, String> {
    let shown = path.display();
    let mut text = String::new();
    let file = std::fs::File::open(path);
    file.and_then(|file| file.take(MAX_TOKEN_BYTES + 1).read_to_string(&mut text))
        .map_err(|error| {
            format!("the token file {shown} cannot be read: {error}; check its path and who may read it")
        })?;
    if text.len() as u64 > MAX_TOKEN_BYTES {
        return Err(format!(
            "the token file {shown} is longer than {MAX_TOKEN_BYTES} bytes: it should hold one token"
        ));
    }
    bare_token(&text).map_err(|fault| format!("the token file {shown} {fault}"))
}

/// One token with nothing but white space around it. Never repeats it.
fn bare_token(text: &str) -> Result<SecretString, String> {
    let token = text.trim();
    if token.is_empty() {
        return Err(String::from("is empty: write the token into it"));
    }
    // It goes into an HTTP header: anything else would break or split that.
    if !token.bytes().all(|byte| byte.is_ascii_graphic()) {
        return Err(String::from(
            "must hold the token alone: one word, without \"Bearer\", spaces or line breaks",
        ));
    }
    Ok(SecretString::from(token))
}
