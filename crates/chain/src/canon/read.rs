//! The reader: one grammar for every use.
//!
//! [`Form`] says whether any spelling is welcome or only the canonical one, [`Make`] what is made
//! of the values seen: a [`Value`] or nothing. Recursion is bounded by `Limits::max_depth`, which
//! is a `u8`, so hostile nesting cannot exhaust the stack; every byte is looked at a fixed number
//! of times.

use std::borrow::Cow;

use super::error::{CanonError, CanonErrorKind};
use super::write::short_escape;
use super::{Limits, Object, Value};
use crate::limits::{INTEGER_ABS_MAX, MEMBER_NAME_CHARS_MAX};

/// Reads one value in any spelling the profile allows, within [`Limits::ENTRY`].
///
/// # Errors
/// [`CanonError`] for the first byte, from left to right, at which the input leaves the profile;
/// only a duplicate name is found at the end of its object.
pub fn parse(bytes: &[u8]) -> Result<Value, CanonError> {
    parse_with(bytes, Limits::ENTRY)
}

/// [`parse`] with limits of your own.
///
/// # Errors
/// As [`parse`].
pub fn parse_with(bytes: &[u8], limits: Limits) -> Result<Value, CanonError> {
    document(bytes, limits, Form::Any)
}

/// Reads one value that must be written canonically already, within [`Limits::ENTRY`].
///
/// `check(b) == Ok(v)` exactly if `parse(b) == Ok(v)` and `to_bytes(&v) == b`.
///
/// # Errors
/// As [`parse`], and the canonical-form kinds of [`CanonErrorKind`].
pub fn check(bytes: &[u8]) -> Result<Value, CanonError> {
    check_with(bytes, Limits::ENTRY)
}

/// [`check`] with limits of your own.
///
/// # Errors
/// As [`check`].
pub fn check_with(bytes: &[u8], limits: Limits) -> Result<Value, CanonError> {
    document(bytes, limits, Form::Canonical)
}

/// Checks a canonical object without building a tree and returns its members as they stand in the
/// input: name and canonical bytes of the value. `limits` holds for the whole document.
///
/// # Errors
/// As [`check`]; [`CanonErrorKind::UnexpectedByte`] if the value is not an object.
pub fn members(bytes: &[u8], limits: Limits) -> Result<Vec<(&str, &[u8])>, CanonError> {
    let mut reader = Reader::new(bytes, limits, Form::Canonical)?;
    let mut found = Vec::with_capacity(8);
    let depth = reader.deeper(0)?;
    reader.object(|reader, at, name| {
        let start = reader.at;
        reader.value::<Nothing>(depth)?;
        // A name of the profile holds no character that canonical form escapes: it is borrowed.
        let Cow::Borrowed(name) = name else {
            return Err(reader.fault(CanonErrorKind::MemberName, at));
        };
        found.push((name, &bytes[start..reader.at]));
        Ok(())
    })?;
    reader.end()?;
    Ok(found)
}

fn document<T: Make>(bytes: &[u8], limits: Limits, form: Form) -> Result<T, CanonError> {
    let mut reader = Reader::new(bytes, limits, form)?;
    reader.space()?;
    let value = reader.value(0)?;
    reader.end()?;
    Ok(value)
}

/// Whether a byte ends a stretch of text that stands for itself: quote, backslash, control.
pub(super) const ENDS_PLAIN_TEXT: [bool; 256] = table(b"\"\\", 0x20);

/// Whether a byte may stand in a member name.
const IS_NAME_BYTE: [bool; 256] = table(b"abcdefghijklmnopqrstuvwxyz0123456789_", 0);

/// A table that is true for the bytes listed and for those below a limit.
const fn table(listed: &[u8], below: usize) -> [bool; 256] {
    let mut table = [false; 256];
    let mut i = 0;
    while i < 256 {
        table[i] = i < below;
        i += 1;
    }
    let mut i = 0;
    while i < listed.len() {
        table[listed[i] as usize] = true;
        i += 1;
    }
    table
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Any,
    Canonical,
}

