//! HTTP: where machines send to, and where people look.
//!
//! | | who | |
//! |---|---|---|
//! | `POST /v1/events` | a client of the clients file | one event or a batch, as at the recorder; 202 when it is on disk |
//! | `GET /v1/status`, `GET /metrics` | a client, or the local command | |
//! | `GET /healthz`, `GET /readyz` | anybody | the process runs; it takes events |
//! | `GET /v1/refused`, `POST /v1/refused/{id}/resend` | the local command | |

use std::io::Read as _;
use std::sync::Arc;

use actix_web::http::header::{self, HeaderMap};
use actix_web::{App, HttpMessage as _, HttpRequest, HttpResponse, HttpServer, web};
use chain::time::format_ms;
use flate2::read::MultiGzDecoder;
use serde_json::{Value, json};
use subtle::ConstantTimeEq as _;

use crate::Clock;
use crate::clients::{Client, Clients, token_sha256};
use crate::config::Listen;
use crate::intake::Intake;
use crate::limits::{
    BATCH_BODY_BYTES_MAX, BODY_TIME_MAX, CONNECTIONS_MAX, EVENT_BODY_BYTES_MAX, HEAD_TIME_MAX,
    KEPT_HEADER_BYTES_MAX,
};
use crate::line::State;
use crate::parcel::{Head, Parcel};
use crate::problem::{Kind, Problem, echo};
use crate::refused::{Entry, Refused, RefusedError};
use crate::wire::{self, BATCH_TYPE, DATA_TYPE, EVENT_TYPE, SIGNATURE_HEADER, Sent, Sources};

type Result<T, E = Problem> = std::result::Result<T, E>;

/// What the door needs.
pub struct Door {
    /// The way in.
    pub intake: Intake,
    /// What was refused.
    pub refused: Arc<Refused>,
    /// Who may send.
    pub clients: Clients,
    /// Token of the local command.
    pub control_token: String,
    /// Whether the configuration names a broker.
    pub mqtt: bool,
    /// The time.
    pub clock: Clock,
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let mut all = headers.get_all(header::AUTHORIZATION);
    let value = all.next().filter(|_| all.next().is_none())?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then_some(token.trim())
}

fn unauthenticated() -> Problem {
    Problem::new(Kind::Unauthenticated, "a bearer token of the clients file is needed")
}

impl Door {
    fn client(&self, request: &HttpRequest) -> Result<Client> {
        bearer(request.headers())
            .and_then(|token| self.clients.holder(token))
            .cloned()
            .ok_or_else(unauthenticated)
    }

    fn is_local(&self, request: &HttpRequest) -> bool {
        let expected = token_sha256(&self.control_token);
        bearer(request.headers())
            .is_some_and(|token| bool::from(token_sha256(token).ct_eq(&expected)))
    }

    fn demand_local(&self, request: &HttpRequest) -> Result<()> {
        if self.is_local(request) { Ok(()) } else { Err(unauthenticated()) }
    }

    fn demand_anyone(&self, request: &HttpRequest) -> Result<()> {
        if self.is_local(request) { Ok(()) } else { self.client(request).map(drop) }
    }

    /// The state of the relay, also put into the gauges.
    fn status(&self) -> Value {
        let (now_ms, metrics) = ((self.clock)(), &self.intake.metrics);
        let standing = self.intake.spool.standing();
        let view = self.intake.line.view();
        let oldest = self.intake.spool.waiting(1, usize::MAX).unwrap_or_default();
        let oldest_ms = oldest.first().map(|one| one.parcel.head.taken_ms);
        let number = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
        metrics.waiting.set(number(standing.parcels as u64));
        metrics.oldest_s.set(oldest_ms.map_or(0, |ms| (now_ms - ms).max(0) / 1_000));
        metrics.spool_bytes.set(number(standing.bytes));
        metrics.spool_bytes_max.set(number(standing.bytes_max));
        metrics.damaged.set(number(standing.damaged));
        metrics.refused.set(number(self.refused.count() as u64));
        metrics.blocked.set(i64::from(view.state == State::Blocked));
        json!({
            "delivery": {
                "state": view.state,
                "reason": view.reason,
                "detail": view.detail,
                "since": format_ms(view.since_ms).ok(),
                "last_seq": view.last_seq,
            },
            "waiting": standing.parcels,
            "oldest_taken_at": oldest_ms.and_then(|ms| format_ms(ms).ok()),
            "spool": {
                "bytes": standing.bytes,
                "bytes_max": standing.bytes_max,
                "damaged": standing.damaged,
                "broken": standing.broken,
            },
            "refused": self.refused.count(),
            "mqtt_connected": self.mqtt.then(|| metrics.mqtt_connected.get() == 1),
        })
    }
}

