//! The pages in a browser: Debian's Chromium, headless, driven over WebDriver.
//! Where it is missing each test says so and passes.

mod support;
mod smoke;
