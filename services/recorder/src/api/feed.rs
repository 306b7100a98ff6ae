//! The feed: entries in order, by pages with long poll, and as a stream of server-sent events.

use std::time::Duration;

use actix_web::http::header::{CACHE_CONTROL, HeaderMap};
use actix_web::{HttpRequest, HttpResponse, get, web};
use chain::entry::leaf_hash;
use futures_util::stream;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use shopfloor::ids::Subject;
use tokio::sync::OwnedSemaphorePermit;
use tokio::time::{Instant, timeout_at};

use crate::app::{Caller, Recorder};
use crate::limits::{FEED_PAGE_DEFAULT, FEED_PAGE_MAX, FEED_WAIT_S_MAX};
use crate::log::{Log, LogError};
use crate::problem::{Problem, Result, echo};
use crate::selection::{About, Chosen, Selection, event_type};

/// Media type of server-sent events.
const STREAM_TYPE: &str = "text/event-stream";
/// How often a silent stream says that it lives. Proxies close what is silent for a minute.
const HEARTBEAT: Duration = Duration::from_secs(15);

/// Which entries, from where, and how long to wait for them.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct FeedQuery {
    /// Number of the last entry seen; the feed goes on after it. Left out: from the beginning.
    pub after: Option<u64>,
    /// Most entries on the page, 1 to 1000; 100 if left out.
    pub limit: Option<usize>,
    /// Only events of this type, with or without `pulverlog.`.
    #[serde(rename = "type")]
    pub type_: Option<String>,
    /// Only events about this subject, such as `equipment/S-02`.
    pub subject: Option<String>,
    /// Only events of this site.
    pub site: Option<String>,
    /// Seconds to wait for a first entry, 0 to 30; 0 if left out.
    pub wait_s: Option<u64>,
}

/// Which entries are streamed.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct StreamQuery {
    /// Number of the last entry seen; the header `Last-Event-ID` counts before it.
    pub after: Option<u64>,
    /// Only events of this type, with or without `pulverlog.`.
    #[serde(rename = "type")]
    pub type_: Option<String>,
    /// Only events about this subject, such as `equipment/S-02`.
    pub subject: Option<String>,
    /// Only events of this site.
    pub site: Option<String>,
}

/// One entry of the feed.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "FeedItem")]
pub struct FeedItem {
    /// Number of the entry.
    pub seq: u64,
    /// Its leaf hash.
    pub leaf: String,
    /// The entry, byte for byte.
    #[schemars(schema_with = "entry_schema")]
    pub entry: Box<RawValue>,
}

/// An entry, by its schema in the API description.
pub(crate) fn entry_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
    schemars::json_schema!({ "$ref": "#/components/schemas/Entry" })
}

/// A page of the feed.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "FeedPage")]
pub struct FeedPage {
    /// Entries in the log.
    pub as_of: u64,
    /// The entries, in order.
    pub items: Vec<FeedItem>,
    /// Pass this as `after` to go on: no entry is left out and none comes twice. Left out as long
    /// as there is nothing to go on from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next_after: Option<u64>,
    /// Whether there may be more already.
    pub more: bool,
}

/// What the caller wants to see and may see.
fn selection(
    caller: &Caller,
    type_: Option<&str>,
    subject: Option<&str>,
    site: Option<&str>,
) -> Result<Selection> {
    let type_ = type_.map(|text| event_type(text).map_err(|e| Problem::parameter("type", e)));
    let subject = subject.map(|text| {
        text.parse::<Subject>()
            .map(|subject| About::Exactly(subject.to_string()))
            .map_err(|error| Problem::parameter("subject", echo(&error.to_string())))
    });
    let site = site.map(super::site).transpose()?;
    Ok(Selection::of(caller.identity())
        .of_types(type_.transpose()?)
        .about(subject.transpose()?)
        .of_site(site))
}

/// The chosen entries as they are listed.
fn items(chosen: &[Chosen]) -> Result<Vec<FeedItem>> {
    let item = |Chosen { seq, line }: &Chosen| {
        let text = String::from_utf8_lossy(line).into_owned();
        let entry = RawValue::from_string(text).map_err(|error| {
            Problem::internal(&LogError::Failed(format!("entry {seq}: {error}")))
        })?;
        Ok(FeedItem { seq: *seq, leaf: leaf_hash(line).to_string(), entry })
    };
    chosen.iter().map(item).collect()
}

/// Read entries in order, and wait for new ones
///
/// Filters narrow what is listed; entries of sites the token is not for are left out. With
/// `wait_s` the answer comes as soon as there is an entry to list, or empty when the time is over.
/// Going on from `next_after` neither leaves out nor repeats an entry.
#[utoipa::path(
    operation_id = "readFeed", tag = "record",
    params(FeedQuery),
    responses((status = 200, description = "A page.", body = FeedPage)),
)]
#[get("/v1/feed")]
pub(super) async fn read_feed(
    recorder: web::Data<Recorder>,
    caller: Caller,
    query: web::Query<FeedQuery>,
) -> Result<web::Json<FeedPage>> {
    let limit = query.limit.unwrap_or(FEED_PAGE_DEFAULT);
    if !(1..=FEED_PAGE_MAX).contains(&limit) {
        return Err(Problem::parameter("limit", format!("1 to {FEED_PAGE_MAX} is wanted")));
    }
    let wait_s = query.wait_s.unwrap_or(0);
    if wait_s > FEED_WAIT_S_MAX {
        return Err(Problem::parameter("wait_s", format!("0 to {FEED_WAIT_S_MAX} is wanted")));
    }
    let (type_, subject) = (query.type_.as_deref(), query.subject.as_deref());
    let selection = selection(&caller, type_, subject, query.site.as_deref())?;
    let mut from = start(&recorder.log, query.after)?;
    let deadline = Instant::now() + Duration::from_secs(wait_s);
    let _waiter = if wait_s > 0 { Some(recorder.waiter()?) } else { None };
    let mut news = recorder.log.news();
    loop {
        let size = *news.borrow_and_update();
        let (log, wanted) = (recorder.log.clone(), selection.clone());
        let look = move || Ok(wanted.find(&log, from, size, limit)?);
        let found = recorder.blocking(look).await?;
        let more = found.end < size;
        // Nothing listed and nothing more to look at: wait for news, if the client does.
        let waits = found.items.is_empty() && !more;
        if waits && Instant::now() < deadline {
            from = found.end;
            let changed = tokio::select! {
                changed = timeout_at(deadline, news.changed()) => matches!(changed, Ok(Ok(()))),
                () = recorder.stopped() => false,
            };
            if changed {
                continue;
            }
        }
        let next_after = found.end.checked_sub(1).or(query.after);
        let items = items(&found.items)?;
        return Ok(web::Json(FeedPage { as_of: size, items, next_after, more }));
    }
}

