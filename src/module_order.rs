//! No top-level module may depend on one that depends on it.

use std::collections::BTreeSet;
use std::path::Path;

use regex::Regex;
use walkdir::WalkDir;

/// Dependencies that still close a cycle: a module, what it uses, and why. Entries may be
/// removed, and none added.
const REMAINING: [(&str, &str, &str); 4] = [
    ("units", "diagnosis", "a diagnosis keeps the units it is shown in, and units convert it"),
    ("format", "diagnosis", "the headline is worded with the numbers"),
    ("comparison", "compare", "the contract holds a type of its maker"),
    ("ingest", "car", "car.toml names columns, and columns are asked for by the car's facts"),
];

#[test]
fn no_module_depends_on_one_that_depends_on_it() {
    let mut uses = dependencies(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"));
    for (from, to, _) in REMAINING {
        let known = uses.remove(&(from.to_owned(), to.to_owned()));
        assert!(known, "{from} no longer uses {to}: remove the entry");
    }
    // What uses nothing, or is used by nothing, is in no cycle.
    loop {
        let users: BTreeSet<String> = uses.iter().map(|(from, _)| from.clone()).collect();
        let used: BTreeSet<String> = uses.iter().map(|(_, to)| to.clone()).collect();
        let before = uses.len();
        uses.retain(|(from, to)| users.contains(to) && used.contains(from));
        if uses.len() == before {
            break;
        }
    }
    assert!(uses.is_empty(), "modules that depend on each other: {uses:?}");
}

/// Each top-level module with each other one that its code uses; tests are left out.
fn dependencies(src: &Path) -> BTreeSet<(String, String)> {
    let tests = Regex::new(r"(?s)\n#\[cfg\(test\)\]\nmod \w+ \{.*").expect("a pattern");
    let comment = Regex::new("//.*").expect("a pattern");
    let path = Regex::new(r"crate::(\w+|\{[^;]*\};)").expect("a pattern");
    let word = Regex::new(r"\w+").expect("a pattern");
    let mut modules = BTreeSet::new();
    let mut uses = BTreeSet::new();
    for entry in WalkDir::new(src).into_iter().map(|entry| entry.expect("a readable folder")) {
        let name = entry.file_name().to_string_lossy();
        if !name.ends_with(".rs") || name.starts_with("test") || name == "module_order.rs" {
            continue;
        }
        let below = entry.path().strip_prefix(src).expect("a path below src");
        let top = below.iter().next().expect("a name").to_string_lossy();
        let module = top.trim_end_matches(".rs").to_owned();
        let text = std::fs::read_to_string(entry.path()).expect("a readable file");
        let code = comment.replace_all(&text, "");
        for found in path.captures_iter(&tests.replace(&code, "")) {
            let names = word.find_iter(&found[1]).map(|name| name.as_str().to_owned());
            uses.extend(names.map(|name| (module.clone(), name)));
        }
        modules.insert(module);
    }
    // The crate's root uses all, and what is no module is the root's or a type.
    for root in ["lib", "main"] {
        modules.remove(root);
    }
    uses.retain(|(from, to)| from != to && modules.contains(from) && modules.contains(to));
    uses
}
