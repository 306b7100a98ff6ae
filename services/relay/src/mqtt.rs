//! MQTT: events that machines publish to the shop's broker (MQTT 5.0; CloudEvents MQTT protocol
//! binding 1.0.2).
//!
//! The broker keeps a session for the relay, so it keeps messages while the relay is away. A message is
//! acknowledged only when its event is durable in the spool; until then the broker owns it and sends
//! it again after a new connection. Messages are taken in the order in which they come, several with
//! one sync of the disk. How many may be under way is bounded by the receive maximum, so a full spool
//! means that the broker waits; from one that sends more all the same, nothing is read meanwhile.
//!
//! What is no event has nobody to be told; it goes to the refused store, which is as durable.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::pin::Pin;
use std::rc::Rc;
use std::sync::Arc;

use actix_web::{rt, web};
use anyhow::Result;
use rumqttc::{
    AckMode, AsyncClient, Event, EventLoop, MqttOptions, Packet, PersistedAckMode,
    PersistedSession, Publish, QoS, RetainForwardRule, SessionMode, SessionStore, SessionStoreKey,
    SubscribeFilter, SubscribeReasonCode, TlsConfiguration, Transport,
};
use tokio::sync::Notify;

use crate::Clock;
use crate::config::{Mqtt, secret};
use crate::intake::Intake;
use crate::limits::{
    BATCH_BODY_BYTES_MAX, MQTT_FULL_PAUSE, MQTT_PAUSE, MQTT_QUEUE_BYTES_MAX, MQTT_QUEUE_MAX,
    MQTT_RECEIVE_MAX, MQTT_SESSION_S,
};
use crate::parcel::{Head, Parcel};
use crate::problem::{Kind, Problem, echo};
use crate::refused::{Entry, Refused};
use crate::wire::{self, DATA_TYPE, EVENT_TYPE, SIGNATURE_HEADER, Sent, Sources};

/// Seconds without a packet after which the broker is asked whether it is there.
const KEEP_ALIVE_S: u16 = 20;

/// Messages that are not acknowledged yet. A new connection begins with an empty queue and a new
/// number: the broker sends again what it got no acknowledgement for, and an acknowledgement of an
/// older connection could meet another message under the same packet identifier.
#[derive(Debug, Default)]
struct Queue {
    connection: u64,
    messages: VecDeque<Publish>,
    bytes: usize,
}

impl Queue {
    fn push(&mut self, message: Publish) {
        self.bytes += message.payload.len();
        self.messages.push_back(message);
    }

    fn pop(&mut self) -> Option<Publish> {
        let message = self.messages.pop_front()?;
        self.bytes -= message.payload.len();
        Some(message)
    }

    fn begin_anew(&mut self) {
        *self = Self { connection: self.connection + 1, ..Self::default() };
    }

    fn is_full(&self) -> bool {
        self.messages.len() >= MQTT_QUEUE_MAX || self.bytes >= MQTT_QUEUE_BYTES_MAX
    }
}

/// Where messages go.
#[derive(Clone)]
struct Sink {
    intake: Intake,
    refused: Arc<Refused>,
    refused_max: usize,
    sources: Sources,
    clock: Clock,
}

/// Connects to the broker and takes what it sends, for as long as the service runs.
///
/// # Errors
/// When a file of the configuration cannot be used; the broker may be away.
pub fn start(
    config: &Mqtt,
    intake: Intake,
    refused: Arc<Refused>,
    refused_max: usize,
    clock: Clock,
) -> Result<()> {
    let (client, events) =
        AsyncClient::builder(options(config)?).capacity(4 * usize::from(MQTT_RECEIVE_MAX)).build();
    let queue = Rc::new(RefCell::new(Queue::default()));
    let arrived = Rc::new(Notify::new());
    let sources = Sources::new(config.sources.clone());
    let sink = Sink { intake, refused, refused_max, sources, clock };
    let topics = config.topics.clone();
    rt::spawn(listen(
        events,
        client.clone(),
        topics,
        Rc::clone(&queue),
        Rc::clone(&arrived),
        sink.clone(),
    ));
    rt::spawn(take(client, queue, arrived, sink));
    Ok(())
}

