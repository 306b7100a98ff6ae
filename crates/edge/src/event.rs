//! How an event travels: CloudEvents 1.0 as JSON, as a batch, or with its attributes beside its data.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use chain::canon::{Object, Value};
use chain::entry::ClientSignature;

/// Media type of one event.
pub const EVENT_TYPE: &str = "application/cloudevents+json";
/// Media type of a batch.
pub const BATCH_TYPE: &str = "application/cloudevents-batch+json";
/// Media type of the data of an event whose attributes stand beside it.
pub const DATA_TYPE: &str = "application/json";
/// Header with the client's signature of a single event: `name+keyid;base64`.
pub const SIGNATURE_HEADER: &str = "pulverlog-signature";
/// What is wrong with a signature header that [`signature`] does not read.
pub const SIGNATURE_FORM: &str = "a signature is `name+keyid;` and the base64 of 64 bytes, once";

/// An attribute beside the data that cannot be one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BadAttribute {
    /// CloudEvents names are small letters and digits; `data` is no attribute.
    #[error("no attribute can have this name")]
    Name,
    /// It came before.
    #[error("the attribute is there twice")]
    Twice,
}

/// Puts attributes beside data together into one event (CloudEvents HTTP protocol binding, section 3.1).
#[derive(Debug)]
pub struct Binary(Object);

impl Binary {
    /// An event without attributes.
    pub fn of(data: Value) -> Self {
        let mut event = Object::new();
        event.insert("data", data);
        Self(event)
    }

    /// Adds an attribute.
    ///
    /// # Errors
    /// [`BadAttribute`].
    pub fn put(&mut self, name: &str, value: String) -> Result<(), BadAttribute> {
        let formed =
            !name.is_empty() && name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit());
        if !formed || name == "data" {
            return Err(BadAttribute::Name);
        }
        match self.0.insert(name, value) {
            None => Ok(()),
            Some(_) => Err(BadAttribute::Twice),
        }
    }

    /// The event.
    pub fn event(self) -> Value {
        Value::Object(self.0)
    }
}

/// Undoes the percent-encoding of a header value (CloudEvents HTTP protocol binding, section 3.1.3.2);
/// `None` if it is none. Only printable ASCII may stand plain.
pub fn percent_decoded(text: &str) -> Option<String> {
    let mut bytes = text.bytes();
    let mut out = Vec::with_capacity(text.len());
    while let Some(byte) = bytes.next() {
        match byte {
            b'%' => {
                let mut digit = || char::from(bytes.next()?).to_digit(16);
                let (high, low) = (digit()?, digit()?);
                out.push(u8::try_from(high * 16 + low).ok()?);
            }
            b' '..=b'~' => out.push(byte),
            _ => return None,
        }
    }
    String::from_utf8(out).ok()
}

/// Reads the value of [`SIGNATURE_HEADER`]; `None` if it is no signature. Whether it fits is not looked at.
pub fn signature(value: &str) -> Option<ClientSignature> {
    let (by, value) = value.split_once(';')?;
    let value = BASE64.decode(value).ok()?.try_into().ok()?;
    let signature = ClientSignature { by: by.to_owned(), value };
    signature.validate().ok().map(|()| signature)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn header_values_are_percent_decoded() {
        for (text, decoded) in [
            ("plain", Some("plain")),
            ("a%20b%2F%C3%A4", Some("a b/ä")),
            ("%zz", None),
            ("%e", None),
            ("%", None),
            ("%ff", None),
            ("ä", None),
            ("a\u{7f}", None),
        ] {
            assert_eq!(percent_decoded(text).as_deref(), decoded, "{text}");
        }
    }

    #[test]
    fn attributes_and_data_become_one_event() {
        let mut event = Binary::of(Value::Int(1));
        assert_eq!(event.put("id", "7".to_owned()), Ok(()));
        assert_eq!(event.put("id", "8".to_owned()), Err(BadAttribute::Twice));
        for name in ["", "data", "Id", "a-b"] {
            assert_eq!(event.put(name, String::new()), Err(BadAttribute::Name), "{name}");
        }
        let twice = chain::canon::to_bytes(&event.event());
        assert!(twice.starts_with(br#"{"data":1,"id":"#), "{}", String::from_utf8_lossy(&twice));
    }

    #[test]
    fn a_signature_is_a_name_and_64_bytes() {
        let value = BASE64.encode([7; 64]);
        assert!(signature(&format!("terminal-1+0abc1f19;{value}")).is_some());
        for bad in ["", "terminal-1+0abc1f19", &value, "terminal-1+0abc1f19;AAAA"] {
            assert_eq!(signature(bad), None, "{bad}");
        }
    }
}
