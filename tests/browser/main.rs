//! The pages in a browser: Debian's Chromium, headless, driven over WebDriver
//! (`chromium` and `chromium-driver`). Where it is missing each test says so and passes.

#[path = "../support/invented_day.rs"]
mod invented_day;
mod report;
mod review;
mod serve;
mod smoke;
mod support;
