//! Which PINs are refused when one is chosen.
//!
//! Guessing at the door is stopped by a lock-out, so what matters is that the first few guesses miss.
//! NIST SP 800-63B (revision 3, section 5.1.1.2) has a chosen secret compared with values that are
//! commonly used or expected: repetitions, sequences, words of the context such as the name of the
//! service or of the person. OWASP ASVS 5.0 asks for the same (6.1.2, 6.2.4, 6.2.11). Dates and keypad
//! lines are common practice, no source. Each rule is a pattern, so that there is no list to keep.

use std::fmt;

/// Longest PIN, in characters (ASVS 5.0, 6.2.9).
pub(crate) const PIN_CHARS_MAX: usize = 64;
/// Shortest PIN that may be configured, in characters.
pub const PIN_CHARS_LEAST: usize = 4;

/// Parts of words that somebody who guesses tries first, in small letters.
const WORDS: [&str; 13] = [
    "pulver",
    "powder",
    "passw",
    "kennw",
    "geheim",
    "secret",
    "admin",
    "letmein",
    "welcome",
    "willkommen",
    "qwert",
    "asdf",
    "test",
];

/// Why a PIN is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Guessable {
    /// Fewer characters than this.
    Short(usize),
    /// More than [`PIN_CHARS_MAX`] characters.
    Long,
    /// The same again: `777777`, `121212`, `909090`.
    Repeated,
    /// Goes on in equal steps, or does so twice: `123456`, `987654`, `123321`, `112233`, `147258`.
    Sequence,
    /// A day, a month or a year.
    Date,
    /// The badge number or a part of it, also backwards.
    Badge,
    /// A word that is tried first, or the holder's pseudonym.
    Word,
}

impl Guessable {
    /// Key of the words the pages have for it.
    pub(crate) fn key(self) -> &'static str {
        match self {
            Self::Short(_) => "pin.short",
            Self::Long => "pin.long",
            Self::Repeated => "pin.repeated",
            Self::Sequence => "pin.sequence",
            Self::Date => "pin.date",
            Self::Badge => "pin.badge_number",
            Self::Word => "pin.word",
        }
    }
}

impl fmt::Display for Guessable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Short(least) => write!(f, "a PIN has at least {least} characters"),
            Self::Long => write!(f, "a PIN has at most {PIN_CHARS_MAX} characters"),
            Self::Repeated => f.write_str("the PIN repeats itself: choose another"),
            Self::Sequence => f.write_str("the PIN is a sequence: choose another"),
            Self::Date => f.write_str("the PIN reads as a date or a year: choose another"),
            Self::Badge => f.write_str("the PIN repeats the badge number: choose another"),
            Self::Word => f.write_str("the PIN is a word that is tried first: choose another"),
        }
    }
}

/// Checks a PIN that somebody chose for the badge `badge` of `person`.
///
/// # Errors
/// The first reason against it.
pub(crate) fn check(
    pin: &str,
    badge: &str,
    person: &str,
    chars_min: usize,
) -> Result<(), Guessable> {
    let chars: Vec<char> = pin.chars().collect();
    if chars.len() < chars_min {
        return Err(Guessable::Short(chars_min));
    }
    if chars.len() > PIN_CHARS_MAX {
        return Err(Guessable::Long);
    }
    let guess = [
        (is_repeated(&chars), Guessable::Repeated),
        (is_sequence(&chars), Guessable::Sequence),
        (is_date(pin), Guessable::Date),
        (is_of_badge(pin, badge), Guessable::Badge),
        (is_word(pin, person), Guessable::Word),
    ];
    guess.into_iter().find(|(is_so, _)| *is_so).map_or(Ok(()), |(_, why)| Err(why))
}

/// One block of at most half the length, again and again; the last may be cut off.
fn is_repeated(chars: &[char]) -> bool {
    (1..=chars.len() / 2).any(|block| chars.iter().zip(&chars[block..]).all(|(a, b)| a == b))
}

/// Equal steps from the first to the last, in two pieces of three and more, or of doubled characters.
fn is_sequence(chars: &[char]) -> bool {
    let doubled = chars.len().is_multiple_of(2) && chars.chunks(2).all(|pair| pair[0] == pair[1]);
    let single: Vec<char> = chars.iter().copied().step_by(2).collect();
    let columns = ["2580", "0852"];
    in_steps(chars)
        || (doubled && in_steps(&single))
        || (3..chars.len().saturating_sub(2))
            .any(|at| in_steps(&chars[..at]) && in_steps(&chars[at..]))
        || columns.iter().any(|column| column.chars().eq(chars.iter().copied()))
}

