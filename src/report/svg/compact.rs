//! The backend writes every mark out in full, each on a line of its own. Here the
//! same picture is told in fewer bytes: points relative to the last one, marks that
//! differ in place only as one path, and nothing that is so anyhow.

use super::canvas::Point;

/// Dots in a row that are worth telling as one path.
const MOST_DOTS_APART: usize = 8;

/// `body` with the same picture. What is not one of our marks stays as it is.
pub fn compact(body: &str) -> String {
    let mut out = String::with_capacity(body.len() / 2);
    let mut run = Run::default();
    for line in body.split_inclusive('\n') {
        match Mark::read(line) {
            Some(mark) => run.take(mark, &mut out),
            None => {
                run.end(&mut out);
                out.push_str(&bare(line));
            }
        }
    }
    run.end(&mut out);
    out
}

/// A shape from its first point on.
struct Mark<'a> {
    kind: ShapeKind,
    points: Vec<Point>,
    fill: &'a str,
    stroke: &'a str,
    /// Of the stroke; of a dot the radius.
    width: i32,
    opacity: &'a str,
    line: &'a str,
}

#[derive(Clone, Copy, PartialEq)]
enum ShapeKind {
    Line,
    Area,
    /// A ribbon: an area and the line around it.
    Ribbon,
    Box,
    Dot,
}

impl<'a> Mark<'a> {
    fn read(line: &'a str) -> Option<Mark<'a>> {
        let (tag, _) = line.strip_prefix('<')?.split_once(' ')?;
        let kind = match tag {
            "polyline" => ShapeKind::Line,
            "polygon" => ShapeKind::Area,
            "rect" => ShapeKind::Box,
            "circle" => ShapeKind::Dot,
            _ => return None,
        };
        let number = |name: &str| attribute(line, name)?.parse::<i32>().ok();
        let points = match kind {
            ShapeKind::Box => {
                let (x, y) = (number("x")?, number("y")?);
                let (right, foot) = (x + number("width")?, y + number("height")?);
                vec![(x, y), (right, y), (right, foot), (x, foot)]
            }
            ShapeKind::Dot => vec![(number("cx")?, number("cy")?)],
            _ => points(attribute(line, "points")?)?,
        };
        let fill = attribute(line, "fill")?;
        let stroke = attribute(line, "stroke").unwrap_or("none");
        let filled = fill != "none";
        // A ring is no dot, a frame no box.
        if (kind == ShapeKind::Line) == filled || (kind != ShapeKind::Line && stroke != "none") {
            return None;
        }
        let width = number(if kind == ShapeKind::Dot { "r" } else { "stroke-width" }).unwrap_or(1);
        let opacity = attribute(line, "opacity")?;
        Some(Mark { kind, points, fill, stroke, width, opacity, line })
    }

    /// Whether one path tells both: areas that are not opaque, or that turn another
    /// way, would not look the same where they overlap.
    fn joins(&self, other: &Mark) -> bool {
        let alike = (self.kind, self.fill, self.stroke, self.width, self.opacity)
            == (other.kind, other.fill, other.stroke, other.width, other.opacity);
        let same_shape = || outline(&self.points) == outline(&other.points);
        alike
            && match self.kind {
                ShapeKind::Line | ShapeKind::Dot => self.opacity == "1",
                ShapeKind::Area | ShapeKind::Box => self.opacity == "1" && same_shape(),
                ShapeKind::Ribbon => false,
            }
    }

    /// The line that goes around an area just drawn.
    fn surrounds(&self, area: &Mark) -> bool {
        area.kind == ShapeKind::Area
            && (self.kind, self.opacity) == (ShapeKind::Line, "1")
            && self.stroke == area.fill
            && self.points == area.points
    }

    fn style(&self) -> String {
        let width = if self.width == 1 {
            String::new()
        } else {
            format!(" stroke-width=\"{}\"", self.width)
        };
        let Mark { fill, stroke, opacity, .. } = self;
        match self.kind {
            ShapeKind::Line => {
                format!(" fill=\"none\" stroke=\"{stroke}\"{width}{}", opaque(opacity))
            }
            ShapeKind::Ribbon => {
                format!(" fill=\"{fill}\" fill-opacity=\"{opacity}\" stroke=\"{fill}\"{width}")
            }
            ShapeKind::Area | ShapeKind::Box => format!(" fill=\"{fill}\"{}", opaque(opacity)),
            // A point of no length with round ends is a dot.
            ShapeKind::Dot => format!(
                " stroke=\"{fill}\" stroke-width=\"{}\" stroke-linecap=\"round\"",
                2 * self.width
            ),
        }
    }
}

/// Marks that follow each other and join.
#[derive(Default)]
struct Run<'a>(Vec<Mark<'a>>);

impl<'a> Run<'a> {
    fn take(&mut self, mark: Mark<'a>, out: &mut String) {
        match self.0.last_mut() {
            Some(last) if mark.surrounds(last) => {
                last.kind = ShapeKind::Ribbon;
                last.width = mark.width;
                return;
            }
            Some(last) if last.joins(&mark) => {}
            _ => self.end(out),
        }
        self.0.push(mark);
    }

