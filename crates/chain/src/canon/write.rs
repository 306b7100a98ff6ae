//! The canonical writer (RFC 8785 section 3.2).

use super::Value;
use super::read::ENDS_PLAIN_TEXT as NEEDS_ESCAPE;

/// The canonical bytes of `value`.
pub fn to_bytes(value: &Value) -> Vec<u8> {
    // Most events fit, so that the bytes are moved once or never.
    let mut out = Vec::with_capacity(512);
    write(value, &mut out);
    out
}

/// Appends the canonical bytes of `value` to `out`.
pub fn write(value: &Value, out: &mut Vec<u8>) {
    match value {
        Value::Null => out.extend_from_slice(b"null"),
        Value::Bool(true) => out.extend_from_slice(b"true"),
        Value::Bool(false) => out.extend_from_slice(b"false"),
        Value::Int(number) => out.extend_from_slice(number.to_string().as_bytes()),
        Value::String(text) => write_string(text, out),
        Value::Array(items) => {
            out.push(b'[');
            for (i, item) in items.iter().enumerate() {
                if i > 0 {
                    out.push(b',');
                }
                write(item, out);
            }
            out.push(b']');
        }
        Value::Object(members) => {
            out.push(b'{');
            for (i, (name, member)) in members.iter().enumerate() {
                if i > 0 {
                    out.push(b',');
                }
                write_string(name, out);
                out.push(b':');
                write(member, out);
            }
            out.push(b'}');
        }
    }
}

/// Appends `text` as a canonical JSON string: of all characters only `"`, `\` and those below
/// U+0020 are escaped, with the two-character escape where JSON has one (section 3.2.2.2).
pub fn write_string(text: &str, out: &mut Vec<u8>) {
    out.push(b'"');
    let mut rest = text.as_bytes();
    // Stretches that stand for themselves are copied whole.
    while let Some(at) = rest.iter().position(|byte| NEEDS_ESCAPE[usize::from(*byte)]) {
        out.extend_from_slice(&rest[..at]);
        write_escape(rest[at], out);
        rest = &rest[at + 1..];
    }
    out.extend_from_slice(rest);
    out.push(b'"');
}

fn write_escape(byte: u8, out: &mut Vec<u8>) {
    match (byte, short_escape(byte)) {
        (b'"' | b'\\', _) => out.extend_from_slice(&[b'\\', byte]),
        (_, Some(letter)) => out.extend_from_slice(&[b'\\', letter]),
        (control, None) => {
            const HEX: &[u8; 16] = b"0123456789abcdef";
            let digits = [HEX[usize::from(control >> 4)], HEX[usize::from(control & 15)]];
            out.extend_from_slice(b"\\u00");
            out.extend_from_slice(&digits);
        }
    }
}

/// The letter of the two-character escape of a control character, if it has one.
pub(super) const fn short_escape(control: u8) -> Option<u8> {
    match control {
        0x08 => Some(b'b'),
        b'\t' => Some(b't'),
        b'\n' => Some(b'n'),
        0x0c => Some(b'f'),
        b'\r' => Some(b'r'),
        _ => None,
    }
}
