#![allow(clippy::unwrap_used)]

use proptest::prelude::*;
use serde_json::json;

use super::*;

fn mass(value: &str, unit: &str) -> Mass {
    Mass::parse(value, unit).unwrap()
}

fn volume(value: &str, unit: &str) -> Volume {
    Volume::parse(value, unit).unwrap()
}

/// NIST Handbook 44, Appendix C, and SP 811, Appendix B: a gallon of 231 in³, an inch of 2.54 cm, a
/// pound of 453.592 37 g; the definitions read in the UCUM essence 2.2, the digits computed from
/// them. So many of a unit that every digit counts.
#[test]
fn us_units_are_exact_to_the_last_published_digit() {
    for (value, unit, microlitres) in [
        ("1000", "[gal_us]", 3_785_411_784),
        ("1000", "[qt_us]", 946_352_946),
        ("1000", "[pt_us]", 473_176_473),
        ("10000", "[cup_us]", 2_365_882_365),
        ("10000000", "[foz_us]", 295_735_295_625),
        ("100000000", "[tbs_us]", 1_478_676_478_125),
        ("100000000", "[tsp_us]", 492_892_159_375),
    ] {
        assert_eq!(volume(value, unit).microlitres(), microlitres, "{unit}");
    }
    for (value, unit, milligrams) in [
        ("100", "[lb_av]", 45_359_237),
        ("1000000", "[oz_av]", 28_349_523_125),
        ("100000", "[gr]", 6_479_891),
    ] {
        assert_eq!(mass(value, unit).milligrams(), milligrams, "{unit}");
    }
}

/// UCUM essence 2.2: the metric kitchen units in millilitres, the imperial gallon of 4.546 09 L and
/// its fluid ounce of 1/160.
#[test]
fn kitchen_and_imperial_units_differ_from_the_us_ones() {
    assert_eq!(volume("1", "[cup_m]"), volume("240", "mL"));
    assert_eq!(volume("1", "[foz_m]"), volume("30", "mL"));
    assert_eq!(volume("1", "[tbs_m]"), volume("15", "mL"));
    assert_eq!(volume("1", "[tsp_m]"), volume("5", "mL"));
    assert_eq!(volume("100", "[gal_br]").microlitres(), 454_609_000);
    assert_eq!(volume("10000", "[foz_br]").microlitres(), 284_130_625);
    // A US cup taken as 240 mL is 1.44 % high: 240 / 236.588 236 5 - 1 = 0.014 420.
    let excess = volume("1", "[cup_m]")
        .checked_sub(volume("1", "[cup_us]"))
        .unwrap();
    assert_eq!(excess.microlitres(), 3_412);
    assert!(volume("1", "[foz_us]") > volume("1", "[foz_br]"));
    assert!(volume("1", "[gal_us]") < volume("1", "[gal_br]"));
}

#[test]
fn parts_of_a_unit_make_the_whole() {
    for (many, unit, one) in [
        ("4", "[qt_us]", "[gal_us]"),
        ("8", "[pt_us]", "[gal_us]"),
        ("16", "[cup_us]", "[gal_us]"),
        ("128", "[foz_us]", "[gal_us]"),
        ("256", "[tbs_us]", "[gal_us]"),
        ("3", "[tsp_us]", "[tbs_us]"),
        ("160", "[foz_br]", "[gal_br]"),
    ] {
        assert_eq!(volume(many, unit), volume("1", one), "{unit}");
    }
    assert_eq!(mass("16", "[oz_av]"), mass("1", "[lb_av]"));
    assert_eq!(mass("7000", "[gr]"), mass("1", "[lb_av]"));
    assert_eq!(mass("2.5", "kg"), mass("2500", "g"));
    assert_eq!(mass("1500", "ug"), mass("2", "mg"));
    for unit in ["L", "l"] {
        assert_eq!(volume("0.75", unit), volume("75", "cL"));
        assert_eq!(volume("0.75", unit), volume("7.5", "dl"));
        assert_eq!(volume("0.75", unit), volume("750000", "ul"));
    }
}

#[test]
fn a_tie_goes_to_the_even_neighbour_once() {
    for (value, milligrams) in [
        ("0.5", 0),
        ("1.5", 2),
        ("2.5", 2),
        ("3.5", 4),
        ("-0.5", 0),
        ("-1.5", -2),
        ("-2.5", -2),
        ("2.4999999999999999999999999", 2),
        ("2.5000000000000000000000001", 3),
        // Rounded twice (to tenths, then whole) this would be 3.
        ("2.46", 2),
    ] {
        assert_eq!(mass(value, "mg").milligrams(), milligrams, "{value}");
    }
}

