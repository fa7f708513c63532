//! Resolves the columns that flags or `car.toml` name.

use super::error::{Problem, clip, list};
use super::header::{Heading, name_of};
use super::request::{RoleRequest, word_of};
use crate::log::Role;

/// The role that flags or `car.toml` give each column.
pub fn requested(
    headings: &[Heading],
    requests: &[RoleRequest],
) -> Result<Vec<Option<Role>>, Problem> {
    let mut roles: Vec<Option<Role>> = vec![None; headings.len()];
    for request in requests {
        let index = locate(headings, &request.name)
            .ok_or_else(|| no_such_column(headings, &request.name))?;
        let single = !matches!(request.role, Role::Load | Role::Ignored | Role::Time);
        let rival = roles
            .iter()
            .position(|role| *role == Some(request.role))
            .filter(|&other| other != index);
        if let (true, Some(rival)) = (single, rival) {
            return Err(Problem::RoleTwice {
                role: word_of(request.role),
                first: name_of(headings, rival),
                second: name_of(headings, index),
            });
        }
        if let Some(slot) = roles.get_mut(index) {
            *slot = Some(request.role);
        }
    }
    Ok(roles)
}

fn locate(headings: &[Heading], name: &str) -> Option<usize> {
    let asked = name.trim().to_lowercase();
    let by = |text: fn(&Heading) -> &str| {
        headings.iter().position(|h| text(h).trim().to_lowercase() == asked)
    };
    by(|h| &h.raw).or_else(|| by(|h| &h.name)).or_else(|| {
        let number: usize = asked.strip_prefix('#')?.trim().parse().ok()?;
        number.checked_sub(1).filter(|&index| index < headings.len())
    })
}

fn no_such_column(headings: &[Heading], asked: &str) -> Problem {
    let names = headings.iter().flat_map(|h| [h.name.as_str(), h.raw.as_str()]);
    let nearest = nearest(asked, names)
        .map_or(String::new(), |name| format!("; did you mean \"{}\"?", clip(name)));
    let names: Vec<String> = headings.iter().map(|h| h.name.clone()).collect();
    Problem::NoSuchColumn { asked: clip(asked), nearest, columns: list(&names) }
}

/// The name of which `asked` may be a misspelling.
pub fn nearest<'n>(asked: &str, names: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    let lower = asked.to_lowercase();
    let distance = |name: &str| edit_distance(&lower, &name.to_lowercase());
    let near = |(distance, name): &(usize, &str)| {
        *distance * 2 <= asked.chars().count().max(2) || name.to_lowercase().contains(&lower)
    };
    let closest = names.into_iter().map(|name| (distance(name), name)).min_by_key(|of| of.0);
    closest.filter(near).map(|of| of.1)
}

/// Edit distance: letters to add, drop or change, within the first sixty.
pub fn edit_distance(a: &str, b: &str) -> usize {
    const LONGEST: usize = 60;
    let b: Vec<char> = b.chars().take(LONGEST).collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().take(LONGEST).enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        if let Some(first) = row.first_mut() {
            *first = left;
        }
        for (cell, y) in row.iter_mut().skip(1).zip(&b) {
            let best = (*cell + 1).min(left + 1).min(diagonal + usize::from(x != *y));
            diagonal = *cell;
            *cell = best;
            left = best;
        }
    }
    row.last().copied().unwrap_or(0)
}
