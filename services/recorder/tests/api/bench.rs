//! A service under test: a recorder on loopback with a clock set by hand and seeded randomness.

use std::net::TcpListener;
use std::path::Path;
use std::sync::Arc;

use actix_web::dev::ServerHandle;
use actix_web::web;
use ledger::seams::{Clock as _, OsRandom, Random};
use ledger::sim::SimClock;
use recorder::app::{self, Recorder};
use recorder::authn::local::{Claims, LocalIssuer};
use recorder::cli::Seams;
use recorder::cli::serve::{self, ServeArgs};
use recorder::config::Config;
use serde_json::{Value, json};
use shopfloor::people::events::Role;

/// When every test begins: 2026-03-05T12:00:00Z.
pub(crate) const NOON_MS: i64 = 1_772_712_000_000;

/// Media types of sending.
pub(crate) const EVENT: &str = "application/cloudevents+json";
pub(crate) const BATCH: &str = "application/cloudevents-batch+json";

/// A running service.
pub(crate) struct Bench {
    pub(crate) base: String,
    pub(crate) recorder: web::Data<Recorder>,
    pub(crate) issuer: LocalIssuer,
    pub(crate) clock: SimClock,
    pub(crate) http: reqwest::Client,
    pub(crate) dir: Arc<tempfile::TempDir>,
    server: ServerHandle,
    serving: actix_web::rt::task::JoinHandle<std::io::Result<()>>,
}

/// An answer.
#[derive(Debug, Clone)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) headers: reqwest::header::HeaderMap,
    pub(crate) body: Vec<u8>,
}

impl Answer {
    pub(crate) async fn of(response: reqwest::Response) -> Self {
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        Self { status, headers, body: response.bytes().await.unwrap().to_vec() }
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|error| {
            panic!("no JSON ({error}): {} {}", self.status, String::from_utf8_lossy(&self.body))
        })
    }

    /// Code of the problem, after checking that it is a proper one (RFC 9457).
    pub(crate) fn code(&self) -> String {
        let problem = self.json();
        assert_eq!(self.header("content-type"), Some("application/problem+json"), "{problem}");
        assert_eq!(problem["status"], self.status, "{problem}");
        let prefix = recorder::problem::TYPE_PREFIX;
        let type_ = problem["type"].as_str().unwrap_or_default();
        type_.strip_prefix(prefix).unwrap_or_else(|| panic!("{problem}")).to_owned()
    }

    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).and_then(|value| value.to_str().ok())
    }
}

/// Alone among the tests whose index lies on disk, because these must not run side by side.
pub(crate) async fn with_index_on_disk() -> tokio::sync::MutexGuard<'static, ()> {
    static ALONE: tokio::sync::Mutex<()> = tokio::sync::Mutex::const_new(());
    ALONE.lock().await
}

/// A change of the configuration: the index lies on disk.
pub(crate) fn on_disk(config: &mut Config) {
    config.log.index_in_memory = false;
}

/// Configuration of a bench in a directory.
pub(crate) fn config(dir: &Path) -> Config {
    let mut config = Config::default();
    config.log.data_dir = dir.join("data");
    config.log.origin = "records.brackwater.example/test".into();
    config.log.allow_tmpfs = true;
    // The store of the index has one lock for the whole process and can hang when several of its
    // databases are opened and closed side by side, as only tests do; see `with_index_on_disk`.
    config.log.index_in_memory = true;
    config.listen.workers = 2;
    config.auth.local_issuer = true;
    config.limits.requests_per_s = 100_000;
    config.limits.requests_burst = 100_000;
    config.limits.failed_sign_ins_per_minute = 100_000;
    config
}

impl Bench {
    pub(crate) async fn start() -> Self {
        Self::start_with(|_| {}).await
    }

    pub(crate) async fn start_with(change: impl FnOnce(&mut Config)) -> Self {
        let dir = Arc::new(tempfile::tempdir().unwrap());
        Self::start_in(dir, SimClock::new(NOON_MS), change).await
    }

    pub(crate) async fn start_in(
        dir: Arc<tempfile::TempDir>,
        clock: SimClock,
        change: impl FnOnce(&mut Config),
    ) -> Self {
        Self::open(dir, clock, || Box::new(OsRandom), change).await
    }

    /// With keys and salts that are the same in every run.
    pub(crate) async fn start_seeded(
        dir: Arc<tempfile::TempDir>,
        clock: SimClock,
        random: fn() -> Box<dyn Random>,
        change: impl FnOnce(&mut Config),
    ) -> Self {
        Self::open(dir, clock, random, change).await
    }

