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
    let value = convert(value).map_err(|pointer| JsonError::Number { pointer })?;
    let mut bytes = canon::to_bytes(&value);
    bytes.push(b'\n');
    Ok(bytes)
}

/// The value, or the pointer to a number it cannot hold: put together from the end, so that what is
/// in order costs nothing.
fn convert(value: serde_json::Value) -> Result<Value, String> {
    Ok(match value {
        serde_json::Value::Null => Value::Null,
        serde_json::Value::Bool(flag) => Value::Bool(flag),
        serde_json::Value::String(text) => Value::String(text),
        serde_json::Value::Number(number) => {
            let whole = number.as_i64().filter(|n| n.unsigned_abs() < 1 << 53);
            Value::Int(whole.ok_or_else(String::new)?)
        }
        serde_json::Value::Array(items) => Value::Array(
            items
                .into_iter()
                .enumerate()
                .map(|(i, item)| convert(item).map_err(|rest| format!("/{i}{rest}")))
                .collect::<Result<_, _>>()?,
        ),
        serde_json::Value::Object(members) => {
            let mut object = Object::default();
            for (name, member) in members {
                let member = convert(member).map_err(|rest| format!("/{name}{rest}"))?;
                object.insert(name, member);
            }
            Value::Object(object)
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_that_cannot_be_canonical_is_named_by_its_place() {
        let data = serde_json::json!({ "a": [{ "b": 1 }, { "b": 1.5 }] });
        let Err(JsonError::Number { pointer }) = to_bytes(&data) else { panic!("1.5 was taken") };
        assert_eq!(pointer, "/a/1/b");
        let good = serde_json::json!({ "b": 2, "a": [null, true, "x"] });
        assert_eq!(to_bytes(&good).unwrap(), b"{\"a\":[null,true,\"x\"],\"b\":2}\n");
    }
}
