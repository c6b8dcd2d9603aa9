//! Style sheet and script, under names that hold a hash of their content, so that a browser may
//! keep them for ever and never shows a new page with an old style.

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};
use std::sync::LazyLock;

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

static STYLE_NAME: LazyLock<String> = LazyLock::new(|| named(STYLE, "css"));
static SCRIPT_NAME: LazyLock<String> = LazyLock::new(|| named(SCRIPT, "js"));

fn named(content: &str, ending: &str) -> String {
    let hash = format!("{:x}", Sha256::digest(content.as_bytes()));
    format!("page-{}.{ending}", hash.get(..12).unwrap_or_default())
}

/// Path of the style sheet.
pub(super) fn style() -> String {
    format!("/assets/{}", *STYLE_NAME)
}

/// Path of the script.
pub(super) fn script() -> String {
    format!("/assets/{}", *SCRIPT_NAME)
}

/// `GET /assets/{name}`.
pub(super) async fn serve(Path(name): Path<String>) -> Response {
    let (kind, content) = if name == *STYLE_NAME {
        ("text/css; charset=utf-8", STYLE)
    } else if name == *SCRIPT_NAME {
        ("text/javascript; charset=utf-8", SCRIPT)
    } else {
        return (StatusCode::NOT_FOUND, "No such asset; load the page again.\n").into_response();
    };
    let headers = [
        (header::CONTENT_TYPE, kind),
        (header::CACHE_CONTROL, "public, max-age=31536000, immutable"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    ];
    (headers, content).into_response()
}
