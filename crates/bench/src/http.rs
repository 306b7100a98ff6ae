//! The same server for everybody: gate, token, strict reading and the form of the answer are ours;
//! what differs is what happens between reading and answering.

use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use actix_web::middleware::from_fn;
use actix_web::{App, HttpRequest, HttpResponse, HttpServer, post, web};
use anyhow::{Context as _, Result, bail, ensure};
use chain::Digest;
use chain::canon::{self, Limits, Value};
use chain::limits::EVENT_DEPTH_MAX;
use edge::event::{BATCH_TYPE, EVENT_TYPE};
use ledger::seams::OsRandom;
use recorder::api::wire::{BatchItemView, BatchView, ReceiptView};
use recorder::app::{self, Caller, Recorder};
use recorder::authn::local::{Claims, LocalIssuer};
use recorder::authz;
use recorder::cli::Seams;
use recorder::cli::serve::{self, ServeArgs};
use recorder::config::Config;
use recorder::http::{body, gate};
use recorder::limits::BATCH_BODY_BYTES_MAX;
use recorder::log::Receipt;
use recorder::problem::{Kind, Problem};
use shopfloor::people::events::Role;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use crate::event::{ENTRY_BYTES, Events, Record};
use crate::measure::{CLIENTS, GroupCommit, Sample, side_by_side};
use crate::ours::{self, SystemClock};

/// Connections in every cell.
pub(crate) const CONNECTIONS: usize = CLIENTS;
/// Events in a request, where many are measured.
pub(crate) const MANY: usize = 100;

/// What stands behind the server instead of our log.
#[derive(Debug, Clone)]
pub(crate) enum Behind {
    /// Nothing: it reads and answers.
    Nothing,
    /// A rival, over the same group commit.
    Rival(GroupCommit),
}

#[derive(Debug)]
struct Other {
    behind: Behind,
    next: AtomicU64,
}

impl Other {
    async fn record(&self, caller: &Caller, events: &[Value]) -> Result<Vec<ReceiptView>, Problem> {
        let mut records = Vec::with_capacity(events.len());
        for event in events {
            let mut payload = canon::to_bytes(event);
            let (envelope, content) = shopfloor::Envelope::read(event)?;
            authz::may_record(caller, &envelope, content.kind())?;
            payload.resize(payload.len().max(ENTRY_BYTES), b' ');
            records.push(Record { key: format!("{}\n{}", envelope.source, envelope.id), payload });
        }
        if let Behind::Rival(group) = &self.behind {
            let failed = |error: anyhow::Error| Problem::new(Kind::Internal, error.to_string());
            group.commit(records).await.map_err(failed)?;
        }
        let count = events.len() as u64;
        let first = self.next.fetch_add(count, Ordering::Relaxed);
        let (leaf, prev) = (Digest::of(b"leaf"), Digest::of(b"prev"));
        let receipt = |seq| Receipt {
            origin: ours::ORIGIN.into(),
            seq,
            leaf,
            prev,
            recorded_at_ms: 1_772_352_000_000,
        };
        Ok((first..first + count)
            .map(|seq| ReceiptView::new(ours::ORIGIN, &receipt(seq), &[], &[]))
            .collect())
    }
}

