//! The document as plain text, at most 100 columns.

use super::document::{Block, Cell, Document, SIGNATURE_COLUMNS, Table, document};
use crate::rules::Sheet;

/// Columns of the document.
const WIDTH: usize = 100;
/// Between two columns of a table.
const GUTTER: usize = 2;
/// Of a field's name.
const NAME: usize = 15;

/// The whole sheet, wrapped at 100 columns, lines ending in `\n`.
pub fn text(sheet: &Sheet) -> String {
    let Document {
        title, facts, sections, ..
    } = document(sheet);
    let mut page = Page::default();
    page.heading(&title, '=');
    page.fields("", &facts);
    for section in &sections {
        page.heading(section.heading, '-');
        for (place, block) in section.blocks.iter().enumerate() {
            if place > 0 {
                page.blank();
            }
            page.block(block);
        }
    }
    page.text
}

/// Text under construction.
#[derive(Default)]
struct Page {
    text: String,
}

impl Page {
    fn line(&mut self, line: &str) {
        self.text.push_str(line.trim_end());
        self.text.push('\n');
    }

    fn blank(&mut self) {
        self.text.push('\n');
    }

    fn heading(&mut self, title: &str, underline: char) {
        if !self.text.is_empty() && !self.text.ends_with("\n\n") {
            self.blank();
        }
        let lines = wrapped(title, WIDTH);
        let columns = lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
        for line in &lines {
            self.line(line);
        }
        self.line(&underline.to_string().repeat(columns));
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Paragraph(words) => self.hanging("", words),
            Block::List(items) => {
                for item in items {
                    self.hanging("- ", item);
                }
            }
            Block::Table(table) => self.table("", table),
            Block::Rule {
                heading,
                tier,
                facts,
                examples,
            } => {
                self.line(&format!("{heading} raises \"{tier}\""));
                self.fields("   ", facts);
                self.blank();
                self.table("   ", examples);
            }
            Block::Signatures(lines) => {
                let width = (WIDTH - 3 * GUTTER) / SIGNATURE_COLUMNS.len();
                let columns: Vec<String> = SIGNATURE_COLUMNS.iter().map(|name| format!("{name:<width$}")).collect();
                self.line(&columns.join("  "));
                for _ in 0..*lines {
                    self.blank();
                    self.line(&vec!["_".repeat(width); SIGNATURE_COLUMNS.len()].join("  "));
                }
            }
        }
    }

    fn fields(&mut self, indent: &str, facts: &[(&'static str, String)]) {
        for (name, value) in facts {
            self.hanging(&format!("{indent}{:<NAME$}", format!("{name}:")), value);
        }
    }

    /// Text behind a first part; further lines stand below the text.
    fn hanging(&mut self, first: &str, words: &str) {
        let indent = first.chars().count();
        for (place, line) in wrapped(words, WIDTH - indent).into_iter().enumerate() {
            if place == 0 {
                self.line(&format!("{first}{line}"));
            } else {
                self.line(&format!("{}{line}", " ".repeat(indent)));
            }
        }
    }

    fn table(&mut self, indent: &str, table: &Table) {
        let head: Vec<String> = table.columns.iter().map(|name| (*name).to_owned()).collect();
        let rows: Vec<Vec<String>> = table.rows.iter().map(|row| row.iter().map(words).collect()).collect();
        let widths = widths(&head, &rows, WIDTH - indent.len());
        let rule: Vec<String> = widths.iter().map(|width| "-".repeat(*width)).collect();
        self.row(indent, &head, &widths);
        self.row(indent, &rule, &widths);
        for row in &rows {
            self.row(indent, row, &widths);
        }
    }

    fn row(&mut self, indent: &str, cells: &[String], widths: &[usize]) {
        let cells: Vec<Vec<String>> = cells
            .iter()
            .zip(widths)
            .map(|(cell, width)| wrapped(cell, *width))
            .collect();
        let height = cells.iter().map(Vec::len).max().unwrap_or(0);
        for line in 0..height {
            let mut shown = String::from(indent);
            for (cell, width) in cells.iter().zip(widths) {
                let part = cell.get(line).map_or("", String::as_str);
                shown.push_str(part);
                shown.push_str(&" ".repeat((width + GUTTER).saturating_sub(part.chars().count())));
            }
            self.line(&shown);
        }
    }
}

fn words(cell: &Cell) -> String {
    match cell {
        Cell::Words(words) | Cell::Rule(words) => words.clone(),
        Cell::Tier(tier) => tier.word().to_owned(),
    }
}

/// Each column as wide as it needs, as far as there is room; the wide ones share what is left.
fn widths(head: &[String], rows: &[Vec<String>], room: usize) -> Vec<usize> {
    let room = room.saturating_sub(GUTTER * head.len().saturating_sub(1));
    let needs: Vec<usize> = (0..head.len())
        .map(|column| {
            let cells = rows.iter().filter_map(|row| row.get(column)).chain(head.get(column));
            cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
        })
        .collect();
    let mut widths = needs.clone();
    let mut share = room / head.len().max(1);
    // What narrow columns leave goes to the others; settles after as many rounds as there are columns.
    for _ in 0..needs.len() {
        let narrow: usize = needs.iter().filter(|need| **need <= share).sum();
        let wide = needs.iter().filter(|need| **need > share).count();
        if wide == 0 {
            break;
        }
        share = room.saturating_sub(narrow) / wide;
    }
    for width in &mut widths {
        *width = (*width).min(share.max(8));
    }
    widths
}

/// Words on lines of at most `width` columns; a longer word is cut into pieces.
fn wrapped(words: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in words.split_whitespace() {
        let mut letters: Vec<char> = word.chars().collect();
        if !line.is_empty() && line.chars().count() + 1 + letters.len() > width {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        while letters.len() > width {
            let rest = letters.split_off(width);
            lines.push(letters.into_iter().collect());
            letters = rest;
        }
        line.extend(letters);
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}