/// The first entry after `after`.
fn start(log: &Log, after: Option<u64>) -> Result<u64> {
    let Some(after) = after else { return Ok(0) };
    let size = log.size();
    if after >= size {
        // A mark beyond the end was not given by this log: going on from it would leave out what
        // comes in between.
        let detail = format!("the log has {size} entries, none has the number {after}");
        return Err(Problem::parameter("after", detail));
    }
    Ok(after + 1)
}

/// Receive entries as they are recorded
///
/// Server-sent events: `id` is the number of the entry, `event` is `entry`, `data` is the entry
/// byte for byte. A client that comes back sends `Last-Event-ID`, as browsers do by themselves, and
/// misses nothing. A comment every 15 seconds shows that the stream lives.
#[utoipa::path(
    operation_id = "streamFeed", tag = "record",
    params(
        StreamQuery,
        ("last-event-id" = Option<u64>, Header, description = "Number of the last entry received."),
    ),
    responses((status = 200, description = "Entries without end.", body = String, content_type = "text/event-stream")),
)]
#[get("/v1/feed/stream")]
pub(super) async fn stream_feed(
    recorder: web::Data<Recorder>,
    caller: Caller,
    request: HttpRequest,
    query: web::Query<StreamQuery>,
) -> Result<HttpResponse> {
    let (type_, subject) = (query.type_.as_deref(), query.subject.as_deref());
    let selection = selection(&caller, type_, subject, query.site.as_deref())?;
    let after = last_event_id(request.headers())?.or(query.after);
    let streaming = Streaming {
        from: start(&recorder.log, after)?,
        news: recorder.log.news(),
        _waiter: recorder.waiter()?,
        recorder: recorder.into_inner(),
        selection,
    };
    Ok(HttpResponse::Ok()
        .content_type(STREAM_TYPE)
        .insert_header((CACHE_CONTROL, "no-store"))
        .streaming(stream::unfold(streaming, Streaming::next)))
}

fn last_event_id(headers: &HeaderMap) -> Result<Option<u64>> {
    let Some(value) = headers.get("last-event-id") else { return Ok(None) };
    let number = value.to_str().ok().and_then(|text| text.parse().ok());
    number
        .map(Some)
        .ok_or_else(|| Problem::parameter("last-event-id", "the number of an entry is wanted"))
}

/// A stream under way.
struct Streaming {
    recorder: std::sync::Arc<Recorder>,
    selection: Selection,
    from: u64,
    news: tokio::sync::watch::Receiver<u64>,
    _waiter: OwnedSemaphorePermit,
}

impl Streaming {
    /// The next piece of the stream: entries, or a sign of life.
    async fn next(mut self) -> Option<(Result<web::Bytes, Problem>, Self)> {
        let silent_until = Instant::now() + HEARTBEAT;
        loop {
            if self.has_expired() {
                return None;
            }
            let size = *self.news.borrow_and_update();
            let (log, wanted) = (self.recorder.log.clone(), self.selection.clone());
            let from = self.from;
            let look = move || {
                let found = wanted.find(&log, from, size, FEED_PAGE_DEFAULT)?;
                Ok((items(&found.items)?, found.end))
            };
            let (items, end) = match self.recorder.blocking(look).await {
                Ok(found) => found,
                // The client comes back and gets the problem as an answer of its own.
                Err(_) => return None,
            };
            self.from = end;
            if !items.is_empty() {
                return Some((Ok(as_events(&items)), self));
            }
            if end < size {
                continue;
            }
            let changed = tokio::select! {
                changed = timeout_at(silent_until, self.news.changed()) => changed,
                () = self.recorder.stopped() => return None,
            };
            match changed {
                Ok(Ok(())) => {}
                Ok(Err(_)) => return None,
                Err(_) => return Some((Ok(web::Bytes::from_static(b": alive\n\n")), self)),
            }
        }
    }

    /// Whether the token that opened the stream is past its end.
    fn has_expired(&self) -> bool {
        self.recorder.authn.now_ms().div_euclid(1_000) >= self.selection.expires_s()
    }
}

/// Server-sent events (HTML standard, section 9.2). Canonical JSON has no line breaks.
fn as_events(items: &[FeedItem]) -> web::Bytes {
    let mut out = String::new();
    for item in items {
        out.push_str(&format!("id: {}\nevent: entry\ndata: {}\n\n", item.seq, item.entry.get()));
    }
    web::Bytes::from(out)
}
