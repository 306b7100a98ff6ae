use super::*;

/// Inputs outside the profile: code, offset and pointer of the fault. Sections are those of RFC
/// 8259 (JSON), RFC 8785 (JCS) and RFC 7493 (I-JSON); rows marked `profile` are rules of our own.
#[test]
fn every_refusal_names_its_place() {
    let deep = r#"{"a":[{"b":[{"c":[{"d":[{"e":1}]}]}]}]}"#;
    for (input, code, offset, pointer, _source) in [
        ("", "unexpected-end", 0, "", "8259 section 2"),
        ("  ", "unexpected-end", 2, "", "8259 section 2"),
        ("nul", "unexpected-end", 3, "", "8259 section 3"),
        ("True", "unexpected-byte", 0, "", "8259 section 3"),
        ("{\"a\":1}x", "trailing-bytes", 7, "", "8259 section 2"),
        ("1 2", "trailing-bytes", 2, "", "8259 section 2"),
        ("\u{feff}1", "byte-order-mark", 0, "", "8259 section 8.1"),
        ("\u{a0}1", "unexpected-byte", 0, "", "8259 section 2: four kinds of white space"),
        ("[1,]", "unexpected-byte", 3, "/1", "8259 section 5"),
        ("[1 2]", "unexpected-byte", 3, "", "8259 section 5"),
        ("[1", "unexpected-end", 2, "", "8259 section 5"),
        ("{\"a\":1,}", "unexpected-byte", 7, "", "8259 section 4"),
        ("{\"a\" 1}", "unexpected-byte", 5, "", "8259 section 4"),
        ("{a:1}", "unexpected-byte", 1, "", "8259 section 4"),
        ("{\"a\":{\"b\":[0,1.5]}}", "fraction", 13, "/a/b/1", "profile"),
        ("{\"a\":1.0}", "fraction", 5, "/a", "profile"),
        ("1e2", "exponent", 0, "", "profile"),
        ("-1E+2", "exponent", 0, "", "profile"),
        ("-0", "negative-zero", 0, "", "profile; 8785 section 3.2.2.3 writes 0"),
        ("-0.0", "fraction", 0, "", "profile"),
        ("01", "leading-zero", 0, "", "8259 section 6"),
        ("-01", "leading-zero", 0, "", "8259 section 6"),
        ("-", "unexpected-end", 1, "", "8259 section 6"),
        ("+1", "unexpected-byte", 0, "", "8259 section 6"),
        (".5", "unexpected-byte", 0, "", "8259 section 6"),
        ("9007199254740992", "integer-range", 0, "", "7493 section 2.2"),
        ("-9007199254740992", "integer-range", 0, "", "7493 section 2.2"),
        ("99999999999999999999999999", "integer-range", 0, "", "7493 section 2.2"),
        ("\"a\nb\"", "control-character", 2, "", "8259 section 7"),
        ("\"a\\x\"", "bad-escape", 2, "", "8259 section 7"),
        ("\"\\u12g4\"", "bad-escape", 1, "", "8259 section 7"),
        ("\"\\u12", "unexpected-end", 5, "", "8259 section 7"),
        ("\"a", "unexpected-end", 2, "", "8259 section 7"),
        ("\"\\ud800\"", "lone-surrogate", 1, "", "7493 section 2.1"),
        ("\"\\udc00\"", "lone-surrogate", 1, "", "7493 section 2.1"),
        ("\"\\ud800\\u0041\"", "lone-surrogate", 1, "", "7493 section 2.1"),
        ("\"\\ud800x\"", "lone-surrogate", 1, "", "7493 section 2.1"),
        ("{\"\":1}", "member-name", 1, "/", "profile"),
        ("{\"Mass\":1}", "member-name", 1, "/Mass", "profile"),
        ("{\"a/b~c\":1}", "member-name", 1, "/a~1b~0c", "profile; RFC 6901 section 3"),
        ("{\"x\":{\"\\u00e9\":1}}", "member-name", 6, "/x/é", "profile"),
        ("{\"a\":1,\"b\":2,\"a\":1}", "duplicate-member", 13, "/a", "7493 section 2.3"),
        ("{\"x\":[{\"a\":1,\"\\u0061\":1}]}", "duplicate-member", 13, "/x/0/a", "7493 section 2.3"),
        (deep, "too-deep", 24, "/a/0/b/0/c/0/d/0", "profile"),
    ] {
        let error = parse(input.as_bytes()).unwrap_err();
        assert_eq!(
            (error.code(), error.offset, &*error.pointer),
            (code, offset, pointer),
            "{input}"
        );
        // What no reader accepts is not canonical either, and for the same reason.
        assert!(check(input.as_bytes()).is_err(), "{input}");
    }
    let name = format!("{{\"{}\":1}}", "a".repeat(41));
    let error = parse(name.as_bytes()).unwrap_err();
    assert_eq!((error.code(), &*error.pointer), ("member-name", ""));
    assert_eq!(parse(b"\"\xff\"").unwrap_err().code(), "invalid-utf8");
    // A surrogate encoded as if it were a character (RFC 3629 section 3).
    assert_eq!(parse(b"\"\xed\xa0\x80\"").unwrap_err().code(), "invalid-utf8");
}

