//! Canonical JSON.

use std::collections::BTreeMap;

use chain::canon::{self, Limits, Value};
use serde_json::Value as Json;

use crate::{files, golden, name, read_json, vectors};

/// RFC 8785: the documents of its author's test suite and the numbers of Appendix B.
#[test]
fn jcs() {
    let Some(folder) = vectors("jcs-cyberphone") else { return };
    let mut verdicts = BTreeMap::new();
    for input in files(&folder.join("input")) {
        let output = std::fs::read(folder.join("output").join(name(&input))).unwrap();
        let verdict = match canon::parse(&std::fs::read(&input).unwrap()) {
            Ok(value) => {
                assert_eq!(canon::to_bytes(&value), output, "{}", name(&input));
                assert_eq!(canon::check(&output), Ok(value));
                "same bytes"
            }
            Err(error) => error.code(),
        };
        verdicts.insert(name(&input).to_owned(), verdict);
    }
    let expected = [
        ("arrays.json", "same bytes"),
        ("french.json", "member-name"),
        ("structures.json", "member-name"),
        ("unicode.json", "member-name"),
        ("values.json", "fraction"),
        ("weird.json", "member-name"),
    ];
    assert_eq!(verdicts, expected.map(|(file, verdict)| (file.to_owned(), verdict)).into());

    let (mut same, mut refused) = (0, 0);
    for row in read_json(&folder.join("numbers-appendix-b.json"))["rows"].as_array().unwrap() {
        let Some(number) = row["json"].as_str() else { continue };
        match canon::check(number.as_bytes()) {
            Ok(Value::Int(_)) => same += 1,
            Ok(other) => panic!("{number} became {other}"),
            Err(error) => {
                let codes = ["fraction", "exponent", "integer-range"];
                assert!(codes.contains(&error.code()), "{number}: {error}");
                refused += 1;
            }
        }
    }
    eprintln!(
        "jcs: 1 of 6 documents fits and gives the same bytes, 5 are refused; numbers: {same} same, {refused} refused"
    );
    assert_eq!((same, refused), (2, 22));
}

/// nst/JSONTestSuite: what must be refused is refused; what must be accepted is, unless it lies
/// outside the profile. The verdicts are kept in `golden/json-test-suite.txt`.
#[test]
fn json_test_suite() {
    let Some(folder) = vectors("json-test-suite") else { return };
    let mut verdicts = String::new();
    let mut counts: BTreeMap<(String, bool), usize> = BTreeMap::new();
    for set in ["test_parsing", "test_transform"] {
        for path in files(&folder.join(set)) {
            let bytes = std::fs::read(&path).unwrap();
            let limits = Limits { max_bytes: usize::MAX, ..Limits::ENTRY };
            let result = canon::parse_with(&bytes, limits);
            let code = result.as_ref().map_or_else(|error| error.code(), |_| "ok");
            let class = name(&path).split('_').next().unwrap();
            assert!(class != "n" || result.is_err(), "{} must be refused", name(&path));
            if let Ok(value) = result {
                // A second reader sees the same value.
                let theirs: Json = serde_json::from_slice(&bytes).unwrap();
                assert_eq!(value.to_string().parse::<Json>().unwrap(), theirs, "{}", name(&path));
            }
            verdicts.push_str(&format!("{set}/{} {code}\n", name(&path)));
            let class = if set == "test_transform" { "transform" } else { class };
            *counts.entry((class.to_owned(), code == "ok")).or_default() += 1;
        }
    }
    eprintln!("json test suite, (class, accepted): {counts:?}");
    golden("json-test-suite.txt", &verdicts);
}
