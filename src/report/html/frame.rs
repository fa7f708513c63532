//! What every page is made of: the document around it, tables, numbers, pictures.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html as markup};
use sha2::{Digest, Sha256};

use crate::estimate::Estimate;
use crate::report::format::{self, plain};
use crate::report::svg;

const BASE: &str = include_str!("base.css");

/// One self-contained page: nothing fetched, no script. `style` is added to the
/// rules that all pages share.
pub fn document(title: &str, style: &str, body: Markup) -> Markup {
    whole(title, style, None, "", body)
}

/// The same with one script, ours, at its end. Only what has its hash may run:
/// whatever text of a log came to stand in the page stays text.
pub fn scripted(title: &str, style: &str, script: &str, body: Markup) -> Markup {
    whole(title, style, Some(script), "", body)
}

/// The same of a page that its own server hands out, and that speaks with it and
/// nobody else.
pub fn speaking(title: &str, style: &str, script: &str, body: Markup) -> Markup {
    whole(title, style, Some(script), " connect-src 'self';", body)
}

fn whole(title: &str, style: &str, script: Option<&str>, more: &str, body: Markup) -> Markup {
    let dark = format!("@media screen and (prefers-color-scheme:dark){{{}}}", svg::dark_rules());
    let runs = script.map_or_else(String::new, |script| {
        format!(" script-src 'sha256-{}';", STANDARD.encode(Sha256::digest(script)))
    });
    let policy = format!(
        "default-src 'none'; style-src 'unsafe-inline';{runs}{more} base-uri 'none'; form-action 'none'"
    );
    markup! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (plain(title)) }
                style { (PreEscaped(BASE)) (PreEscaped(style)) (PreEscaped(dark)) }
            }
            body { (body) @if let Some(script) = script { script { (PreEscaped(script)) } } }
        }
    }
}

/// An inlined plot. The svg module has escaped all text in it.
pub fn plot(svg: &str, class: &str) -> Markup {
    markup! { div class=(format!("plot {class}")) { (PreEscaped(svg)) } }
}

/// A part that is closed until the reader opens it, and open on paper. `claim` says in a few
/// words what it shows.
pub fn fold(id: &str, title: &str, claim: Option<String>, body: Markup) -> Markup {
    markup! {
        details.fold {
            summary {
                h2 id=(id) { (title) }
                @if let Some(claim) = claim { " " span.claim { (plain(&claim)) } }
            }
            (body)
        }
    }
}

/// A table that scrolls within its own box where it is wider than the page.
pub fn table(caption: &str, heads: &[&str], rows: Vec<Vec<Markup>>) -> Markup {
    // A head may name what a person or a log named.
    let heads: Vec<String> = heads.iter().map(|head| plain(head)).collect();
    let caption = plain(caption);
    markup! {
        div.scroll role="region" tabindex="0" aria-label=(caption) {
            // A narrow page stacks the cells, each under its head; the roles keep it a table.
            table role="table" {
                caption { (caption) }
                thead role="rowgroup" {
                    tr role="row" {
                        @for head in &heads { th scope="col" role="columnheader" { (head) } }
                    }
                }
                tbody role="rowgroup" {
                    @for row in rows {
                        tr role="row" {
                            @for (i, (cell, head)) in row.into_iter().zip(&heads).enumerate() {
                                @if i == 0 {
                                    th scope="row" role="rowheader" data-head=(head) { (cell) }
                                } @else {
                                    td role="cell" data-head=(head) { (cell) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Rows that a page shows of a table: nobody reads more, and a browser grows slow.
const MOST_ROWS: usize = 300;

/// [`table`] of however many rows; the first of very many, and where the others are.
pub fn long_table(caption: &str, heads: &[&str], mut rows: Vec<Vec<Markup>>) -> Markup {
    let all = rows.len();
    rows.truncate(MOST_ROWS);
    markup! {
        (table(caption, heads, rows))
        @if all > MOST_ROWS {
            p { "These are the first " (MOST_ROWS) " of " (format::count(all))
                "; the files beside this page hold all." }
        }
    }
}

/// Items that a page tells one by one; the rest are counted.
const MOST_LISTED: usize = 100;

/// A list of however many items; the first of very many, and where the others are.
pub fn long_list(items: impl Iterator<Item = Markup>) -> Markup {
    let mut items = items.peekable();
    markup! {
        ul {
            @for item in items.by_ref().take(MOST_LISTED) { li { (item) } }
            @if items.peek().is_some() {
                li { "and " (format::count(items.count())) " more in diagnosis.json" }
            }
        }
    }
}

pub fn text(text: impl AsRef<str>) -> Markup {
    let text = plain(text.as_ref());
    // A short cell broken in two is harder to read than a wider column.
    markup! { @if text.chars().count() <= 14 { span.value { (text) } } @else { (text) } }
}

/// A number over its interval and grade.
pub fn estimate(unit: format::Unit, estimate: Option<&Estimate>) -> Markup {
    markup! {
        @if let Some(e) = estimate {
            span.value { (unit.value(e)) }
            // What is stated exactly has no interval to tell.
            " " span.range {
                @if e.low < e.high { span.value { (unit.range(e)) } ", " }
                (e.grade.word())
            }
        } @else {
            span.range { (format::NOT_TOLD) }
        }
    }
}

/// A number over its interval; for a table whose caption tells the grade.
pub fn interval(unit: format::Unit, e: &Estimate) -> Markup {
    markup! { span.value { (unit.value(e)) } " " span.range { span.value { (unit.range(e)) } } }
}

/// The way to the report in `folder`, told from the page. A folder may be called
/// anything: all that could mean something in a link is escaped.
pub fn href(folder: &str) -> String {
    let mut link = String::from("./");
    for byte in folder.trim_end_matches('/').bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' | b'/' => {
                link.push(char::from(byte));
            }
            byte => link.push_str(&format!("%{byte:02X}")),
        }
    }
    link + "/report.html"
}
