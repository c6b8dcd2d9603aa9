//! JSON texts that are alike: the same but for what varies from one to the next.
//!
//! A device, or an export, writes all that it measures in one form. A text that has the form of an earlier
//! one is known to be read in the same way: only its holes need to be looked at. [`super::json`] reads them,
//! so a text that is no JSON is never taken for one that is.

use super::json::Cursor;
use smallvec::SmallVec;

/// What stands in the holes that are given out, in order.
pub(crate) type Holes<'a> = SmallVec<[&'a str; 16]>;

/// What varies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Hole {
    /// A string without escapes, which is given out.
    Text,
    /// A number, which is given out.
    Number,
    /// Any value that nobody reads, with so many objects and arrays around it.
    Skipped(usize),
}

/// Where something varies in a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Span {
    /// Its first byte; of a string its opening quote.
    pub start: usize,
    /// Behind its last byte.
    pub end: usize,
    pub hole: Hole,
}

/// Known forms, each with what it stands for.
#[derive(Debug)]
pub(crate) struct Forms<T> {
    /// The first begins every text.
    nodes: Vec<Node>,
    all: Vec<T>,
}

/// A hole, and what may follow it.
#[derive(Debug, Default)]
struct Node {
    /// None at the beginning.
    hole: Option<Hole>,
    branches: Vec<Branch>,
}

#[derive(Debug)]
struct Branch {
    /// The bytes up to the next hole, or to the end.
    literal: Box<[u8]>,
    to: To,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum To {
    /// Index among the nodes.
    Node(usize),
    /// The text ends; index among the forms.
    End(usize),
}

/// More of either, and the texts are not alike.
const NODES_MAX: usize = 10_000;
const BRANCHES_MAX: usize = 64;

impl<T> Default for Forms<T> {
    fn default() -> Self {
        Self {
            nodes: Vec::new(),
            all: Vec::new(),
        }
    }
}

impl<T> Forms<T> {
    /// Number of forms.
    pub fn len(&self) -> usize {
        self.all.len()
    }

    /// The form that `text` has, and what stands in its holes, in order.
    pub fn find<'a>(&mut self, text: &'a str, holes: &mut Holes<'a>) -> Option<&mut T> {
        holes.clear();
        let mut cursor = Cursor::new(text);
        let mut node = self.nodes.first()?;
        loop {
            match node.hole {
                None => {}
                Some(Hole::Text) => holes.push(cursor.plain_string()?),
                Some(Hole::Number) => holes.push(cursor.number_text()?),
                Some(Hole::Skipped(depth)) => cursor.skip_in(depth)?,
            }
            let rest = cursor.rest();
            let follows = |branch: &&Branch| rest.starts_with(&branch.literal);
            let branch = node.branches.iter().find(follows)?;
            cursor.advance(branch.literal.len());
            match branch.to {
                To::Node(next) => node = self.nodes.get(next)?,
                To::End(form) => return self.all.get_mut(form).filter(|_| cursor.is_at_end()),
            }
        }
    }

    /// Learn the form of `text`, whose holes are `spans`, in order. False when that cannot be.
    pub fn learn(&mut self, text: &str, spans: &[Span], form: T) -> bool {
        if self.nodes.is_empty() {
            self.nodes.push(Node::default());
        }
        let (mut at, mut node) = (0, 0);
        for span in spans {
            let Some(literal) = text.as_bytes().get(at..span.start) else {
                return false;
            };
            let Some(next) = self.step(node, literal, span.hole) else {
                return false;
            };
            (node, at) = (next, span.end);
        }
        let end = To::End(self.all.len());
        let added = text
            .as_bytes()
            .get(at..)
            .is_some_and(|literal| self.branch(node, literal, end));
        if added {
            self.all.push(form);
        }
        added
    }

    /// The node behind `literal`, which may be a new one.
    fn step(&mut self, node: usize, literal: &[u8], hole: Hole) -> Option<usize> {
        let known = self
            .nodes
            .get(node)?
            .branches
            .iter()
            .find(|branch| *branch.literal == *literal);
        if let Some(branch) = known {
            let To::Node(next) = branch.to else { return None };
            return (self.nodes.get(next)?.hole == Some(hole)).then_some(next);
        }
        let next = self.nodes.len();
        if next >= NODES_MAX || !self.branch(node, literal, To::Node(next)) {
            return None;
        }
        self.nodes.push(Node {
            hole: Some(hole),
            branches: Vec::new(),
        });
        Some(next)
    }

