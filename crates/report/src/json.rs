//! Canonical JSON of plain data: the same data gives the same bytes.
//!
//! Written straight from the data. A year's report has half a million members; a tree of them in
//! between would cost several times what the writing does.

use std::fmt::Display;
use std::io::Write as _;
use std::ops::Range;

use chain::canon;
use serde::Serialize;
use serde::ser::{self, Error as _};

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

impl ser::Error for JsonError {
    fn custom<T: Display>(message: T) -> Self {
        Self::Unwritable(serde_json::Error::custom(message))
    }
}

impl JsonError {
    /// The same, seen from the value that holds it. Put together from the end, so that what is in
    /// order costs nothing.
    fn within(self, name: impl Display) -> Self {
        match self {
            Self::Number { pointer } => Self::Number { pointer: format!("/{name}{pointer}") },
            unwritable @ Self::Unwritable(_) => unwritable,
        }
    }
}

/// The canonical bytes of `data`, with a line end.
pub fn to_bytes<T: Serialize>(data: &T) -> Result<Vec<u8>, JsonError> {
    let mut out = Vec::new();
    data.serialize(Writer { out: &mut out })?;
    out.push(b'\n');
    Ok(out)
}

/// Writes one value at the end of `out`.
struct Writer<'a> {
    out: &'a mut Vec<u8>,
}

impl Writer<'_> {
    fn integer(self, number: impl TryInto<i64>) -> Result<(), JsonError> {
        let whole = number.try_into().ok().filter(|n| n.unsigned_abs() < 1 << 53);
        let whole = whole.ok_or_else(|| JsonError::Number { pointer: String::new() })?;
        // Writing into a vector cannot fail.
        let _ = write!(self.out, "{whole}");
        Ok(())
    }

    fn text(self, text: &str) {
        canon::write_string(text, self.out);
    }
}

/// `{"variant":` .. `}` around one value.
fn variant(
    out: &mut Vec<u8>,
    name: &str,
    value: impl FnOnce(&mut Vec<u8>) -> Result<(), JsonError>,
) -> Result<(), JsonError> {
    out.push(b'{');
    canon::write_string(name, out);
    out.push(b':');
    value(out).map_err(|e| e.within(name))?;
    out.push(b'}');
    Ok(())
}

impl<'a> ser::Serializer for Writer<'a> {
    type Ok = ();
    type Error = JsonError;
    type SerializeSeq = Items<'a>;
    type SerializeTuple = Items<'a>;
    type SerializeTupleStruct = Items<'a>;
    type SerializeTupleVariant = Items<'a>;
    type SerializeMap = Members<'a>;
    type SerializeStruct = Members<'a>;
    type SerializeStructVariant = Members<'a>;

    fn serialize_bool(self, flag: bool) -> Result<(), JsonError> {
        canon::write(&canon::Value::Bool(flag), self.out);
        Ok(())
    }
    fn serialize_i8(self, n: i8) -> Result<(), JsonError> {
        self.integer(n)
    }
    fn serialize_i16(self, n: i16) -> Result<(), JsonError> {
        self.integer(n)
    }
    fn serialize_i32(self, n: i32) -> Result<(), JsonError> {
        self.integer(n)
    }
    fn serialize_i64(self, n: i64) -> Result<(), JsonError> {
        self.integer(n)
    }
    fn serialize_u8(self, n: u8) -> Result<(), JsonError> {
        self.integer(n)
    }
    fn serialize_u16(self, n: u16) -> Result<(), JsonError> {
        self.integer(n)
    }
    fn serialize_u32(self, n: u32) -> Result<(), JsonError> {
        self.integer(n)
    }
    fn serialize_u64(self, n: u64) -> Result<(), JsonError> {
        self.integer(n)
    }
    fn serialize_f32(self, _: f32) -> Result<(), JsonError> {
        Err(JsonError::Number { pointer: String::new() })
    }
    fn serialize_f64(self, _: f64) -> Result<(), JsonError> {
        Err(JsonError::Number { pointer: String::new() })
    }
    fn serialize_char(self, c: char) -> Result<(), JsonError> {
        self.text(c.encode_utf8(&mut [0; 4]));
        Ok(())
    }
    fn serialize_str(self, text: &str) -> Result<(), JsonError> {
        self.text(text);
        Ok(())
    }
    fn serialize_bytes(self, _: &[u8]) -> Result<(), JsonError> {
        Err(JsonError::custom("bytes have no form of their own in JSON"))
    }
    fn serialize_none(self) -> Result<(), JsonError> {
        self.serialize_unit()
    }
    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<(), JsonError> {
        value.serialize(self)
    }
    fn serialize_unit(self) -> Result<(), JsonError> {
        canon::write(&canon::Value::Null, self.out);
        Ok(())
    }
    fn serialize_unit_struct(self, _: &'static str) -> Result<(), JsonError> {
        self.serialize_unit()
    }
    fn serialize_unit_variant(
        self,
        _: &'static str,
        _: u32,
        name: &'static str,
    ) -> Result<(), JsonError> {
        self.serialize_str(name)
    }
    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        value: &T,
    ) -> Result<(), JsonError> {
        value.serialize(self)
    }
    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        _: u32,
        name: &'static str,
        value: &T,
    ) -> Result<(), JsonError> {
        variant(self.out, name, |out| value.serialize(Writer { out }))
    }
    fn serialize_seq(self, _: Option<usize>) -> Result<Items<'a>, JsonError> {
        Ok(Items::open(self.out, None))
    }
    fn serialize_tuple(self, _: usize) -> Result<Items<'a>, JsonError> {
        Ok(Items::open(self.out, None))
    }
    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Items<'a>, JsonError> {
        Ok(Items::open(self.out, None))
    }
    fn serialize_tuple_variant(
        self,
        _: &'static str,
        _: u32,
        name: &'static str,
        _: usize,
    ) -> Result<Items<'a>, JsonError> {
        Ok(Items::open(self.out, Some(name)))
    }
    fn serialize_map(self, len: Option<usize>) -> Result<Members<'a>, JsonError> {
        Ok(Members::open(self.out, None, len.unwrap_or(0)))
    }
    fn serialize_struct(self, _: &'static str, len: usize) -> Result<Members<'a>, JsonError> {
        Ok(Members::open(self.out, None, len))
    }
    fn serialize_struct_variant(
        self,
        _: &'static str,
        _: u32,
        name: &'static str,
        len: usize,
    ) -> Result<Members<'a>, JsonError> {
        Ok(Members::open(self.out, Some(name), len))
    }
}

