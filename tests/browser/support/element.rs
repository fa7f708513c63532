//! One element of the page.

#![allow(dead_code)] // Each page is read in its own way.

use serde_json::{Value, json};

use super::driver::Driver;

/// The key under which the protocol passes elements (W3C WebDriver, section 12.2).
const KEY: &str = "element-6066-11e4-a52e-4f735466cecf";

pub struct Element<'b> {
    driver: &'b Driver,
    id: String,
}

impl<'b> Element<'b> {
    pub fn of(driver: &'b Driver, value: &Value) -> Element<'b> {
        let id = value[KEY].as_str().expect("an element").to_owned();
        Element { driver, id }
    }

    /// For a script's arguments and for pointers.
    pub fn handle(&self) -> Value {
        json!({KEY: self.id})
    }

    /// As it is rendered: nothing where it is not shown.
    #[track_caller]
    pub fn text(&self) -> String {
        self.get("text").as_str().expect("text").to_owned()
    }

    #[track_caller]
    pub fn attribute(&self, name: &str) -> Option<String> {
        self.get(&format!("attribute/{name}")).as_str().map(str::to_owned)
    }

    /// What script knows of it, such as `value` or `checked`.
    #[track_caller]
    pub fn property(&self, name: &str) -> Value {
        self.get(&format!("property/{name}"))
    }

    /// The computed value of a style.
    #[track_caller]
    pub fn style(&self, name: &str) -> String {
        self.get(&format!("css/{name}")).as_str().expect("a style").to_owned()
    }

    #[track_caller]
    pub fn is_shown(&self) -> bool {
        self.get("displayed").as_bool().expect("yes or no")
    }

    /// Scrolls there and presses the first button where a reader would.
    #[track_caller]
    pub fn click(&self) {
        self.post("click", json!({}));
    }

    /// Typed into it, keys of [`super::keys`] among the letters.
    #[track_caller]
    pub fn send(&self, text: &str) {
        self.post("value", json!({"text": text}));
    }

    #[track_caller]
    pub fn clear(&self) {
        self.post("clear", json!({}));
    }

    #[track_caller]
    fn get(&self, what: &str) -> Value {
        self.driver.get(&format!("element/{}/{what}", self.id))
    }

    #[track_caller]
    fn post(&self, what: &str, body: Value) -> Value {
        self.driver.post(&format!("element/{}/{what}", self.id), body)
    }
}
