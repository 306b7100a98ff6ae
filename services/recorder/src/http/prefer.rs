//! Preferences of a request (RFC 7240).

use actix_web::http::header::{HeaderMap, HeaderName};

use crate::log::Handling;

/// `Prefer`.
pub const PREFER: HeaderName = HeaderName::from_static("prefer");
/// `Preference-Applied`.
pub const PREFERENCE_APPLIED: HeaderName = HeaderName::from_static("preference-applied");

/// Findings that stop refuse the event (RFC 7240 section 4.4).
pub const STRICT: &str = "handling=strict";
/// A batch is recorded as a whole or not at all. A preference of our own.
pub const WHOLE: &str = "pulverlog-batch=whole";

/// Reads the preferences we know and leaves the others alone, as section 2 demands. If one is
/// stated twice the first counts.
pub fn read(headers: &HeaderMap) -> Handling {
    let (mut strict, mut whole) = (None, None);
    for value in headers.get_all(PREFER).filter_map(|value| value.to_str().ok()) {
        for preference in value.split(',') {
            let preference = preference.split(';').next().unwrap_or_default();
            let (name, value) = preference.split_once('=').unwrap_or((preference, ""));
            let (name, value) = (name.trim().to_ascii_lowercase(), value.trim().trim_matches('"'));
            match name.as_str() {
                "handling" => strict = strict.or(Some(value.eq_ignore_ascii_case("strict"))),
                "pulverlog-batch" => whole = whole.or(Some(value.eq_ignore_ascii_case("whole"))),
                _ => {}
            }
        }
    }
    Handling { strict: strict.unwrap_or(false), whole: whole.unwrap_or(false), dry_run: false }
}

/// What is said to have been applied; `None` if nothing was asked for.
pub fn applied(handling: Handling) -> Option<String> {
    let words = [(handling.strict, STRICT), (handling.whole, WHOLE)];
    let words: Vec<&str> = words.iter().filter(|(on, _)| *on).map(|(_, word)| *word).collect();
    (!words.is_empty()).then(|| words.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::http::header::HeaderValue;

    #[test]
    fn known_preferences_are_read_and_others_left_alone() {
        for (headers, strict, whole) in [
            (vec![], false, false),
            (vec!["handling=strict"], true, false),
            (vec!["Handling = \"Strict\""], true, false),
            (vec!["respond-async, handling=strict; x=1", "pulverlog-batch=whole"], true, true),
            (vec!["handling=lenient, handling=strict"], false, false),
            (vec!["handling", "pulverlog-batch"], false, false),
        ] {
            let mut map = HeaderMap::new();
            for value in &headers {
                map.append(PREFER, HeaderValue::from_str(value).unwrap());
            }
            let handling = read(&map);
            assert_eq!((handling.strict, handling.whole), (strict, whole), "{headers:?}");
        }
    }
}
