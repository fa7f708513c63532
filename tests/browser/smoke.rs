//! The browser itself: what later tests lean on works, and what they deny would be seen.

use std::path::PathBuf;

use tempfile::TempDir;

use crate::support::{Browser, Pointer, keys};

const PAGE: &str = r#"<!DOCTYPE html><html lang="en"><title>Bench</title>
<style>html{scrollbar-width:none}body{margin:0}#pad{height:300px;background:#eee}@media (prefers-color-scheme:dark){#pad{background:#111}}</style>
<input id="name"><button id="go">Go</button><div id="pad">pad</div><a href="next%20page.html">next</a><p id="said">none</p>
<div style="height:3000px"></div>
<script>const said=document.getElementById('said'),pad=document.getElementById('pad');
document.getElementById('go').onclick=()=>said.textContent='gone';
pad.onwheel=e=>said.textContent='wheel '+e.deltaY;
pad.onpointermove=e=>said.textContent=e.pointerType+' '+e.buttons+' '+e.clientX;
pad.onpointerup=e=>said.textContent='up '+e.pointerType+' '+e.clientX</script>"#;

fn bench(page: &str) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("bench #1.html");
    std::fs::write(&path, page).expect("the test's own page");
    std::fs::write(folder.path().join("next page.html"), "<title>Next</title>").expect("another");
    (folder, path)
}

#[test]
fn hands_and_eyes_work() {
    let Some(browser) = Browser::start() else { return };
    let (folder, page) = bench(PAGE);
    browser.open(&page);
    assert_eq!(browser.title(), "Bench");
    let said = || browser.find("#said").text();
    assert_eq!(said(), "none");
    browser.find("#name").send("amps");
    assert_eq!(browser.find("#name").property("value"), "amps");
    browser.press(&[keys::TAB, keys::ENTER]);
    assert_eq!(browser.focused().attribute("id").as_deref(), Some("go"));
    assert_eq!(said(), "gone");
    let pad = browser.find("#pad");
    browser.wheel(&pad, (0, 0), (0, 120));
    assert_eq!(said(), "wheel 120");
    browser.run("scrollTo(0,0)", &[]);
    browser.hover(&pad, (10, 0));
    assert_eq!(said(), "mouse 0 650");
    browser.drag(Pointer::Mouse, &pad, (-100, 0), (50, 0));
    assert_eq!(said(), "up mouse 690");
    browser.tap(Pointer::Touch, &pad, (5, 5));
    assert_eq!(said(), "up touch 645");
    browser.resize(380, 700);
    assert_eq!(browser.run("return innerWidth", &[]), 380);
    browser.dark(true);
    assert_eq!(pad.style("background-color"), "rgba(17, 17, 17, 1)");
    let shot = folder.path().join("shot.png");
    browser.screenshot(&shot);
    assert!(std::fs::read(shot).expect("a picture").starts_with(b"\x89PNG"));
    assert!(browser.print().starts_with(b"%PDF"));
    browser.find("a").click();
    assert!(browser.address().ends_with("/next%20page.html"), "{}", browser.address());
    browser.back();
    assert_eq!(browser.title(), "Bench");
    assert_eq!(browser.complaints(), Vec::<String>::new());
    assert_eq!(browser.requests(), Vec::<String>::new());
}

#[test]
fn complaints_and_requests_are_seen_and_script_can_be_off() {
    let Some(browser) = Browser::start() else { return };
    let (_folder, page) = bench(
        "<title>0</title><img src=\"http://127.0.0.1:9/x.png\"><script>document.title='1';nothing.there()</script>",
    );
    browser.open(&page);
    assert_eq!(browser.title(), "1");
    assert_eq!(browser.requests(), ["http://127.0.0.1:9/x.png"]);
    let complaints = browser.complaints();
    assert!(complaints.iter().any(|c| c.contains("nothing is not defined")), "{complaints:?}");
    browser.scripts(false);
    browser.open(&page);
    assert_eq!(browser.title(), "0");
}