/// Writes an array, inside an object of one member when it is a variant.
struct Items<'a> {
    out: &'a mut Vec<u8>,
    variant: bool,
    count: usize,
}

impl<'a> Items<'a> {
    fn open(out: &'a mut Vec<u8>, name: Option<&str>) -> Self {
        open_variant(out, name);
        out.push(b'[');
        Self { out, variant: name.is_some(), count: 0 }
    }

    fn item<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), JsonError> {
        if self.count > 0 {
            self.out.push(b',');
        }
        value.serialize(Writer { out: self.out }).map_err(|e| e.within(self.count))?;
        self.count += 1;
        Ok(())
    }

    fn close(self) {
        self.out.push(b']');
        if self.variant {
            self.out.push(b'}');
        }
    }
}

fn open_variant(out: &mut Vec<u8>, name: Option<&str>) {
    if let Some(name) = name {
        out.push(b'{');
        canon::write_string(name, out);
        out.push(b':');
    }
}

impl ser::SerializeSeq for Items<'_> {
    type Ok = ();
    type Error = JsonError;
    fn serialize_element<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), JsonError> {
        self.item(value)
    }
    fn end(self) -> Result<(), JsonError> {
        self.close();
        Ok(())
    }
}
impl ser::SerializeTuple for Items<'_> {
    type Ok = ();
    type Error = JsonError;
    fn serialize_element<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), JsonError> {
        self.item(value)
    }
    fn end(self) -> Result<(), JsonError> {
        self.close();
        Ok(())
    }
}
impl ser::SerializeTupleStruct for Items<'_> {
    type Ok = ();
    type Error = JsonError;
    fn serialize_field<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), JsonError> {
        self.item(value)
    }
    fn end(self) -> Result<(), JsonError> {
        self.close();
        Ok(())
    }
}
impl ser::SerializeTupleVariant for Items<'_> {
    type Ok = ();
    type Error = JsonError;
    fn serialize_field<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), JsonError> {
        self.item(value)
    }
    fn end(self) -> Result<(), JsonError> {
        self.close();
        Ok(())
    }
}

/// The name of a member.
enum Name {
    Of(&'static str),
    Made(String),
}

impl Name {
    fn as_str(&self) -> &str {
        match self {
            Name::Of(name) => name,
            Name::Made(name) => name,
        }
    }
}

/// Writes an object: its members as they come, put in order of their names when it ends.
struct Members<'a> {
    out: &'a mut Vec<u8>,
    variant: bool,
    /// Where the first member begins.
    start: usize,
    members: Vec<(Name, Range<usize>)>,
    /// Name of the member whose value comes next.
    next: Option<String>,
}

impl<'a> Members<'a> {
    fn open(out: &'a mut Vec<u8>, name: Option<&str>, len: usize) -> Self {
        open_variant(out, name);
        out.push(b'{');
        let start = out.len();
        let members = Vec::with_capacity(len);
        Self { out, variant: name.is_some(), start, members, next: None }
    }

    fn member<T: Serialize + ?Sized>(&mut self, name: Name, value: &T) -> Result<(), JsonError> {
        if !self.members.is_empty() {
            self.out.push(b',');
        }
        let from = self.out.len();
        canon::write_string(name.as_str(), self.out);
        self.out.push(b':');
        value.serialize(Writer { out: self.out }).map_err(|e| e.within(name.as_str()))?;
        self.members.push((name, from..self.out.len()));
        Ok(())
    }