fn options(config: &Mqtt) -> Result<MqttOptions> {
    let mut options = MqttOptions::new(&config.client_id, (config.host.clone(), config.port));
    // As much as a batch may have: what is too large for an event is refused where it can be seen,
    // not dropped by the broker.
    let packet_bytes_max = u32::try_from(BATCH_BODY_BYTES_MAX).ok();
    options
        .set_session_mode(SessionMode::Persistent)
        .set_session_expiry_interval(Some(MQTT_SESSION_S))
        .set_session_store(OurHalf { client_id: config.client_id.clone() })
        .set_ack_mode(AckMode::Manual)
        .set_receive_maximum(Some(MQTT_RECEIVE_MAX))
        .set_max_packet_size(packet_bytes_max)
        .set_keep_alive(KEEP_ALIVE_S);
    match (&config.username, &config.password_file) {
        (Some(username), Some(file)) => {
            options.set_credentials(username.clone(), secret(file)?);
        }
        (Some(username), None) => {
            options.set_username(username.clone());
        }
        (None, _) => {}
    }
    if let Some(file) = &config.authorities_file {
        let tls = Arc::new(crate::tls::client_config(file)?);
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(tls)));
    }
    Ok(options)
}

/// Our half of the session (MQTT 5.0, section 4.1), which a client must have when the broker goes on
/// with its own: what it sent and what is not completed. We send nothing but subscriptions, anew
/// with each connection, and of what comes in QoS 1 has no state on our side; so our half is always
/// empty, and there is nothing to keep.
#[derive(Debug)]
struct OurHalf {
    client_id: String,
}

type InTime<'a, T> =
    Pin<Box<dyn Future<Output = Result<T, rumqttc::SessionStoreError>> + Send + 'a>>;

impl SessionStore for OurHalf {
    fn load<'a>(&'a self, _: &'a SessionStoreKey) -> InTime<'a, Option<PersistedSession>> {
        let empty = PersistedSession {
            format_version: 1,
            client_id: self.client_id.clone(),
            clean_start: false,
            session_expiry_interval: Some(MQTT_SESSION_S),
            outgoing_inflight_upper_limit: None,
            ack_mode: PersistedAckMode::Manual,
            last_pkid: 0,
            last_puback: 0,
            replay: Vec::new(),
            incoming_qos2: Vec::new(),
        };
        Box::pin(std::future::ready(Ok(Some(empty))))
    }

    fn save<'a>(&'a self, _: &'a SessionStoreKey, _: &'a PersistedSession) -> InTime<'a, ()> {
        Box::pin(std::future::ready(Ok(())))
    }

    fn clear<'a>(&'a self, _: &'a SessionStoreKey) -> InTime<'a, ()> {
        Box::pin(std::future::ready(Ok(())))
    }
}

/// Drives the connection: subscribes, queues messages, begins anew when it breaks.
async fn listen(
    mut events: EventLoop,
    client: AsyncClient,
    topics: Vec<String>,
    queue: Rc<RefCell<Queue>>,
    arrived: Rc<Notify>,
    sink: Sink,
) {
    let connected = &sink.intake.metrics.mqtt_connected;
    let mut away = false;
    loop {
        if queue.borrow().is_full() {
            tokio::time::sleep(MQTT_FULL_PAUSE).await;
            continue;
        }
        match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(answer))) => {
                tracing::info!(session = answer.session_present, "connected to the broker");
                away = false;
                let filters = topics.iter().map(|topic| {
                    let mut filter = SubscribeFilter::new(topic.clone(), QoS::AtLeastOnce);
                    filter.retain_forward_rule = RetainForwardRule::OnNewSubscribe;
                    filter
                });
                if let Err(error) = client.try_subscribe_many(filters) {
                    tracing::error!(%error, "the topics cannot be subscribed to");
                }
            }
            Ok(Event::Incoming(Packet::SubAck(answer))) => {
                let granted = |code: &_| *code == SubscribeReasonCode::Success(QoS::AtLeastOnce);
                for (topic, code) in topics.iter().zip(&answer.return_codes) {
                    if !granted(code) {
                        tracing::error!(topic, answer = ?code, "the broker does not grant a topic");
                    }
                }
                // Connected is who gets what was published.
                connected.set(i64::from(answer.return_codes.iter().all(granted)));
            }
            Ok(Event::Incoming(Packet::Publish(message))) => {
                queue.borrow_mut().push(message);
                arrived.notify_one();
            }
            Ok(_) => {}
            Err(error) => {
                queue.borrow_mut().begin_anew();
                connected.set(0);
                if !away {
                    tracing::warn!(%error, "no connection to the broker; trying again");
                    away = true;
                }
                tokio::time::sleep(MQTT_PAUSE).await;
            }
        }
    }
}

