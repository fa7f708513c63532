use crate::comparison::Comparison;
use std::path::Path;
pub const PAGE: &str = "proof.html";
pub const JSON: &str = "comparison.json";
pub fn terminal(c: &Comparison, _d: Option<&Path>, _w: usize) -> String {
    format!("{}\n{}\n{:#?}\n{:?}\n", c.outcome.words(), c.headline, c.criteria, c.missing)
}
pub fn files(c: &Comparison) -> Vec<(String, String)> {
    vec![(JSON.into(), crate::json::text(c))]
}
pub fn write_proof(c: &Comparison, dir: &Path, _o: super::Overwrite) -> std::io::Result<()> {
    std::fs::create_dir_all(dir)?;
    for (n, t) in files(c) {
        std::fs::write(dir.join(n), t)?;
    }
    Ok(())
}
