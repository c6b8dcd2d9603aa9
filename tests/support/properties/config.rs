//! A configuration is used, or every fault has its line and column.

use super::assert_place;
use deltaward::config::{ConfigError, from_text};

pub fn holds(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    // It would be opened.
    if text.contains("token_file") {
        return;
    }
    match from_text(text, "d.toml", &|_| None) {
        Ok(config) => {
            assert!(toml::from_str::<toml::Table>(text).is_ok());
            assert!(config.server.max_body_bytes <= config.server.max_bundle_bytes);
            assert!(config.server.max_depth > 0 && config.server.queue_batches > 0);
            assert!(config.auth.is_none(), "nothing gives a secret");
            assert!(config.server.listen.ip().to_canonical().is_loopback());
            assert!(!config.store.path.as_os_str().is_empty());
            for server in [
                config.source.as_ref().map(|one| &one.server),
                config.sink.as_ref().map(|one| &one.server),
            ] {
                let Some(server) = server else { continue };
                assert!(matches!(server.base.scheme(), "http" | "https"));
                assert!(server.base.username().is_empty() && server.base.password().is_none());
                assert!(server.bearer_token.is_none() && server.timeout_seconds > 0);
            }
            // Whoever starts it asks for the warnings.
            drop(config.warnings());
        }
        Err(ConfigError::Invalid(problems)) => {
            assert!(!problems.is_empty());
            for problem in problems {
                let shown = problem.to_string();
                let place = problem
                    .place
                    .expect("the environment is empty, so a fault is of the file");
                assert_place(text, place.line, place.column);
                assert!(!problem.message.trim().is_empty());
                let head = format!("d.toml:{}:{}: ", place.line, place.column);
                assert!(shown.starts_with(&head), "{shown}");
            }
        }
        Err(error) => panic!("{error}"),
    }
}
