//! The few words that the engine prints by itself.

use super::model::{Language, LogHead};

impl Language {
    /// Language tag (RFC 5646).
    pub fn tag(self) -> &'static str {
        match self {
            Language::English => "en",
            Language::German => "de",
        }
    }

    /// Word over a caution.
    pub(super) fn caution(self) -> &'static str {
        match self {
            Language::English => "Caution",
            Language::German => "Vorsicht",
        }
    }

    /// Said by a table without rows.
    pub(super) fn none(self) -> &'static str {
        match self {
            Language::English => "none",
            Language::German => "keine",
        }
    }

    /// Behind the caption of a table that goes on.
    pub(super) fn continued(self) -> &'static str {
        match self {
            Language::English => "(continued)",
            Language::German => "(Fortsetzung)",
        }
    }

    /// Labels of a signature: name, date, signature.
    pub(super) fn signature(self) -> [&'static str; 3] {
        match self {
            Language::English => ["Name", "Date", "Signature"],
            Language::German => ["Name", "Datum", "Unterschrift"],
        }
    }

    /// A bar in words.
    pub(super) fn bar(self, label: &str, figure: &str, limit: Option<&str>) -> String {
        let bar = match self {
            Language::English => "A bar drawn to scale for",
            Language::German => "Ein maßstäblicher Balken für",
        };
        let limit = limit.map(|limit| format!(", {limit}")).unwrap_or_default();
        format!("{bar} {label}: {figure}{limit}.")
    }

    /// Number of a page among all.
    pub(super) fn page(self, page: usize, pages: usize) -> String {
        match self {
            Language::English => format!("Page {page} of {pages}"),
            Language::German => format!("Seite {page} von {pages}"),
        }
    }

    /// The foot of a page: which log, how many entries, which root.
    pub(super) fn log_head(self, log: &LogHead) -> String {
        let LogHead { origin, size, root_short } = log;
        match self {
            Language::English => format!("Log {origin} · {size} entries · root {root_short}"),
            Language::German => format!("Log {origin} · {size} Einträge · Wurzel {root_short}"),
        }
    }
}
