//! How events travel to us: CloudEvents 1.0 over HTTP (as the recorder takes them) and over MQTT.
//!
//! Checked at the door is what needs no knowledge of the shop: the JSON profile, the size, and the
//! attributes every event has. Everything else is the recorder's word.

use chain::canon::{self, Limits, Value};
use chain::limits::{EVENT_BYTES_MAX, EVENT_DEPTH_MAX};
use edge::event::Binary;

use crate::limits::{
    BATCH_BODY_BYTES_MAX, BATCH_EVENTS_MAX, EVENT_BODY_BYTES_MAX, KEPT_HEADER_BYTES_MAX,
};
use crate::problem::{Kind, Problem, echo};

pub use edge::event::{BATCH_TYPE, DATA_TYPE, EVENT_TYPE, SIGNATURE_HEADER, percent_decoded};

/// What was sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Sent {
    /// One event, canonical.
    One(Vec<u8>),
    /// Each event of a batch, canonical, or why it cannot be one.
    Many(Vec<Result<Vec<u8>, Problem>>),
}

/// Which sources somebody may send events of.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sources(Option<Vec<String>>);

impl Sources {
    /// Every source, if `None`; else those listed. One that ends with `/*` stands for all below.
    pub fn new(listed: Option<Vec<String>>) -> Self {
        Self(listed)
    }

    fn hold(&self, source: &str) -> bool {
        let Some(listed) = &self.0 else { return true };
        listed.iter().any(|one| match one.strip_suffix('*') {
            Some(parent) if parent.ends_with('/') => source.starts_with(parent),
            Some(_) | None => one == source,
        })
    }
}

/// One event as its own JSON object.
///
/// # Errors
/// [`Problem`] with the member at fault.
pub fn structured(bytes: &[u8], sources: &Sources) -> Result<Sent, Problem> {
    event(parse(bytes, EVENT_BODY_BYTES_MAX, EVENT_DEPTH_MAX)?, sources).map(Sent::One)
}

/// An array of events.
///
/// # Errors
/// [`Problem`] if it is no array of a permitted length.
pub fn batch(bytes: &[u8], sources: &Sources) -> Result<Sent, Problem> {
    match parse(bytes, BATCH_BODY_BYTES_MAX, EVENT_DEPTH_MAX + 1)? {
        Value::Array(events) if events.len() > BATCH_EVENTS_MAX => {
            let detail = format!("a batch has at most {BATCH_EVENTS_MAX} events");
            Err(Problem::new(Kind::BodyTooLarge, detail))
        }
        Value::Array(events) => {
            Ok(Sent::Many(events.into_iter().map(|one| event(one, sources)).collect()))
        }
        Value::Null | Value::Bool(_) | Value::Int(_) | Value::String(_) | Value::Object(_) => {
            Err(Problem::new(Kind::WrongType, "a batch is an array of events").at(""))
        }
    }
}

/// An event whose attributes came beside its data, by name and value.
///
/// # Errors
/// [`Problem`] with the attribute or member at fault.
pub fn binary(
    attributes: impl Iterator<Item = Result<(String, String), Problem>>,
    data: &[u8],
    sources: &Sources,
) -> Result<Sent, Problem> {
    let data = parse(data, EVENT_BODY_BYTES_MAX, EVENT_DEPTH_MAX - 1)
        .map_err(|problem| problem.below("/data"))?;
    let mut event = Binary::of(data);
    for attribute in attributes {
        let (name, value) = attribute?;
        event
            .put(&name, value)
            .map_err(|error| Problem::parameter(&echo(&name), error.to_string()))?;
    }
    self::event(event.event(), sources).map(Sent::One)
}

/// Checks the form of a signature; whether it fits is the recorder's word.
///
/// # Errors
/// [`Kind::BadParameter`].
pub fn check_signature(value: &str) -> Result<(), Problem> {
    if value.len() <= KEPT_HEADER_BYTES_MAX && edge::event::signature(value).is_some() {
        return Ok(());
    }
    Err(Problem::parameter(SIGNATURE_HEADER, edge::event::SIGNATURE_FORM))
}

/// Whether preferences ask for a batch to be recorded as a whole (recorder: `pulverlog-batch`; the
/// first of several counts, RFC 7240 section 2).
pub fn wants_whole(prefer: &str) -> bool {
    let first = prefer.split(',').find_map(|preference| {
        let (name, value) = preference.split(';').next()?.split_once('=')?;
        name.trim().eq_ignore_ascii_case("pulverlog-batch").then_some(value)
    });
    first.is_some_and(|value| value.trim().trim_matches('"').eq_ignore_ascii_case("whole"))
}

fn parse(bytes: &[u8], max_bytes: usize, max_depth: u8) -> Result<Value, Problem> {
    Ok(canon::parse_with(bytes, Limits { max_depth, max_bytes })?)
}

