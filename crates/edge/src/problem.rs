//! What the problem documents of all services have in common (RFC 9457).

use chain::canon::{CanonError, CanonErrorKind};

/// Media type of every error answer (section 3).
pub const MEDIA_TYPE: &str = "application/problem+json";
/// What stands before the code in a problem's `type`.
pub const TYPE_PREFIX: &str = "urn:pulverlog:problem:";
/// Most characters of a client's text that are repeated to it.
pub const ECHO_CHARS_MAX: usize = 80;

/// Text of a client, fit to be repeated: cut, without control characters.
pub fn echo(text: &str) -> String {
    let printable = |c: char| if c.is_control() { '\u{fffd}' } else { c };
    text.chars().take(ECHO_CHARS_MAX).map(printable).collect()
}

/// Whether bytes are refused for their length, not for what they say.
pub fn is_too_long(error: &CanonError) -> bool {
    matches!(error.kind, CanonErrorKind::TooLong)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_repeated_holds_no_control_characters() {
        assert_eq!(echo("a\r\nb\u{1b}[31m"), "a\u{fffd}\u{fffd}b\u{fffd}[31m");
        assert_eq!(echo(&"x".repeat(500)).len(), ECHO_CHARS_MAX);
    }
}
