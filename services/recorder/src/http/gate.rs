//! The gate: every request passes here, before and after its handler.
//!
//! Before: which operation is it, who asks, how fast, with which right. After: panics become
//! problems, problems get the request's id, refusals are recorded, everything is counted, and the
//! security headers are set. A handler can forget none of it.

use std::panic::AssertUnwindSafe;
use std::sync::Arc;
use std::time::Instant;

use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use actix_web::http::{Method, StatusCode};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage as _, HttpRequest, HttpResponse, web};
use futures_util::FutureExt as _;
use tracing::Instrument as _;
use tracing_opentelemetry::OpenTelemetrySpanExt as _;

use super::address;
use crate::app::Recorder;
use crate::authn::Identity;
use crate::authz::{Access, Operation};
use crate::problem::{Kind, Problem, Result};
use crate::telemetry;

/// Where everything needs an operation. Elsewhere lie pages and the API description, which hold
/// nothing of the shop.
const GUARDED: [&str; 3] = ["/v1", "/log", "/metrics"];

/// Runs a request through the gate.
///
/// # Errors
/// None: every error becomes an answer here.
pub async fn pass<B: MessageBody + 'static>(
    mut request: ServiceRequest,
    next: Next<B>,
) -> std::result::Result<ServiceResponse<BoxBody>, Error> {
    let started = Instant::now();
    let Some(recorder) = request.app_data::<web::Data<Recorder>>().cloned() else {
        return Err(Problem::new(Kind::Internal, "the application has no recorder").into());
    };
    if request.method() == Method::HEAD {
        // Routed like GET; the connection leaves the body out (RFC 9110 section 9.3.2).
        request.head_mut().method = Method::GET;
    }
    let instance = recorder.next_instance();
    let operation = operation_of(&request);
    let id = id_of(operation.as_ref().ok().copied().flatten());
    let span = telemetry::request_span(&instance, id, request.headers());
    serve(recorder, instance, operation, request, next, started).instrument(span).await
}

/// Runs a request within its span.
async fn serve<B: MessageBody + 'static>(
    recorder: web::Data<Recorder>,
    instance: String,
    operation: Result<Option<&'static Operation>>,
    request: ServiceRequest,
    next: Next<B>,
    started: Instant,
) -> std::result::Result<ServiceResponse<BoxBody>, Error> {
    let mut identity = None;
    let admitted = match operation {
        Ok(Some(operation)) => admit(&recorder, &request, operation, &mut identity).await,
        Ok(None) => Ok(()),
        Err(ref problem) => Err(problem.clone()),
    };
    let answer = match admitted {
        Ok(()) => {
            if let Some(identity) = &identity {
                request.extensions_mut().insert(Arc::clone(identity));
            }
            handle(&recorder, request, next).await
        }
        Err(problem) => Ok((request.into_parts().0, Err(problem))),
    };
    let operation = operation.ok().flatten();
    let (request, answer) = match answer {
        Ok(answer) => answer,
        Err(fault) => {
            recorder.count_problem(fault.kind);
            count(&recorder, operation, fault.kind.status(), started);
            return Err(fault.into());
        }
    };
    if let (Ok(_), Some(identity), Some(operation)) = (&answer, &identity, operation)
        && operation.is_noted()
    {
        recorder.note_reading(identity, operation.id, request.path());
    }
    let response = answer.unwrap_or_else(|problem| {
        recorder.count_problem(problem.kind);
        if let (Some(identity), Some(operation)) = (&identity, operation)
            && problem.kind.status() == StatusCode::FORBIDDEN
        {
            recorder.note_refusal(identity, operation.id);
        }
        problem.respond(Some(instance))
    });
    let mut response = ServiceResponse::new(request, response);
    let request = response.request().clone();
    harden(&request, response.headers_mut());
    count(&recorder, operation, response.status(), started);
    Ok(response)
}

/// The operation a request is for; `None` outside the guarded addresses.
fn operation_of(request: &ServiceRequest) -> Result<Option<&'static Operation>> {
    let guarded = GUARDED.iter().any(|root| {
        request
            .path()
            .strip_prefix(root)
            .is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
    });
    let template = request.match_pattern().map(|pattern| template(&pattern));
    let found = template.as_deref().and_then(|t| Operation::find(request.method(), t));
    match (found, template) {
        (Some(operation), _) => Ok(Some(operation)),
        (None, Some(template)) if !Operation::methods(&template).is_empty() => {
            let mut problem = Problem::new(Kind::MethodNotAllowed, "the address has other methods");
            problem.allow = Some(Operation::methods(&template).join(", "));
            Err(problem)
        }
        (None, None | Some(_)) if guarded => Err(Problem::not_found()),
        (None, None | Some(_)) => Ok(None),
    }
}

/// A route pattern as the API description writes it: without the regular expressions in braces.
fn template(pattern: &str) -> String {
    let mut template = String::with_capacity(pattern.len());
    let mut skipping = false;
    for c in pattern.chars() {
        match c {
            ':' if !skipping => skipping = true,
            '}' => {
                skipping = false;
                template.push(c);
            }
            c if !skipping => template.push(c),
            _ => {}
        }
    }
    template
}