/// 4 L is 1.056 688 209 432… US gallons: 4 / 3.785 411 784, computed with Python `decimal`.
#[test]
fn text_is_exact_or_has_a_stated_number_of_decimals() {
    let bottle = volume("4", "L");
    assert_eq!(
        bottle.to_rounded_text("[gal_us]", 4).unwrap().value,
        "1.0567"
    );
    assert_eq!(bottle.to_text("[gal_us]").unwrap().value, "1.0566882");
    assert_eq!(bottle.to_text("L").unwrap().value, "4");
    assert_eq!(bottle.to_rounded_text("L", 2).unwrap().value, "4.00");
    assert_eq!(
        bottle.to_rounded_text("L", u32::MAX).unwrap().value,
        "4.0000000"
    );
    assert_eq!(
        Mass::of_milligrams(1).to_text("kg").unwrap().value,
        "0.000001"
    );
    assert_eq!(Mass::of_milligrams(-1_500).to_string(), "-1.5 g");
    assert_eq!(
        Mass::of_milligrams(-1)
            .to_rounded_text("g", 1)
            .unwrap()
            .value,
        "0.0"
    );
    assert_eq!(Mass::of_milligrams(7).to_text("ug").unwrap().value, "7000");
    assert_eq!(
        Mass::of_milligrams(1_250)
            .to_rounded_text("g", 1)
            .unwrap()
            .value,
        "1.2"
    );
    assert_eq!(
        Mass::of_milligrams(45_359_237)
            .to_text("[lb_av]")
            .unwrap()
            .value,
        "100"
    );
    assert_eq!(
        Mass::of_milligrams(12_345)
            .to_rounded_text("g", 0)
            .unwrap()
            .value,
        "12"
    );
    assert!(matches!(
        bottle.to_text("kg"),
        Err(QuantityError::WrongDimension { .. })
    ));
}

#[test]
fn faults_of_the_number_are_told_apart() {
    for value in [
        "", "-", ".", ".5", "5.", "1.2.3", "+1", "1e3", "1,5", "1 000", " 1", "1 ", "--1", "0x10",
        "NaN", "inf", "\0", "1\0", "١", "½", "1_000",
    ] {
        assert!(
            matches!(
                Mass::parse(value, "g"),
                Err(QuantityError::MalformedNumber { .. })
            ),
            "{value:?}"
        );
    }
    assert_eq!(
        Mass::parse("0.0000000000000000000000000001", "g"),
        Err(QuantityError::TooManyDigits { digits: 29 })
    );
    assert_eq!(
        Mass::parse(&"9".repeat(1_000_000), "g"),
        Err(QuantityError::TextTooLong {
            part: "value",
            length: 1_000_000
        })
    );
    assert!(matches!(
        Mass::parse("9999999999999999999999999999", "kg"),
        Err(QuantityError::OutOfRange { .. })
    ));
    assert_eq!(mass("9223372036854775807", "mg").milligrams(), i64::MAX);
    assert_eq!(mass("-9223372036854775808", "mg").milligrams(), i64::MIN);
    assert!(matches!(
        Mass::parse("9223372036854775808", "mg"),
        Err(QuantityError::OutOfRange { .. })
    ));
    // The largest digits in every unit stay inside the arithmetic.
    for code in Dimension::Mass.unit_codes() {
        let _ = Mass::parse("9999999999999999999999999999", code);
        let _ = Mass::parse("-0.999999999999999999999999999", code);
        let _ = Mass::of_milligrams(i64::MIN).to_text(code).unwrap();
    }
    for code in Dimension::Volume.unit_codes() {
        let _ = Volume::parse("9999999999999999999999999999", code);
        let _ = Volume::parse("-0.999999999999999999999999999", code);
        let _ = Volume::of_microlitres(i64::MAX).to_text(code).unwrap();
    }
}

#[test]
fn faults_of_the_unit_say_what_would_be_accepted() {
    let error = Mass::parse("1", "[foz_us]").unwrap_err();
    assert!(matches!(
        error,
        QuantityError::WrongDimension {
            found: Dimension::Volume,
            ..
        }
    ));
    assert!(error.to_string().contains("[oz_av]"), "{error}");
    for (unit, meant) in [
        ("lb", &["[lb_av]"][..]),
        ("lbs", &["[lb_av]"]),
        ("LB_AV", &["[lb_av]"]),
        ("KG", &["kg"]),
        ("gr", &["[gr]", "g"]),
        ("oz", &["[oz_av]"]),
        ("µg", &["ug"]),
        ("stone", &[]),
        ("\0", &[]),
    ] {
        match Mass::parse("1", unit) {
            Err(QuantityError::UnknownUnit { suggestions, .. }) => {
                assert_eq!(suggestions, meant, "{unit}")
            }
            other => panic!("{unit}: {other:?}"),
        }
    }
    for (unit, meant) in [
        ("oz", &["[foz_us]", "[foz_br]"][..]),
        ("cup", &["[cup_us]", "[cup_m]"]),
        ("tsp", &["[tsp_us]", "[tsp_m]"]),
        ("gal", &["[gal_us]", "[gal_br]"]),
        ("ML", &["mL"]),
        ("Litre", &["L"]),
        ("cup_us", &["[cup_us]"]),
    ] {
        match Volume::parse("1", unit) {
            Err(QuantityError::UnknownUnit { suggestions, .. }) => {
                assert_eq!(suggestions, meant, "{unit}")
            }
            other => panic!("{unit}: {other:?}"),
        }
    }
    assert!(
        Mass::parse("1", "lb")
            .unwrap_err()
            .to_string()
            .contains("did you mean [lb_av]?")
    );
    assert!(matches!(
        Mass::parse("1", &"g".repeat(5_000)),
        Err(QuantityError::TextTooLong { part: "unit", .. })
    ));
}

