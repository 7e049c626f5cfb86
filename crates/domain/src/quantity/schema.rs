//! OpenAPI schemas of the wire forms.

use std::borrow::Cow;

use serde_json::json;
use utoipa::openapi::schema::{AdditionalProperties, ObjectBuilder, Schema, Type};
use utoipa::openapi::{Object, RefOr};
use utoipa::{PartialSchema, ToSchema};

use super::{Dimension, LONGEST_TEXT, Mass, Volume};

/// What [`super::decimal`] reads.
const VALUE_PATTERN: &str = r"^-?[0-9]+(\.[0-9]+)?$";

fn text(description: &str) -> ObjectBuilder {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .max_length(Some(LONGEST_TEXT))
        .description(Some(description))
}

fn wire_form(dimension: Dimension, description: &str, value: &str, unit: &str) -> RefOr<Schema> {
    let units =
        text("UCUM code of the unit, case-sensitive.").enum_values(Some(dimension.unit_codes()));
    let value_text = text("A plain decimal number, without exponent or thousands separators.")
        .pattern(Some(VALUE_PATTERN));
    let object: Object = ObjectBuilder::new()
        .schema_type(Type::Object)
        .description(Some(description))
        .property("value", value_text)
        .property("unit", units)
        .required("value")
        .required("unit")
        .additional_properties(Some(AdditionalProperties::<Schema>::FreeForm(false)))
        .examples([json!({ "value": value, "unit": unit })])
        .build();
    RefOr::T(Schema::Object(object))
}

impl PartialSchema for Mass {
    fn schema() -> RefOr<Schema> {
        wire_form(
            Dimension::Mass,
            "A mass, kept in whole milligrams and answered in grams; any listed unit may be sent.",
            "1.5",
            "kg",
        )
    }
}

impl ToSchema for Mass {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("Mass")
    }
}

impl PartialSchema for Volume {
    fn schema() -> RefOr<Schema> {
        wire_form(
            Dimension::Volume,
            "A volume, kept in whole microlitres and answered in millilitres; any listed unit may be sent.",
            "2.5",
            "L",
        )
    }
}

impl ToSchema for Volume {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("Volume")
    }
}
