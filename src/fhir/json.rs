//! A strict reader of JSON text (RFC 8259) that borrows everything and gives up on anything odd.
//!
//! It exists for speed: nearly all that a record sends is plain, and read here in half the time of
//! serde_json. What it reads, serde_json reads with the same content; at anything that is wrong or
//! unusual it answers None without saying why, and the text is read again with serde_json, which
//! knows the reason. `json_tests.rs` and `tests/it/fhir_observation.rs` hold the two against each other.

use serde::de::Deserialize;
use std::borrow::Cow;

/// The greatest depth of nesting that is read (objects and arrays, the outermost is 1).
pub const DEPTH_MAX: usize = 64;

/// A place in a JSON text. Every method answers None where the reader gives up.
pub(crate) struct Cursor<'a> {
    text: &'a str,
    at: usize,
    depth: usize,
}

/// What can be read in place.
pub(crate) trait Quick<'a>: Default {
    /// Read one value into `self`, which is as `default` made it.
    fn fill(&mut self, cursor: &mut Cursor<'a>) -> Option<()>;
}

/// Read a whole text as one value, in place: some values are large. False where the reader gives
/// up, with `value` half filled.
pub(super) fn read<'a, T: Quick<'a>>(text: &'a str, value: &mut T) -> bool {
    let mut cursor = Cursor { text, at: 0, depth: 0 };
    value.fill(&mut cursor).is_some() && cursor.peek().is_none()
}

/// The value of a field that may be as it likes; None when it is not as FHIR has it.
pub(super) fn usable<'a, T: Deserialize<'a>>(json: &'a str) -> Option<T> {
    serde_json::from_str::<Option<T>>(json).ok().flatten()
}

impl<'a> Cursor<'a> {
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
        if self.peek()? != wanted {
            return None;
        }
        self.at += 1;
        Some(())
    }

    /// True when the list or object goes on, false when `close` ended it.
    #[inline]
    fn goes_on(&mut self, close: u8) -> Option<bool> {
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
    fn plain_string(&mut self) -> Option<&'a str> {
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
    #[inline]
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

    /// Go to the next quote, backslash or control character, or the end. Eight bytes at a time: a
    /// subtraction borrows into the high bit of the lowest byte that is zero (or below 0x20), and
    /// only bytes above that one can be marked wrongly.
    #[inline]
    fn find_special(&mut self) {
        const ONES: u64 = u64::MAX / 0xff;
        const HIGH_BITS: u64 = ONES << 7;
        let bytes = self.text.as_bytes();
        while let Some(chunk) = bytes.get(self.at..).and_then(<[u8]>::first_chunk::<8>) {
            let word = u64::from_le_bytes(*chunk);
            let quote = word ^ (ONES * b'"' as u64);
            let backslash = word ^ (ONES * b'\\' as u64);
            let marks = (quote.wrapping_sub(ONES) & !quote)
                | (backslash.wrapping_sub(ONES) & !backslash)
                | (word.wrapping_sub(ONES * 0x20) & !word);
            let marks = marks & HIGH_BITS;
            if marks != 0 {
                self.at += marks.trailing_zeros() as usize / 8;
                return;
            }
            self.at += 8;
        }
        while let Some(byte) = bytes.get(self.at)
            && !matches!(byte, b'"' | b'\\' | 0..0x20)
        {
            self.at += 1;
        }
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