/// Takes queued messages, all that are there at once, and acknowledges them when they are durable.
async fn take(client: AsyncClient, queue: Rc<RefCell<Queue>>, arrived: Rc<Notify>, sink: Sink) {
    loop {
        let (connection, messages) = {
            let queue = queue.borrow();
            (queue.connection, queue.messages.iter().cloned().collect::<Vec<_>>())
        };
        if messages.is_empty() {
            arrived.notified().await;
            continue;
        }
        let (sink, taken) = (sink.clone(), messages.clone());
        let kept = web::block(move || sink.keep(&taken)).await;
        if !matches!(kept, Ok(Ok(()))) {
            // Not acknowledged, so the broker still has them; the order stays as it is.
            tokio::time::sleep(MQTT_PAUSE).await;
            continue;
        }
        acknowledge(&client, &queue, connection, messages.len()).await;
    }
}

/// Acknowledges the oldest messages, as long as the connection is the one they came over.
async fn acknowledge(
    client: &AsyncClient,
    queue: &RefCell<Queue>,
    connection: u64,
    mut messages: usize,
) {
    while messages > 0 {
        {
            let mut queue = queue.borrow_mut();
            while messages > 0 && queue.connection == connection {
                let sent =
                    queue.messages.front().is_none_or(|oldest| client.try_ack(oldest).is_ok());
                if !sent {
                    break;
                }
                queue.pop();
                messages -= 1;
            }
            if queue.connection != connection {
                return;
            }
        }
        // The client has as many requests as it holds: let the connection send them.
        tokio::time::sleep(MQTT_FULL_PAUSE).await;
    }
}

impl Sink {
    /// Keeps messages, in order; all are durable when this returns `Ok`. After an error some may be:
    /// they are the same when they come again.
    fn keep(&self, messages: &[Publish]) -> Result<(), Problem> {
        let mut parcels = Vec::with_capacity(messages.len());
        for message in messages {
            match self.read(message) {
                Ok(parcel) => parcels.push(parcel),
                Err(problem) => self.refuse(message, &problem)?,
            }
        }
        if parcels.is_empty() {
            return Ok(());
        }
        self.intake.take(&parcels).map(drop)
    }

    fn from(message: &Publish) -> String {
        format!("mqtt:{}", echo(&String::from_utf8_lossy(&message.topic)))
    }

    /// The event in a message. Its attributes stand in the payload (structured mode) or in user
    /// properties (binary mode, binding section 3.1). A publisher of MQTT 3.1.1 has only the first.
    fn read(&self, message: &Publish) -> Result<Parcel, Problem> {
        let properties = message.properties.as_ref();
        let user = properties.map_or(&[][..], |properties| &properties.user_properties);
        let media_type = properties
            .and_then(|properties| properties.content_type.as_deref())
            .map(|text| text.split(';').next().unwrap_or_default().trim().to_ascii_lowercase());
        let is_binary = user.iter().any(|(name, _)| name == "specversion");
        let sent = match media_type.as_deref() {
            None | Some(DATA_TYPE) if is_binary => {
                let attributes = user.iter().filter(|(name, _)| name != SIGNATURE_HEADER);
                wire::binary(attributes.cloned().map(Ok), &message.payload, &self.sources)
            }
            None | Some(DATA_TYPE | EVENT_TYPE) => {
                wire::structured(&message.payload, &self.sources)
            }
            Some(other) => {
                let detail = format!("`{}` is not understood: send `{EVENT_TYPE}`", echo(other));
                Err(Problem::new(Kind::UnsupportedMediaType, detail))
            }
        }?;
        let mut signatures = user.iter().filter(|(name, _)| name == SIGNATURE_HEADER);
        let signature = signatures.next().map(|(_, value)| value.clone());
        if let Some(signature) = &signature {
            wire::check_signature(signature)?;
        }
        let head = Head {
            from: Self::from(message),
            taken_ms: (self.clock)(),
            prefer: None,
            signature,
            whole: false,
        };
        match sent {
            Sent::One(event) => Ok(Parcel { head, events: vec![event] }),
            Sent::Many(_) => Err(Problem::new(Kind::WrongType, "a message is one event").at("")),
        }
    }

