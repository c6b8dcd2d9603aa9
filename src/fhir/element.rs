//! How an element of a resource is declared, and read in two ways that give the same: quickly by
//! [`super::json`], and by serde, which is asked when the quick reader gives up and knows why.
//!
//! The structs are read by hand-written code (one macro), not by a derive: a derived struct also
//! accepts a JSON array in place of the object, and an `Option<Cow<str>>` always copies.

use super::json::{Cursor, Quick};
use serde::de::{Deserialize, Deserializer, IgnoredAny, Visitor};
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::fmt;
use std::ops::Deref;

/// A JSON string, borrowed unless it holds escapes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Text<'a>(Cow<'a, str>);

impl<'a> Text<'a> {
    /// The string itself.
    pub fn into_cow(self) -> Cow<'a, str> {
        self.0
    }
}

impl Deref for Text<'_> {
    type Target = str;
    fn deref(&self) -> &str {
        &self.0
    }
}

impl<'a> Quick<'a> for Text<'a> {
    #[inline(always)]
    fn fill(&mut self, cursor: &mut Cursor<'a>) -> Option<()> {
        self.0 = cursor.string()?;
        Some(())
    }
}

impl<'de: 'a, 'a> Deserialize<'de> for Text<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct TextVisitor;
        impl<'de> Visitor<'de> for TextVisitor {
            type Value = Text<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a string")
            }
            fn visit_borrowed_str<E>(self, text: &'de str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Borrowed(text)))
            }
            fn visit_str<E>(self, text: &str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Owned(text.to_owned())))
            }
        }
        deserializer.deserialize_str(TextVisitor)
    }
}

/// Any JSON value, as its text.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Raw<'a>(&'a str);

impl<'a> Raw<'a> {
    /// The text, without white space around it.
    pub fn get(self) -> &'a str {
        self.0
    }
}

impl<'a> Quick<'a> for Raw<'a> {
    #[inline]
    fn fill(&mut self, cursor: &mut Cursor<'a>) -> Option<()> {
        self.0 = cursor.raw()?;
        Some(())
    }
}

impl<'de: 'a, 'a> Deserialize<'de> for Raw<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        <&RawValue>::deserialize(deserializer).map(|raw| Self(raw.get()))
    }
}

/// An item of a list whose items are read each by itself: one that is not as FHIR has it costs no other.
#[derive(Clone, Debug, PartialEq)]
pub enum Each<'a, T> {
    /// As FHIR has it.
    Read(T),
    /// JSON, but not as FHIR has it.
    Odd(Raw<'a>),
}

impl<T> Each<'_, T> {
    /// The item, when it can be read.
    pub const fn read(&self) -> Option<&T> {
        match self {
            Self::Read(item) => Some(item),
            Self::Odd(_) => None,
        }
    }
}

impl<T: Default> Default for Each<'_, T> {
    fn default() -> Self {
        Self::Read(T::default())
    }
}

impl<'a, T: Quick<'a> + Deserialize<'a>> Quick<'a> for Each<'a, T> {
    #[inline]
    fn fill(&mut self, cursor: &mut Cursor<'a>) -> Option<()> {
        if let Self::Read(item) = self
            && let Some(raw) = cursor.or_raw(item)?
        {
            *self = Self::Odd(Raw(raw));
        }
        Some(())
    }
}

impl<'de: 'a, 'a, T: Deserialize<'a>> Deserialize<'de> for Each<'a, T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let raw = Raw::deserialize(deserializer)?;
        Ok(serde_json::from_str(raw.0).map_or(Self::Odd(raw), Self::Read))
    }
}

impl<'a> Quick<'a> for IgnoredAny {
    #[inline]
    fn fill(&mut self, cursor: &mut Cursor<'a>) -> Option<()> {
        cursor.skip()
    }
}

impl<'a, T: Quick<'a>> Quick<'a> for Vec<T> {
    #[inline]
    fn fill(&mut self, cursor: &mut Cursor<'a>) -> Option<()> {
        cursor.array(|cursor| {
            // Most lists of FHIR hold one or two.
            if self.is_empty() {
                self.reserve_exact(2);
            }
            self.push(T::default());
            self.last_mut()?.fill(cursor)
        })
    }
}