/// Who asks, how fast, with which right. Sets `identity` as soon as it is known.
async fn admit(
    recorder: &Recorder,
    request: &ServiceRequest,
    operation: &Operation,
    identity: &mut Option<Arc<Identity>>,
) -> Result<()> {
    if operation.access == Access::Public {
        return Ok(());
    }
    let asked = recorder.authn.authenticate(request.headers());
    let who = match asked.instrument(tracing::info_span!(target: telemetry::STEP, "authn")).await {
        Ok(who) => who,
        Err(rejection) => {
            recorder.metrics.rejections.with_label_values(&[rejection.as_str()]).inc();
            let peer = request.peer_addr().map(|address| address.ip());
            let proxies = &recorder.config.listen.proxies;
            let address = address::client(peer, request.headers(), proxies);
            tracing::info!(
                reason = rejection.as_str(),
                operation = operation.id,
                "token not accepted"
            );
            if let Some(address) = address {
                recorder.rates.take_failure(address)?;
            }
            return Err(Problem::new(Kind::Unauthenticated, "a valid bearer token is needed"));
        }
    };
    let who = identity.insert(who);
    recorder.rates.take(&who.subject)?;
    recorder.demand_still_here(who)?;
    operation.demand(who)
}

/// Calls the handler; panics and errors become problems. The outer error is a fault after which
/// the request is gone: the framework answers it without us.
async fn handle<B: MessageBody + 'static>(
    recorder: &Recorder,
    request: ServiceRequest,
    next: Next<B>,
) -> Result<(HttpRequest, Result<HttpResponse>)> {
    // The handlers share nothing that a panic could leave half changed: the log's writer lives in
    // a thread of its own, and every lock of this crate guards a single assignment.
    match AssertUnwindSafe(next.call(request)).catch_unwind().await {
        Ok(Ok(response)) => {
            let status = response.status();
            let problem = response.response().error().map(|error| problem_of(error, status));
            let (request, response) = response.into_parts();
            Ok((request, problem.map_or_else(|| Ok(response.map_into_boxed_body()), Err)))
        }
        Ok(Err(error)) => Err(problem_of(&error, error.error_response().status())),
        Err(_) => {
            recorder.metrics.panics.inc();
            tracing::error!("a handler panicked");
            Err(Problem::new(Kind::Internal, "the service failed"))
        }
    }
}

/// The problem behind an error; errors of the framework are told in our own words.
fn problem_of(error: &Error, status: StatusCode) -> Problem {
    if let Some(problem) = error.as_error::<Problem>() {
        return problem.clone();
    }
    let kind = match status {
        StatusCode::NOT_FOUND => Kind::NotFound,
        StatusCode::PAYLOAD_TOO_LARGE => Kind::BodyTooLarge,
        StatusCode::REQUEST_TIMEOUT => Kind::BodyTooSlow,
        status if status.is_client_error() => Kind::BadParameter,
        _ => {
            tracing::error!(%error, "a request failed");
            Kind::Internal
        }
    };
    Problem::new(kind, kind.row().when)
}

/// Headers that keep browsers from doing more than they should. A handler that sets one of them
/// knows better.
fn harden(request: &HttpRequest, headers: &mut HeaderMap) {
    const ALWAYS: [(HeaderName, &str); 5] = [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CROSS_ORIGIN_RESOURCE_POLICY, "same-origin"),
        (header::CROSS_ORIGIN_OPENER_POLICY, "same-origin"),
    ];
    let mut set = |name: HeaderName, value: &'static str| {
        if !headers.contains_key(&name) {
            headers.insert(name, HeaderValue::from_static(value));
        }
    };
    for (name, value) in ALWAYS {
        set(name, value);
    }
    let guarded = GUARDED.iter().any(|root| request.path().starts_with(root));
    if guarded {
        set(header::CACHE_CONTROL, "no-store");
        set(
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; base-uri 'none'; frame-ancestors 'none'",
        );
    } else if request.path().starts_with("/docs") {
        // The browsable description styles its own elements.
        set(
            header::CONTENT_SECURITY_POLICY,
            "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; object-src \
             'none'; base-uri 'none'; frame-ancestors 'none'",
        );
    } else {
        set(
            header::CONTENT_SECURITY_POLICY,
            "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; \
             frame-ancestors 'none'",
        );
    }
    if request.connection_info().scheme() == "https" {
        set(header::STRICT_TRANSPORT_SECURITY, "max-age=31536000; includeSubDomains");
    }
}

fn id_of(operation: Option<&Operation>) -> &'static str {
    operation.map_or("other", |operation| operation.id)
}

fn count(recorder: &Recorder, operation: Option<&Operation>, status: StatusCode, started: Instant) {
    let id = id_of(operation);
    let span = tracing::Span::current();
    span.set_attribute("http.response.status_code", i64::from(status.as_u16()));
    if status.is_server_error() {
        span.set_status(opentelemetry::trace::Status::error(""));
    }
    tracing::debug!(status = status.as_u16(), took_ms = started.elapsed().as_millis(), "answered");
    recorder.metrics.answers.with_label_values(&[id, status.as_str()]).inc();
    recorder.metrics.answer_s.with_label_values(&[id]).observe(started.elapsed().as_secs_f64());
}

#[cfg(test)]
mod tests {
    #[test]
    fn patterns_become_templates() {
        for (pattern, template) in [
            ("/v1/entries/{seq}", "/v1/entries/{seq}"),
            ("/log/tile/{level:[0-9]+}/{index:.*}", "/log/tile/{level}/{index}"),
        ] {
            assert_eq!(super::template(pattern), template);
        }
    }
}
