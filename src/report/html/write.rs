//! HTML as text: every word passes through one function that escapes it.

use crate::report::svg::escaped;

/// A page or a part of it. Tags come from this program alone; whatever a user may have written goes
/// through [`Html::text`] or as the value of an attribute, and is escaped there.
#[derive(Debug, Default)]
pub struct Html {
    out: String,
}

/// Attributes, name and value.
pub type Attributes<'a> = &'a [(&'a str, &'a str)];

impl Html {
    /// What has been written.
    pub fn into_text(self) -> String {
        self.out
    }

    /// Opens an element.
    pub fn open(&mut self, tag: &str, attributes: Attributes<'_>) {
        self.out.push('<');
        self.out.push_str(tag);
        for (name, value) in attributes {
            self.out.push_str(&format!(" {name}=\"{}\"", escaped(value)));
        }
        self.out.push('>');
    }

    /// Closes an element.
    pub fn close(&mut self, tag: &str) {
        self.out.push_str(&format!("</{tag}>\n"));
    }

    /// Words, escaped.
    pub fn text(&mut self, text: &str) {
        self.out.push_str(&escaped(text));
    }

    /// An element that holds words only.
    pub fn element(&mut self, tag: &str, attributes: Attributes<'_>, text: &str) {
        self.open(tag, attributes);
        self.text(text);
        self.close(tag);
    }

    /// A paragraph; nothing where there are no words.
    pub fn paragraph(&mut self, text: &str) {
        if !text.is_empty() {
            self.element("p", &[], text);
        }
    }

    /// Text of several lines as it stands, for settings.
    pub fn lines(&mut self, text: &str) {
        self.open("pre", &[("tabindex", "0")]);
        let lines: Vec<String> = text.lines().map(escaped).collect();
        self.out.push_str(&lines.join("\n"));
        self.close("pre");
    }

    /// What is HTML already: a drawing, a part of this page.
    pub fn raw(&mut self, html: &str) {
        self.out.push_str(html);
    }

    /// A list; nothing where it would be empty.
    pub fn list<'a>(&mut self, items: impl IntoIterator<Item = &'a str>) {
        let mut items = items.into_iter().peekable();
        if items.peek().is_none() {
            return;
        }
        self.open("ul", &[]);
        for item in items {
            self.element("li", &[], item);
        }
        self.close("ul");
    }

    /// Terms and what belongs to each; nothing where there are none.
    pub fn facts(&mut self, facts: &[(String, String)]) {
        if facts.is_empty() {
            return;
        }
        self.open("dl", &[]);
        for (term, what) in facts {
            self.open("div", &[]);
            self.element("dt", &[], term);
            self.element("dd", &[], what);
            self.close("div");
        }
        self.close("dl");
    }

    /// Something that is opened on demand.
    pub fn details(&mut self, summary: &str, inner: Html) {
        if inner.out.is_empty() {
            return;
        }
        self.open("details", &[]);
        self.element("summary", &[], summary);
        self.out.push_str(&inner.out);
        self.close("details");
    }

    /// A table.
    pub fn table(&mut self, table: &Table) {
        if table.rows.is_empty() {
            return;
        }
        // Wide tables are moved sideways by themselves, by keyboard too, and not the page.
        let frame = [
            ("class", "wide"),
            ("tabindex", "0"),
            ("role", "group"),
            ("aria-label", table.caption.as_str()),
        ];
        self.open("div", &frame);
        // Columns of numbers are told once, and not at each cell.
        let classes: Vec<String> = (1..)
            .zip(&table.columns)
            .filter(|(_, column)| column.number)
            .map(|(i, _)| format!("n{i}"))
            .collect();
        let classes = classes.join(" ");
        let class = [("class", classes.as_str())];
        self.open("table", if classes.is_empty() { &[] } else { &class });
        self.element("caption", &[], &table.caption);
        self.open("thead", &[]);
        self.open("tr", &[]);
        for column in &table.columns {
            self.open("th", &[("scope", "col")]);
            self.text(column.name);
            self.close("th");
        }
        self.close("tr");
        self.close("thead");
        self.open("tbody", &[]);
        for row in &table.rows {
            self.open("tr", &[]);
            for (i, cell) in row.iter().enumerate() {
                match i {
                    0 => self.open("th", &[("scope", "row")]),
                    _ => self.open("td", &[]),
                }
                match cell {
                    Cell::Text(text) => self.text(text),
                    Cell::Html(html) => self.out.push_str(html),
                }
                self.out.push_str(if i == 0 { "</th>" } else { "</td>" });
            }
            self.close("tr");
        }
        self.close("tbody");
        self.close("table");
        self.close("div");
    }
}

/// One column of a table.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Head, with unit.
    pub name: &'static str,
    /// Set to the right, with digits of one width.
    pub number: bool,
}

/// Columns of words.
pub const fn words(name: &'static str) -> Column {
    Column { name, number: false }
}

/// Columns of numbers.
pub const fn number(name: &'static str) -> Column {
    Column { name, number: true }
}

/// One cell.
#[derive(Debug)]
pub enum Cell {
    /// Words, still to be escaped.
    Text(String),
    /// Made by [`Html`].
    Html(String),
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        Cell::Text(text)
    }
}

impl From<&str> for Cell {
    fn from(text: &str) -> Self {
        Cell::Text(text.into())
    }
}

/// A table with its heads; the first cell of a row heads the row.
#[derive(Debug)]
pub struct Table {
    /// What it is about.
    pub caption: String,
    /// Heads.
    pub columns: Vec<Column>,
    /// Rows.
    pub rows: Vec<Vec<Cell>>,
}

impl Table {
    /// A table of words and numbers.
    pub fn new(
        caption: impl Into<String>,
        columns: &[Column],
        rows: impl IntoIterator<Item = Vec<String>>,
    ) -> Self {
        let cells = |row: Vec<String>| row.into_iter().map(Cell::from).collect();
        Table {
            caption: caption.into(),
            columns: columns.to_vec(),
            rows: rows.into_iter().map(cells).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_user_wrote_stays_text() {
        let mut h = Html::default();
        h.element("p", &[("title", "a\"><script>")], "</p><script>alert('x')</script>]]>&amp;");
        assert_eq!(
            h.into_text(),
            "<p title=\"a&quot;&gt;&lt;script&gt;\">&lt;/p&gt;&lt;script&gt;alert(&#39;x&#39;)\
             &lt;/script&gt;]]&gt;&amp;amp;</p>\n"
        );
    }

    #[test]
    fn a_table_has_heads_of_rows_and_columns() {
        let mut h = Html::default();
        let rows = [vec!["A".to_string(), "1".to_string()]];
        h.table(&Table::new("few", &[words("item"), number("n")], rows));
        let text = h.into_text();
        assert!(text.contains("<th scope=\"col\">item</th>"), "{text}");
        assert!(text.contains("<table class=\"n2\">"), "{text}");
        assert!(text.contains("<th scope=\"row\">A</th><td>1</td>"), "{text}");
    }
}