    /// False where it could be taken for another.
    fn branch(&mut self, node: usize, literal: &[u8], to: To) -> bool {
        let Some(node) = self.nodes.get_mut(node) else {
            return false;
        };
        let is_like = |branch: &Branch| branch.literal.starts_with(literal) || literal.starts_with(&branch.literal);
        if literal.is_empty() || node.branches.len() >= BRANCHES_MAX || node.branches.iter().any(is_like) {
            return false;
        }
        node.branches.push(Branch {
            literal: literal.into(),
            to,
        });
        true
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// Where `piece` stands in `text`.
    fn span(text: &str, piece: &str, hole: Hole) -> Span {
        let start = text.find(piece).unwrap();
        Span {
            start,
            end: start + piece.len(),
            hole,
        }
    }

    const FIRST: &str = r#"{"id":"a","x":[1,{"y":null}],"n":12}"#;

    fn forms() -> Forms<u8> {
        let mut forms = Forms::default();
        let spans = [
            span(FIRST, r#""a""#, Hole::Text),
            span(FIRST, r#"[1,{"y":null}]"#, Hole::Skipped(1)),
            span(FIRST, "12", Hole::Number),
        ];
        assert!(forms.learn(FIRST, &spans, 7));
        forms
    }

    fn found(text: &str) -> Option<(u8, Vec<String>)> {
        let (mut forms, mut holes) = (forms(), Holes::new());
        let form = forms.find(text, &mut holes).map(|form| *form)?;
        Some((form, holes.iter().map(|hole| (*hole).to_owned()).collect()))
    }

    #[test]
    fn a_text_of_a_known_form_gives_out_its_holes() {
        let own = |one: &str, other: &str| Some((7, vec![one.to_owned(), other.to_owned()]));
        assert_eq!(found(FIRST), own("a", "12"));
        assert_eq!(
            found(r#"{"id":"","x":"anything, \"even\" this","n":-0.5e3}"#),
            own("", "-0.5e3")
        );
        assert_eq!(found(r#"{"id":"ä","x":{},"n":0}"#), own("ä", "0"));
    }

    #[test]
    fn what_is_no_json_or_of_another_form_is_not_taken_for_it() {
        let deep = |depth: usize| format!(r#"{{"id":"a","x":{}{},"n":1}}"#, "[".repeat(depth), "]".repeat(depth));
        assert!(found(&deep(super::super::json::DEPTH_MAX - 1)).is_some());
        assert!(found(&deep(super::super::json::DEPTH_MAX)).is_none());
        let others = [
            r#"{"id":"a\u0062","x":1,"n":12}"#,
            r#"{"id":7,"x":1,"n":12}"#,
            r#"{"id":"a","x":[1,],"n":12}"#,
            r#"{"id":"a","x":"open,"n":12}"#,
            r#"{"id":"a","x":1,"n":012}"#,
            r#"{"id":"a","x":1,"n":"12"}"#,
            r#"{"id":"a","x":1,"n":12} "#,
            r#"{"id":"a","x":1,"n":12}}"#,
            r#"{"id":"a","x":1,"n":12"#,
            r#"{"id":"a","x":1,"m":12}"#,
            r#"{"id":"a", "x":1,"n":12}"#,
            "",
        ];
        for other in others {
            assert_eq!(found(other), None, "{other}");
        }
    }

    #[test]
    fn forms_that_could_be_taken_for_each_other_are_not_learned() {
        let (mut forms, text) = (forms(), r#"{"id":"a","x":1}"#);
        let id = span(text, r#""a""#, Hole::Text);
        // What was skipped is looked at, or is of another kind.
        let number = span(text, "1", Hole::Number);
        assert!(!forms.learn(text, &[id, number], 8));
        assert!(!forms.learn(text, &[id], 8));
        let skipped = span(text, "1", Hole::Skipped(1));
        assert!(forms.learn(text, &[id, skipped], 8));
        assert!(!forms.learn(text, &[id, skipped], 9));
        let mut holes = Holes::new();
        assert_eq!(forms.find(r#"{"id":"b","x":false}"#, &mut holes), Some(&mut 8));
        assert_eq!(forms.find(r#"{"id":"b","x":0,"n":3}"#, &mut holes), Some(&mut 7));
        assert_eq!(forms.len(), 2);
    }
}
