//! The service as a whole: what handlers share, and how it is put together.

use std::future::{Ready, ready};
use std::net::{SocketAddr, TcpListener};
use std::ops::Deref;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use actix_web::dev::{Payload, Server};
use actix_web::middleware::from_fn;
use actix_web::{
    App, FromRequest, HttpMessage as _, HttpRequest, HttpServer, ResponseError as _, web,
};
use ledger::seams::Clock;
use utoipa_actix_web::AppExt as _;

use crate::authn::{Authenticator, Identity};
use crate::config::Config;
use crate::http::gate;
use crate::http::rates::Rates;
use crate::limits::{HEAD_TIME_MAX, KEEP_ALIVE, STOP_TIME_MAX};
use crate::log::Log;
use crate::metrics::Metrics;
use crate::problem::{Kind, Problem};
use crate::refusals::Refusals;

/// What every handler shares.
pub struct Recorder {
    /// Configuration.
    pub config: Config,
    /// The log.
    pub log: Log,
    /// Verifies tokens.
    pub authn: Authenticator,
    /// How fast clients may ask.
    pub rates: Rates,
    /// What is counted.
    pub metrics: Metrics,
    /// Tells the time.
    pub clock: Arc<dyn Clock>,
    refusals: Refusals,
    requests: AtomicU64,
    started_ms: i64,
}

impl Recorder {
    /// Puts the parts together.
    ///
    /// # Errors
    /// [`prometheus::Error`], which a test would show.
    pub fn new(
        config: Config,
        log: Log,
        authn: Authenticator,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, prometheus::Error> {
        Ok(Self {
            rates: Rates::new(&config.limits),
            metrics: Metrics::new()?,
            refusals: Refusals::new(),
            requests: AtomicU64::new(0),
            started_ms: clock.now_ms(),
            config,
            log,
            authn,
            clock,
        })
    }

    /// A name for one answered problem: the start of the process and a number.
    pub fn next_instance(&self) -> String {
        let number = self.requests.fetch_add(1, Ordering::Relaxed);
        format!("urn:pulverlog:request:{:x}-{number}", self.started_ms)
    }

    /// Counts a problem.
    pub fn count_problem(&self, kind: Kind) {
        self.metrics.problems.with_label_values(&[kind.row().code]).inc();
    }

    /// Has a refused request recorded, unless there were too many; see [`Refusals`].
    pub fn note_refusal(&self, who: &Identity, operation: &'static str) {
        self.refusals.note(self, who, operation);
    }
}

/// Who asks. The gate has checked the token and the right to the operation.
#[derive(Debug, Clone)]
pub struct Caller(Arc<Identity>);

impl Deref for Caller {
    type Target = Identity;
    fn deref(&self) -> &Identity {
        &self.0
    }
}

impl FromRequest for Caller {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let identity = request.extensions().get::<Arc<Identity>>().cloned();
        let missing = || Problem::new(Kind::Unauthenticated, "a valid bearer token is needed");
        ready(identity.map(Caller).ok_or_else(missing))
    }
}

/// Everything of the application but its shared data: routes, gate, error handlers.
pub fn configure(config: &mut web::ServiceConfig) {
    config
        .app_data(web::QueryConfig::default().error_handler(|error, _| {
            Problem::parameter("query", crate::problem::echo(&error.to_string())).into()
        }))
        .app_data(web::PathConfig::default().error_handler(|error, _| {
            Problem::parameter("path", crate::problem::echo(&error.to_string())).into()
        }));
}

/// Starts to serve on a listener; returns the server and where it listens. The server runs when it
/// is awaited.
///
/// # Errors
/// The listener's.
pub fn start(
    recorder: web::Data<Recorder>,
    listener: TcpListener,
) -> std::io::Result<(Server, SocketAddr)> {
    let address = listener.local_addr()?;
    let listen = recorder.config.listen.clone();
    let mut server = HttpServer::new(move || {
        App::new()
            .into_utoipa_app()
            .app_data(recorder.clone())
            .map(|app| app.configure(configure))
            .configure(crate::api::routes)
            .map(|app| app.wrap(from_fn(gate::pass)))
            .default_service(web::to(not_found))
            .into_app()
    })
    .client_request_timeout(HEAD_TIME_MAX)
    .keep_alive(KEEP_ALIVE)
    .shutdown_timeout(STOP_TIME_MAX.as_secs())
    .max_connections(listen.connections_per_worker)
    .disable_signals();
    if listen.workers > 0 {
        server = server.workers(listen.workers);
    }
    Ok((server.listen(listener)?.run(), address))
}

async fn not_found() -> actix_web::HttpResponse {
    Problem::not_found().error_response()
}