async fn off_thread<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T> {
    web::block(work).await.map_err(|_| Problem::new(Kind::Internal, "the relay is stopping"))
}

/// The body, unpacked, within its limits of size and time.
async fn body(request: &HttpRequest, payload: web::Payload, bytes_max: usize) -> Result<Vec<u8>> {
    let codings: Vec<_> = request.headers().get_all(header::CONTENT_ENCODING).collect();
    let coding = match codings[..] {
        [] => "identity".to_owned(),
        [one] => one.to_str().unwrap_or("?").trim().to_ascii_lowercase(),
        _ => "several".to_owned(),
    };
    let too_large = || {
        Problem::new(Kind::BodyTooLarge, format!("the body may have {bytes_max} bytes, unpacked"))
    };
    let received = tokio::time::timeout(BODY_TIME_MAX, payload.to_bytes_limited(bytes_max))
        .await
        .map_err(|_| Problem::new(Kind::BodyTooSlow, "the body did not arrive in time"))?
        .map_err(|_| too_large())?
        .map_err(|_| Problem::new(Kind::BadEncoding, "the body ended early"))?;
    match coding.as_str() {
        "identity" => Ok(received.to_vec()),
        "gzip" | "x-gzip" => {
            let mut out = Vec::new();
            // A bomb is stopped at the limit, whatever its size would be.
            MultiGzDecoder::new(&received[..])
                .take(bytes_max as u64 + 1)
                .read_to_end(&mut out)
                .map_err(|_| Problem::new(Kind::BadEncoding, "the body is no valid gzip"))?;
            if out.len() > bytes_max { Err(too_large()) } else { Ok(out) }
        }
        other => {
            let detail = format!("content encoding `{}` is not understood", echo(other));
            Err(Problem::new(Kind::UnsupportedEncoding, detail))
        }
    }
}

fn media_type(request: &HttpRequest) -> Result<String> {
    let refuse = |detail: &str| Err(Problem::new(Kind::UnsupportedMediaType, detail));
    if request.headers().get_all(header::CONTENT_TYPE).count() > 1 {
        return refuse("`Content-Type` is there twice");
    }
    let Ok(Some(mime)) = request.mime_type() else {
        return refuse("`Content-Type` is missing or cannot be read");
    };
    if mime.params().any(|(name, value)| name != "charset" || value != "utf-8") {
        return refuse("`Content-Type` may have no parameter but `charset=utf-8`");
    }
    Ok(mime.essence_str().to_ascii_lowercase())
}

async fn sent(request: &HttpRequest, payload: web::Payload, sources: &Sources) -> Result<Sent> {
    match media_type(request)?.as_str() {
        EVENT_TYPE => {
            wire::structured(&body(request, payload, EVENT_BODY_BYTES_MAX).await?, sources)
        }
        BATCH_TYPE => wire::batch(&body(request, payload, BATCH_BODY_BYTES_MAX).await?, sources),
        DATA_TYPE if request.headers().contains_key("ce-specversion") => {
            let data = body(request, payload, EVENT_BODY_BYTES_MAX).await?;
            let attributes = request.headers().iter().filter_map(|(name, value)| {
                let attribute = name.as_str().strip_prefix("ce-")?;
                let text = value.to_str().ok().and_then(wire::percent_decoded);
                let not_text =
                    || Problem::parameter(name.as_str(), "the value is not percent-encoded UTF-8");
                Some(text.map(|text| (attribute.to_owned(), text)).ok_or_else(not_text))
            });
            wire::binary(attributes, &data, sources)
        }
        other => {
            let detail = format!(
                "`{}` is not understood: send `{EVENT_TYPE}`, `{BATCH_TYPE}`, or `{DATA_TYPE}` with \
                 `ce-` headers",
                echo(other)
            );
            Err(Problem::new(Kind::UnsupportedMediaType, detail))
        }
    }
}

/// A header that is kept with the event and sent on as it is; several lines of it count as one list.
fn kept(headers: &HeaderMap, name: &'static str) -> Result<Option<String>> {
    let lines = headers.get_all(name).map(|line| line.to_str().ok());
    let Some(lines) = lines.collect::<Option<Vec<_>>>() else {
        return Err(Problem::parameter(name, "the value is no printable ASCII"));
    };
    let joined = lines.join(", ");
    if joined.len() > KEPT_HEADER_BYTES_MAX {
        let detail = format!("the value has at most {KEPT_HEADER_BYTES_MAX} bytes");
        return Err(Problem::parameter(name, detail));
    }
    Ok((!lines.is_empty()).then_some(joined))
}

