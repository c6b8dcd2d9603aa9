//! A strict reader of JSON text (RFC 8259) that borrows everything and gives up on anything odd.
//!
//! It exists for speed: nearly all that a record sends is plain, and read here in half the time of
//! serde_json. What it reads, serde_json reads with the same content; at anything that is wrong or
//! unusual it answers None without saying why, and the text is read again with serde_json, which
//! knows the reason. `json_tests.rs` and `tests/it/fhir_observation.rs` hold the two against each other.

use serde::de::Deserialize;
use std::borrow::Cow;
use wide::u8x16;

/// The greatest depth of nesting that is read (objects and arrays, the outermost is 1).
pub const DEPTH_MAX: usize = 64;

/// A place in a JSON text. Every method answers None where the reader gives up.
pub(crate) struct Cursor<'a> {
    text: &'a str,
    at: usize,
    depth: usize,
    /// Which block `special` is of.
    block: usize,
    /// The quotes, backslashes and control characters of that block, the first in the lowest bit.
    special: u64,
    /// The members that nobody read, when that is asked.
    noted: Option<Box<Noted>>,
}

/// Which members nobody read.
#[derive(Default)]
struct Noted {
    skipped: Vec<Skipped>,
    /// Something was read twice, in two ways: what was noted may not be what counted.
    doubtful: bool,
}

/// The value of a member that nobody reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Skipped {
    /// Its first byte.
    pub start: usize,
    /// Behind its last.
    pub end: usize,
    /// How many objects and arrays are around it.
    pub depth: usize,
}

/// Bytes that are looked at together: as many as `special` has bits.
const BLOCK: usize = 64;

fn special(block: &[u8; BLOCK]) -> u64 {
    let mut bits = 0;
    for (index, chunk) in block.as_chunks::<16>().0.iter().enumerate() {
        let chunk = u8x16::from(*chunk);
        let control = chunk.min(u8x16::splat(0x1f)).simd_eq(chunk);
        let special = control | chunk.simd_eq(u8x16::splat(b'"')) | chunk.simd_eq(u8x16::splat(b'\\'));
        bits |= u64::from(special.to_bitmask()) << (16 * index);
    }
    bits
}

/// What can be read in place.
pub(crate) trait Quick<'a>: Default {
    /// Read one value into `self`, which is as `default` made it.
    fn fill(&mut self, cursor: &mut Cursor<'a>) -> Option<()>;
}

/// Read a whole text as one value, in place: some values are large. False where the reader gives
/// up, with `value` half filled.
pub(super) fn read<'a, T: Quick<'a>>(text: &'a str, value: &mut T) -> bool {
    let mut cursor = Cursor::new(text);
    value.fill(&mut cursor).is_some() && cursor.peek().is_none()
}

/// As [`read`]: which members nobody read, in order; None also where that is in doubt.
pub(super) fn read_noting<'a, T: Quick<'a>>(text: &'a str, value: &mut T) -> Option<Vec<Skipped>> {
    let mut cursor = Cursor::new(text);
    cursor.noted = Some(Box::default());
    value.fill(&mut cursor)?;
    if cursor.peek().is_some() {
        return None;
    }
    let noted = cursor.noted.filter(|noted| !noted.doubtful)?;
    Some(noted.skipped)
}

/// The value of a field that may be as it likes; None when it is not as FHIR has it.
pub(super) fn usable<'a, T: Deserialize<'a>>(json: &'a str) -> Option<T> {
    serde_json::from_str::<Option<T>>(json).ok().flatten()
}

impl<'a> Cursor<'a> {
    pub(super) const fn new(text: &'a str) -> Self {
        Self {
            text,
            at: 0,
            depth: 0,
            block: usize::MAX,
            special: 0,
            noted: None,
        }
    }

    /// True at the end of the text.
    pub(super) const fn is_at_end(&self) -> bool {
        self.at == self.text.len()
    }

