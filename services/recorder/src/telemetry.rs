//! The program log and traces: how they are set up, and what they are made of.
//!
//! Every line that is written while a request is served carries the request's id (the `instance` of a
//! problem) and, if there is one, its trace id (W3C Trace Context). Traces are off unless a collector
//! is named; then spans go out as OTLP, protobuf over HTTP. Neither holds personal data: of a request
//! they know the operation, the status and how long what took, never a subject, a name, a token, a
//! PIN or a text. The one exception is the security record (sign-ins, what was done with identities,
//! who read what), which is of no use without pseudonyms.

use std::time::{Duration, Instant, SystemTime};

use actix_web::http::header::HeaderMap;
use anyhow::Context as _;
use async_trait::async_trait;
use ledger::Timings;
use opentelemetry::trace::{
    Span as _, SpanContext, SpanId, TraceContextExt as _, TraceFlags, TraceId, TraceState,
    Tracer as _, TracerProvider as _,
};
use opentelemetry::{Context, KeyValue};
use opentelemetry_http::{Bytes, HttpClient, HttpError, Request, Response};
use opentelemetry_otlp::{Protocol, SpanExporter, WithExportConfig as _, WithHttpConfig as _};
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::trace::{Sampler, SdkTracerProvider};
use tracing::Span;
use tracing::level_filters::LevelFilter;
use tracing_opentelemetry::OpenTelemetrySpanExt as _;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;
use tracing_subscriber::{EnvFilter, Layer as _, Registry, fmt};

use crate::config::{LogFormat, LogsConfig, TracesConfig};

/// Target of the span around a request: in the log and in traces.
pub const REQUEST: &str = "recorder::request";
/// Target of the spans of its steps: in traces only.
pub const STEP: &str = "recorder::step";
/// Environment variable that overrides levels, as `tracing_subscriber::EnvFilter` reads them.
pub const LEVELS_VARIABLE: &str = "PULVERLOG_LOG";

/// Time a collector has for its answer.
const COLLECTOR_TIME_MAX: Duration = Duration::from_secs(5);
/// Time that what is left of the traces has to go out when the program ends.
const LAST_FLUSH_TIME_MAX: Duration = Duration::from_secs(5);

/// Keeps the traces going out. Ends with the program: see [`Telemetry::end`].
#[derive(Debug, Default)]
pub struct Telemetry(Option<SdkTracerProvider>);

impl Telemetry {
    /// Sets up the program log of this process, and traces if a collector is configured. To be called
    /// once, outside any async runtime.
    ///
    /// # Errors
    /// If levels cannot be read or the exporter cannot be built.
    pub fn start(logs: &LogsConfig, traces: &TracesConfig, origin: &str) -> anyhow::Result<Self> {
        let lines = fmt::layer().with_writer(std::io::stderr);
        let lines = match logs.format {
            LogFormat::Text => lines.fmt_fields(fmt::format::debug_fn(field)).boxed(),
            LogFormat::Json => {
                let json = fmt::layer().json().flatten_event(true);
                json.with_current_span(true)
                    .with_span_list(false)
                    .with_writer(std::io::stderr)
                    .boxed()
            }
        };
        let lines = lines.with_filter(levels(logs)?);
        let provider = provider(traces, origin)?;
        let spans = provider.as_ref().map(|provider| {
            opentelemetry::global::set_tracer_provider(provider.clone());
            let layer = tracing_opentelemetry::layer().with_tracer(provider.tracer("pulverlog"));
            // No events: lines of the log stay in the log.
            let targets = Targets::new().with_target(REQUEST, LevelFilter::INFO);
            layer
                .with_location(false)
                .with_threads(false)
                .with_target(false)
                .with_level(false)
                .with_tracked_inactivity(false)
                .with_filter(targets.with_target(STEP, LevelFilter::INFO))
        });
        let subscriber = Registry::default().with(lines).with(spans);
        // Only a test that starts twice in one process finds one there.
        subscriber.try_init().context("the program log was set up before")?;
        Ok(Self(provider))
    }

