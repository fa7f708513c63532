mod fixture;

#[test]
fn render_all_for_looking() {
    for (name, d) in fixture::all() {
        let dir = std::path::Path::new("/tmp/report-look").join(name);
        stiffbus::report::write_folder(&d, &dir, stiffbus::report::Overwrite::Force).unwrap();
        std::fs::write(dir.with_extension("txt"), stiffbus::report::terminal(&d, Some(&dir), 80)).unwrap();
    }
}