    fn refuse(&self, message: &Publish, problem: &Problem) -> Result<(), Problem> {
        if self.refused.count() >= self.refused_max {
            return Err(Problem::new(Kind::StorageFull, "too many refused events are kept"));
        }
        let document = serde_json::to_value(problem.body()).unwrap_or_default();
        let from = Self::from(message);
        let entry = Entry::of_bytes(&message.payload, &from, document, (self.clock)());
        self.refused.keep(&entry).map_err(|error| {
            let error = format!("{:#}", anyhow::Error::from(error));
            tracing::error!(error, "a message that is no event could not be kept");
            Problem::new(Kind::Internal, "the refused store failed")
        })?;
        self.intake.refused(1);
        tracing::warn!(id = entry.id, from, code = problem.kind.code(), "a message is no event");
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::PublishProperties;

    use super::*;
    use crate::line::Line;
    use crate::metrics::Metrics;
    use crate::spool::Spool;

    const EVENT: &str =
        r#"{"data":{"n":1},"id":"7","source":"/m/1","specversion":"1.0","type":"t"}"#;

    fn sink(folder: &std::path::Path, sources: Sources) -> Sink {
        Sink {
            intake: Intake {
                spool: Arc::new(Spool::open(&folder.join("spool"), 1 << 30).unwrap()),
                line: Arc::new(Line::new(0)),
                metrics: Metrics::new().unwrap(),
            },
            refused: Arc::new(Refused::open(&folder.join("refused")).unwrap()),
            refused_max: 2,
            sources,
            clock: Arc::new(|| 0),
        }
    }

    fn message(payload: &str, content_type: Option<&str>, user: &[(&str, &str)]) -> Publish {
        let properties = PublishProperties {
            content_type: content_type.map(str::to_owned),
            user_properties: user.iter().map(|(n, v)| ((*n).into(), (*v).into())).collect(),
            ..PublishProperties::default()
        };
        let payload = payload.as_bytes().to_vec();
        Publish::new("shop/press-1", QoS::AtLeastOnce, payload, Some(properties))
    }

    #[test]
    fn events_are_read_in_both_modes_and_what_is_none_is_kept_aside() {
        let folder = tempfile::tempdir().unwrap();
        let sink = sink(folder.path(), Sources::new(Some(vec!["/m/*".into()])));
        let attributes = [("specversion", "1.0"), ("id", "8"), ("source", "/m/1"), ("type", "t")];
        let plain = Publish::new("shop/press-1", QoS::AtLeastOnce, EVENT, None);
        sink.keep(&[
            plain,
            message(r#"{"n":1}"#, Some("application/json"), &attributes),
            message("hello", None, &[]),
            message(EVENT, Some("text/plain"), &[]),
        ])
        .unwrap();
        let waiting = sink.intake.spool.waiting(9, usize::MAX).unwrap();
        let events: Vec<String> = waiting
            .iter()
            .map(|one| String::from_utf8(one.parcel.events[0].clone()).unwrap())
            .collect();
        assert_eq!(events, [EVENT.to_owned(), EVENT.replace('7', "8")]);
        assert_eq!(waiting[0].parcel.head.from, "mqtt:shop/press-1");
        let kinds: Vec<_> = sink.refused.list().unwrap().into_iter().map(|e| e.problems).collect();
        assert_eq!(kinds.len(), 2);

        // The store is full now: the message is not acknowledged, so the broker keeps it.
        let foreign = EVENT.replace("/m/1", "/x");
        let full = sink.keep(&[message(&foreign, Some(EVENT_TYPE), &[])]);
        assert_eq!(full.unwrap_err().kind, Kind::StorageFull);
    }
}
