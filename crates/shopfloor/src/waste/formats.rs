//! Forms of document numbers and codes. A check tells what is wrong; nothing is refused here.

use super::events::{Determination, StreamDetermined, WasteCodes};
use super::law::tables;

/// What is to be said of a number or code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Form {
    /// As it should be.
    Good,
    /// Unusual: worth a second look.
    Unusual(String),
    /// Cannot be right.
    Bad(String),
}

/// US manifest tracking number: nine digits and three capital letters (40 CFR 262.21(f)(2)).
/// No check digit is published, so none is computed.
pub fn manifest_number(text: &str) -> Form {
    let bytes = text.as_bytes();
    let formed = bytes.len() == 12
        && bytes[..9].iter().all(u8::is_ascii_digit)
        && bytes[9..].iter().all(u8::is_ascii_uppercase);
    if formed {
        Form::Good
    } else {
        Form::Bad(format!("`{text}` is not nine digits and three capital letters"))
    }
}

/// EPA identification number: twelve characters, a State and ten letters or digits. Only the
/// length is certain (EPA form 8700-22); the rest is usual.
pub fn epa_id(text: &str) -> Form {
    let bytes = text.as_bytes();
    if bytes.len() != 12 || !bytes.iter().all(u8::is_ascii_alphanumeric) {
        return Form::Bad(format!("`{text}` is not twelve letters and digits"));
    }
    let usual = bytes[..2].iter().all(u8::is_ascii_uppercase)
        && matches!(bytes[2], b'D' | b'R' | b'T' | b'P' | b'0')
        && bytes[3..].iter().all(u8::is_ascii_digit);
    if usual {
        Form::Good
    } else {
        Form::Unusual(format!(
            "`{text}` is not in the usual form of two letters, `D` and nine digits"
        ))
    }
}

/// UK consignment note code since 2016-04-01: six letters or digits of the business name, `/`,
/// five letters or digits, optionally one letter more.
pub fn consignment_code(text: &str) -> Form {
    let bad = |why: &str| Form::Bad(format!("`{text}`: {why}"));
    let Some((name, own)) = text.split_once('/') else { return bad("the `/` is missing") };
    let plain = |part: &str| part.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit());
    if !plain(name) || !plain(own) {
        return bad("only capital letters and digits stand beside the `/`");
    }
    let last_is_letter = own.bytes().last().is_some_and(|b| b.is_ascii_uppercase());
    match (name.len(), own.len()) {
        (6, 5) => Form::Good,
        (6, 6) if last_is_letter => Form::Good,
        (6, _) => bad("five letters or digits follow the `/`, then at most one letter"),
        _ => bad("six letters or digits of the business name stand before the `/`"),
    }
}

/// US waste code: a letter D, F, K, P or U and three digits.
pub fn rcra_code(text: &str) -> Form {
    let bytes = text.as_bytes();
    let formed = bytes.len() == 4
        && matches!(bytes[0], b'D' | b'F' | b'K' | b'P' | b'U')
        && bytes[1..].iter().all(u8::is_ascii_digit);
    if formed {
        Form::Good
    } else {
        Form::Bad(format!("`{text}` is no US waste code (letter D, F, K, P or U and three digits)"))
    }
}

/// Whether a US code is on the acute lists: P codes and six F codes (40 CFR 261.31, 261.33(e)).
pub fn is_acute(code: &str) -> bool {
    code.starts_with('P') || matches!(code, "F020" | "F021" | "F022" | "F023" | "F026" | "F027")
}

/// A code of the List of Waste against the part of the list that is carried here. The asterisk is
/// part of the code's identity.
pub fn list_of_waste(code: &str) -> Form {
    let table = tables::list_of_waste();
    if table.find(code).is_some() {
        return Form::Good;
    }
    let twin = match code.strip_suffix('*') {
        Some(bare) => bare.to_owned(),
        None => format!("{code}*"),
    };
    if table.find(&twin).is_none() {
        Form::Unusual(format!("`{code}` is not in the part of the list carried here: look it up"))
    } else if code.ends_with('*') {
        Form::Bad(format!("no such entry: `{twin}` has no twin with an asterisk"))
    } else {
        Form::Bad(format!("asterisk missing: the entry is `{twin}`"))
    }
}

/// What contradicts itself in the codes a person assigned; each is for that person to decide.
pub fn contradictions(stream: &StreamDetermined) -> Vec<String> {
    let mut found = Vec::new();
    let codes = &stream.codes;
    for hp in &codes.hp {
        if tables::hazard_properties().find(hp.as_str()).is_none() {
            found.push(format!("`{hp}` is no hazard property HP1 to HP15"));
        }
    }
    if let Some(code) = &codes.list_of_waste {
        found.extend(mirror_conflict(code.as_str(), codes));
        let starred = code.as_str().ends_with('*');
        if starred && stream.determination == Determination::NonHazardous {
            found.push(format!(
                "`{code}` carries an asterisk, the determination says non-hazardous",
                code = code.as_str()
            ));
        }
    }
    let acute = codes.rcra.iter().find(|c| is_acute(c.as_str()));
    match (acute, stream.determination) {
        (Some(code), Determination::Hazardous | Determination::NonHazardous) => {
            found.push(format!("`{code}` is on the acute list, the determination is not acute"));
        }
        (None, Determination::AcuteHazardous) if !codes.rcra.is_empty() => {
            found.push("the determination is acute, no code is on the acute list".into());
        }
        (Some(_) | None, _) => {}
    }
    if stream.determination == Determination::NonHazardous && !codes.rcra.is_empty() {
        found.push("US waste codes are given, the determination says non-hazardous".into());
    }
    found
}

/// A code without asterisk while a hazard property is declared.
fn mirror_conflict(code: &str, codes: &WasteCodes) -> Option<String> {
    if code.ends_with('*') || codes.hp.is_empty() {
        return None;
    }
    let row = tables::list_of_waste().find(code)?;
    let mirror = row.get("mirror");
    Some(if mirror.is_empty() {
        format!(
            "hazard properties are declared, and `{code}` has no twin with an asterisk: ask the \
             competent authority; entries of chapters 16 03 or 15 02 may apply"
        )
    } else {
        format!("hazard properties are declared: the mirror entry `{mirror}` is required")
    })
}

/// A method of treatment: `D1` to `D15`, `R1` to `R13` or a US `H` code; `D11` is forbidden.
pub fn method(code: &str) -> Form {
    if let Some(row) = tables::treatments().find(code) {
        return if row.get("allowed") == "no" {
            Form::Bad(format!("`{code}` ({}) is forbidden", row.get("description")))
        } else {
            Form::Good
        };
    }
    if tables::us_methods().find(code).is_some() {
        Form::Good
    } else {
        Form::Unusual(format!("`{code}` is no method code known here"))
    }
}

/// What a method code means, in our words.
pub fn method_text(code: &str) -> Option<&'static str> {
    let row = tables::treatments().find(code).or_else(|| tables::us_methods().find(code))?;
    Some(row.get("description"))
}
