//! Two macros that keep the recorded forms readable: [`record!`] for objects and [`words!`] for
//! closed vocabularies. Both are strict: unknown members and unknown words are refused.

/// Declares the recorded form of an object. A member written `[name]: T` may be left out
/// (`Option<T>`, or an empty list for `Vec<T>`); every other member must be there.
macro_rules! record {
    ($(#[$meta:meta])* pub struct $name:ident { $($body:tt)* }) => {
        record!(@field [$(#[$meta])* #[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)] #[serde(deny_unknown_fields)] pub struct $name] [] $($body)*);
    };
    (@field [$($head:tt)*] [$($done:tt)*]) => { $($head)* { $($done)* } };
    (@field [$($head:tt)*] [$($done:tt)*] $(#[$m:meta])* [$f:ident] : Vec<$t:ty>, $($rest:tt)*) => {
        record!(@field [$($head)*] [$($done)* $(#[$m])* #[serde(default, skip_serializing_if = "Vec::is_empty")] pub $f: Vec<$t>,] $($rest)*);
    };
    (@field [$($head:tt)*] [$($done:tt)*] $(#[$m:meta])* [$f:ident] : $t:ty, $($rest:tt)*) => {
        record!(@field [$($head)*] [$($done)* $(#[$m])* #[serde(skip_serializing_if = "Option::is_none")] pub $f: Option<$t>,] $($rest)*);
    };
    (@field [$($head:tt)*] [$($done:tt)*] $(#[$m:meta])* $f:ident : $t:ty, $($rest:tt)*) => {
        record!(@field [$($head)*] [$($done)* $(#[$m])* pub $f: $t,] $($rest)*);
    };
}

/// Declares a closed vocabulary: the words as recorded, each with its meaning.
macro_rules! words {
    ($(#[$meta:meta])* pub enum $name:ident { $($(#[$vmeta:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
        pub enum $name { $($(#[$vmeta])* #[serde(rename = $word)] $variant),+ }
        impl $name {
            /// Every word, in the order of declaration.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];
            /// The word as recorded.
            pub fn as_str(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }
    };
}

pub(crate) use {record, words};
