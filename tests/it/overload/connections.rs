//! Connections that do nothing, or everything slowly.

use crate::process::{Running, config};
use axum::Router;
use axum::body::{Body, Bytes};
use axum::routing::{get, post};
use deltaward::server::connections::{ConnectionLimits, serve};
use std::net::SocketAddr;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;

const SHORT: Duration = Duration::from_millis(700);
const LONG: Duration = Duration::from_secs(600);

fn limits() -> ConnectionLimits {
    ConnectionLimits {
        max_connections: 4,
        head_timeout: LONG,
        idle_timeout: LONG,
        write_timeout: LONG,
        answer_timeout: LONG,
    }
}

/// `/` answers at once, `/hang` never, `/endless` with a body that never ends, `/echo` gives the body back.
async fn start(limits: ConnectionLimits) -> (SocketAddr, CancellationToken) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let endless = || async {
        Body::from_stream(futures_util::stream::repeat_with(|| {
            Ok::<_, std::io::Error>(Bytes::from(vec![b'x'; 1 << 16]))
        }))
    };
    let router = Router::new()
        .route("/", get(|| async { "here" }))
        .route("/hang", get(std::future::pending::<String>))
        .route("/endless", get(endless))
        .route("/echo", post(|body: Bytes| async { body }));
    let stop = CancellationToken::new();
    tokio::spawn(serve(listener, router, limits, stop.clone()));
    (address, stop)
}

async fn open(address: SocketAddr, text: &str) -> TcpStream {
    let mut stream = TcpStream::connect(address).await.unwrap();
    stream.write_all(text.as_bytes()).await.unwrap();
    stream
}

/// What comes until the other side closes.
async fn rest(stream: &mut TcpStream) -> String {
    let mut bytes = Vec::new();
    let read = tokio::time::timeout(Duration::from_secs(30), stream.read_to_end(&mut bytes));
    let _reset_or_closed = read.await.expect("the connection is never closed");
    String::from_utf8_lossy(&bytes).into_owned()
}

async fn answer(stream: &mut TcpStream) -> String {
    let mut buffer = vec![0; 4096];
    let read = tokio::time::timeout(Duration::from_secs(20), stream.read(&mut buffer));
    let count = read.await.expect("no answer").unwrap();
    String::from_utf8_lossy(&buffer[..count]).into_owned()
}

const ASK: &str = "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n";
const HANG: &str = "GET /hang HTTP/1.1\r\nHost: localhost\r\n\r\n";