/// Spellings of the profile that are not canonical: the reader takes them, the checker names the
/// first byte that canonical form (RFC 8785) writes otherwise.
#[test]
fn one_canonical_spelling() {
    for (input, code, offset, canonical) in [
        (" 1", "white-space", 0, "1"),
        ("1\n", "white-space", 1, "1"),
        ("[1, 2]", "white-space", 3, "[1,2]"),
        ("{\"a\" :1}", "white-space", 4, "{\"a\":1}"),
        ("{\"b\":1,\"a\":2}", "member-order", 7, "{\"a\":2,\"b\":1}"),
        ("{\"a_\":1,\"a1\":2}", "member-order", 8, "{\"a1\":2,\"a_\":1}"),
        ("{\"\\u0061\":1}", "needless-escape", 2, "{\"a\":1}"),
        ("\"\\/\"", "needless-escape", 1, "\"/\""),
        ("\"\\u0041\"", "needless-escape", 1, "\"A\""),
        ("\"\\u000a\"", "needless-escape", 1, "\"\\n\""),
        ("\"\\u000B\"", "needless-escape", 1, "\"\\u000b\""),
        ("\"\\u20AC\"", "needless-escape", 1, "\"€\""),
        ("\"\\ud83d\\ude02\"", "needless-escape", 1, "\"😂\""),
        ("\"\\u007f\"", "needless-escape", 1, "\"\u{7f}\""),
    ] {
        let value = parse(input.as_bytes()).unwrap();
        assert_eq!(value.to_string(), canonical, "{input}");
        let error = check(input.as_bytes()).unwrap_err();
        assert_eq!((error.code(), error.offset), (code, offset), "{input}");
        assert_eq!(check(canonical.as_bytes()), Ok(value));
    }
    // RFC 8785 section 3.2.2: the string of the example.
    let input = r#""\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/""#;
    let canonical = "\"€$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"";
    assert_eq!(parse(input.as_bytes()).unwrap().to_string(), canonical);
}

#[test]
fn the_largest_of_everything_is_accepted() {
    let name = "a".repeat(40);
    for text in [
        "9007199254740991".to_owned(),
        "-9007199254740991".to_owned(),
        format!("{{\"{name}\":0}}"),
        r#"{"a":[{"b":[{"c":[{"d":[]}]}]}]}"#.to_owned(),
        format!("\"{}\"", "x".repeat(ENTRY_BYTES_MAX - 2)),
    ] {
        assert_eq!(check(text.as_bytes()).unwrap().to_string(), text);
    }
    let long = format!("\"{}\"", "x".repeat(ENTRY_BYTES_MAX - 1));
    assert_eq!(parse(long.as_bytes()).unwrap_err().code(), "too-long");
}

#[test]
fn hostile_input_neither_exhausts_the_stack_nor_takes_long() {
    let unlimited = Limits { max_depth: u8::MAX, max_bytes: usize::MAX };
    for (open, count) in [("[", 100_000), ("{\"a\":", 100_000), ("[{\"a\":", 50_000)] {
        let text = open.repeat(count);
        for limits in [unlimited, Limits { max_bytes: usize::MAX, ..Limits::ENTRY }] {
            assert_eq!(parse_with(text.as_bytes(), limits).unwrap_err().code(), "too-deep");
            assert_eq!(check_with(text.as_bytes(), limits).unwrap_err().code(), "too-deep");
        }
    }
    // 200,000 members in falling order, and one number of a million digits.
    let mut members: Vec<String> = (0..200_000).map(|i| format!("\"m{i:06}\":{i}")).collect();
    members.reverse();
    let text = format!("{{{}}}", members.join(","));
    let value = parse_with(text.as_bytes(), unlimited).unwrap();
    assert_eq!(value.as_object().map(Object::len), Some(200_000));
    assert_eq!(value.get("m123456"), Some(&Value::Int(123_456)));
    let digits = "9".repeat(1_000_000);
    assert_eq!(parse_with(digits.as_bytes(), unlimited).unwrap_err().code(), "integer-range");
}

#[test]
fn members_are_taken_apart_without_a_tree() {
    let text = br#"{"a":[1,{"b":"\""}],"c":{},"d":"x"}"#;
    let found = members(text, Limits::ENTRY).unwrap();
    let expected: [(&str, &[u8]); 3] = [("a", br#"[1,{"b":"\""}]"#), ("c", b"{}"), ("d", b"\"x\"")];
    assert_eq!(found, expected);
    for (bad, code) in [
        (&br#"[1]"#[..], "unexpected-byte"),
        (br#"{"a":{"c":1,"b":2}}"#, "member-order"),
        (br#"{"a":{"b":1,"b":2}}"#, "duplicate-member"),
        (br#"{"a":1}2"#, "trailing-bytes"),
    ] {
        assert_eq!(members(bad, Limits::ENTRY).unwrap_err().code(), code);
    }
}

#[test]
fn an_object_keeps_its_members_in_order() {
    let mut object = Object::new();
    assert!(object.is_empty());
    for name in ["seq", "actor", "event", "v"] {
        assert_eq!(object.insert(name, 1), None);
    }
    assert_eq!(object.insert("v", "two"), Some(Value::Int(1)));
    assert_eq!(object.iter().map(|(name, _)| name).collect::<String>(), "actoreventseqv");
    assert_eq!(object.remove("event"), Some(Value::Int(1)));
    assert!(!object.contains("event"));
    assert_eq!(Value::from(object).to_string(), r#"{"actor":1,"seq":1,"v":"two"}"#);
}
