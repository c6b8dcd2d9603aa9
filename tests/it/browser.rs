//! A person's view: Chromium opens the demo's page and sees a concern appear without a reload.
//! `tests/all` installs Debian's chromium and chromium-driver; without them this test fails.

use crate::process::Running;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::json;
use std::net::TcpListener;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// ChromeDriver, killed when dropped.
struct Driver {
    child: Child,
    port: u16,
}

impl Driver {
    fn start() -> Self {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let child = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is needed: apt-get install chromium chromium-driver");
        Self { child, port }
    }

    async fn browser(&self, profile: &std::path::Path) -> Client {
        let args = [
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--window-size=1280,1600",
            &format!("--user-data-dir={}", profile.display()),
        ]
        .map(ToOwned::to_owned);
        let capabilities = json!({"goog:chromeOptions": {"args": args}});
        let end = Instant::now() + Duration::from_secs(30);
        loop {
            let mut builder = ClientBuilder::new(HttpConnector::new());
            builder.capabilities(capabilities.as_object().unwrap().clone());
            match builder.connect(&format!("http://127.0.0.1:{}", self.port)).await {
                Ok(client) => return client,
                Err(error) => assert!(Instant::now() < end, "the browser does not start: {error}"),
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Wait until the page's own text holds `words`, without navigating.
async fn until_seen(browser: &Client, words: &[&str]) -> String {
    let end = Instant::now() + Duration::from_secs(45);
    loop {
        let text = browser
            .find(Locator::Id("main"))
            .await
            .unwrap()
            .text()
            .await
            .unwrap_or_default();
        if words.iter().all(|word| text.contains(word)) {
            return text;
        }
        assert!(Instant::now() < end, "{words:?} never appeared; the page says:\n{text}");
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
}

#[tokio::test]
async fn a_concern_appears_live_on_the_demos_page() {
    let folder = tempfile::tempdir().unwrap();
    // 12 s an hour: the first concern of the night comes after 4 s.
    let demo = Running::start(folder.path(), &["demo", "--listen", "127.0.0.1:0", "--pace", "12"]);
    let driver = Driver::start();
    let browser = driver.browser(&folder.path().join("profile")).await;
    browser.goto(&demo.base).await.unwrap();
    browser.execute("window.notReloaded = true;", vec![]).await.unwrap();
    let before = browser.find_all(Locator::Css("[data-concern]")).await.unwrap().len();

    until_seen(&browser, &["Tamsin Orrelow", "act", "29 mmHg"]).await;
    let after = browser.find_all(Locator::Css("[data-concern]")).await.unwrap().len();
    assert!(after > before, "{before} concerns before, {after} after");
    let same_page = browser
        .execute("return window.notReloaded === true;", vec![])
        .await
        .unwrap();
    assert_eq!(same_page, json!(true), "the concern appeared by a reload, not live");
    let told = browser
        .execute("return document.getElementById('announce').textContent;", vec![])
        .await
        .unwrap();
    assert!(
        told.as_str().unwrap().starts_with("New concern"),
        "a screen reader was told nothing: {told}"
    );

    // The patient's page, by keyboard alone: the first link of the list.
    let link = browser.find(Locator::Css("#main a[href^='/patient']")).await.unwrap();
    link.click().await.unwrap();
    browser
        .wait()
        .for_element(Locator::Css("svg[role='img']"))
        .await
        .unwrap();
    let described = browser
        .execute(
            "return document.querySelector('svg[role=img] desc').textContent;",
            vec![],
        )
        .await;
    assert!(described.unwrap().as_str().unwrap().contains("delta pressure"));
    let text = browser.find(Locator::Css("body")).await.unwrap().text().await.unwrap();
    assert!(text.contains("30 mmHg"), "{text}");
    browser.close().await.unwrap();
}

/// A real browser's form carries the Origin and Sec-Fetch-Site that the guard wants to see.
#[tokio::test]
async fn a_stopped_entry_is_sent_again_by_a_click() {
    let page = crate::pages::resend::ward_with_stopped();
    let api = crate::fhir_api::support::Api::new();
    let port = deltaward::server::router(api.app.clone(), deltaward::server::pages::router(page.clone()));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move { axum::serve(listener, port).await });
    let folder = tempfile::tempdir().unwrap();
    let driver = Driver::start();
    let browser = driver.browser(&folder.path().join("profile")).await;
    browser.goto(&format!("http://{address}/stopped")).await.unwrap();
    let button = browser
        .find(Locator::Css("button[aria-label='Send entry 2 again']"))
        .await
        .unwrap();
    button.click().await.unwrap();
    let end = Instant::now() + Duration::from_secs(20);
    while crate::pages::resend::due(&page) != [2] {
        let text = browser
            .find(Locator::Css("body"))
            .await
            .unwrap()
            .text()
            .await
            .unwrap_or_default();
        assert!(
            Instant::now() < end,
            "the click changed nothing; the page says:\n{text}"
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let at = browser.current_url().await.unwrap();
    assert_eq!(at.path(), "/stopped");
    browser.close().await.unwrap();
}