/// `POST /v1/events`.
async fn take_events(
    door: web::Data<Door>,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse> {
    let client = door.client(&request)?;
    if !request.query_string().is_empty() {
        let detail = "the relay records nothing and tries nothing: send without a query";
        return Err(Problem::parameter("query", detail));
    }
    let prefer = kept(request.headers(), "prefer")?;
    let signature = kept(request.headers(), SIGNATURE_HEADER)?;
    if let Some(signature) = &signature {
        wire::check_signature(signature)?;
    }
    let sent =
        sent(&request, payload, &client.sources).await.inspect_err(|_| door.intake.refused(1))?;
    let whole = prefer.as_deref().is_some_and(wire::wants_whole);
    let taken_ms = (door.clock)();
    let head = Head { from: client.name, taken_ms, prefer, signature, whole: false };
    match sent {
        Sent::One(event) => {
            let parcel = Parcel { head, events: vec![event] };
            take(&door, vec![parcel]).await?;
            Ok(HttpResponse::Accepted().json(json!({ "accepted": 1 })))
        }
        Sent::Many(_) if head.signature.is_some() => {
            let detail = "a signature belongs to one event: send signed events one by one";
            Err(Problem::parameter(SIGNATURE_HEADER, detail))
        }
        Sent::Many(events) => take_batch(&door, head, events, whole).await,
    }
}

async fn take(door: &web::Data<Door>, parcels: Vec<Parcel>) -> Result<()> {
    let intake = door.intake.clone();
    off_thread(move || intake.take(&parcels)).await?.map(drop)
}

/// Takes of a batch what can be events, or all or nothing if it is to be recorded as a whole; the answer
/// has a line for each event, as the recorder's has.
async fn take_batch(
    door: &web::Data<Door>,
    head: Head,
    events: Vec<Result<Vec<u8>>>,
    whole: bool,
) -> Result<HttpResponse> {
    let count = events.len();
    let mut problems: Vec<Option<Problem>> = Vec::with_capacity(count);
    let mut good = Vec::with_capacity(count);
    for event in events {
        match event {
            Ok(event) => {
                good.push(event);
                problems.push(None);
            }
            Err(problem) => problems.push(Some(problem)),
        }
    }
    if whole && good.len() < count {
        let detail = "another event of the batch was refused, and the batch is taken as a whole";
        let with_batch = || Problem::new(Kind::BatchRefused, detail);
        problems = problems.into_iter().map(|p| p.or_else(|| Some(with_batch()))).collect();
        good.clear();
    }
    let accepted = good.len();
    let parcels = if whole && !good.is_empty() {
        vec![Parcel { head: Head { whole, ..head }, events: good }]
    } else {
        let one = |event| Parcel { head: head.clone(), events: vec![event] };
        good.into_iter().map(one).collect()
    };
    if !parcels.is_empty() {
        take(door, parcels).await?;
    }
    door.intake.refused(count - accepted);
    let line = |(index, problem): (usize, &Option<Problem>)| match problem {
        None => json!({ "index": index, "status": 202 }),
        Some(problem) => {
            json!({ "index": index, "status": problem.kind.status(), "problem": problem.body() })
        }
    };
    let results: Vec<Value> = problems.iter().enumerate().map(line).collect();
    let mut response =
        if accepted == count { HttpResponse::Accepted() } else { HttpResponse::MultiStatus() };
    Ok(response
        .json(json!({ "accepted": accepted, "refused": count - accepted, "results": results })))
}

async fn live() -> HttpResponse {
    HttpResponse::Ok().json(json!({ "status": "live" }))
}

/// Ready is who takes events; whether they go on is told by the status.
async fn ready(door: web::Data<Door>) -> Result<HttpResponse> {
    let standing = door.intake.spool.standing();
    if standing.broken {
        return Err(Problem::new(Kind::SpoolBroken, "the spool takes nothing until a restart"));
    }
    if standing.bytes >= standing.bytes_max {
        return Err(Problem::new(Kind::SpoolFull, "the spool is full"));
    }
    Ok(HttpResponse::Ok().json(json!({ "status": "ready" })))
}

async fn status(door: web::Data<Door>, request: HttpRequest) -> Result<HttpResponse> {
    door.demand_anyone(&request)?;
    let status = off_thread(move || door.status()).await?;
    Ok(HttpResponse::Ok().json(status))
}

async fn metrics(door: web::Data<Door>, request: HttpRequest) -> Result<HttpResponse> {
    door.demand_anyone(&request)?;
    let text = off_thread(move || {
        door.status();
        door.intake.metrics.text()
    })
    .await?;
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(text))
}

