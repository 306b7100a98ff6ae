//! HTTP around the [`Desk`]: `POST /add-checkpoint` and a read side for monitors.

use std::sync::Arc;

use actix_web::http::StatusCode;
use actix_web::{App, HttpResponse, HttpServer, web};

use crate::desk::{Answer, Desk};

/// Longest request: old size, 63 hashes and a note.
pub const REQUEST_BYTES_MAX: usize = 96 * 1024;
/// Time a client may take to send its request, seconds.
const CLIENT_S_MAX: u64 = 10;

/// Tells seconds since 1970; only `main` builds the real one.
pub type ClockS = Arc<dyn Fn() -> u64 + Send + Sync>;

async fn add_checkpoint(
    desk: web::Data<Desk>,
    clock: web::Data<ClockS>,
    body: web::Bytes,
) -> HttpResponse {
    let now_s = (*clock)();
    let judged = web::block(move || desk.add_checkpoint(&body, now_s)).await;
    let (status, text) = match judged {
        Ok(Ok(answer)) => return respond(&answer),
        Ok(Err(error)) => {
            tracing::error!(error = %format!("{:#}", anyhow::Error::from(error)), "the memory failed: nothing was signed");
            (
                StatusCode::INTERNAL_SERVER_ERROR,
                "the witness cannot remember and so does not sign\n",
            )
        }
        Err(_) => (StatusCode::SERVICE_UNAVAILABLE, "the witness is stopping\n"),
    };
    HttpResponse::build(status).content_type("text/plain; charset=utf-8").body(text)
}

/// The status table of tlog-witness.
fn respond(answer: &Answer) -> HttpResponse {
    let plain = |status: StatusCode, text: String| {
        HttpResponse::build(status).content_type("text/plain; charset=utf-8").body(text)
    };
    match answer {
        Answer::Cosigned(lines) => plain(StatusCode::OK, lines.clone()),
        Answer::Malformed(why) => plain(StatusCode::BAD_REQUEST, format!("{why}\n")),
        Answer::NotSigned => {
            plain(StatusCode::FORBIDDEN, "not signed by a trusted key of this log\n".into())
        }
        Answer::UnknownLog => plain(StatusCode::NOT_FOUND, "this log is not known here\n".into()),
        Answer::OtherSize(size) | Answer::OtherRoot(size) => {
            HttpResponse::Conflict().content_type("text/x.tlog.size").body(format!("{size}\n"))
        }
        Answer::BadProof => plain(
            StatusCode::UNPROCESSABLE_ENTITY,
            "the proof does not show that the new tree extends the old one\n".into(),
        ),
    }
}

async fn latest(desk: web::Data<Desk>, name: web::Path<String>) -> HttpResponse {
    match web::block(move || desk.note(&name)).await {
        Ok(Ok(Some(note))) => {
            HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(note)
        }
        Ok(Ok(None)) => HttpResponse::NotFound().body("no checkpoint of this log was cosigned\n"),
        Ok(Err(_)) | Err(_) => HttpResponse::InternalServerError().body("the memory failed\n"),
    }
}

async fn about(desk: web::Data<Desk>) -> HttpResponse {
    let mut text = format!("{}\n", desk.key());
    for origin in desk.origins() {
        text.push_str(&format!("{} {origin}\n", crate::Memory::name(origin)));
    }
    HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(text)
}

/// Routes, for the server and for tests.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .app_data(web::PayloadConfig::new(REQUEST_BYTES_MAX))
        .route("/add-checkpoint", web::post().to(add_checkpoint))
        // For monitors: our key and the logs we know; the newest note we cosigned of each.
        .route("/", web::get().to(about))
        .route("/latest/{name}", web::get().to(latest));
}

/// Serves until stopped. Prints the address once it listens.
pub async fn serve(desk: Desk, clock: ClockS, listen: std::net::SocketAddr) -> anyhow::Result<()> {
    let (desk, clock) = (web::Data::new(desk), web::Data::new(clock));
    let server = HttpServer::new(move || {
        App::new().app_data(desk.clone()).app_data(clock.clone()).configure(routes)
    })
    .workers(2)
    .client_request_timeout(std::time::Duration::from_secs(CLIENT_S_MAX))
    .bind(listen)?;
    for address in server.addrs() {
        println!("listening on http://{address}");
    }
    Ok(server.run().await?)
}
