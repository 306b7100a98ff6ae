//! What can be wrong with an input.

use std::fmt;

/// Why an input is not a value of the profile.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum CanonErrorKind {
    /// Longer than the limit.
    TooLong,
    /// Begins with a byte order mark.
    ByteOrderMark,
    /// Not UTF-8.
    InvalidUtf8,
    /// Ends in the middle of a value.
    UnexpectedEnd,
    /// A byte that JSON does not allow here.
    UnexpectedByte,
    /// Something follows the value.
    TrailingBytes,
    /// Arrays and objects nested deeper than the limit.
    TooDeep,
    /// A number with a fraction.
    Fraction,
    /// A number with an exponent.
    Exponent,
    /// The number `-0`.
    NegativeZero,
    /// A number with a leading zero.
    LeadingZero,
    /// An integer beyond 2^53 - 1.
    IntegerRange,
    /// A control character inside a string, not escaped.
    ControlCharacter,
    /// An escape JSON does not have.
    BadEscape,
    /// Half of a surrogate pair.
    LoneSurrogate,
    /// A member name that is not `[a-z0-9_]{1,40}`.
    MemberName,
    /// A member name that occurs twice in one object.
    DuplicateMember,
    /// White space between tokens (canonical form only).
    WhiteSpace,
    /// Members not in ascending order (canonical form only).
    MemberOrder,
    /// An escape that canonical form writes differently or not at all (canonical form only).
    NeedlessEscape,
}

impl CanonErrorKind {
    /// A name that never changes, for programs.
    pub const fn code(self) -> &'static str {
        match self {
            Self::TooLong => "too-long",
            Self::ByteOrderMark => "byte-order-mark",
            Self::InvalidUtf8 => "invalid-utf8",
            Self::UnexpectedEnd => "unexpected-end",
            Self::UnexpectedByte => "unexpected-byte",
            Self::TrailingBytes => "trailing-bytes",
            Self::TooDeep => "too-deep",
            Self::Fraction => "fraction",
            Self::Exponent => "exponent",
            Self::NegativeZero => "negative-zero",
            Self::LeadingZero => "leading-zero",
            Self::IntegerRange => "integer-range",
            Self::ControlCharacter => "control-character",
            Self::BadEscape => "bad-escape",
            Self::LoneSurrogate => "lone-surrogate",
            Self::MemberName => "member-name",
            Self::DuplicateMember => "duplicate-member",
            Self::WhiteSpace => "white-space",
            Self::MemberOrder => "member-order",
            Self::NeedlessEscape => "needless-escape",
        }
    }

    const fn text(self) -> &'static str {
        match self {
            Self::TooLong => "the input is longer than allowed",
            Self::ByteOrderMark => "the input begins with a byte order mark",
            Self::InvalidUtf8 => "the input is not UTF-8",
            Self::UnexpectedEnd => "the input ends in the middle of a value",
            Self::UnexpectedByte => "this byte is not JSON here",
            Self::TrailingBytes => "something follows the value",
            Self::TooDeep => "arrays and objects are nested too deep",
            Self::Fraction => "numbers are integers; write a quantity as a string of digits",
            Self::Exponent => "numbers have no exponent",
            Self::NegativeZero => "`-0` is written `0`",
            Self::LeadingZero => "numbers have no leading zero",
            Self::IntegerRange => "integers lie between -(2^53 - 1) and 2^53 - 1",
            Self::ControlCharacter => "control characters in strings are escaped",
            Self::BadEscape => "JSON has no such escape",
            Self::LoneSurrogate => "half of a surrogate pair is no character",
            Self::MemberName => "member names match `[a-z0-9_]{1,40}`",
            Self::DuplicateMember => "the member occurs twice",
            Self::WhiteSpace => "canonical form has no white space",
            Self::MemberOrder => "canonical form has members in ascending order",
            Self::NeedlessEscape => "canonical form writes this character otherwise",
        }
    }
}

/// An input outside the profile: what is wrong, where in the bytes and at which member.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CanonError {
    /// What is wrong.
    pub kind: CanonErrorKind,
    /// Offset of the first byte at fault.
    pub offset: usize,
    /// JSON pointer (RFC 6901) to the value at fault; empty for the whole document.
    pub pointer: String,
}

impl CanonError {
    /// A name of the kind that never changes, for programs.
    pub const fn code(&self) -> &'static str {
        self.kind.code()
    }

    /// The same error seen from the container: `step` goes in front of the pointer.
    pub(super) fn under(mut self, step: impl fmt::Display) -> Self {
        self.pointer = format!("/{step}{}", self.pointer);
        self
    }
}

impl fmt::Display for CanonError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} (byte {}", self.kind.text(), self.offset)?;
        if !self.pointer.is_empty() {
            write!(f, ", at `{}`", self.pointer)?;
        }
        f.write_str(")")
    }
}

impl std::error::Error for CanonError {}
