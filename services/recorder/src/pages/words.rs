//! The words of the pages: one message file a language, and numbers, days and times as people of
//! that language write them. English stands in where a language has no words yet.

use std::collections::HashMap;
use std::sync::LazyLock;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use shopfloor::common::Day;
use shopfloor::finding;
use shopfloor::waste::category::Month;

/// The message files: texts of the pages, and what the rules demand. The rules themselves say it in
/// English. A new language is one more row.
const FILES: &[(&str, &str, &str)] = &[
    ("en", include_str!("../../messages/en.toml"), ""),
    ("de", include_str!("../../messages/de.toml"), include_str!("../../messages/de.rules.toml")),
];

static ALL: LazyLock<Vec<Words>> = LazyLock::new(|| {
    let read = |(lang, text, rules): &(&'static str, &str, &str)| Words {
        lang,
        texts: flat(text),
        rules: flat(rules),
    };
    FILES.iter().map(read).collect()
});

/// The words of one language.
#[derive(Debug)]
pub(crate) struct Words {
    /// Language tag (BCP 47).
    pub(crate) lang: &'static str,
    texts: HashMap<String, String>,
    rules: HashMap<String, String>,
}

/// `table.key` to text. The files are part of the program; a test reads them.
fn flat(text: &str) -> HashMap<String, String> {
    let tables: toml::Table = text.parse().unwrap_or_default();
    let mut texts = HashMap::new();
    for (table, rows) in tables {
        for (key, value) in rows.as_table().into_iter().flatten() {
            if let Some(value) = value.as_str() {
                texts.insert(format!("{table}.{key}"), value.to_owned());
            }
        }
    }
    texts
}

impl Words {
    /// Languages there are, each with its own name for itself.
    pub(crate) fn languages() -> impl Iterator<Item = (&'static str, &'static str)> {
        ALL.iter().map(|words| (words.lang, words.t("language.name")))
    }

    /// The words of a language; `None` if we have none.
    pub(crate) fn of(lang: &str) -> Option<&'static Words> {
        ALL.iter().find(|words| words.lang == lang)
    }

    /// English.
    pub(crate) fn english() -> &'static Words {
        &ALL[0]
    }

    /// The best language of an `Accept-Language` header, by its order.
    pub(crate) fn accepted(header: &str) -> &'static Words {
        let tags = header.split(',').map(|part| part.split([';', '-']).next().unwrap_or(""));
        let mut found = tags.filter_map(|tag| Self::of(tag.trim()));
        found.next().unwrap_or_else(Self::english)
    }

    /// The text of a key, for example `nav.today`. A key without text is shown as it is, so that
    /// its lack is seen.
    pub(crate) fn t(&'static self, key: &str) -> &'static str {
        self.find(key).unwrap_or("?")
    }

    fn find(&self, key: &str) -> Option<&'static str> {
        let mine = ALL.iter().find(|words| words.lang == self.lang);
        let found = mine.and_then(|words| words.texts.get(key)).or_else(|| ALL[0].texts.get(key));
        found.map(String::as_str)
    }

    /// A text with `{n}` replaced.
    pub(crate) fn n(&'static self, key: &str, value: impl std::fmt::Display) -> String {
        self.t(key).replace("{n}", &value.to_string())
    }

    /// A recorded code in words: the translation if there is one, else the code with spaces.
    pub(crate) fn code(&self, table: &str, code: &str) -> String {
        match self.find(&format!("{table}.{code}")) {
            Some(text) => text.to_owned(),
            None => code.replace(['_', '.'], " "),
        }
    }

    /// A text that the program knows in English: the translation if there is one, else as it is.
    pub(crate) fn phrase(&self, table: &str, text: &str) -> String {
        self.find(&format!("{table}.{text}")).unwrap_or(text).to_owned()
    }

    /// What a rule demands.
    pub(crate) fn rule(&self, id: &str) -> String {
        if let Some(text) = self.rules.get(&format!("rule_title.{id}")) {
            return text.clone();
        }
        finding::rule(id).map_or_else(|| id.to_owned(), |rule| rule.title.to_owned())
    }

    /// A decimal number as people write it. Digits are kept.
    pub(crate) fn number(&self, digits: &str) -> String {
        match self.lang {
            "de" => digits.replace('.', ","),
            _ => digits.to_owned(),
        }
    }

    /// A day.
    pub(crate) fn day(&self, day: Day) -> String {
        let form = if self.lang == "de" { "%d.%m.%Y" } else { "%-d %b %Y" };
        day.0.strftime(form).to_string()
    }

    /// A month, kept on one line.
    pub(crate) fn month(&self, month: Month) -> String {
        let form = if self.lang == "de" { "%m.%Y" } else { "%b\u{a0}%Y" };
        month.first().0.strftime(form).to_string()
    }

    /// A moment in local time.
    pub(crate) fn moment(&self, ms: i64, zone: &TimeZone) -> String {
        let Ok(at) = Timestamp::from_millisecond(ms) else { return ms.to_string() };
        let at = at.to_zoned_datetime(zone.clone());
        let form = if self.lang == "de" { "%d.%m.%Y %H:%M" } else { "%-d %b %Y %H:%M" };
        at.strftime(form).to_string()
    }
}

