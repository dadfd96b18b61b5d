//! What the messages of a request hold: the names that their JSON may use, and a way to every text.
//!
//! The implementations of [`Asked`] are generated from `proto/`, so that a field cannot be forgotten.

use std::collections::BTreeMap;

use crate::common::FieldError;

/// A message that a request holds, or a request.
pub trait Asked {
    /// The names of its fields.
    fn shape() -> &'static Shape
    where
        Self: Sized;

    /// Shows every text in it to a visitor.
    fn texts(&mut self, visit: &mut dyn VisitTexts);
}

/// The fields of a message, as JSON names them.
#[derive(Debug)]
pub struct Shape {
    /// True when its JSON is the bare list that it holds.
    pub bare_list: bool,
    /// Its fields, those left out that no caller may fill in.
    pub fields: &'static [Field],
}

impl Shape {
    /// The field of a name.
    pub fn field(&self, name: &str) -> Option<&'static Field> {
        self.fields.iter().find(|field| field.name == name)
    }
}

/// One field of a message.
#[derive(Debug)]
pub struct Field {
    /// Its name in JSON.
    pub name: &'static str,
    /// True for a list.
    pub many: bool,
    /// What it holds, or each item of the list.
    pub holds: Holds,
}

/// What a field holds.
#[derive(Debug, Clone, Copy)]
pub enum Holds {
    /// A text, a number, a truth value or bytes.
    Value,
    /// A message.
    Message(fn() -> &'static Shape),
    /// Values under names of the caller's own.
    Map,
}

/// What kind of text a field holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Text {
    /// A name, a word, a number or a date: one line.
    Name,
    /// Prose, which may go over several lines.
    Prose,
}

/// One step on the way to a text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// Into a field.
    Field(&'static str),
    /// Into an item of a list.
    Item(usize),
    /// To a name in a map.
    Key(String),
}

/// Sees, and may change, every text of a message.
pub trait VisitTexts {
    /// A step in.
    fn enter(&mut self, step: Step);
    /// The step out again.
    fn leave(&mut self);
    /// A text in the field of this name; the empty name stands for where the steps have led.
    fn text(&mut self, field: &'static str, kind: Text, text: &mut String);
    /// A name is twice in a map, once both are written alike.
    fn twice(&mut self, name: &str);
    /// What follows belongs to one row of a batch.
    fn row_begins(&mut self);
    /// The row has ended; what was wrong in it, when rows are judged one by one.
    fn row_ends(&mut self) -> Vec<FieldError>;
}

fn texts(visit: &mut dyn VisitTexts, name: &'static str, kind: Text, list: &mut [String]) {
    if list.is_empty() {
        return;
    }
    visit.enter(Step::Field(name));
    for (n, text) in list.iter_mut().enumerate() {
        visit.enter(Step::Item(n));
        visit.text("", kind, text);
        visit.leave();
    }
    visit.leave();
}

fn message(visit: &mut dyn VisitTexts, name: &'static str, part: &mut dyn Asked) {
    visit.enter(Step::Field(name));
    part.texts(visit);
    visit.leave();
}

fn messages<M: Asked>(visit: &mut dyn VisitTexts, name: &'static str, list: &mut [M]) {
    visit.enter(Step::Field(name));
    for (n, part) in list.iter_mut().enumerate() {
        visit.enter(Step::Item(n));
        part.texts(visit);
        visit.leave();
    }
    visit.leave();
}

fn number_map(visit: &mut dyn VisitTexts, name: &'static str, map: &mut BTreeMap<String, f64>) {
    keyed(visit, name, map, |_, _| {});
}

fn text_map(visit: &mut dyn VisitTexts, name: &'static str, map: &mut BTreeMap<String, String>) {
    keyed(visit, name, map, |visit, text| {
        visit.text("", Text::Name, text);
    });
}

fn keyed<V>(
    visit: &mut dyn VisitTexts,
    name: &'static str,
    map: &mut BTreeMap<String, V>,
    each: impl Fn(&mut dyn VisitTexts, &mut V),
) {
    if map.is_empty() {
        return;
    }
    visit.enter(Step::Field(name));
    for (mut key, mut value) in std::mem::take(map) {
        visit.enter(Step::Key(key.clone()));
        visit.text("", Text::Name, &mut key);
        each(visit, &mut value);
        if map.contains_key(&key) {
            visit.twice(&key);
        }
        map.insert(key, value);
        visit.leave();
    }
    visit.leave();
}

include!(concat!(env!("OUT_DIR"), "/shapes.rs"));