fn store_failed(error: RefusedError) -> Problem {
    tracing::error!(error = %format!("{:#}", anyhow::Error::from(error)), "the refused store failed");
    Problem::new(Kind::Internal, "the refused store failed; the log of the relay has the cause")
}

async fn list_refused(door: web::Data<Door>, request: HttpRequest) -> Result<HttpResponse> {
    door.demand_local(&request)?;
    let entries = off_thread(move || door.refused.list()).await?.map_err(store_failed)?;
    Ok(HttpResponse::Ok().json(json!({ "items": entries })))
}

/// Sends a refused entry again: as it is, or, if the body holds one, with an event put right.
async fn resend(
    door: web::Data<Door>,
    request: HttpRequest,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<HttpResponse> {
    door.demand_local(&request)?;
    let corrected = body(&request, payload, EVENT_BODY_BYTES_MAX).await?;
    let resent = off_thread(move || {
        let entry = door.refused.get(&id).map_err(store_failed)?;
        let entry = entry.ok_or_else(|| Problem::new(Kind::NotFound, "no such refused entry"))?;
        let parcel = mended(&entry, &corrected, (door.clock)())?;
        door.refused
            .put_away(&entry.id, || door.intake.take(&[parcel]))
            .map_err(store_failed)??;
        tracing::info!(id = entry.id, corrected = !corrected.is_empty(), "sent again");
        door.intake.line.now();
        Ok::<_, Problem>(entry.id)
    })
    .await??;
    Ok(HttpResponse::Accepted().json(json!({ "resent": resent })))
}

/// What is sent again.
fn mended(entry: &Entry, corrected: &[u8], now_ms: i64) -> Result<Parcel> {
    let head = Head { taken_ms: now_ms, ..entry.head.clone() };
    if corrected.is_empty() {
        let parcel = entry.parcel().ok_or_else(|| {
            let detail = "this was no event: send it again as one, with `--corrected FILE`";
            Problem::new(Kind::InvalidValue, detail)
        })?;
        return Ok(Parcel { head, ..parcel });
    }
    if head.signature.is_some() || head.whole {
        let detail = "a signed event or a whole batch is corrected by whoever sent it";
        return Err(Problem::new(Kind::InvalidValue, detail));
    }
    match wire::structured(corrected, &Sources::default())? {
        Sent::One(event) => Ok(Parcel { head, events: vec![event] }),
        Sent::Many(_) => Err(Problem::new(Kind::WrongType, "one event is wanted").at("")),
    }
}

async fn nothing() -> Result<HttpResponse> {
    Err(Problem::new(Kind::NotFound, "nothing is at this address with this method"))
}

/// Routes, for the server and for tests.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .route("/v1/events", web::post().to(take_events))
        .route("/v1/status", web::get().to(status))
        .route("/v1/refused", web::get().to(list_refused))
        .route("/v1/refused/{id}/resend", web::post().to(resend))
        .route("/healthz", web::get().to(live))
        .route("/readyz", web::get().to(ready))
        .route("/metrics", web::get().to(metrics))
        .default_service(web::to(nothing));
}

/// Starts to serve: to machines where the configuration says, and to the local command on a free
/// port of loopback. Returns the server and the address for the local command.
///
/// # Errors
/// When an address cannot be bound or TLS cannot be offered.
pub fn start(
    door: web::Data<Door>,
    listen: &Listen,
) -> anyhow::Result<(actix_web::dev::Server, std::net::SocketAddr)> {
    let local = std::net::TcpListener::bind(("127.0.0.1", 0))?;
    let local_address = local.local_addr()?;
    let mut server = HttpServer::new(move || App::new().app_data(door.clone()).configure(routes))
        .workers(2)
        .max_connections(CONNECTIONS_MAX / 2)
        .client_request_timeout(HEAD_TIME_MAX)
        .shutdown_timeout(10)
        .listen(local)?;
    if listen.clients_file.is_some() {
        let (socket, scheme) = (std::net::TcpListener::bind(listen.address)?, listen.tls.as_ref());
        let address = socket.local_addr()?;
        server = match scheme {
            None => server.listen(socket)?,
            Some(tls) => server.listen_rustls_0_23(socket, crate::tls::server_config(tls)?)?,
        };
        if listen.tls.is_none() && !address.ip().is_loopback() {
            tracing::warn!(%address, "tokens and events travel in the clear: configure `listen.tls`");
        }
        tracing::info!(address = %address, tls = listen.tls.is_some(), "the relay listens");
    }
    Ok((server.run(), local_address))
}