#[tokio::test(flavor = "multi_thread")]
async fn a_connection_that_says_nothing_and_a_head_that_drips_are_closed() {
    let (address, _stop) = start(ConnectionLimits {
        head_timeout: SHORT,
        ..limits()
    })
    .await;
    let mut silent = open(address, "").await;
    assert_eq!(rest(&mut silent).await, "");
    let (mut reads, mut writes) = open(address, "GET / HTTP/1.1\r\n").await.into_split();
    let dripping = tokio::spawn(async move {
        while writes.write_all(b"X").await.is_ok() {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    });
    let mut none = Vec::new();
    let closed = tokio::time::timeout(Duration::from_secs(30), reads.read_to_end(&mut none));
    let _reset_or_closed = closed.await.expect("a dripping head is never closed");
    assert!(!String::from_utf8_lossy(&none).contains("200"));
    dripping.await.unwrap();
    // Between requests the other limit counts, and a second head has its own.
    let mut patient = open(address, ASK).await;
    assert!(answer(&mut patient).await.ends_with("here"));
    tokio::time::sleep(SHORT * 3).await;
    patient.write_all(ASK.as_bytes()).await.unwrap();
    assert!(answer(&mut patient).await.ends_with("here"));
    patient.write_all(b"GET /").await.unwrap();
    assert_eq!(rest(&mut patient).await, "");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_connection_between_requests_is_closed_after_its_time() {
    let (address, _stop) = start(ConnectionLimits {
        idle_timeout: SHORT,
        ..limits()
    })
    .await;
    let mut idle = open(address, ASK).await;
    let text = rest(&mut idle).await;
    assert!(text.starts_with("HTTP/1.1 200") && text.ends_with("here"), "{text}");
    // A request under way is not idle.
    let mut busy = open(address, HANG).await;
    let nothing = tokio::time::timeout(SHORT * 3, answer(&mut busy)).await;
    assert!(nothing.is_err(), "{nothing:?}");
}

/// Pages, search results and event streams are all bodies: a reader that takes nothing is cut off.
#[tokio::test(flavor = "multi_thread")]
async fn a_reader_that_takes_nothing_is_cut_off() {
    let (address, _stop) = start(ConnectionLimits {
        write_timeout: SHORT,
        max_connections: 1,
        ..limits()
    })
    .await;
    let mut reads_not = open(address, "GET /endless HTTP/1.1\r\nHost: localhost\r\n\r\n").await;
    assert!(answer(&mut reads_not).await.starts_with("HTTP/1.1 200"));
    // The one place is taken by a request under way, until its reader is given up.
    let mut turned_away = 0;
    loop {
        let mut next = open(address, ASK).await;
        let text = rest_or_answer(&mut next).await;
        if text.ends_with("here") {
            break;
        }
        turned_away += 1;
        assert!(turned_away < 400, "the reader is never cut off");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    assert!(turned_away > 0);
    drop(reads_not);
}

/// An answer of 503 may be followed by a reset.
/// A page that listens to changes and takes none is let go of; one that takes them goes on listening.
#[tokio::test(flavor = "multi_thread")]
async fn a_listener_that_takes_nothing_is_cut_off() {
    let page = crate::pages::resend::ward_with_stopped();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let limits = ConnectionLimits {
        write_timeout: SHORT,
        ..limits()
    };
    let router = deltaward::server::pages::router(page.clone());
    let stop = CancellationToken::new();
    tokio::spawn(serve(listener, router, limits, stop.clone()));
    let ask = "GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n";
    let before = page.events.receiver_count();
    let mut reader = open(address, ask).await;
    assert!(answer(&mut reader).await.contains("text/event-stream"));
    let mut deaf = open(address, ask).await;
    assert!(answer(&mut deaf).await.contains("text/event-stream"));
    assert_eq!(page.events.receiver_count(), before + 2);
    let reading = tokio::spawn(async move { tokio::io::copy(&mut reader, &mut tokio::io::sink()).await });
    // More than the two kernels' buffers hold.
    let change = deltaward::server::LiveEvent {
        patient: deltaward::recognise::reading::PatientKey("Patient/1".into()),
        at: deltaward::fhir::Instant::from_millis(0),
        text: "x".repeat(1 << 18),
    };
    let sending = async {
        while page.events.receiver_count() > before + 1 {
            page.events.send(change.clone()).unwrap();
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(30), sending)
        .await
        .expect("it is never cut off");
    assert_eq!(page.events.receiver_count(), before + 1);
    assert!(!reading.is_finished(), "the one that reads was cut off, too");
    drop(deaf);
}

async fn rest_or_answer(stream: &mut TcpStream) -> String {
    let mut buffer = vec![0; 4096];
    match tokio::time::timeout(Duration::from_secs(20), stream.read(&mut buffer)).await {
        Ok(Ok(count)) => String::from_utf8_lossy(&buffer[..count]).into_owned(),
        Ok(Err(_)) => String::new(),
        Err(_) => panic!("no answer"),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reader_that_reads_slowly_but_reads_gets_its_answer() {
    let (address, _stop) = start(ConnectionLimits {
        write_timeout: SHORT,
        ..limits()
    })
    .await;
    let mut slow = open(address, "GET /endless HTTP/1.1\r\nHost: localhost\r\n\r\n").await;
    let mut buffer = vec![0; 1 << 22];
    for _ in 0..20 {
        let count = slow.read(&mut buffer).await.unwrap();
        assert!(count > 0, "cut off although it reads");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// Every place busy: 503, Retry-After, OperationOutcome (RFC 9110 section 15.6.4).
#[tokio::test(flavor = "multi_thread")]
async fn when_every_place_is_busy_the_next_is_told_to_come_back() {
    let (address, _stop) = start(limits()).await;
    let mut busy = Vec::new();
    for _ in 0..4 {
        busy.push(open(address, HANG).await);
    }
    tokio::time::sleep(Duration::from_millis(200)).await;
    let mut next = TcpStream::connect(address).await.unwrap();
    let text = answer(&mut next).await;
    assert!(text.starts_with("HTTP/1.1 503 Service Unavailable\r\n"), "{text}");
    assert!(
        text.contains("Retry-After: 1\r\n") && text.contains("\"transient\""),
        "{text}"
    );
    // One goes, and there is a place.
    busy.pop();
    let end = std::time::Instant::now() + Duration::from_secs(20);
    loop {
        let mut next = open(address, ASK).await;
        if rest_or_answer(&mut next).await.ends_with("here") {
            break;
        }
        assert!(std::time::Instant::now() < end, "the place is never free again");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// Those that never asked go first, the eldest of them; then those that wait between two requests. Of
/// these none that asked just now: its next request may be on its way already.
#[tokio::test(flavor = "multi_thread")]
async fn who_does_nothing_makes_room() {
    let (address, _stop) = start(limits()).await;
    let mut asked = open(address, ASK).await;
    assert!(answer(&mut asked).await.ends_with("here"));
    let mut silent = Vec::new();
    for _ in 0..3 {
        silent.push(open(address, "").await);
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let mut fifth = open(address, ASK).await;
    assert!(answer(&mut fifth).await.ends_with("here"));
    assert_eq!(rest(&mut silent[0]).await, "", "the eldest that never asked is closed");
    let others = silent.iter_mut().skip(1);
    for still in std::iter::once(&mut asked).chain(others) {
        still.write_all(ASK.as_bytes()).await.unwrap();
        assert!(answer(still).await.ends_with("here"));
    }
    // All four have just asked: the next is told to come back, even when it sends much before it reads.
    let mut early = open(address, &format!("{ASK}{}", "x".repeat(100_000))).await;
    let text = rest(&mut early).await;
    assert!(text.starts_with("HTTP/1.1 503 ") && text.ends_with('}'), "{text}");
    tokio::time::sleep(Duration::from_millis(1100)).await;
    // Now the one that waits longest goes, which is the fifth.
    let mut sixth = open(address, ASK).await;
    assert!(answer(&mut sixth).await.ends_with("here"));
    assert_eq!(rest(&mut fifth).await, "");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_under_way_at_the_stop_is_answered() {
    let (address, stop) = start(limits()).await;
    let mut sending = open(
        address,
        "POST /echo HTTP/1.1\r\nHost: localhost\r\nContent-Length: 6\r\n\r\nabc",
    )
    .await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    stop.cancel();
    tokio::time::sleep(Duration::from_millis(100)).await;
    sending.write_all(b"def").await.unwrap();
    let text = rest(&mut sending).await;
    assert!(text.starts_with("HTTP/1.1 200") && text.ends_with("abcdef"), "{text}");
    let refused = TcpStream::connect(address).await;
    assert!(refused.is_err(), "the port is still open");
}

/// Open files that this process may have; raised where the system lets us (util-linux's prlimit).
fn open_files() -> usize {
    let soft = || {
        let limits = std::fs::read_to_string("/proc/self/limits").unwrap();
        let line = limits
            .lines()
            .find(|line| line.starts_with("Max open files"))
            .unwrap()
            .to_owned();
        let soft = line.split_whitespace().nth(3).unwrap();
        soft.parse::<usize>().unwrap_or(usize::MAX)
    };
    if soft() < 13_000 {
        let pid = std::process::id().to_string();
        let _where_it_is_allowed = std::process::Command::new("prlimit")
            .args(["--pid", &pid, "--nofile=13000:"])
            .status();
    }
    soft()
}

/// Ten thousand connections that say nothing (as many as the limit of open files lets us hold; the
/// number is printed): a reading is taken all the same, and the service holds no more than its bound.
#[tokio::test(flavor = "multi_thread")]
async fn ten_thousand_silent_connections_keep_no_reading_out() {
    let wanted = 10_000.min(open_files().saturating_sub(2000));
    assert!(
        wanted > 1500,
        "too few open files are allowed for this test: ulimit -n 13000"
    );
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let running = Running::start(folder.path(), &["run", "--config", &file]);
    let address: SocketAddr = running.base.trim_start_matches("http://").parse().unwrap();
    let client = reqwest::Client::new();
    let put = async |id: String| {
        let body = format!("{{\"resourceType\":\"Observation\",\"id\":\"{id}\",\"status\":\"final\",\"code\":{{}}}}");
        let url = format!("{}/fhir/Observation/{id}", running.base);
        let request = client.put(url).timeout(Duration::from_secs(10)).body(body);
        request.send().await.expect("a reading is kept out").status()
    };
    let mut silent = Vec::with_capacity(wanted);
    for number in 0..wanted {
        silent.push(TcpStream::connect(address).await.unwrap());
        if number % 1000 == 999 {
            assert_eq!(put(format!("during{number}")).await, 201);
        }
    }
    assert_eq!(put(String::from("after")).await, 201);
    // A new client, without a connection of its own yet, too.
    let fresh = reqwest::Client::new().get(format!("{}/health/live", running.base));
    assert_eq!(fresh.send().await.unwrap().status(), 200);
    let held = std::fs::read_dir(format!("/proc/{}/fd", running.id())).unwrap().count();
    println!("{wanted} silent connections were opened; the service holds {held} open files");
    assert!(held < 768 + 100, "{held}");
}

/// A client that sends all before it reads (most do) gets its 413: closed while it is still sending, the
/// connection would be reset, and the answer lost with it (RFC 9112, 9.6).
#[test]
fn a_body_that_is_too_large_is_answered_though_all_of_it_is_sent_first() {
    use std::io::{Read, Write};
    let folder = tempfile::tempdir().unwrap();
    let file = config(folder.path(), "");
    let running = Running::start(folder.path(), &["run", "--config", &file]);
    let address = running
        .base
        .trim_start_matches("http://")
        .trim_end_matches('/')
        .to_owned();
    for chunked in [false, true, false, true] {
        let mut stream = std::net::TcpStream::connect(&address).unwrap();
        let length = 4 << 20;
        let body = match chunked {
            true => "transfer-encoding: chunked".to_owned(),
            false => format!("content-length: {length}"),
        };
        let head = format!(
            "POST /fhir/Observation HTTP/1.1\r\nhost: {address}\r\ncontent-type: application/fhir+json\r\nconnection: close\r\n{body}\r\n\r\n"
        );
        stream.write_all(head.as_bytes()).unwrap();
        for piece in vec![b'x'; length].chunks(1 << 16) {
            if chunked {
                stream.write_all(format!("{:x}\r\n", piece.len()).as_bytes()).unwrap();
            }
            stream.write_all(piece).unwrap();
            if chunked {
                stream.write_all(b"\r\n").unwrap();
            }
        }
        if chunked {
            stream.write_all(b"0\r\n\r\n").unwrap();
        }
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        assert!(answer.starts_with("HTTP/1.1 413 "), "{answer}");
        assert!(answer.contains("too-long"), "{answer}");
    }
}
