//! What people read keeps to plain words: phrases that the style guide replaces do not come
//! back.

use std::path::Path;

use regex::Regex;
use walkdir::WalkDir;

/// Each with what to write in its place.
const REPLACED: [(&str, &str); 18] = [
    (r"\bforet(old|ell)", "predicted"),
    (r"\b(held|holds?) (it |them |a log )?against\b", "compared with"),
    (r"\b(knows?|known) again\b", "matched"),
    (r"\b(makes?|made) again\b", "reproduced"),
    (r"\bbeliev", "estimated"),
    (r"\breckon", "estimated"),
    (r"\blacks?\b", "needs … more"),
    (r"\bis no (text|file|folder|log|number)\b", "is not a …"),
    (r"\bare lost\b", "… lost"),
    (r"\b(the|present|other|current) machines?\b", "alternator"),
    (r"\bnot told\b|\btold by (this|the) log\b", "not logged"),
    (
        r"\bbattery gives (current|amps|[0-9{])|\bbattery (is|was) giving\b",
        "battery discharging at",
    ),
    (r"\btaken from the battery\b|\bout of the battery;", "battery discharge"),
    (r"\bnothing switched on\b|\bno logged load on\b", "all off"),
    (r"\bearly and late\b", "cold versus hot"),
    (r"\b100 % sure\b", "over 99 % sure"),
    (r"\bculprit|\bmended\b|\bbonnet\b|\bcolour|\bearth strap", "plain American English"),
    (r"\b(stands?|stood) (in|below|above) (the|this|that) (report|page|file|table)\b", "is in"),
];

/// Names that the contract binds.
const BOUND: [&str; 3] = ["better than foretold", "foretold.csv", "foretold_"];

#[test]
fn replaced_phrases_do_not_come_back() {
    let patterns =
        REPLACED.map(|(pattern, plain)| (Regex::new(pattern).expect("a pattern"), plain));
    let mut found = Vec::new();
    for (file, text) in texts() {
        let bare = BOUND.iter().fold(text, |text, name| text.replace(name, ""));
        for (pattern, plain) in &patterns {
            if let Some(phrase) = pattern.find(&bare) {
                found.push(format!("{file}: {:?} in {bare:?}; write: {plain}", phrase.as_str()));
            }
        }
    }
    assert!(found.is_empty(), "{found:#?}");
}

/// Every text of the program, and each line of the README.
fn texts() -> Vec<(String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let literal = Regex::new(r#""((?:[^"\\]|\\.)*)""#).expect("a pattern");
    let comment = Regex::new(r"(?m)^\s*//.*$").expect("a pattern");
    let mut texts: Vec<(String, String)> = std::fs::read_to_string(root.join("README.md"))
        .expect("the README")
        .lines()
        .map(|line| ("README.md".to_owned(), line.to_owned()))
        .collect();
    for entry in WalkDir::new(root.join("src")).into_iter().map(|entry| entry.expect("a file")) {
        let file = entry.file_name().to_string_lossy().into_owned();
        if !file.ends_with(".rs") || file.starts_with("test") {
            continue;
        }
        let source = std::fs::read_to_string(entry.path()).expect("readable");
        let code = source.split("#[cfg(test)]").next().unwrap_or("").to_owned();
        let code = comment.replace_all(&code, "");
        let said = literal.captures_iter(&code).map(|found| found[1].to_owned());
        texts.extend(said.filter(|text| text.contains(' ')).map(|text| (file.clone(), text)));
    }
    texts
}