/// The canonical bytes of an event that has the attributes every event has (CloudEvents 1.0, section
/// "Required Attributes").
fn event(event: Value, sources: &Sources) -> Result<Vec<u8>, Problem> {
    let Value::Object(members) = &event else {
        return Err(Problem::new(Kind::WrongType, "an event is an object").at(""));
    };
    for name in ["specversion", "id", "source", "type"] {
        let pointer = format!("/{name}");
        let text = match members.get(name) {
            None => {
                let detail = format!("`{name}` is missing");
                return Err(Problem::new(Kind::MissingMember, detail).at(pointer));
            }
            Some(value) => value.as_str().ok_or_else(|| {
                Problem::new(Kind::WrongType, format!("`{name}` is text")).at(pointer.clone())
            })?,
        };
        if text.is_empty() || name == "specversion" && text != "1.0" {
            let detail = match name {
                "specversion" => "`specversion` is `1.0`".to_owned(),
                _ => format!("`{name}` is empty"),
            };
            return Err(Problem::new(Kind::InvalidValue, detail).at(pointer));
        }
        if name == "source" && !sources.hold(text) {
            let detail = format!("this client may not send events of `{}`", echo(text));
            return Err(Problem::new(Kind::ForbiddenSource, detail).at(pointer));
        }
    }
    let bytes = canon::to_bytes(&event);
    if bytes.len() > EVENT_BYTES_MAX {
        let detail = format!("an event has at most {EVENT_BYTES_MAX} bytes in canonical form");
        return Err(Problem::new(Kind::BodyTooLarge, detail));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    const CANONICAL: &str =
        r#"{"data":{"n":1},"id":"7","source":"/m/1","specversion":"1.0","type":"t"}"#;

    fn anybody() -> Sources {
        Sources::default()
    }

    #[test]
    fn every_form_gives_the_same_canonical_event() {
        let one = Ok(Sent::One(CANONICAL.into()));
        let spaced = CANONICAL.replace(',', " ,\n ");
        assert_eq!(structured(spaced.as_bytes(), &anybody()), one);
        let attributes = [("specversion", "1.0"), ("type", "t"), ("id", "7"), ("source", "/m/1")];
        let attributes = attributes.map(|(name, value)| Ok((name.into(), value.into())));
        assert_eq!(binary(attributes.into_iter(), b"{ \"n\": 1 }", &anybody()), one);
        let many = batch(format!("[{CANONICAL}, 7]").as_bytes(), &anybody()).unwrap();
        let Sent::Many(many) = many else { panic!("a batch") };
        assert_eq!(many[0], Ok(CANONICAL.into()));
        assert_eq!(many[1].as_ref().unwrap_err().kind, Kind::WrongType);
    }

    #[test]
    fn what_can_be_no_event_is_refused_at_the_member_at_fault() {
        for (from, to, kind, pointer) in [
            (r#""id":"7","#, "", Kind::MissingMember, "/id"),
            (r#""id":"7""#, r#""id":7"#, Kind::WrongType, "/id"),
            (r#""id":"7""#, r#""id":"""#, Kind::InvalidValue, "/id"),
            (r#""1.0""#, r#""0.3""#, Kind::InvalidValue, "/specversion"),
            (r#""n":1"#, r#""n":1.5"#, Kind::MalformedJson, "/data/n"),
            (r#""n":1"#, r#""n":1,"n":1"#, Kind::MalformedJson, "/data/n"),
        ] {
            let problem =
                structured(CANONICAL.replace(from, to).as_bytes(), &anybody()).unwrap_err();
            assert_eq!((problem.kind, problem.pointer.as_deref()), (kind, Some(pointer)), "{to}");
        }
    }

    #[test]
    fn a_client_sends_events_of_its_own_sources_only() {
        for (listed, held) in [
            (None, true),
            (Some(vec!["/m/1"]), true),
            (Some(vec!["/x", "/m/*"]), true),
            (Some(vec!["/m"]), false),
            (Some(vec!["/m*"]), false),
            (Some(vec![]), false),
        ] {
            let listed = listed.map(|l| l.into_iter().map(str::to_owned).collect());
            let sources = Sources::new(listed.clone());
            let taken = structured(CANONICAL.as_bytes(), &sources);
            assert_eq!(taken.is_ok(), held, "{listed:?}");
            if let Err(problem) = taken {
                assert_eq!(problem.kind, Kind::ForbiddenSource);
            }
        }
    }

    #[test]
    fn preferences_are_read_as_the_recorder_reads_them() {
        for (prefer, whole) in [
            ("pulverlog-batch=whole", true),
            ("handling=strict, Pulverlog-Batch = \"Whole\"; x=1", true),
            ("pulverlog-batch=each, pulverlog-batch=whole", false),
            ("handling=strict", false),
        ] {
            assert_eq!(wants_whole(prefer), whole, "{prefer}");
        }
    }

    #[test]
    fn header_values_are_decoded_or_refused() {
        assert_eq!(percent_decoded("a%20%C3%A4").as_deref(), Some("a ä"));
        for bad in ["%", "%2", "%zz", "%ff", "ä"] {
            assert_eq!(percent_decoded(bad), None, "{bad}");
        }
    }
}