    /// Sends what is left of the traces. To be called outside any async runtime.
    pub fn end(self) {
        if let Some(provider) = self.0
            && let Err(error) = provider.shutdown_with_timeout(LAST_FLUSH_TIME_MAX)
        {
            tracing::warn!(%error, "the last traces were not sent");
        }
    }
}

/// A field of a line in its text form. What only traces are made of is left out.
fn field(
    writer: &mut fmt::format::Writer<'_>,
    field: &tracing::field::Field,
    value: &dyn std::fmt::Debug,
) -> std::fmt::Result {
    match field.name() {
        "message" => write!(writer, "{value:?} "),
        name if name.starts_with("otel.") => Ok(()),
        name => write!(writer, "{name}={value:?} "),
    }
}

/// The levels of the configuration, or those of the environment.
fn levels(logs: &LogsConfig) -> anyhow::Result<EnvFilter> {
    let words = std::env::var(LEVELS_VARIABLE).ok().filter(|words| !words.is_empty());
    let words = words.unwrap_or_else(|| logs.directives());
    let filter = EnvFilter::try_new(&words)
        .with_context(|| format!("`{words}` are no levels such as `info,recorder::http=debug`"))?;
    let own = |words: String| words.parse().context("a level of our own");
    // Also of a log that tells errors only each line has its request.
    Ok(filter
        .add_directive(own(format!("{STEP}=off"))?)
        .add_directive(own(format!("{REQUEST}=info"))?))
}

/// Where spans go, if anywhere.
fn provider(traces: &TracesConfig, origin: &str) -> anyhow::Result<Option<SdkTracerProvider>> {
    let Some(endpoint) = &traces.endpoint else { return Ok(None) };
    let client = reqwest::blocking::Client::builder()
        .timeout(COLLECTOR_TIME_MAX)
        .redirect(reqwest::redirect::Policy::none())
        .build()
        .context("the client for `traces.endpoint` cannot be built")?;
    let exporter = SpanExporter::builder()
        .with_http()
        .with_http_client(Collector(client))
        .with_protocol(Protocol::HttpBinary)
        .with_endpoint(endpoint.as_str())
        .with_timeout(COLLECTOR_TIME_MAX)
        .build()
        .context("spans cannot be sent to `traces.endpoint`")?;
    let share = f64::from(traces.sampled_per_mille) / 1_000.0;
    let resource = Resource::builder_empty()
        .with_attributes([
            KeyValue::new("service.name", "pulverlog-recorder"),
            KeyValue::new("service.version", env!("CARGO_PKG_VERSION")),
            KeyValue::new("pulverlog.log", origin.to_owned()),
        ])
        .build();
    let provider = SdkTracerProvider::builder()
        .with_resource(resource)
        // Whoever sends a trace context decides for it.
        .with_sampler(Sampler::ParentBased(Box::new(Sampler::TraceIdRatioBased(share))))
        .with_batch_exporter(exporter);
    Ok(Some(provider.build()))
}

/// Sends spans with the HTTP client that the service has already. Called on the exporter's own thread.
#[derive(Debug)]
struct Collector(reqwest::blocking::Client);

#[async_trait]
impl HttpClient for Collector {
    async fn send_bytes(&self, request: Request<Bytes>) -> Result<Response<Bytes>, HttpError> {
        let (head, body) = request.into_parts();
        let sent = self.0.request(head.method, head.uri.to_string()).headers(head.headers);
        let answer = sent.body(body).send()?;
        let mut response = Response::builder().status(answer.status());
        if let Some(headers) = response.headers_mut() {
            headers.clone_from(answer.headers());
        }
        Ok(response.body(answer.bytes()?)?)
    }
}

