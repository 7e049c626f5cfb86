//! OpenAPI schemas of the wire forms.

use std::borrow::Cow;

use serde_json::json;
use utoipa::openapi::schema::{AdditionalProperties, ObjectBuilder, Schema, Type};
use utoipa::openapi::{Object, RefOr};
use utoipa::{PartialSchema, ToSchema};

use super::amount::{PIECES, SCOOP};
use super::{Amount, Dimension, LONGEST_TEXT, Mass, Volume};

/// What [`super::decimal`] reads.
const VALUE_PATTERN: &str = r"^-?[0-9]+(\.[0-9]+)?$";

fn text(description: &str) -> ObjectBuilder {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .max_length(Some(LONGEST_TEXT))
        .description(Some(description))
}

fn wire_form<'a>(
    codes: impl Iterator<Item = &'a str>,
    description: &str,
    value: &str,
    unit: &str,
) -> RefOr<Schema> {
    let units = text("UCUM code of the unit, case-sensitive.").enum_values(Some(codes));
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
            Dimension::Mass.unit_codes(),
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
            Dimension::Volume.unit_codes(),
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

impl PartialSchema for Amount {
    fn schema() -> RefOr<Schema> {
        let units = Dimension::Mass
            .unit_codes()
            .chain(Dimension::Volume.unit_codes())
            .chain([PIECES, SCOOP]);
        wire_form(
            units,
            "An amount of a stock item: in a unit of what it is kept by, in scoops where its scoop is stated, and \
             across weight and volume where its density is. Answered in grams, millilitres or pieces (`1`).",
            "250",
            "g",
        )
    }
}

impl ToSchema for Amount {
    fn name() -> Cow<'static, str> {
        Cow::Borrowed("Amount")
    }
}