/// Whether each character is as far from the one before as the next; `9` is followed by `0`.
fn in_steps(chars: &[char]) -> bool {
    let digits = chars.iter().all(char::is_ascii_digit);
    let step = |pair: &[char]| match i64::from(u32::from(pair[1])) - i64::from(u32::from(pair[0])) {
        -9 if digits => 1,
        9 if digits => -1,
        step => step,
    };
    let mut steps = chars.windows(2).map(step);
    let Some(first) = steps.next() else { return true };
    // Letters far apart are no alphabet: only neighbours are.
    (digits || first.abs() <= 1) && steps.all(|step| step == first)
}

/// A year; a day and a month; these with a year of two or four digits, in any usual order.
fn is_date(pin: &str) -> bool {
    if !pin.bytes().all(|b| b.is_ascii_digit()) {
        return false;
    }
    let number = |text: &str| text.parse::<u32>().unwrap_or_default();
    let year = |text: &str| (1_900..=2_099).contains(&number(text));
    let month = |text: &str| (1..=12).contains(&number(text));
    let day = |text: &str| (1..=31).contains(&number(text));
    let day_of_year = |text: &str| {
        let (a, b) = text.split_at(2);
        (day(a) && month(b)) || (month(a) && day(b))
    };
    match pin.len() {
        4 => year(pin) || day_of_year(pin),
        6 => {
            day_of_year(&pin[..4])
                || (month(&pin[2..4]) && day(&pin[4..]))
                || (month(&pin[..2]) && year(&pin[2..]))
                || (year(&pin[..4]) && month(&pin[4..]))
        }
        8 => {
            (day_of_year(&pin[..4]) && year(&pin[4..]))
                || (year(&pin[..4]) && day_of_year(&pin[4..]))
        }
        _ => false,
    }
}

/// Either holds the other, forwards or backwards. A badge of one or two characters is in anything.
fn is_of_badge(pin: &str, badge: &str) -> bool {
    let (pin, badge) = (pin.to_lowercase(), badge.trim().to_lowercase());
    let backwards: String = badge.chars().rev().collect();
    badge.chars().count() >= 3
        && [badge, backwards].iter().any(|badge| pin.contains(badge) || badge.contains(&pin))
}

fn is_word(pin: &str, person: &str) -> bool {
    let pin = pin.to_lowercase();
    let name = person.strip_prefix("op_").unwrap_or(person).to_lowercase();
    WORDS.iter().any(|word| pin.contains(word)) || (name.len() >= 3 && pin.contains(&name))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refusal(pin: &str) -> Option<Guessable> {
        check(pin, "70-4416", "op_k7m2q9xd", 4).err()
    }

    #[test]
    fn what_is_guessed_first_is_refused_with_its_reason() {
        for (pins, why) in [
            (
                &["7777", "000000", "1212", "909090", "123123", "abab", "4848484"][..],
                Guessable::Repeated,
            ),
            (
                &[
                    "1234", "987654", "8901", "2468", "123321", "112233", "147258", "159357",
                    "2580", "abcdef",
                ][..],
                Guessable::Sequence,
            ),
            (
                &[
                    "1984", "2031", "2412", "1224", "241284", "122484", "841224", "121984",
                    "198412", "24121984", "19841224",
                ][..],
                Guessable::Date,
            ),
            (&["70-4416", "x70-4416", "6144-07", "4416"][..], Guessable::Badge),
            (&["Passwort7", "pulverlog", "k7m2q9xd!", "QWERTZ99"][..], Guessable::Word),
        ] {
            for pin in pins {
                assert_eq!(refusal(pin), Some(why), "{pin}");
            }
        }
        assert_eq!(check("48291", "1", "op_a", 6), Err(Guessable::Short(6)));
        assert_eq!(refusal(&"7q".repeat(33)), Some(Guessable::Long));
    }

    #[test]
    fn other_pins_are_taken_and_few_are_lost() {
        for pin in ["482913", "917364", "605827", "7390", "grün-7-Tor"] {
            assert_eq!(refusal(pin), None, "{pin}");
        }
        // Of all six digits an honest chooser keeps nine in ten; who guesses gains nothing by the rule.
        let kept =
            (0..1_000_000).filter(|n| check(&format!("{n:06}"), "1", "op_a", 6).is_ok()).count();
        assert!(kept > 850_000, "{kept}");
    }
}
