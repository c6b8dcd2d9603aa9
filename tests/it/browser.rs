//! A person's view: Chromium opens the demo's page and sees a concern appear without a reload.
//! `tests/all` installs Debian's chromium and chromium-driver; without them this test fails.

use crate::process::Running;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::json;
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// ChromeDriver, killed when dropped.
struct Driver {
    child: Child,
    port: u16,
}

impl Driver {
    fn start() -> Self {
        let mut child = Command::new("chromedriver")
            // It takes a free port itself: one that we found free could be taken before it listens.
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is needed: apt-get install chromium chromium-driver");
        let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
        let port = said
            .find_map(|line| {
                let line = line.unwrap();
                let number = line.split_once("started successfully on port ")?.1;
                number.trim_end_matches('.').parse().ok()
            })
            .expect("chromedriver says on which port it listens");
        // Whatever else it says is read and dropped: a full pipe would stop it.
        std::thread::spawn(move || said.for_each(drop));
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
        let end = Instant::now() + Duration::from_secs(120);
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

/// The text of the page's first `css`; empty while the page is being exchanged, when the element is not
/// there, no longer there, or is another one than a moment ago.
async fn text_of(browser: &Client, css: &str) -> String {
    match browser.find(Locator::Css(css)).await {
        Ok(element) => element.text().await.unwrap_or_default(),
        Err(_) => String::new(),
    }
}

/// Click the page's first `css`. The page exchanges its own content when something arrives, so the element
/// may be gone between finding and clicking it: then the next one is found.
async fn click(browser: &Client, css: &str) {
    let end = Instant::now() + Duration::from_secs(20);
    loop {
        let clicked = match browser.find(Locator::Css(css)).await {
            Ok(element) => element.click().await,
            Err(error) => Err(error),
        };
        match clicked {
            Ok(()) => return,
            Err(error) => assert!(Instant::now() < end, "{css} cannot be clicked: {error}"),
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// Wait until the page's own text holds `words`, without navigating.
async fn until_seen(browser: &Client, words: &[&str]) -> String {
    let end = Instant::now() + Duration::from_secs(45);
    loop {
        let text = text_of(browser, "#main").await;
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
    click(&browser, "#main a[href^='/patient']").await;
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
    let text = text_of(&browser, "body").await;
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
    click(&browser, "button[aria-label='Send entry 2 again']").await;
    let end = Instant::now() + Duration::from_secs(20);
    while crate::pages::resend::due(&page) != [2] {
        assert!(
            Instant::now() < end,
            "the click changed nothing; the page says:\n{}",
            text_of(&browser, "body").await
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    // The entry is due before the browser has followed the redirect back to the list.
    while browser.current_url().await.map(|at| at.path().to_owned()).ok() != Some("/stopped".to_owned()) {
        assert!(Instant::now() < end, "the click did not lead back to the list");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    browser.close().await.unwrap();
}

/// A browser that was given the secret as a password once sends it with everything that the page does by
/// itself: its style sheet, its stream of changes, its refresh and its form (RFC 7617, section 2.2).
#[tokio::test]
async fn a_browser_signs_in_with_any_user_name() {
    let secret = "0123456789abcdef-invented";
    let page = crate::pages::resend::ward_with_stopped();
    let mut api = crate::fhir_api::support::Api::new();
    api.app.auth = Some(std::sync::Arc::new(deltaward::server::Auth::new(&secret.into())));
    let port = deltaward::server::router(api.app.clone(), deltaward::server::pages::router(page.clone()));
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move { axum::serve(listener, port).await });
    let folder = tempfile::tempdir().unwrap();
    let driver = Driver::start();
    let browser = driver.browser(&folder.path().join("profile")).await;
    // What the browser keeps as answered to its question for a password.
    browser
        .goto(&format!("http://ward:{secret}@{address}/stopped"))
        .await
        .unwrap();
    browser.goto(&format!("http://{address}/stopped")).await.unwrap();
    let look = "const done = arguments[0]; \
                const stream = new EventSource('/events'); \
                const heard = new Promise((yes, no) => { \
                    stream.addEventListener('hello', () => yes('hello')); \
                    stream.onerror = () => no(new Error('no stream')); }); \
                const again = fetch(location.href).then((answer) => answer.status); \
                const styled = document.styleSheets[0].cssRules.length > 0; \
                Promise.all([heard, again]).then((both) => done([...both, styled]), (error) => done(String(error)));";
    let seen = browser.execute_async(look, vec![]).await.unwrap();
    assert_eq!(seen, json!(["hello", 200, true]));
    click(&browser, "button[aria-label='Send entry 2 again']").await;
    let end = Instant::now() + Duration::from_secs(20);
    while crate::pages::resend::due(&page) != [2] {
        assert!(Instant::now() < end, "the click changed nothing");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    browser.close().await.unwrap();
}