    async fn open(
        dir: Arc<tempfile::TempDir>,
        clock: SimClock,
        random: fn() -> Box<dyn Random>,
        change: impl FnOnce(&mut Config),
    ) -> Self {
        let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
        let mut config = config(dir.path());
        change(&mut config);
        let keys_dir = config.keys_dir();
        let seams = Seams { clock: Arc::new(clock.clone()), random };
        let args = ServeArgs { create: true, ..ServeArgs::default() };
        let recorder = serve::open(config, &seams, args).await.unwrap();
        let recorder = web::Data::new(recorder);
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let (server, address) = app::start(recorder.clone(), listener).unwrap();
        let handle = server.handle();
        let serving = actix_web::rt::spawn(server);
        Self {
            base: format!("http://{address}"),
            recorder,
            issuer: LocalIssuer::open_or_create(&keys_dir, &mut *random()).unwrap(),
            clock,
            http: reqwest::Client::new(),
            dir,
            server: handle,
            serving,
        }
    }

    /// Stops in good order; the directory can be used again.
    pub(crate) async fn stop(self) -> Arc<tempfile::TempDir> {
        self.recorder.stop();
        self.server.stop(true).await;
        self.serving.await.unwrap().unwrap();
        self.recorder.webhooks.join().await;
        self.recorder.following.join().await;
        let log = self.recorder.log.clone();
        drop(self.recorder);
        log.close().unwrap();
        self.dir
    }

    pub(crate) fn token(&self, subject: &str, roles: &[Role], sites: Option<&[&str]>) -> String {
        self.issuer.mint(&Claims {
            subject,
            audience: "pulverlog",
            roles,
            sites,
            issued_at_s: self.clock.now_ms() / 1_000,
            lifetime_s: 3_600,
        })
    }

    /// A system that may post for every site.
    pub(crate) fn mes(&self) -> String {
        self.token("svc_mes", &[Role::Service], None)
    }

    pub(crate) fn request(&self, method: &str, path: &str) -> reqwest::RequestBuilder {
        self.http.request(method.parse().unwrap(), format!("{}{path}", self.base))
    }

    pub(crate) async fn get(&self, path: &str, token: &str) -> Answer {
        Answer::of(self.request("GET", path).bearer_auth(token).send().await.unwrap()).await
    }

    pub(crate) async fn post(
        &self,
        path: &str,
        token: &str,
        headers: &[(&str, &str)],
        body: impl Into<reqwest::Body>,
    ) -> Answer {
        let mut request = self.request("POST", path).bearer_auth(token).body(body);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        Answer::of(request.send().await.unwrap()).await
    }

    pub(crate) async fn record(&self, token: &str, event: &Value) -> Answer {
        self.post("/v1/events", token, &[("content-type", EVENT)], event.to_string()).await
    }

    /// Length and root of the log: what must not change when something is refused.
    pub(crate) fn head(&self) -> (u64, chain::Digest) {
        let size = self.recorder.log.size();
        (size, self.recorder.log.root(size).unwrap())
    }

    /// A counter of the metrics, 0 if it was never counted.
    pub(crate) fn counter(&self, series: &str) -> u64 {
        let text = self.recorder.metrics.text();
        let line = text.lines().find_map(|line| line.strip_prefix(series)?.strip_prefix(' '));
        line.map_or(0, |value| value.parse().unwrap())
    }

    /// Names of the events recorded from entry `from` on.
    pub(crate) fn names(&self, from: u64) -> Vec<String> {
        let chunk = self.recorder.log.scan(from, 1 << 20).unwrap();
        let name = |line: &[u8]| {
            let entry: Value = serde_json::from_slice(line).unwrap();
            let type_ = entry["event"]["type"].as_str().unwrap().to_owned();
            type_.strip_prefix("pulverlog.").unwrap().to_owned()
        };
        chunk.iter().map(|(_, line)| name(line)).collect()
    }
}

/// A meter reading by the MES.
pub(crate) fn reading(id: &str, hours: &str) -> Value {
    json!({
        "specversion": "1.0",
        "id": id,
        "source": "/mes/line-1",
        "type": "pulverlog.meter.read",
        "subject": "equipment/S-02",
        "site": "north",
        "time": "2026-03-05T12:55:00+01:00",
        "operator": "op_k7",
        "data": { "meter": "run", "reading": { "value": hours, "unit": "h" } },
    })
}
