//! The document as one HTML file: no script, nothing loaded from elsewhere, made to be printed.

use super::document::{Block, Cell, Document, SIGNATURE_COLUMNS, Section, Table, document};
use crate::rules::{Sheet, Tier};
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("document.css");

/// The whole sheet as a page of its own.
pub fn html(sheet: &Sheet) -> String {
    let document = document(sheet);
    let style = format!(
        "{STYLE}\n@page {{ @bottom-left {{ content: \"{}\"; }} }}\n",
        quoted(&document.foot)
    );
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:";
                title { (document.title) " · " (sheet.id) " " (sheet.version) }
                link rel="icon" href="data:,";
                style { (PreEscaped(style)) }
            }
            body {
                (head(&document, sheet.approved()))
                (contents(&document))
                main {
                    @for section in &document.sections { (show_section(section)) }
                }
            }
        }
    };
    page.into_string()
}

/// For a string in the style sheet: whatever could end it or its element is left out.
fn quoted(text: &str) -> String {
    text.chars()
        .filter(|one| !one.is_control() && !"\"\\<>".contains(*one))
        .collect()
}

fn head(document: &Document, approved: bool) -> Markup {
    html! {
        header {
            p class="kind" { "Rule sheet" }
            h1 { (document.title) }
            dl class="facts" {
                @for (name, value) in &document.facts {
                    div {
                        dt { (name) }
                        dd class=[(*name == "Approval" && !approved).then_some("open")] {
                            @if *name == "SHA-256" { code class="long" { (value) } } @else { (value) }
                        }
                    }
                }
            }
        }
    }
}

fn contents(document: &Document) -> Markup {
    html! {
        nav aria-label="Contents" {
            ol {
                @for section in &document.sections {
                    li { a href={ "#" (anchor(section.heading)) } { (section.heading) } }
                }
            }
        }
    }
}

/// "The rules in full" → "the-rules-in-full".
fn anchor(heading: &str) -> String {
    let letter = |one: char| {
        if one.is_ascii_alphanumeric() || one == '.' {
            one.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    heading.chars().map(letter).collect()
}

fn show_section(section: &Section) -> Markup {
    let id = anchor(section.heading);
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (section.heading) }
            @for block in &section.blocks { (show_block(block)) }
        }
    }
}

fn show_block(block: &Block) -> Markup {
    html! {
        @match block {
            Block::Paragraph(words) => { p { (words) } },
            Block::List(items) => { ul { @for item in items { li { (item) } } } },
            Block::Table(table) => (show_table(table)),
            Block::Rule { heading, tier: of, facts, examples } => {
                @let name = heading.split_once(". ").map_or(heading.as_str(), |(_, name)| name);
                article id={ "rule-" (anchor(name)) } class={ "rule rule-" (of.word()) } {
                    h3 { (heading) " " (tier(*of)) }
                    dl class="facts" {
                        @for (name, value) in facts { div { dt { (name) } dd { (value) } } }
                    }
                    (show_table(examples))
                }
            },
            Block::Signatures(lines) => {
                table class="signatures" {
                    thead { tr { @for name in SIGNATURE_COLUMNS { th scope="col" { (name) } } } }
                    tbody { @for _ in 0..*lines { tr { @for _ in SIGNATURE_COLUMNS { td { } } } } }
                }
            },
        }
    }
}

fn show_table(table: &Table) -> Markup {
    html! {
        div class="scroll" {
            table {
                caption { (table.caption) }
                thead { tr { @for name in &table.columns { th scope="col" { (name) } } } }
                tbody { @for row in &table.rows { tr { @for cell in row { td { (show_cell(cell)) } } } } }
            }
        }
    }
}

fn show_cell(cell: &Cell) -> Markup {
    html! {
        @match cell {
            Cell::Words(words) => (words),
            Cell::Tier(of) => (tier(*of)),
            Cell::Rule(name) => { a href={ "#rule-" (anchor(name)) } { code { (name) } } },
        }
    }
}

/// The word of a tier; its edge and ground only add to it.
fn tier(tier: Tier) -> Markup {
    html! { span class={ "tier tier-" (tier.word()) } { (tier.word()) } }
}
