//! Words of printed forms, in each language: one macro, so that no form forgets a language.

/// Declares the texts of a form: `Name = "English", "German";`.
macro_rules! texts {
    ($($(#[$doc:meta])* $name:ident = $english:literal, $german:literal;)+) => {
        /// A text of the printed forms.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        #[allow(clippy::enum_variant_names, reason = "a text about keys is one of them")]
        pub(crate) enum Key { $($(#[$doc])* $name),+ }
        impl Key {
            pub(super) fn text(self, language: $crate::pdf::Language) -> &'static str {
                match (self, language) {
                    $((Key::$name, $crate::pdf::Language::English) => $english,
                      (Key::$name, $crate::pdf::Language::German) => $german),+
                }
            }
            /// Every text, for the tests of a form.
            #[cfg(test)]
            const ALL: &'static [Key] = &[$(Key::$name),+];
        }
    };
}

pub(crate) use texts;