#[post("/v1/events")]
async fn record(
    other: web::Data<Other>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, Problem> {
    let media_type = body::media_type(&request)?;
    let bytes = body::read(&request, payload, BATCH_BODY_BYTES_MAX).await?;
    let limits = Limits { max_depth: EVENT_DEPTH_MAX + 1, max_bytes: BATCH_BODY_BYTES_MAX };
    match (media_type.as_str(), canon::parse_with(&bytes, limits)?) {
        (BATCH_TYPE, Value::Array(events)) => {
            let receipts = other.record(&caller, &events).await?;
            let results = receipts.into_iter().enumerate().map(|(index, receipt)| BatchItemView {
                index,
                status: 201,
                receipt: Some(receipt),
                trial: None,
                problem: None,
            });
            let view = BatchView { recorded: events.len(), refused: 0, results: results.collect() };
            Ok(HttpResponse::Ok().json(view))
        }
        (_, event) => {
            let mut receipts = other.record(&caller, &[event]).await?;
            Ok(HttpResponse::Created().json(receipts.pop()))
        }
    }
}

/// A running server.
pub(crate) struct Service {
    address: SocketAddr,
    token: String,
    recorder: web::Data<Recorder>,
    handle: actix_web::dev::ServerHandle,
    serving: actix_web::rt::task::JoinHandle<std::io::Result<()>>,
}

impl Service {
    /// Starts our recorder in `dir`, or the same server with something else behind it.
    pub(crate) async fn start(dir: &Path, other: Option<Behind>) -> Result<Self> {
        let mut config = Config::default();
        config.log.data_dir = dir.join("data");
        config.log.origin = ours::ORIGIN.into();
        config.log.allow_tmpfs = true;
        config.listen.workers = std::thread::available_parallelism().map_or(2, usize::from);
        config.auth.local_issuer = true;
        (config.limits.requests_per_s, config.limits.requests_burst) = (10_000_000, 10_000_000);
        let workers = config.listen.workers;
        let keys_dir = config.keys_dir();
        let seams = Seams { clock: Arc::new(SystemClock), random: || Box::new(OsRandom) };
        let recorder =
            serve::open(config, &seams, ServeArgs { create: true, ..ServeArgs::default() }).await?;
        let recorder = web::Data::new(recorder);
        let issuer = LocalIssuer::open_or_create(&keys_dir, &mut OsRandom)?;
        let token = issuer.mint(&Claims {
            subject: "svc_mes",
            audience: "pulverlog",
            roles: &[Role::Service],
            sites: None,
            issued_at_s: ledger::seams::Clock::now_ms(&SystemClock) / 1_000,
            lifetime_s: 3_600,
        });
        let listener = TcpListener::bind("127.0.0.1:0")?;
        let (server, address) = match other {
            None => app::start(recorder.clone(), listener)?,
            Some(behind) => {
                let address = listener.local_addr()?;
                let other = web::Data::new(Other { behind, next: AtomicU64::new(1) });
                let recorder = recorder.clone();
                let server = HttpServer::new(move || {
                    App::new()
                        .app_data(recorder.clone())
                        .app_data(other.clone())
                        .service(record)
                        .wrap(from_fn(gate::pass))
                })
                .workers(workers)
                .disable_signals()
                .listen(listener)?;
                (server.run(), address)
            }
        };
        let handle = server.handle();
        Ok(Self { address, token, recorder, handle, serving: actix_web::rt::spawn(server) })
    }

    /// Stops it in good order; returns how many events our log holds.
    pub(crate) async fn stop(self) -> Result<u64> {
        self.recorder.stop();
        self.handle.stop(true).await;
        self.serving.await??;
        let witnesses = self.recorder.witnesses.clone();
        let log = self.recorder.log.clone();
        drop(self.recorder);
        witnesses.join().await;
        drop(witnesses);
        let events = log.size() - 1;
        log.close()?;
        Ok(events)
    }

    fn request(&self, media_type: &str, body: &str) -> Vec<u8> {
        format!(
            "POST /v1/events HTTP/1.1\r\nhost: bench\r\nauthorization: Bearer {}\r\n\
             content-type: {media_type}\r\ncontent-length: {}\r\n\r\n{body}",
            self.token,
            body.len()
        )
        .into_bytes()
    }

    /// Bytes of a request with `batch` events, and the events it holds.
    fn next_request(&self, events: &mut Events, batch: usize) -> Vec<u8> {
        if batch == 1 {
            return self.request(EVENT_TYPE, &events.canonical());
        }
        let all: Vec<String> = (0..batch).map(|_| events.canonical()).collect();
        self.request(BATCH_TYPE, &format!("[{}]", all.join(",")))
    }

    /// Load on all connections, each waiting for its answer.
    pub(crate) async fn load(self: &Arc<Self>, batch: usize, time: Duration) -> Result<Sample> {
        let mut connections = Vec::new();
        for _ in 0..CONNECTIONS {
            let connection = Connection::open(self.address).await?;
            connections.push(Arc::new(tokio::sync::Mutex::new(connection)));
        }
        side_by_side(CONNECTIONS, time, |number| {
            let mut events = Events::new(format!("h{number}"));
            let (service, connection) = (Arc::clone(self), Arc::clone(&connections[number]));
            move || {
                let request = service.next_request(&mut events, batch);
                let connection = Arc::clone(&connection);
                async move {
                    let status = connection.lock().await.exchange(&request).await?;
                    ensure!(matches!(status, 200 | 201), "status {status}");
                    Ok(batch as u64)
                }
            }
        })
        .await
    }

    /// Single events at a fixed rate, whatever the answers do: latency counts from the time an event
    /// was due, if an answer that came late kept it from being sent then (no coordinated omission).
    pub(crate) async fn steady(self: &Arc<Self>, rate: f64, time: Duration) -> Result<Sample> {
        let gap = Duration::from_secs_f64(CONNECTIONS as f64 / rate);
        let begun = Instant::now();
        let tasks: Vec<_> = (0..CONNECTIONS)
            .map(|number| {
                let service = Arc::clone(self);
                tokio::spawn(async move {
                    let mut connection = Connection::open(service.address).await?;
                    let mut events = Events::new(format!("s{number}"));
                    let mut sample = Sample::default();
                    let mut due = begun + gap.mul_f64(number as f64 / CONNECTIONS as f64);
                    while due < begun + time {
                        let request = service.next_request(&mut events, 1);
                        let is_late = Instant::now() > due;
                        tokio::time::sleep_until(due.into()).await;
                        // The timer of the clients counts in milliseconds: that is not the server's.
                        let from = if is_late { due } else { Instant::now() };
                        let status = connection.exchange(&request).await?;
                        ensure!(status == 201, "status {status}");
                        let taken = u32::try_from(from.elapsed().as_micros()).unwrap_or(u32::MAX);
                        sample.latencies_us.push(taken);
                        sample.events += 1;
                        due += gap;
                    }
                    anyhow::Ok(sample)
                })
            })
            .collect();
        let mut all = Sample { seconds: time.as_secs_f64(), ..Sample::default() };
        for task in tasks {
            let sample = task.await??;
            all.events += sample.events;
            all.latencies_us.extend(sample.latencies_us);
        }
        all.acknowledged = all.events;
        Ok(all)
    }

    /// Times of GETs, one after the other, in microseconds.
    pub(crate) async fn get(&self, path: &str, count: usize) -> Result<(Sample, usize)> {
        let mut connection = Connection::open(self.address).await?;
        let token = &self.token;
        let request =
            format!("GET {path} HTTP/1.1\r\nhost: bench\r\nauthorization: Bearer {token}\r\n\r\n");
        let mut sample = Sample::default();
        let mut bytes = 0;
        for _ in 0..count {
            let sent = Instant::now();
            let status = connection.exchange(request.as_bytes()).await?;
            ensure!(status == 200, "`{path}`: status {status}");
            sample.latencies_us.push(u32::try_from(sent.elapsed().as_micros())?);
            bytes = connection.body_bytes;
        }
        Ok((sample, bytes))
    }
}

/// A client that does as little as possible, for it shares the processors with the server.
struct Connection {
    stream: TcpStream,
    buf: Vec<u8>,
    body_bytes: usize,
}

impl Connection {
    async fn open(address: SocketAddr) -> Result<Self> {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        Ok(Self { stream, buf: vec![0; 256 << 10], body_bytes: 0 })
    }

    /// Sends a request and reads the whole answer; returns its status.
    async fn exchange(&mut self, request: &[u8]) -> Result<u16> {
        self.stream.write_all(request).await?;
        let mut got = 0;
        loop {
            if got == self.buf.len() {
                self.buf.resize(2 * got, 0);
            }
            match self.stream.read(&mut self.buf[got..]).await? {
                0 => bail!("the server closed the connection"),
                more => got += more,
            }
            let Some(head_end) = find(&self.buf[..got], b"\r\n\r\n") else { continue };
            let head = std::str::from_utf8(&self.buf[..head_end])?;
            let status = head.get(9..12).context("no status")?.parse()?;
            let length = head.lines().find_map(|line| {
                let (name, value) = line.split_once(':')?;
                name.eq_ignore_ascii_case("content-length").then(|| value.trim().parse().ok())?
            });
            let length: usize = length.context("an answer without length")?;
            if got >= head_end + 4 + length {
                self.body_bytes = length;
                return Ok(status);
            }
        }
    }
}

fn find(bytes: &[u8], part: &[u8]) -> Option<usize> {
    bytes.windows(part.len()).position(|window| window == part)
}
