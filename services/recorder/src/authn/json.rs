//! JSON in tokens and key sets: read whole, names twice refused.
//!
//! `serde_json` keeps the last of two members with one name, an issuer may have meant the first
//! (RFC 8725 section 2.4 in spirit; RFC 7519 section 4 lets us refuse duplicate claims).

use std::fmt;

use serde::de::{self, Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

/// A JSON value in which no object has a name twice, at any depth.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Unambiguous(pub(crate) Value);

impl<'de> Deserialize<'de> for Unambiguous {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Any;
        impl<'de> Visitor<'de> for Any {
            type Value = Value;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("JSON without duplicate names")
            }
            fn visit_unit<E>(self) -> Result<Value, E> {
                Ok(Value::Null)
            }
            fn visit_bool<E>(self, flag: bool) -> Result<Value, E> {
                Ok(Value::Bool(flag))
            }
            fn visit_i64<E>(self, number: i64) -> Result<Value, E> {
                Ok(Value::Number(number.into()))
            }
            fn visit_u64<E>(self, number: u64) -> Result<Value, E> {
                Ok(Value::Number(number.into()))
            }
            fn visit_f64<E: de::Error>(self, number: f64) -> Result<Value, E> {
                Number::from_f64(number).map(Value::Number).ok_or_else(|| E::custom("no number"))
            }
            fn visit_str<E>(self, text: &str) -> Result<Value, E> {
                Ok(Value::String(text.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Value, A::Error> {
                let mut list = Vec::new();
                while let Some(Unambiguous(item)) = items.next_element()? {
                    list.push(item);
                }
                Ok(Value::Array(list))
            }
            fn visit_map<A: MapAccess<'de>>(self, mut members: A) -> Result<Value, A::Error> {
                let mut map = Map::new();
                while let Some(name) = members.next_key::<String>()? {
                    let Unambiguous(value) = members.next_value()?;
                    if map.insert(name, value).is_some() {
                        return Err(de::Error::custom("a name occurs twice"));
                    }
                }
                Ok(Value::Object(map))
            }
        }
        deserializer.deserialize_any(Any).map(Self)
    }
}

/// Reads an object without duplicate names; `None` for anything else.
pub(crate) fn object(bytes: &[u8]) -> Option<Map<String, Value>> {
    match serde_json::from_slice::<Unambiguous>(bytes).ok()?.0 {
        Value::Object(members) => Some(members),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn duplicate_names_are_refused_at_any_depth_also_after_unescaping() {
        let good = br#"{"a":[{"b":1.5},null,true,-3],"c":{"a":"x"}}"#;
        assert_eq!(
            serde_json::Value::Object(super::object(good).unwrap()),
            serde_json::from_slice::<serde_json::Value>(good).unwrap()
        );
        for bad in [r#"{"a":1,"a":1}"#, r#"{"a":1,"\u0061":2}"#, r#"{"x":[{"a":1,"a":2}]}"#, "[]"] {
            assert!(super::object(bad.as_bytes()).is_none(), "{bad}");
        }
    }
}
