//! CSV after RFC 4180: comma, double quotes, CRLF.
//!
//! Spreadsheets take a cell that begins with `=`, `+`, `-`, `@`, a tab or a line end for a
//! formula. Such a cell is written with a leading apostrophe, unless it is a plain number.

/// Builds one CSV file.
#[derive(Debug, Default)]
pub struct Csv {
    out: String,
}

impl Csv {
    /// An empty file.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one record.
    pub fn record<I, S>(&mut self, cells: I)
    where
        I: IntoIterator<Item = S>,
        S: AsRef<str>,
    {
        for (i, cell) in cells.into_iter().enumerate() {
            if i > 0 {
                self.out.push(',');
            }
            self.cell(cell.as_ref());
        }
        self.out.push_str("\r\n");
    }

    /// The bytes.
    pub fn into_bytes(self) -> Vec<u8> {
        self.out.into_bytes()
    }

    fn cell(&mut self, text: &str) {
        let defused = if is_formula(text) { format!("'{text}") } else { text.to_owned() };
        if defused.contains([',', '"', '\r', '\n']) {
            self.out.push('"');
            self.out.push_str(&defused.replace('"', "\"\""));
            self.out.push('"');
        } else {
            self.out.push_str(&defused);
        }
    }
}

fn is_formula(text: &str) -> bool {
    let plain_number = text
        .strip_prefix('-')
        .is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit() || b == b'.'));
    text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']) && !plain_number
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_quoted_and_formulas_defused() {
        // RFC 4180 section 2 (quoting); security-tests.md, formula cells.
        let cases = [
            ("plain", "plain"),
            ("a,b", "\"a,b\""),
            ("say \"x\"", "\"say \"\"x\"\"\""),
            ("=1+1", "'=1+1"),
            ("@cmd", "'@cmd"),
            ("+49", "'+49"),
            ("-1.50", "-1.50"),
            ("-x", "'-x"),
            ("-", "'-"),
            ("\t=1", "'\t=1"),
            ("line\nline", "\"line\nline\""),
            ("", ""),
        ];
        for (cell, written) in cases {
            let mut csv = Csv::new();
            csv.record([cell]);
            assert_eq!(csv.into_bytes(), format!("{written}\r\n").as_bytes(), "{cell:?}");
        }
    }
}