/// Digits as typed into the digits of a record: a comma may stand for the point, spaces and
/// needless zeros in front fall away.
pub(crate) fn digits(typed: &str) -> String {
    let plain: String = typed.chars().filter(|c| !c.is_whitespace()).collect();
    let plain = plain.replace(',', ".");
    let (sign, rest) = plain.strip_prefix('-').map_or(("", &*plain), |rest| ("-", rest));
    let rest = rest.trim_start_matches('0');
    let rest =
        if rest.is_empty() || rest.starts_with('.') { format!("0{rest}") } else { rest.into() };
    format!("{sign}{rest}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use shopfloor::people::events::{IncidentKind, Severity};
    use shopfloor::powder::MoveKind;
    use shopfloor::waste::events::{DiscrepancyKind, DocumentKind, RejectionCourse, WasteItem};
    use std::collections::BTreeSet;

    #[test]
    fn every_language_says_the_same_things() {
        let keys = |words: &Words| words.texts.keys().cloned().collect::<BTreeSet<_>>();
        let english = keys(Words::english());
        assert!(english.len() > 100, "the message file was not read: {}", english.len());
        for words in ALL.iter() {
            let mine = keys(words);
            let missing: Vec<_> = english.difference(&mine).collect();
            let needless: Vec<_> = mine.difference(&english).collect();
            assert!(
                missing.is_empty() && needless.is_empty(),
                "{}: {missing:?} {needless:?}",
                words.lang
            );
        }
    }

    #[test]
    fn whatever_can_be_recorded_has_a_name_in_every_language() {
        let events = shopfloor::catalogue::CATALOGUE.iter().map(|kind| ("event", kind.name));
        let codes = |table, codes: Vec<&'static str>| codes.into_iter().map(move |c| (table, c));
        let named = events
            .chain(codes("move", MoveKind::ALL.iter().map(|c| c.as_str()).collect()))
            .chain(codes("waste_item", WasteItem::ALL.iter().map(|c| c.as_str()).collect()))
            .chain(codes("document", DocumentKind::ALL.iter().map(|c| c.as_str()).collect()))
            .chain(codes("course", RejectionCourse::ALL.iter().map(|c| c.as_str()).collect()))
            .chain(codes("incident", IncidentKind::ALL.iter().map(|c| c.as_str()).collect()))
            .chain(codes("severity", Severity::ALL.iter().map(|c| c.as_str()).collect()))
            .chain(codes("discrepancy", DiscrepancyKind::ALL.iter().map(|c| c.as_str()).collect()));
        let named: Vec<_> = named.collect();
        for words in ALL.iter() {
            for (table, code) in &named {
                let key = format!("{table}.{code}");
                assert!(words.texts.contains_key(&key), "{}: [{table}] {code}", words.lang);
            }
        }
        for words in ALL.iter().filter(|words| words.lang != "en") {
            for rule in finding::rules() {
                let key = format!("rule_title.{}", rule.id);
                assert!(words.rules.contains_key(&key), "{}: {}", words.lang, rule.id);
            }
            assert_eq!(words.rules.len(), finding::rules().count(), "{}", words.lang);
        }
        let german = Words::of("de").unwrap();
        assert_eq!(german.code("event", "part.swapped"), "Teil getauscht");
    }

    #[test]
    fn numbers_are_read_as_they_are_typed() {
        for (typed, wanted) in [
            ("12,340", "12.340"),
            (" 7 ", "7"),
            ("007.5", "7.5"),
            (".5", "0.5"),
            ("0", "0"),
            ("1 204,1", "1204.1"),
            ("-02", "-2"),
        ] {
            assert_eq!(digits(typed), wanted, "{typed}");
        }
    }

    #[test]
    fn the_language_follows_the_browser() {
        for (header, lang) in
            [("de-CH,de;q=0.9,en;q=0.8", "de"), ("fr,en;q=0.5", "en"), ("", "en"), ("xx", "en")]
        {
            assert_eq!(Words::accepted(header).lang, lang, "{header}");
        }
    }
}