    /// What follows.
    pub(super) fn rest(&self) -> &'a [u8] {
        self.text.as_bytes().get(self.at..).unwrap_or_default()
    }

    /// Beyond so many bytes, which the caller has looked at.
    pub(super) const fn advance(&mut self, bytes: usize) {
        self.at += bytes;
    }

    /// Beyond the next value, around which are `depth` objects and arrays.
    pub(super) fn skip_in(&mut self, depth: usize) -> Option<()> {
        self.depth = depth;
        self.skip()
    }

    /// A number, as its text.
    pub(super) fn number_text(&mut self) -> Option<&'a str> {
        let start = self.at;
        self.number()?;
        self.text.get(start..self.at)
    }

    /// Beyond the value of a member that nobody reads.
    #[inline]
    pub fn skip_member(&mut self) -> Option<()> {
        self.peek()?;
        let start = self.at;
        self.skip()?;
        if let Some(noted) = &mut self.noted {
            let (end, depth) = (self.at, self.depth);
            noted.skipped.push(Skipped { start, end, depth });
        }
        Some(())
    }

    /// Something is read anew.
    #[cold]
    fn doubt(&mut self) {
        if let Some(noted) = &mut self.noted {
            noted.doubtful = true;
        }
    }

    /// The next byte that is no white space.
    #[inline]
    fn peek(&mut self) -> Option<u8> {
        loop {
            let byte = *self.text.as_bytes().get(self.at)?;
            if !matches!(byte, b' ' | b'\n' | b'\t' | b'\r') {
                return Some(byte);
            }
            self.at += 1;
        }
    }

    /// `wanted`, and beyond it.
    #[inline]
    fn take(&mut self, wanted: u8) -> Option<()> {
        // Most texts have no white space between.
        if self.text.as_bytes().get(self.at) != Some(&wanted) && self.peek()? != wanted {
            return None;
        }
        self.at += 1;
        Some(())
    }

    /// True when the list or object goes on, false when `close` ended it.
    #[inline]
    fn goes_on(&mut self, close: u8) -> Option<bool> {
        if self.text.as_bytes().get(self.at) == Some(&b',') {
            self.at += 1;
            return Some(true);
        }
        let byte = self.peek()?;
        self.at += 1;
        if byte == b',' {
            return Some(true);
        }
        self.depth -= 1;
        (byte == close).then_some(false)
    }

    /// `open`, one level deeper; false when `close` follows at once.
    #[inline]
    fn open(&mut self, open: u8, close: u8) -> Option<bool> {
        self.take(open)?;
        if self.depth == DEPTH_MAX {
            return None;
        }
        if self.peek()? == close {
            self.at += 1;
            return Some(false);
        }
        self.depth += 1;
        Some(true)
    }

    /// An object: `member` reads the value of each key.
    #[inline]
    pub fn object(&mut self, mut member: impl FnMut(&mut Self, &'a str) -> Option<()>) -> Option<()> {
        let mut goes_on = self.open(b'{', b'}')?;
        while goes_on {
            let key = self.plain_string()?;
            self.take(b':')?;
            member(self, key)?;
            goes_on = self.goes_on(b'}')?;
        }
        Some(())
    }

    /// An array: `item` reads each of its values.
    #[inline]
    pub fn array(&mut self, mut item: impl FnMut(&mut Self) -> Option<()>) -> Option<()> {
        let mut goes_on = self.open(b'[', b']')?;
        while goes_on {
            item(self)?;
            goes_on = self.goes_on(b']')?;
        }
        Some(())
    }

    /// The value of an element that may come once; `null` is none.
    #[inline]
    pub fn once<T: Quick<'a>>(&mut self, field: &mut Option<T>) -> Option<()> {
        if field.is_some() {
            return None;
        }
        if self.peek()? == b'n' {
            return self.word("null");
        }
        field.insert(T::default()).fill(self)
    }

    /// As [`Self::once`]; a value that is JSON and not as FHIR has it is none.
    #[inline]
    pub fn beside<T: Quick<'a> + Deserialize<'a>>(&mut self, field: &mut Option<T>) -> Option<()> {
        if field.is_some() {
            return None;
        }
        let (at, depth) = (self.at, self.depth);
        if self.once(field).is_none() {
            self.doubt();
            (self.at, self.depth) = (at, depth);
            *field = usable(self.raw()?);
        }
        Some(())
    }

    /// One value; its text where it is JSON and not as FHIR has it.
    #[inline]
    pub fn or_raw<T: Quick<'a> + Deserialize<'a>>(&mut self, value: &mut T) -> Option<Option<&'a str>> {
        let (at, depth) = (self.at, self.depth);
        if value.fill(self).is_some() {
            return Some(None);
        }
        self.doubt();
        (self.at, self.depth) = (at, depth);
        let raw = self.raw()?;
        match serde_json::from_str(raw) {
            Ok(read) => {
                *value = read;
                Some(None)
            }
            Err(_) => Some(Some(raw)),
        }
    }

    /// A string without escapes.
    #[inline(always)]
    pub(super) fn plain_string(&mut self) -> Option<&'a str> {
        self.take(b'"')?;
        let start = self.at;
        self.find_special();
        let plain = self.text.get(start..self.at)?;
        let closed = *self.text.as_bytes().get(self.at)? == b'"';
        self.at += 1;
        closed.then_some(plain)
    }

    /// A string.
    #[inline(always)]
    pub fn string(&mut self) -> Option<Cow<'a, str>> {
        let start = self.at;
        if let Some(plain) = self.plain_string() {
            return Some(Cow::Borrowed(plain));
        }
        self.at = start;
        self.escaped_string().map(Cow::Owned)
    }

    /// A string that may hold escapes, decoded by serde_json.
    #[cold]
    fn escaped_string(&mut self) -> Option<String> {
        serde_json::from_str(self.raw()?).ok()
    }

    /// From inside a string to behind its closing quote.
    #[inline(always)]
    fn string_end(&mut self) -> Option<()> {
        loop {
            self.find_special();
            let special = *self.text.as_bytes().get(self.at)?;
            self.at += 1;
            match special {
                b'"' => return Some(()),
                b'\\' => self.escape()?,
                // A control character.
                _ => return None,
            }
        }
    }

    /// What follows a backslash.
    fn escape(&mut self) -> Option<()> {
        let rest = self.text.as_bytes().get(self.at..)?;
        match rest {
            [b'"' | b'\\' | b'/' | b'b' | b'f' | b'n' | b'r' | b't', ..] => self.at += 1,
            [b'u', hex @ ..] if hex.get(..4)?.iter().all(u8::is_ascii_hexdigit) => self.at += 5,
            _ => return None,
        }
        Some(())
    }

    /// Go to the next quote, backslash or control character, or the end.
    ///
    /// All of a block are found at once and remembered: most strings are short, and to look for the end
    /// of each by itself costs a mispredicted branch for each.
    #[inline(always)]
    fn find_special(&mut self) {
        loop {
            let block = self.at / BLOCK;
            if block != self.block {
                self.look_at(block);
            }
            let ahead = self.special >> (self.at % BLOCK);
            if ahead != 0 {
                self.at += ahead.trailing_zeros() as usize;
                return;
            }
            let next = (block + 1) * BLOCK;
            if next >= self.text.len() {
                self.at = self.text.len();
                return;
            }
            self.at = next;
        }
    }

    /// Find the quotes, backslashes and control characters of a block; what lies behind the end counts as
    /// a control character.
    #[inline]
    fn look_at(&mut self, block: usize) {
        let rest = self.text.as_bytes().get(block * BLOCK..).unwrap_or_default();
        self.block = block;
        self.special = match rest.first_chunk() {
            Some(whole) => special(whole),
            None => {
                let mut padded = [0; BLOCK];
                padded[..rest.len()].copy_from_slice(rest);
                special(&padded)
            }
        };
    }

    /// The next value as its text.
    #[inline]
    pub fn raw(&mut self) -> Option<&'a str> {
        self.peek()?;
        let start = self.at;
        self.skip()?;
        self.text.get(start..self.at)
    }

    /// Beyond the next value, which is checked to be JSON.
    pub fn skip(&mut self) -> Option<()> {
        match self.peek()? {
            b'"' => {
                self.at += 1;
                self.string_end()
            }
            b'{' => {
                let mut goes_on = self.open(b'{', b'}')?;
                while goes_on {
                    self.take(b'"')?;
                    self.string_end()?;
                    self.take(b':')?;
                    self.skip()?;
                    goes_on = self.goes_on(b'}')?;
                }
                Some(())
            }
            b'[' => self.array(Self::skip),
            b't' => self.word("true"),
            b'f' => self.word("false"),
            b'n' => self.word("null"),
            _ => self.number(),
        }
    }

    fn word(&mut self, word: &str) -> Option<()> {
        let rest = self.text.as_bytes().get(self.at..)?;
        rest.starts_with(word.as_bytes()).then(|| self.at += word.len())
    }

    /// `-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?`
    fn number(&mut self) -> Option<()> {
        self.optional(b"-");
        if !self.optional(b"0") {
            self.digits()?;
        }
        if self.optional(b".") {
            self.digits()?;
        }
        if self.optional(b"eE") {
            self.optional(b"+-");
            self.digits()?;
        }
        Some(())
    }

    /// Beyond one of these bytes, if it is the next.
    fn optional(&mut self, any: &[u8]) -> bool {
        let found = self.text.as_bytes().get(self.at).is_some_and(|byte| any.contains(byte));
        self.at += usize::from(found);
        found
    }

    /// Beyond one digit or more.
    fn digits(&mut self) -> Option<()> {
        let start = self.at;
        while self.text.as_bytes().get(self.at).is_some_and(u8::is_ascii_digit) {
            self.at += 1;
        }
        (self.at > start).then_some(())
    }
}