/// What the reader makes of what it sees.
trait Make: Sized {
    type Items: Default;
    type Members: Default;
    fn null() -> Self;
    fn bool(flag: bool) -> Self;
    fn int(number: i64) -> Self;
    fn string(text: Cow<'_, str>) -> Self;
    fn item(items: &mut Self::Items, item: Self);
    fn array(items: Self::Items) -> Self;
    fn member(members: &mut Self::Members, at: usize, name: Cow<'_, str>, value: Self);
    /// The object, or offset and name of the first member that occurs for the second time.
    fn object(members: Self::Members) -> Result<Self, (usize, String)>;
}

impl Make for Value {
    type Items = Vec<Value>;
    type Members = Vec<(usize, String, Value)>;

    fn null() -> Self {
        Value::Null
    }
    fn bool(flag: bool) -> Self {
        Value::Bool(flag)
    }
    fn int(number: i64) -> Self {
        Value::Int(number)
    }
    fn string(text: Cow<'_, str>) -> Self {
        Value::String(text.into_owned())
    }
    fn item(items: &mut Self::Items, item: Self) {
        items.push(item);
    }
    fn array(items: Self::Items) -> Self {
        Value::Array(items)
    }
    fn member(members: &mut Self::Members, at: usize, name: Cow<'_, str>, value: Self) {
        members.push((at, name.into_owned(), value));
    }
    fn object(mut members: Self::Members) -> Result<Self, (usize, String)> {
        // The sort is stable: of two equal names the later one in the input comes second.
        members.sort_by(|(_, a, _), (_, b, _)| a.cmp(b));
        let second = members.windows(2).filter(|pair| pair[0].1 == pair[1].1).map(|pair| &pair[1]);
        if let Some((at, name, _)) = second.min_by_key(|(at, _, _)| *at) {
            return Err((*at, name.clone()));
        }
        let sorted = members.into_iter().map(|(_, name, value)| (name, value)).collect();
        Ok(Value::Object(Object(sorted)))
    }
}

/// Nothing is made; only usable in canonical form, where the reader itself finds duplicates.
struct Nothing;

impl Make for Nothing {
    type Items = ();
    type Members = ();

    fn null() -> Self {
        Nothing
    }
    fn bool(_: bool) -> Self {
        Nothing
    }
    fn int(_: i64) -> Self {
        Nothing
    }
    fn string(_: Cow<'_, str>) -> Self {
        Nothing
    }
    fn item((): &mut (), _: Self) {}
    fn array((): ()) -> Self {
        Nothing
    }
    fn member((): &mut (), _: usize, _: Cow<'_, str>, _: Self) {}
    fn object((): ()) -> Result<Self, (usize, String)> {
        Ok(Nothing)
    }
}

struct Reader<'a> {
    text: &'a str,
    bytes: &'a [u8],
    at: usize,
    limits: Limits,
    form: Form,
}

impl<'a> Reader<'a> {
    fn new(bytes: &'a [u8], limits: Limits, form: Form) -> Result<Self, CanonError> {
        let error = |kind, offset| CanonError { kind, offset, pointer: String::new() };
        if bytes.len() > limits.max_bytes {
            return Err(error(CanonErrorKind::TooLong, limits.max_bytes));
        }
        if bytes.starts_with(b"\xef\xbb\xbf") {
            return Err(error(CanonErrorKind::ByteOrderMark, 0));
        }
        let text = std::str::from_utf8(bytes)
            .map_err(|e| error(CanonErrorKind::InvalidUtf8, e.valid_up_to()))?;
        Ok(Self { text, bytes, at: 0, limits, form })
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn fault(&self, kind: CanonErrorKind, offset: usize) -> CanonError {
        CanonError { kind, offset, pointer: String::new() }
    }

    fn unexpected(&self) -> CanonError {
        let end = self.at >= self.bytes.len();
        let kind = if end { CanonErrorKind::UnexpectedEnd } else { CanonErrorKind::UnexpectedByte };
        self.fault(kind, self.at)
    }

    fn expect(&mut self, byte: u8) -> Result<(), CanonError> {
        if self.peek() != Some(byte) {
            return Err(self.unexpected());
        }
        self.at += 1;
        Ok(())
    }

    fn space(&mut self) -> Result<(), CanonError> {
        while let Some(b' ' | b'\t' | b'\n' | b'\r') = self.peek() {
            if self.form == Form::Canonical {
                return Err(self.fault(CanonErrorKind::WhiteSpace, self.at));
            }
            self.at += 1;
        }
        Ok(())
    }

    fn end(&mut self) -> Result<(), CanonError> {
        self.space()?;
        if self.at < self.bytes.len() {
            return Err(self.fault(CanonErrorKind::TrailingBytes, self.at));
        }
        Ok(())
    }

    /// One value inside `depth` containers.
    fn value<T: Make>(&mut self, depth: u8) -> Result<T, CanonError> {
        match self.peek() {
            Some(b'n') => self.literal("null").map(|()| T::null()),
            Some(b't') => self.literal("true").map(|()| T::bool(true)),
            Some(b'f') => self.literal("false").map(|()| T::bool(false)),
            Some(b'-' | b'0'..=b'9') => self.integer().map(T::int),
            Some(b'"') => self.string().map(T::string),
            Some(b'[') => self.array(self.deeper(depth)?),
            Some(b'{') => {
                let depth = self.deeper(depth)?;
                let mut members = T::Members::default();
                self.object(|reader, at, name| {
                    let value = reader.value::<T>(depth)?;
                    T::member(&mut members, at, name, value);
                    Ok(())
                })?;
                T::object(members).map_err(|(at, name)| {
                    self.fault(CanonErrorKind::DuplicateMember, at).under(name)
                })
            }
            Some(_) | None => Err(self.unexpected()),
        }
    }

    fn deeper(&self, depth: u8) -> Result<u8, CanonError> {
        if depth >= self.limits.max_depth {
            return Err(self.fault(CanonErrorKind::TooDeep, self.at));
        }
        Ok(depth + 1)
    }

    fn literal(&mut self, word: &str) -> Result<(), CanonError> {
        word.bytes().try_for_each(|byte| self.expect(byte))
    }

    fn array<T: Make>(&mut self, depth: u8) -> Result<T, CanonError> {
        let mut items = T::Items::default();
        self.expect(b'[')?;
        self.space()?;
        if self.peek() == Some(b']') {
            self.at += 1;
            return Ok(T::array(items));
        }
        for index in 0_usize.. {
            let item = self.value(depth).map_err(|e| e.under(index))?;
            T::item(&mut items, item);
            self.space()?;
            if self.peek() != Some(b',') {
                break;
            }
            self.at += 1;
            self.space()?;
        }
        self.expect(b']')?;
        Ok(T::array(items))
    }

    /// An object; `member` is called behind each colon with the offset of the name and the name,
    /// and reads the value.
    fn object(
        &mut self,
        mut member: impl FnMut(&mut Self, usize, Cow<'a, str>) -> Result<(), CanonError>,
    ) -> Result<(), CanonError> {
        self.expect(b'{')?;
        self.space()?;
        if self.peek() == Some(b'}') {
            self.at += 1;
            return Ok(());
        }
        let mut before: Option<Cow<'a, str>> = None;
        loop {
            let at = self.at;
            let name = self.member_name()?;
            if self.form == Form::Canonical {
                self.in_order(before.as_deref(), &name, at)?;
            }
            self.space()?;
            self.expect(b':')?;
            self.space()?;
            member(self, at, name.clone()).map_err(|e| e.under(&name))?;
            before = Some(name);
            self.space()?;
            if self.peek() != Some(b',') {
                break;
            }
            self.at += 1;
            self.space()?;
        }
        self.expect(b'}')
    }

    fn in_order(&self, before: Option<&str>, name: &str, at: usize) -> Result<(), CanonError> {
        let kind = match before.map(|before| before.cmp(name)) {
            None | Some(std::cmp::Ordering::Less) => return Ok(()),
            Some(std::cmp::Ordering::Equal) => CanonErrorKind::DuplicateMember,
            Some(std::cmp::Ordering::Greater) => CanonErrorKind::MemberOrder,
        };
        Err(self.fault(kind, at).under(name))
    }

    fn member_name(&mut self) -> Result<Cow<'a, str>, CanonError> {
        let at = self.at;
        if self.peek() != Some(b'"') {
            return Err(self.unexpected());
        }
        // The usual name: one look at each byte.
        let rest = &self.bytes[at + 1..];
        let length = rest.iter().position(|byte| !IS_NAME_BYTE[usize::from(*byte)]);
        if let Some(length @ 1..=MEMBER_NAME_CHARS_MAX) = length
            && rest[length] == b'"'
        {
            self.at += length + 2;
            return Ok(Cow::Borrowed(&self.text[at + 1..at + 1 + length]));
        }
        // One that is spelled with escapes, or that is no name.
        let name = self.string()?;
        let is_name = name.bytes().all(|byte| IS_NAME_BYTE[usize::from(byte)]);
        if is_name && (1..=MEMBER_NAME_CHARS_MAX).contains(&name.len()) {
            return Ok(name);
        }
        let error = self.fault(CanonErrorKind::MemberName, at);
        // Point at the member itself unless its name is too long to repeat.
        if name.chars().count() > MEMBER_NAME_CHARS_MAX {
            return Err(error);
        }
        Err(error.under(name.replace('~', "~0").replace('/', "~1")))
    }

    fn integer(&mut self) -> Result<i64, CanonError> {
        let start = self.at;
        let negative = self.peek() == Some(b'-');
        self.at += usize::from(negative);
        let digits_start = self.at;
        let mut size: i64 = 0;
        while let Some(digit @ b'0'..=b'9') = self.peek() {
            // Saturating: far beyond the range is as wrong as just beyond it.
            size = size.saturating_mul(10).saturating_add(i64::from(digit - b'0'));
            self.at += 1;
        }
        let digits = &self.bytes[digits_start..self.at];
        if digits.is_empty() {
            return Err(self.unexpected());
        }
        let kind = match (digits, self.peek()) {
            ([b'0', _, ..], _) => CanonErrorKind::LeadingZero,
            (_, Some(b'.')) => CanonErrorKind::Fraction,
            (_, Some(b'e' | b'E')) => CanonErrorKind::Exponent,
            ([b'0'], _) if negative => CanonErrorKind::NegativeZero,
            _ if size > INTEGER_ABS_MAX => CanonErrorKind::IntegerRange,
            _ => return Ok(if negative { -size } else { size }),
        };
        Err(self.fault(kind, start))
    }

    /// A string, borrowed from the input as long as it holds no escape.
    fn string(&mut self) -> Result<Cow<'a, str>, CanonError> {
        self.expect(b'"')?;
        let mut text = Cow::Borrowed("");
        loop {
            let start = self.at;
            let rest = &self.bytes[start..];
            let plain = rest.iter().position(|byte| ENDS_PLAIN_TEXT[usize::from(*byte)]);
            self.at += plain.unwrap_or(rest.len());
            let plain = &self.text[start..self.at];
            if text.is_empty() {
                text = Cow::Borrowed(plain);
            } else {
                text.to_mut().push_str(plain);
            }
            match self.peek() {
                Some(b'"') => {
                    self.at += 1;
                    return Ok(text);
                }
                Some(b'\\') => text.to_mut().push(self.escape()?),
                Some(_) => return Err(self.fault(CanonErrorKind::ControlCharacter, self.at)),
                None => return Err(self.unexpected()),
            }
        }
    }

    fn escape(&mut self) -> Result<char, CanonError> {
        let start = self.at;
        self.at += 1;
        let letter = self.peek().ok_or_else(|| self.unexpected())?;
        self.at += 1;
        let (character, canonical) = match letter {
            b'"' | b'\\' => (char::from(letter), true),
            b'/' => ('/', false),
            b'b' => ('\u{8}', true),
            b'f' => ('\u{c}', true),
            b'n' => ('\n', true),
            b'r' => ('\r', true),
            b't' => ('\t', true),
            b'u' => {
                let character = self.unicode_escape(start)?;
                // Canonical are control characters without a short escape, in lower case.
                let lower = !self.bytes[start..self.at].iter().any(u8::is_ascii_uppercase);
                let control = character < ' ' && short_escape(character as u8).is_none();
                (character, lower && control)
            }
            _ => return Err(self.fault(CanonErrorKind::BadEscape, start)),
        };
        if self.form == Form::Canonical && !canonical {
            return Err(self.fault(CanonErrorKind::NeedlessEscape, start));
        }
        Ok(character)
    }

    /// What stands behind `\u`: four digits, or a whole surrogate pair.
    fn unicode_escape(&mut self, start: usize) -> Result<char, CanonError> {
        let lone = self.fault(CanonErrorKind::LoneSurrogate, start);
        let first = self.four_digits(start)?;
        if !(0xd800..0xe000).contains(&first) {
            return char::from_u32(first).ok_or(lone);
        }
        if first >= 0xdc00 || !self.bytes[self.at..].starts_with(b"\\u") {
            return Err(lone);
        }
        self.at += 2;
        let second = self.four_digits(start)?;
        if !(0xdc00..0xe000).contains(&second) {
            return Err(lone);
        }
        char::from_u32(0x10000 + ((first - 0xd800) << 10) + (second - 0xdc00)).ok_or(lone)
    }

    fn four_digits(&mut self, start: usize) -> Result<u32, CanonError> {
        let mut code = 0;
        for _ in 0..4 {
            let byte = self.peek().ok_or_else(|| self.unexpected())?;
            let digit = char::from(byte)
                .to_digit(16)
                .ok_or_else(|| self.fault(CanonErrorKind::BadEscape, start))?;
            code = code * 16 + digit;
            self.at += 1;
        }
        Ok(code)
    }
}