#[test]
fn the_wire_form_reads_any_unit_and_answers_in_grams_and_millilitres() {
    let read: Mass = serde_json::from_value(json!({"value": "1.5", "unit": "kg"})).unwrap();
    assert_eq!(
        serde_json::to_value(read).unwrap(),
        json!({"value": "1500", "unit": "g"})
    );
    let read: Volume = serde_json::from_value(json!({"value": "1", "unit": "[gal_us]"})).unwrap();
    assert_eq!(
        serde_json::to_value(read).unwrap(),
        json!({"value": "3785.412", "unit": "mL"})
    );
    for refused in [
        json!({"value": 1.5, "unit": "kg"}),
        json!({"value": "1.5"}),
        json!({"value": "1.5", "unit": "kg", "density": "1"}),
        json!({"value": "1.5", "unit": "L"}),
        json!("1.5 kg"),
        json!(null),
    ] {
        assert!(
            serde_json::from_value::<Mass>(refused.clone()).is_err(),
            "{refused}"
        );
    }
}

#[test]
fn arithmetic_never_wraps() {
    let most = Mass::of_milligrams(i64::MAX);
    let one = Mass::of_milligrams(1);
    assert_eq!(most.checked_add(one), None);
    assert_eq!(Mass::of_milligrams(i64::MIN).checked_sub(one), None);
    assert_eq!(most.checked_mul(2), None);
    assert_eq!(Mass::checked_sum([most, one]), None);
    assert_eq!(Mass::checked_sum([one, one, one]), one.checked_mul(3));
    assert_eq!(Mass::checked_sum([]), Some(Mass::ZERO));
    assert_eq!(one.require_positive(), Ok(one));
    assert!(matches!(
        Mass::ZERO.require_positive(),
        Err(QuantityError::NotPositive { .. })
    ));
    assert_eq!(Volume::ZERO.require_not_negative(), Ok(Volume::ZERO));
    assert_eq!(
        Volume::of_microlitres(-1).require_not_negative(),
        Err(QuantityError::Negative)
    );
}

#[cfg(feature = "schema")]
#[test]
fn the_schema_describes_the_wire_form() {
    use utoipa::{PartialSchema, ToSchema};
    assert_eq!(
        (Mass::name(), Volume::name()),
        ("Mass".into(), "Volume".into())
    );
    for (schema, unit) in [(Mass::schema(), "[lb_av]"), (Volume::schema(), "[foz_us]")] {
        let schema = serde_json::to_value(schema).unwrap();
        assert_eq!(schema["type"], "object");
        assert_eq!(schema["required"], json!(["value", "unit"]));
        assert_eq!(schema["properties"]["value"]["type"], "string");
        assert_eq!(
            schema["properties"]["value"]["pattern"],
            r"^-?[0-9]+(\.[0-9]+)?$"
        );
        assert_eq!(schema["additionalProperties"], false);
        assert!(
            schema["properties"]["unit"]["enum"]
                .as_array()
                .unwrap()
                .contains(&json!(unit))
        );
    }
    let example = serde_json::to_value(Mass::schema()).unwrap()["examples"][0].clone();
    assert_eq!(
        serde_json::from_value::<Mass>(example).unwrap(),
        mass("1.5", "kg")
    );
}

proptest! {
    #[test]
    fn text_in_every_unit_reads_back_the_same(count in -1_000_000_000_000_i64..1_000_000_000_000) {
        for code in Dimension::Mass.unit_codes() {
            let text = Mass::of_milligrams(count).to_text(code).unwrap();
            prop_assert_eq!(Mass::try_from(text), Ok(Mass::of_milligrams(count)));
        }
        for code in Dimension::Volume.unit_codes() {
            let text = Volume::of_microlitres(count).to_text(code).unwrap();
            prop_assert_eq!(Volume::try_from(text), Ok(Volume::of_microlitres(count)));
        }
    }

    /// Against the definition: never more than half a unit off, and even where exactly half.
    #[test]
    fn rounding_is_to_the_nearest_and_even_in_a_tie(thousandths in -10_000_000_i64..10_000_000) {
        let sign = if thousandths < 0 { "-" } else { "" };
        let size = thousandths.abs();
        let text = format!("{sign}{}.{:03}", size / 1_000, size % 1_000);
        let rounded = mass(&text, "mg").milligrams();
        let off = (rounded * 1_000 - thousandths).abs();
        prop_assert!(off <= 500);
        prop_assert!(off != 500 || rounded % 2 == 0);
    }

    #[test]
    fn no_text_panics(value in "\\PC{0,50}|[-0-9.]{0,45}", unit in "\\PC{0,50}|\\[?[a-zA-Z_]{1,6}\\]?") {
        let _ = Mass::parse(&value, &unit);
        let _ = Volume::parse(&value, &unit).map(|read| read.to_text(&unit));
        if let Err(error) = Mass::parse(&value, &unit) {
            prop_assert!(error.to_string().len() < 1_000);
        }
    }
}