/// The span around a request. `instance` is its id, as a problem names it; `operation` one of a closed
/// set.
pub(crate) fn request_span(instance: &str, operation: &str, headers: &HeaderMap) -> Span {
    let span = tracing::info_span!(
        target: REQUEST,
        "request",
        id = instance,
        trace = tracing::field::Empty,
        operation,
        otel.kind = "server",
        otel.name = operation,
    );
    let parent = headers.get("traceparent").and_then(|value| trace_parent(value.to_str().ok()?));
    if let Some(parent) = &parent {
        // Fails only for a span that was begun or is not recorded: then there is nothing to continue.
        let _ = span.set_parent(Context::new().with_remote_span_context(parent.clone()));
    }
    // With traces on, its own; otherwise what the client says.
    let own = span.context().span().span_context().trace_id();
    let trace =
        if own == TraceId::INVALID { parent.map(|parent| parent.trace_id()) } else { Some(own) };
    if let Some(trace) = trace {
        span.record("trace", tracing::field::display(trace));
    }
    span
}

/// Reads the header `traceparent` (W3C Trace Context, section 3.2): of version 00 four fields, of later
/// versions at least those. `None` if it is none; the request then begins a trace.
fn trace_parent(value: &str) -> Option<SpanContext> {
    let small_hex =
        |text: &str| text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
    let mut fields = value.trim().split('-');
    let (version, trace, span, flags) =
        (fields.next()?, fields.next()?, fields.next()?, fields.next()?);
    let formed = [(version, 2), (trace, 32), (span, 16), (flags, 2)]
        .iter()
        .all(|(text, len)| text.len() == *len && small_hex(text));
    if !formed || version == "ff" || (version == "00" && fields.next().is_some()) {
        return None;
    }
    let flags = TraceFlags::new(u8::from_str_radix(flags, 16).ok()?) & TraceFlags::SAMPLED;
    let (trace, span) = (TraceId::from_hex(trace).ok()?, SpanId::from_hex(span).ok()?);
    let context = SpanContext::new(trace, span, flags, true, TraceState::default());
    context.is_valid().then_some(context)
}

/// Tells what the writer did for the request of this task: spans with the times they had.
pub(crate) fn writer_spans(timings: &Timings) {
    let context = Span::current().context();
    if !context.span().span_context().is_sampled() {
        return;
    }
    let (now, wall) = (Instant::now(), wall_clock());
    let at = |instant: Instant| wall - now.saturating_duration_since(instant);
    let tracer = opentelemetry::global::tracer("pulverlog");
    let tell = |name: &'static str, from: Instant, to: Instant| {
        let builder = tracer.span_builder(name).with_start_time(at(from));
        builder.start_with_context(&tracer, &context).end_with_timestamp(at(to));
    };
    tell("queue", timings.queued, timings.taken);
    if let Some((begun, ended)) = timings.commit {
        tell("commit", begun, ended);
        tell("apply", ended, timings.done);
    }
}

/// The clock of the machine for spans, which are told in its time.
#[expect(
    clippy::disallowed_methods,
    reason = "spans are of the machine's time, like lines of the log"
)]
fn wall_clock() -> SystemTime {
    SystemTime::now()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trace_parent_is_read_as_the_standard_says() {
        // The first is the example of W3C Trace Context, section 3.2.4.
        for (value, sampled) in [
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", Some(true)),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-00", Some(false)),
            ("cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more", Some(true)),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more", None),
            ("ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", None),
            ("00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01", None),
            ("00-00000000000000000000000000000000-00f067aa0ba902b7-01", None),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01", None),
            ("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7", None),
            ("", None),
            ("\u{e4}", None),
        ] {
            let read = trace_parent(value);
            assert_eq!(read.map(|context| context.is_sampled()), sampled, "{value}");
        }
    }

    #[test]
    fn levels_are_read_and_what_is_none_is_named() {
        let mut logs = LogsConfig::default();
        logs.levels.insert("recorder::webhooks".to_owned(), "debug".to_owned());
        assert_eq!(logs.directives(), "info,actix_server=warn,recorder::webhooks=debug");
        assert!(levels(&logs).is_ok());
    }
}
