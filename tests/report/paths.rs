//! The points of a `path`, as SVG 1.1 section 8.3 reads them; of its commands
//! those that our pictures use.

use roxmltree::{Document, Node};

pub type Points = Vec<(f64, f64)>;

/// Each `M` or `m` begins a line of its own.
pub fn lines(path: Node) -> Vec<Points> {
    let d = path.attribute("d").unwrap();
    let mut lines: Vec<Points> = Vec::new();
    let mut at = (0.0, 0.0);
    let mut rest = d;
    while let Some(command) = rest.chars().next() {
        assert!("MmlhvzZ".contains(command), "{command} in {d}");
        let end = rest[1..].find(|c: char| c.is_ascii_alphabetic()).map_or(rest.len(), |k| k + 1);
        let numbers = numbers(&rest[1..end]);
        rest = &rest[end..];
        match command {
            'M' => at = (numbers[0], numbers[1]),
            'm' => at = (at.0 + numbers[0], at.1 + numbers[1]),
            'z' | 'Z' => at = lines.last().unwrap()[0],
            _ => {}
        }
        if "Mm".contains(command) {
            assert_eq!(numbers.len(), 2, "{d}");
            lines.push(vec![at]);
            continue;
        }
        let line = lines.last_mut().unwrap();
        let each = if command == 'l' { 2 } else { 1 };
        for by in numbers.chunks(each) {
            match (command, by) {
                ('h', [x]) => at.0 += x,
                ('v', [y]) => at.1 += y,
                ('l', [x, y]) => at = (at.0 + x, at.1 + y),
                _ => panic!("{by:?} after {command} in {d}"),
            }
            line.push(at);
        }
    }
    lines
}

/// "2-4 1-1" is four numbers: a sign parts them as a blank does.
fn numbers(text: &str) -> Vec<f64> {
    let spaced = text.replace('-', " -");
    spaced.split_whitespace().map(|n| n.parse().unwrap()).collect()
}

/// Every line drawn, of every path.
pub fn all_lines(document: &Document) -> Vec<Points> {
    document.descendants().filter(|n| n.has_tag_name("path")).flat_map(lines).collect()
}
