//! A TCP proxy that spoils connections: each by a fault that a seed chooses.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// Random numbers of a seed (SplitMix64: Steele, Lea and Flood 2014, "Fast splittable pseudorandom
/// number generators").
#[derive(Clone, Debug)]
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// From `low` to `high`, both included.
    pub fn within(&mut self, low: u64, high: u64) -> u64 {
        low + self.next() % (high - low + 1)
    }

    pub fn percent(&mut self, percent: u64) -> bool {
        self.next() % 100 < percent
    }

    /// Another row of numbers, of this seed and `name`.
    pub fn fork(&self, name: u64) -> Self {
        let mut forked = Self(self.0 ^ name.wrapping_mul(0xD1B5_4A32_D192_ED03));
        forked.next();
        forked
    }
}

/// What happens to one connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Nothing, until so many bytes of answers have passed; then a reset.
    Lives(u64),
    /// Each piece of an answer comes late.
    Latency(Duration),
    /// The answer is reset after so many bytes: the request was carried out.
    ResetAnswer(u64),
    /// The request is reset after so many bytes: it may not have arrived.
    ResetRequest(u64),
    /// The request is carried out and no answer ever comes; the connection stays open.
    HalfOpen,
    /// The answer comes in small pieces.
    Drip,
    /// The answer comes at about 64 KiB a second.
    Bandwidth,
}

fn choose(random: &mut Random) -> Fault {
    match random.within(0, 19) {
        0..=7 => Fault::Lives(random.within(4_000, 60_000)),
        8..=10 => Fault::Latency(Duration::from_millis(random.within(2, 60))),
        11..=13 => Fault::ResetAnswer(random.within(0, 1500)),
        14..=15 => Fault::ResetRequest(random.within(0, 3000)),
        16 => Fault::HalfOpen,
        17..=18 => Fault::Drip,
        _ => Fault::Bandwidth,
    }
}

/// The proxy. It ends with its runtime.
pub struct Proxy {
    pub address: SocketAddr,
    calm: Arc<AtomicBool>,
    /// Connections that were spoiled.
    pub spoiled: Arc<AtomicU64>,
}

impl Proxy {
    pub async fn start(upstream: SocketAddr, random: Random) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let calm = Arc::new(AtomicBool::new(false));
        let spoiled = Arc::new(AtomicU64::new(0));
        let (calm_now, counted) = (Arc::clone(&calm), Arc::clone(&spoiled));
        tokio::spawn(async move {
            for number in 0.. {
                let Ok((client, _)) = listener.accept().await else {
                    return;
                };
                let fault = choose(&mut random.fork(number));
                let (calm, counted) = (Arc::clone(&calm_now), Arc::clone(&counted));
                tokio::spawn(async move {
                    let Ok(server) = TcpStream::connect(upstream).await else {
                        return;
                    };
                    if calm.load(Ordering::SeqCst) {
                        pass(client, server).await;
                    } else {
                        counted.fetch_add(1, Ordering::Relaxed);
                        spoil(client, server, fault, &calm).await;
                    }
                });
            }
        });
        Self { address, calm, spoiled }
    }

    /// New connections are left alone; those that are spoiled end.
    pub fn calm_down(&self) {
        self.calm.store(true, Ordering::SeqCst);
    }
}

async fn pass(mut client: TcpStream, mut server: TcpStream) {
    let _either_ended = tokio::io::copy_bidirectional(&mut client, &mut server).await;
}

async fn spoil(mut client: TcpStream, mut server: TcpStream, fault: Fault, calm: &AtomicBool) {
    {
        let (from_client, to_client) = client.split();
        let (from_server, to_server) = server.split();
        let limit = |wanted: Option<u64>| wanted.unwrap_or(u64::MAX);
        let (up, down, piece, pause, swallow) = match fault {
            Fault::Lives(bytes) => (None, Some(bytes), 16_384, Duration::ZERO, false),
            Fault::Latency(pause) => (None, None, 16_384, pause, false),
            Fault::ResetAnswer(bytes) => (None, Some(bytes), 16_384, Duration::ZERO, false),
            Fault::ResetRequest(bytes) => (Some(bytes), None, 16_384, Duration::ZERO, false),
            Fault::HalfOpen => (None, None, 16_384, Duration::ZERO, true),
            Fault::Drip => (None, None, 64, Duration::from_millis(2), false),
            Fault::Bandwidth => (None, None, 1024, Duration::from_millis(16), false),
        };
        let until_calm = async {
            while !calm.load(Ordering::SeqCst) {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        };
        tokio::select! {
            () = carry(from_client, to_server, Carrying { limit: limit(up), piece: 16_384, pause: Duration::ZERO, swallow: false }) => {}
            () = carry(from_server, to_client, Carrying { limit: limit(down), piece, pause, swallow }) => {}
            () = until_calm => {}
        }
    }
    // Not a clean end: both sides get a reset.
    let _as_hard_as_we_can = client.set_zero_linger();
    let _as_hard_as_we_can = server.set_zero_linger();
}

/// How one direction is carried.
struct Carrying {
    limit: u64,
    piece: usize,
    pause: Duration,
    swallow: bool,
}

/// Until the end of the source or the limit.
async fn carry(mut from: impl AsyncRead + Unpin, mut to: impl AsyncWrite + Unpin, how: Carrying) {
    let mut left = how.limit;
    let mut buffer = vec![0; how.piece];
    while left > 0 {
        let wanted = usize::try_from(left).unwrap_or(usize::MAX).min(buffer.len());
        let count = match from.read(&mut buffer[..wanted]).await {
            Ok(0) | Err(_) => return,
            Ok(count) => count,
        };
        left -= count as u64;
        if !how.pause.is_zero() {
            tokio::time::sleep(how.pause).await;
        }
        if !how.swallow && to.write_all(&buffer[..count]).await.is_err() {
            return;
        }
    }
}
