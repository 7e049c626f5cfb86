//! JSON whose objects are objects: serde would also read a list as the fields of a struct in their order.

use serde::de::value::StringDeserializer;
use serde::de::{
    DeserializeSeed, Deserializer, Error as _, IntoDeserializer, MapAccess, SeqAccess, Unexpected,
    Visitor,
};
use serde::forward_to_deserialize_any;
use serde_json::{Error, Value};

/// A value of a request's body.
pub(crate) struct Strict(pub Value);

impl<'de> Deserializer<'de> for Strict {
    type Error = Error;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Error> {
        match self.0 {
            Value::Array(items) => visitor.visit_seq(Items(items.into_iter())),
            Value::Object(fields) => visitor.visit_map(Fields {
                fields: fields.into_iter(),
                value: None,
            }),
            plain => plain.deserialize_any(visitor),
        }
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        _: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Error> {
        match self.0 {
            Value::Array(_) => Err(Error::invalid_type(Unexpected::Seq, &"a JSON object")),
            _ => self.deserialize_any(visitor),
        }
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Error> {
        match self.0 {
            Value::Null => visitor.visit_none(),
            _ => visitor.visit_some(self),
        }
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        visitor: V,
    ) -> Result<V::Value, Error> {
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Error> {
        self.0.deserialize_enum(name, variants, visitor)
    }

    forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf unit
        unit_struct seq tuple tuple_struct map identifier ignored_any
    }
}

struct Items(std::vec::IntoIter<Value>);

impl<'de> SeqAccess<'de> for Items {
    type Error = Error;

    fn next_element_seed<T: DeserializeSeed<'de>>(
        &mut self,
        seed: T,
    ) -> Result<Option<T::Value>, Error> {
        let next = self.0.next();
        next.map(|value| seed.deserialize(Strict(value)))
            .transpose()
    }

    fn size_hint(&self) -> Option<usize> {
        Some(self.0.len())
    }
}

struct Fields {
    fields: serde_json::map::IntoIter,
    value: Option<Value>,
}

impl<'de> MapAccess<'de> for Fields {
    type Error = Error;

    fn next_key_seed<K: DeserializeSeed<'de>>(
        &mut self,
        seed: K,
    ) -> Result<Option<K::Value>, Error> {
        let Some((name, value)) = self.fields.next() else {
            return Ok(None);
        };
        self.value = Some(value);
        let name: StringDeserializer<Error> = name.into_deserializer();
        seed.deserialize(name).map(Some)
    }

    fn next_value_seed<T: DeserializeSeed<'de>>(&mut self, seed: T) -> Result<T::Value, Error> {
        match self.value.take() {
            Some(value) => seed.deserialize(Strict(value)),
            None => Err(Error::custom("a value without its name")),
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::collections::BTreeMap;

    use serde::Deserialize;
    use serde_json::json;

    use super::*;

    #[derive(Debug, PartialEq, Deserialize)]
    #[serde(rename_all = "snake_case")]
    enum Kind {
        Sow,
        Cut,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    struct Line {
        name: String,
        grams: Option<i64>,
    }

    #[derive(Debug, PartialEq, Deserialize)]
    struct Body {
        kind: Kind,
        share: f64,
        pair: (u8, u8),
        lines: Vec<Line>,
        by_kind: BTreeMap<String, Line>,
    }

    fn read(value: Value) -> Result<Body, String> {
        Body::deserialize(Strict(value)).map_err(|error| error.to_string())
    }

    fn body() -> Value {
        json!({"kind": "cut", "share": 1, "pair": [1, 2], "lines": [{"name": "a", "grams": null}],
            "by_kind": {"b": {"name": "b", "grams": 5}}})
    }

    #[test]
    fn objects_are_read_as_serde_json_reads_them() {
        let expected: Body = serde_json::from_value(body()).unwrap();
        assert_eq!(read(body()), Ok(expected));
    }

    #[test]
    fn a_list_is_no_object_at_any_depth() {
        let mut changed = body();
        changed["lines"] = json!([["a", 3]]);
        assert!(serde_json::from_value::<Body>(changed.clone()).is_ok());
        assert!(read(changed).unwrap_err().contains("sequence"));
        let mut changed = body();
        changed["by_kind"]["b"] = json!(["b"]);
        assert!(read(changed).unwrap_err().contains("sequence"));
        let list = json!(["cut", 1.0, [1, 2], [], {}]);
        assert!(serde_json::from_value::<Body>(list.clone()).is_ok());
        assert!(read(list).unwrap_err().contains("sequence"));
    }
}