    fn close(mut self) {
        if !self.members.is_sorted_by(|(a, _), (b, _)| a.as_str() < b.as_str()) {
            self.members.sort_by(|(a, _), (b, _)| a.as_str().cmp(b.as_str()));
            // Of members of one name the last counts.
            let mut sorted = Vec::with_capacity(self.out.len() - self.start);
            for (at, (name, range)) in self.members.iter().enumerate() {
                let again =
                    self.members.get(at + 1).is_some_and(|(n, _)| n.as_str() == name.as_str());
                if !again {
                    if !sorted.is_empty() {
                        sorted.push(b',');
                    }
                    sorted.extend_from_slice(&self.out[range.clone()]);
                }
            }
            self.out.truncate(self.start);
            self.out.append(&mut sorted);
        }
        self.out.push(b'}');
        if self.variant {
            self.out.push(b'}');
        }
    }
}

impl ser::SerializeMap for Members<'_> {
    type Ok = ();
    type Error = JsonError;
    fn serialize_key<T: Serialize + ?Sized>(&mut self, key: &T) -> Result<(), JsonError> {
        // The few maps there are have strings for keys; anything else has no canonical form.
        match serde_json::to_value(key).map_err(JsonError::Unwritable)? {
            serde_json::Value::String(name) => {
                self.next = Some(name);
                Ok(())
            }
            other => Err(JsonError::custom(format!("`{other}` cannot name a member"))),
        }
    }
    fn serialize_value<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), JsonError> {
        let name = self.next.take().ok_or_else(|| JsonError::custom("a value without a name"))?;
        self.member(Name::Made(name), value)
    }
    fn end(self) -> Result<(), JsonError> {
        self.close();
        Ok(())
    }
}
impl ser::SerializeStruct for Members<'_> {
    type Ok = ();
    type Error = JsonError;
    fn serialize_field<T: Serialize + ?Sized>(
        &mut self,
        name: &'static str,
        value: &T,
    ) -> Result<(), JsonError> {
        self.member(Name::Of(name), value)
    }
    fn end(self) -> Result<(), JsonError> {
        self.close();
        Ok(())
    }
}
impl ser::SerializeStructVariant for Members<'_> {
    type Ok = ();
    type Error = JsonError;
    fn serialize_field<T: Serialize + ?Sized>(
        &mut self,
        name: &'static str,
        value: &T,
    ) -> Result<(), JsonError> {
        self.member(Name::Of(name), value)
    }
    fn end(self) -> Result<(), JsonError> {
        self.close();
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_number_that_cannot_be_canonical_is_named_by_its_place() {
        let data = json!({ "a": [{ "b": 1 }, { "b": 1.5 }] });
        let Err(JsonError::Number { pointer }) = to_bytes(&data) else { panic!("1.5 was taken") };
        assert_eq!(pointer, "/a/1/b");
        let wide = json!({ "n": [1_u64 << 53] });
        let Err(JsonError::Number { pointer }) = to_bytes(&wide) else { panic!("it was taken") };
        assert_eq!(pointer, "/n/0");
        let good = json!({ "b": 2, "a": [null, true, "x"] });
        assert_eq!(to_bytes(&good).unwrap(), b"{\"a\":[null,true,\"x\"],\"b\":2}\n");
    }

    #[derive(Serialize)]
    #[serde(rename_all = "snake_case")]
    enum Kind {
        Plain,
        One(&'static str),
        Two(u8, i64),
        Named { z: (), a: char },
    }

    #[derive(Serialize)]
    struct Inner {
        zulu: Option<u32>,
        alpha: Vec<Kind>,
    }

    #[derive(Serialize)]
    struct Outer {
        quote: &'static str,
        #[serde(flatten)]
        inner: Inner,
        #[serde(skip_serializing_if = "Option::is_none")]
        absent: Option<u8>,
        map: std::collections::BTreeMap<&'static str, bool>,
    }

    #[test]
    fn every_shape_is_written_as_the_tree_of_it_would_be() {
        let data = Outer {
            quote: "say \"x\"\\\u{1}\nä€",
            inner: Inner {
                zulu: None,
                alpha: vec![
                    Kind::Plain,
                    Kind::One("1"),
                    Kind::Two(2, -9_007_199_254_740_991),
                    Kind::Named { z: (), a: 'ß' },
                ],
            },
            absent: None,
            map: [("b", true), ("a", false)].into(),
        };
        let bytes = to_bytes(&data).unwrap();
        let (text, end) = bytes.split_at(bytes.len() - 1);
        assert_eq!(end, b"\n");
        canon::check(text).unwrap();
        let read: serde_json::Value = serde_json::from_slice(text).unwrap();
        assert_eq!(read, serde_json::to_value(&data).unwrap());
    }
}
