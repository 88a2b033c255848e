//! Reads the check tables.

/// A table: lines with `#` are its head, the first other line names the columns.
pub(crate) struct Table {
    columns: Vec<&'static str>,
    rows: Vec<Vec<&'static str>>,
}

impl Table {
    pub(crate) fn read(text: &'static str) -> Self {
        let mut lines = text.lines().filter(|line| !line.starts_with('#'));
        let columns = lines.next().unwrap().split(',').collect();
        let rows: Vec<Vec<_>> = lines.map(|line| line.split(',').collect()).collect();
        assert!(!rows.is_empty(), "a table without rows checks nothing");
        Self { columns, rows }
    }

    pub(crate) fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|fields| Row { columns: &self.columns, fields })
    }
}

pub(crate) struct Row<'a> {
    columns: &'a [&'static str],
    fields: &'a [&'static str],
}

impl Row<'_> {
    pub(crate) fn text(&self, column: &str) -> &str {
        let index = self.columns.iter().position(|name| *name == column);
        self.fields[index.unwrap_or_else(|| panic!("no column {column}"))]
    }

    /// The number in a column; an empty field is none.
    pub(crate) fn number(&self, column: &str) -> Option<f64> {
        let text = self.text(column);
        (!text.is_empty()).then(|| text.parse().unwrap_or_else(|_| panic!("{column}: {text}")))
    }

    pub(crate) fn get(&self, column: &str) -> f64 {
        self.number(column).unwrap_or_else(|| panic!("{column} is empty in {:?}", self.fields))
    }

    /// Fails unless `found` is within `tolerance` of the column.
    #[track_caller]
    pub(crate) fn is(&self, column: &str, found: f64, tolerance: f64) {
        let wanted = self.get(column);
        let fields = self.fields;
        assert!(
            (found - wanted).abs() <= tolerance,
            "{column}: {found}, the table has {wanted} in {fields:?}"
        );
    }

    /// Fails unless `found` is the column's number, or infinite where the column is empty (never).
    #[track_caller]
    pub(crate) fn is_or_never(&self, column: &str, found: f64, tolerance: f64) {
        match self.number(column) {
            Some(_) => self.is(column, found, tolerance),
            None => {
                assert!(found.is_infinite(), "{column}: {found}, the table says never: {:?}", self.fields)
            }
        }
    }
}
