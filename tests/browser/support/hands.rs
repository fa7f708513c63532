//! Keys, pointers and wheel, wherever the page has its focus.

#![allow(dead_code)] // Each page is handled in its own way.

use serde_json::{Value, json};

use super::{Browser, Element};

/// Keys that are no letters (W3C WebDriver, section 17.4.2).
pub mod keys {
    pub const TAB: char = '\u{E004}';
    pub const ENTER: char = '\u{E007}';
    pub const SHIFT: char = '\u{E008}';
    pub const CONTROL: char = '\u{E009}';
    pub const ESCAPE: char = '\u{E00C}';
    pub const SPACE: char = ' ';
    pub const PAGE_UP: char = '\u{E00E}';
    pub const PAGE_DOWN: char = '\u{E00F}';
    pub const END: char = '\u{E010}';
    pub const HOME: char = '\u{E011}';
    pub const LEFT: char = '\u{E012}';
    pub const UP: char = '\u{E013}';
    pub const RIGHT: char = '\u{E014}';
    pub const DOWN: char = '\u{E015}';
}

#[derive(Debug, Clone, Copy)]
pub enum Pointer {
    Mouse,
    Touch,
}

impl Browser {
    /// One key after the other, to whatever has the keyboard.
    pub fn press(&self, keys: &[char]) {
        let strokes = keys.iter().flat_map(|key| {
            ["keyDown", "keyUp"].map(|kind| json!({"type": kind, "value": key.to_string()}))
        });
        self.act(json!({"type": "key", "id": "keys", "actions": strokes.collect::<Vec<_>>()}));
    }

    /// `key` while `held` is down.
    pub fn press_with(&self, held: char, key: char) {
        let stroke = |kind: &str, key: char| json!({"type": kind, "value": key.to_string()});
        let strokes = [
            stroke("keyDown", held),
            stroke("keyDown", key),
            stroke("keyUp", key),
            stroke("keyUp", held),
        ];
        self.act(json!({"type": "key", "id": "keys", "actions": strokes}));
    }

    /// The mouse over a place of an element, in CSS pixels from its middle.
    pub fn hover(&self, over: &Element, (x, y): (i32, i32)) {
        self.act(pointer(Pointer::Mouse, vec![to(over, x, y)]));
    }

    /// Down at one place of an element, along to another, up.
    pub fn drag(&self, with: Pointer, over: &Element, from: (i32, i32), to_there: (i32, i32)) {
        let half = ((from.0 + to_there.0) / 2, (from.1 + to_there.1) / 2);
        let actions = vec![
            to(over, from.0, from.1),
            json!({"type": "pointerDown", "button": 0}),
            to(over, half.0, half.1),
            to(over, to_there.0, to_there.1),
            json!({"type": "pointerUp", "button": 0}),
        ];
        self.act(pointer(with, actions));
    }

    /// Down and up without moving.
    pub fn tap(&self, with: Pointer, over: &Element, (x, y): (i32, i32)) {
        let actions = vec![
            to(over, x, y),
            json!({"type": "pointerDown", "button": 0}),
            json!({"type": "pointerUp", "button": 0}),
        ];
        self.act(pointer(with, actions));
    }

    /// Two fingers on an element, side by side, from so many pixels apart to so many.
    pub fn pinch(&self, over: &Element, from: i32, to_there: i32) {
        let finger = |id: &str, side: i32| {
            let actions = vec![
                to(over, side * from / 2, 0),
                json!({"type": "pointerDown", "button": 0}),
                to(over, side * (from + to_there) / 4, 0),
                to(over, side * to_there / 2, 0),
                json!({"type": "pointerUp", "button": 0}),
            ];
            json!({"type": "pointer", "id": id, "parameters": {"pointerType": "touch"}, "actions": actions})
        };
        let both = json!({"actions": [finger("left", -1), finger("right", 1)]});
        self.driver.post("actions", both);
    }

    /// The wheel turned over a place of an element; positive moves the page up.
    pub fn wheel(&self, over: &Element, (x, y): (i32, i32), turned: (i32, i32)) {
        let scroll = json!({"type": "scroll", "x": x, "y": y, "deltaX": turned.0, "deltaY": turned.1,
            "duration": 0, "origin": over.handle()});
        self.act(json!({"type": "wheel", "id": "wheel", "actions": [scroll]}));
    }

    fn act(&self, source: Value) {
        self.driver.post("actions", json!({"actions": [source]}));
    }
}

fn to(over: &Element, x: i32, y: i32) -> Value {
    json!({"type": "pointerMove", "x": x, "y": y, "duration": 20, "origin": over.handle()})
}

fn pointer(kind: Pointer, actions: Vec<Value>) -> Value {
    let kind = match kind {
        Pointer::Mouse => "mouse",
        Pointer::Touch => "touch",
    };
    json!({"type": "pointer", "id": kind, "parameters": {"pointerType": kind}, "actions": actions})
}
