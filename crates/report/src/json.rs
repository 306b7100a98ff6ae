//! Canonical JSON of plain data: the same data gives the same bytes.

use chain::canon::{self, Object, Value};
use serde::Serialize;

/// Why data has no canonical form: a defect of the data type, not of the data.
#[derive(Debug, thiserror::Error)]
pub enum JsonError {
    /// The data could not be written as JSON at all.
    #[error("the data has no JSON form")]
    Unwritable(#[source] serde_json::Error),
    /// A number that is no integer of at most 53 bits.
    #[error("member `{pointer}` is no whole number of at most 53 bits: write it as a string")]
    Number {
        /// JSON pointer to it.
        pointer: String,
    },
}

/// The canonical bytes of `data`, with a line end.
pub fn to_bytes<T: Serialize>(data: &T) -> Result<Vec<u8>, JsonError> {
    let value = serde_json::to_value(data).map_err(JsonError::Unwritable)?;
    let mut bytes = canon::to_bytes(&convert(value, "")?);
    bytes.push(b'\n');
    Ok(bytes)
}

fn convert(value: serde_json::Value, pointer: &str) -> Result<Value, JsonError> {
    Ok(match value {
        serde_json::Value::Null => Value::Null,
        serde_json::Value::Bool(flag) => Value::Bool(flag),
        serde_json::Value::String(text) => Value::String(text),
        serde_json::Value::Number(number) => {
            let whole = number.as_i64().filter(|n| n.unsigned_abs() < 1 << 53);
            Value::Int(whole.ok_or_else(|| JsonError::Number { pointer: pointer.to_owned() })?)
        }
        serde_json::Value::Array(items) => Value::Array(
            items
                .into_iter()
                .enumerate()
                .map(|(i, item)| convert(item, &format!("{pointer}/{i}")))
                .collect::<Result<_, _>>()?,
        ),
        serde_json::Value::Object(members) => {
            let mut object = Object::default();
            for (name, member) in members {
                let member = convert(member, &format!("{pointer}/{name}"))?;
                object.insert(name, member);
            }
            Value::Object(object)
        }
    })
}