    fn end(&mut self, out: &mut String) {
        let run = std::mem::take(&mut self.0);
        let Some(first) = run.first() else { return };
        let few = match first.kind {
            ShapeKind::Dot => run.len() < MOST_DOTS_APART,
            ShapeKind::Box => run.len() < 2,
            _ => false,
        };
        if few {
            return run.iter().for_each(|mark| out.push_str(&bare(mark.line)));
        }
        out.push_str("<path");
        out.push_str(&first.style());
        out.push_str(" d=\"");
        let mut pen: Option<Point> = None;
        for mark in &run {
            let Some(&start) = mark.points.first() else { continue };
            match pen {
                None => out.push_str(&format!("M{}", pair(start))),
                Some(pen) => {
                    out.push_str(&format!("m{}", pair((start.0 - pen.0, start.1 - pen.1))))
                }
            }
            out.push_str(&outline(&mark.points));
            let closed = matches!(mark.kind, ShapeKind::Area | ShapeKind::Box);
            match mark.kind {
                ShapeKind::Dot => out.push_str("h0"),
                _ if closed => out.push('z'),
                _ => {}
            }
            pen = if closed { Some(start) } else { mark.points.last().copied() };
        }
        out.push_str("\"/>\n");
    }
}

/// The way from the first point on, each point told from the one before.
fn outline(points: &[Point]) -> String {
    let mut path = String::new();
    let mut last = ' ';
    for (from, to) in points.iter().zip(points.iter().skip(1)) {
        let by = (to.0 - from.0, to.1 - from.1);
        let (command, text) = match by {
            (0, 0) => continue,
            (x, 0) => ('h', x.to_string()),
            (0, y) => ('v', y.to_string()),
            by => ('l', pair(by)),
        };
        // A command holds until the next one.
        if command != last {
            path.push(command);
            last = command;
        } else if !text.starts_with('-') {
            path.push(' ');
        }
        path.push_str(&text);
    }
    path
}

fn pair((x, y): Point) -> String {
    if y < 0 { format!("{x}{y}") } else { format!("{x} {y}") }
}

fn points(text: &str) -> Option<Vec<Point>> {
    let point = |pair: &str| {
        let (x, y) = pair.split_once(',')?;
        Some((x.parse().ok()?, y.parse().ok()?))
    };
    text.split_whitespace().map(point).collect()
}

fn attribute<'a>(line: &'a str, name: &str) -> Option<&'a str> {
    let (_, rest) = line.split_once(&format!(" {name}=\""))?;
    Some(rest.split_once('"')?.0)
}

fn opaque(opacity: &str) -> String {
    if opacity == "1" { String::new() } else { format!(" opacity=\"{opacity}\"") }
}

/// A mark's line without what is so anyhow; the root names the font.
fn bare(line: &str) -> String {
    if !line.starts_with('<') {
        return line.to_owned();
    }
    let line = line.replace(" opacity=\"1\"", "").replace(" font-family=\"sans-serif\"", "");
    if line.contains(" stroke=\"none\"") {
        return line.replace(" stroke=\"none\"", "").replace(" stroke-width=\"1\"", "");
    }
    line
}

#[cfg(test)]
mod tests {
    use super::compact;

    #[test]
    fn a_line_is_told_from_point_to_point_and_dashes_are_one_path() {
        let line = "<polyline fill=\"none\" opacity=\"1\" stroke=\"#E3E6E9\" stroke-width=\"1\" points=\"84,144 84,824 86,820 86,820 87,819 \"/>\n";
        assert_eq!(
            compact(line),
            "<path fill=\"none\" stroke=\"#E3E6E9\" d=\"M84 144v680l2-4 1-1\"/>\n"
        );
        let dash = |x: i32| {
            format!(
                "<polyline fill=\"none\" opacity=\"1\" stroke=\"#9A4A00\" stroke-width=\"2\" points=\"{x},440 {},440 \"/>\n",
                x + 2
            )
        };
        assert_eq!(
            compact(&(dash(10) + &dash(20))),
            "<path fill=\"none\" stroke=\"#9A4A00\" stroke-width=\"2\" d=\"M10 440h2m8 0h2\"/>\n"
        );
    }

    #[test]
    fn a_ribbon_is_filled_and_stroked_at_once() {
        let points = "points=\"1,1 5,1 5,4 1,1 \"/>\n";
        let body = format!(
            "<polygon opacity=\"0.55\" fill=\"#0F4C81\" {points}<polyline fill=\"none\" opacity=\"1\" stroke=\"#0F4C81\" stroke-width=\"2\" {points}"
        );
        assert_eq!(
            compact(&body),
            "<path fill=\"#0F4C81\" fill-opacity=\"0.55\" stroke=\"#0F4C81\" stroke-width=\"2\" d=\"M1 1h4v3l-4-3\"/>\n"
        );
    }

    #[test]
    fn what_may_overlap_unlike_stays_apart_and_text_stays_as_it_is() {
        let rect = |x: i32, opacity: &str| {
            format!(
                "<rect x=\"{x}\" y=\"0\" width=\"6\" height=\"6\" opacity=\"{opacity}\" fill=\"#111111\" stroke=\"none\"/>\n"
            )
        };
        let shaded = rect(0, "0.5") + &rect(3, "0.5");
        assert_eq!(compact(&shaded), shaded.replace(" stroke=\"none\"", ""));
        let solid = rect(0, "1") + &rect(9, "1");
        assert_eq!(compact(&solid), "<path fill=\"#111111\" d=\"M0 0h6v6h-6zm9 0h6v6h-6z\"/>\n");
        let text = "<text x=\"1\" y=\"2\" opacity=\"1\" fill=\"#111111\">\n&lt;rect x=\"1\" opacity=\"1\"\n</text>\n";
        assert_eq!(compact(text), text.replacen(" opacity=\"1\"", "", 1));
    }
}