/// Declares one element: its fields, each with the JSON names that fill it. A name that comes
/// twice is an error; `null` counts as absent.
///
/// A field marked `beside` stands beside the measurement and decides neither what was measured, of
/// whom, when nor how much: of another type than FHIR's it counts as absent, so that it does not
/// cost the reading. Every other field of another type makes the resource unreadable.
macro_rules! element {
    ($(#[$doc:meta])* $name:ident {
        $($(#[$field_doc:meta])* $field:ident: $type:ty = $($key:literal)|+ $(, $beside:ident)?;)*
    }) => {
        $(#[$doc])*
        #[derive(Debug, Default, PartialEq)]
        pub struct $name<'a> {
            $($(#[$field_doc])* pub $field: Option<$type>,)*
        }

        impl<'a> $crate::fhir::json::Quick<'a> for $name<'a> {
            fn fill(&mut self, cursor: &mut $crate::fhir::json::Cursor<'a>) -> Option<()> {
                cursor.object(|cursor, key| match key {
                    $($($key)|+ => $crate::fhir::element::element!(@fill cursor self.$field $(, $beside)?),)*
                    _ => cursor.skip_member(),
                })
            }
        }

        impl<'de: 'a, 'a> serde::Deserialize<'de> for $name<'a> {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                struct ElementVisitor<'a>(std::marker::PhantomData<&'a ()>);
                impl<'de: 'a, 'a> serde::de::Visitor<'de> for ElementVisitor<'a> {
                    type Value = $name<'a>;
                    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                        f.write_str("an object")
                    }
                    fn visit_map<M: serde::de::MapAccess<'de>>(self, mut map: M) -> Result<Self::Value, M::Error> {
                        let mut element = $name::default();
                        while let Some(key) = map.next_key::<$crate::fhir::element::Text<'de>>()? {
                            match &*key {
                                $($($key)|+ => {
                                    if element.$field.is_some() {
                                        return Err(<M::Error as serde::de::Error>::duplicate_field($name::NAME));
                                    }
                                    element.$field = $crate::fhir::element::element!(@value map $($beside)?);
                                })*
                                _ => {
                                    map.next_value::<serde::de::IgnoredAny>()?;
                                }
                            }
                        }
                        Ok(element)
                    }
                }
                deserializer.deserialize_map(ElementVisitor(std::marker::PhantomData))
            }
        }

        impl $name<'_> {
            const NAME: &'static str = stringify!($name);
        }
    };
    (@value $map:ident) => {
        $map.next_value()?
    };
    (@value $map:ident beside) => {
        $crate::fhir::json::usable($map.next_value::<&serde_json::value::RawValue>()?.get())
    };
    (@fill $cursor:ident $self:ident . $field:ident) => {
        $cursor.once(&mut $self.$field)
    };
    (@fill $cursor:ident $self:ident . $field:ident, beside) => {
        $cursor.beside(&mut $self.$field)
    };
}
pub(super) use element;

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::fhir::observation::{Coding, read};

    #[test]
    fn what_stands_beside_the_measurement_counts_as_absent_when_it_cannot_be_read() {
        for display in ["5", "null", "[\"x\"]", "{\"a\":[]}"] {
            let text = format!("{{\"system\":\"a\",\"display\":{display},\"code\":\"b\"}}");
            let coding: Coding<'_> = read(&text).unwrap();
            assert_eq!((coding.display, coding.code.as_deref()), (None, Some("b")), "{text}");
        }
        assert!(read::<Coding<'_>>(r#"{"display":"#).is_err());
        assert!(read::<Coding<'_>>(r#"{"display":"a","code":5}"#).is_err());
    }

    #[test]
    fn strings_are_borrowed_unless_escaped() {
        let coding: Coding<'_> = read(r#"{"system":"a","code":"b\u0063"}"#).unwrap();
        assert!(matches!(coding.system.unwrap().0, Cow::Borrowed("a")));
        assert_eq!(&*coding.code.unwrap(), "bc");
    }
}
