//! Code tables of the trade as data: lists of codes with their meaning and source.

use std::sync::OnceLock;

/// A table read from tab-separated text; the first line names the columns.
#[derive(Debug)]
pub struct Table {
    columns: Vec<&'static str>,
    rows: Vec<Vec<&'static str>>,
}

/// One row of a table.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    table: &'a Table,
    cells: &'a [&'static str],
}

impl Row<'_> {
    /// The cell of a column; empty when the table has no such column.
    pub fn get(&self, column: &str) -> &'static str {
        let at = self.table.columns.iter().position(|c| *c == column);
        at.and_then(|at| self.cells.get(at)).copied().unwrap_or("")
    }
}

impl Table {
    fn read(text: &'static str) -> Table {
        let mut lines = text.lines().filter(|l| !l.is_empty());
        let split = |line: &'static str| line.split('\t').collect::<Vec<_>>();
        let columns = lines.next().map(split).unwrap_or_default();
        Table { columns, rows: lines.map(split).collect() }
    }

    /// All rows.
    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|cells| Row { table: self, cells })
    }

    /// The row whose first cell is `key`.
    pub fn find(&self, key: &str) -> Option<Row<'_>> {
        self.rows().find(|row| row.cells.first() == Some(&key))
    }
}

macro_rules! table {
    ($(#[$doc:meta])* $name:ident, $file:literal) => {
        $(#[$doc])*
        pub fn $name() -> &'static Table {
            static TABLE: OnceLock<Table> = OnceLock::new();
            TABLE.get_or_init(|| Table::read(include_str!(concat!("tables/", $file))))
        }
    };
}

table!(
    /// Entries of the European List of Waste that matter to powder shops: `code` (asterisk
    /// included), `hazardous`, `description` (our words), `mirror`, `note`. A part of the list,
    /// not all of it.
    list_of_waste, "waste-codes.tsv"
);
table!(
    /// Hazard properties HP1 to HP15: `code`, `name`, `calculation_limits`.
    hazard_properties, "hp-codes.tsv"
);
table!(
    /// Disposal and recovery operations D1 to D15, R1 to R13: `code`, `kind`, `description`,
    /// `allowed`.
    treatments, "treatment-codes.tsv"
);
table!(
    /// UN and NA numbers of powders: `un`, `name`, `class`, `packing_groups`.
    un_names, "un-names.tsv"
);
table!(
    /// US manifest item 10: `code`, `description`.
    us_containers, "us-container-codes.tsv"
);
table!(
    /// US manifest item 12: `code`, `description`, `kind`, `large_bulk_only`.
    us_units, "us-unit-codes.tsv"
);
table!(
    /// US manifest item 19: `code`, `description`. All from memory.
    us_methods, "us-management-methods.tsv"
);
table!(
    /// Groups of waste that are kept apart: `a`, `b` (words of `ReactivityGroup`), `groups` of the
    /// list, `consequence`, `note`, `confidence`. Examples, not all there are.
    incompatible, "incompatible.tsv"
);
table!(
    /// Sources named `S..` by the other tables and the rule sets: `id`, `title`, `address`.
    sources, "sources.tsv"
);

/// `S7: title` of a source by its id.
pub fn source(id: &str) -> Option<String> {
    let row = sources().find(id)?;
    Some(format!("{id}: {}", row.get("title")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_have_the_rows_and_columns_they_promise() {
        // Row counts: waste-rules.md section 14; incompatible groups and their three sources were
        // added from the list itself.
        let tables = [
            (list_of_waste(), 35, "code"),
            (hazard_properties(), 15, "code"),
            (treatments(), 28, "code"),
            (un_names(), 19, "un"),
            (us_containers(), 13, "code"),
            (us_units(), 8, "code"),
            (us_methods(), 22, "code"),
            (incompatible(), 20, "a"),
            (sources(), 36, "id"),
        ];
        for (table, rows, key) in tables {
            assert_eq!(table.rows.len(), rows, "{key}");
            assert_eq!(table.columns[0], key);
            for row in &table.rows {
                assert_eq!(row.len(), table.columns.len(), "{row:?}");
            }
        }
    }

    #[test]
    fn every_mirror_has_its_partner() {
        for row in list_of_waste().rows() {
            for partner in row.get("mirror").split(", ").filter(|p| !p.is_empty()) {
                assert!(list_of_waste().find(partner).is_some(), "{partner}");
            }
        }
    }
}
