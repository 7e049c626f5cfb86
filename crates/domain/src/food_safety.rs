//! Cautions for produce that people will eat. They travel with the answer they belong to, so that no
//! screen can forget them.

use crate::temperature::Temperature;

/// What to mind, and where it comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FoodCaution {
    /// What to do.
    pub text: &'static str,
    /// Its source.
    pub source: &'static str,
}

const HYGIENE_SOURCE: &str = "themes of 21 CFR 112, subparts D, K and L, from memory";
const COLD_SOURCE: &str = "US Food and Drug Administration, Program Information Manual: Retail Food Protection, \
     Recommendations for the Temperature Control of Cut Leafy Greens, 7 July 2010 (2009 Food Code)";

/// The warmest at which cut leafy greens are received and held: 5 °C, 41 °F (FDA, 2010).
pub const WARMEST_HELD: Temperature = Temperature::of_decicelsius(50);

const HOLD_COLD: FoodCaution = FoodCaution {
    text: "Hold cut leafy greens at 5 °C (41 °F) or below. The guidance means leaves that were shredded, \
        sliced, chopped or torn, not those only cut off at harvest (from memory); cold keeps both.",
    source: COLD_SOURCE,
};

const TOO_WARM: FoodCaution = FoodCaution {
    text: "Handed over above 5 °C (41 °F). Cut leafy greens should have been colder: cool them at once, and let \
        the recipient decide by its own food-safety rules whether they can be used.",
    source: COLD_SOURCE,
};

const HELD_TOO_WARM: FoodCaution = FoodCaution {
    text: "Held above 5 °C (41 °F). Cool it at once, find out how long it was so warm, and go by your own \
        food-safety rules on whether it can still be handed over.",
    source: COLD_SOURCE,
};

const LOCAL_RULES: FoodCaution = FoodCaution {
    text: "Whether a produce-safety rule applies to your garden depends on where you are and on what is sold: \
        find out from your local authority. Local rules come first.",
    source: "21 CFR 112.4 and 112.5 are the rule in the United States",
};

const HARVEST_HYGIENE: [FoodCaution; 4] = [
    FoodCaution {
        text: "Whoever is ill or has an open wound on the hand does not cut or pack. Wash hands first.",
        source: HYGIENE_SOURCE,
    },
    FoodCaution {
        text: "Use clean blades and clean totes, and keep the leaves off the floor.",
        source: HYGIENE_SOURCE,
    },
    FoodCaution {
        text: "Do not rinse leaves in the nutrient solution; use drinking water where they are rinsed at all.",
        source: HYGIENE_SOURCE,
    },
    FoodCaution {
        text: "Cool promptly, and write the tray code on the tray.",
        source: HYGIENE_SOURCE,
    },
];

const TRAY_WITHHELD: FoodCaution = FoodCaution {
    text: "A recall holds this tray back: it cannot be packed. Set it aside, apart from other food, label it, see that \
        nobody eats it, and ask a coordinator.",
    source: "common practice, no source",
};

/// Cautions at a cut; first of all that a recall holds it back, where one does.
pub fn at_cut(is_withheld: bool) -> Vec<FoodCaution> {
    let mut cautions = Vec::from_iter(is_withheld.then_some(TRAY_WITHHELD));
    cautions.extend(HARVEST_HYGIENE);
    cautions.extend([HOLD_COLD, LOCAL_RULES]);
    cautions
}

/// Cautions for cut greens that are held, by the temperature that was read.
pub fn at_holding(read: Temperature) -> Vec<FoodCaution> {
    let mut cautions = if read > WARMEST_HELD {
        vec![HELD_TOO_WARM]
    } else {
        Vec::new()
    };
    cautions.extend([HOLD_COLD, LOCAL_RULES]);
    cautions
}

const DELIVERY_WITHHELD: FoodCaution = FoodCaution {
    text: "A recall holds back some of this delivery: do not hand it over, and let nobody eat it. Set it aside, apart \
        from other food and labelled, and ask a coordinator.",
    source: "common practice, no source",
};

/// Cautions at a delivery: whether a recall holds back anything of it, and by the temperature at hand-over where it was
/// measured.
pub fn at_delivery(is_withheld: bool, handed_over_at: Option<Temperature>) -> Vec<FoodCaution> {
    let warm = handed_over_at.is_some_and(|temperature| temperature > WARMEST_HELD);
    let mut cautions = Vec::from_iter(is_withheld.then_some(DELIVERY_WITHHELD));
    cautions.extend(warm.then_some(TOO_WARM));
    cautions.extend([HOLD_COLD, LOCAL_RULES]);
    cautions
}

/// Whether a recall holds back what it finds suspect.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Withholding {
    /// Not before it is started.
    NotYet,
    /// From its start, also after it is closed.
    Now,
    /// Not since it was released.
    NoMore,
}

const NOT_WITHHELD_YET: FoodCaution = FoodCaution {
    text: "A draft holds nothing back: until it is started, what is suspect can be packed and handed over. Set aside \
        what is still there, away from other food, and mark it so that nobody eats or hands it on.",
    source: "common practice, no source",
};

const WITHHELD: FoodCaution = FoodCaution {
    text: "Until this recall is released, also after it is closed, what is suspect is withheld: it cannot be packed or \
        handed over. Set it apart from other food, label it, and see that nobody eats it: trays in the cold, deliveries \
        that are packed, and plants that still grow.",
    source: "common practice, no source",
};

const RELEASED: FoodCaution = FoodCaution {
    text: "Released: nothing is withheld for this recall any more, and what was suspect can be packed again. That is a \
        decision of the co-operative and no proof that it is safe. The word of the local food-safety or health authority \
        comes first; without it, throw away what you doubt.",
    source: "common practice, no source",
};

const RECALL: [FoodCaution; 3] = [
    FoodCaution {
        text: "Tell every recipient the day, the crop and the tray codes, and ask them to pass it on to whoever got it \
            from them. A message that was sent is not a message that was heard: ask them to confirm.",
        source: "common practice, no source",
    },
    FoodCaution {
        text: "Whoever feels ill asks a doctor or the local poison or health service, not the garden.",
        source: "common practice, no source",
    },
    FoodCaution {
        text: "Whether, when and whom you must notify is for the local food-safety or health authority to say: ask it \
            before you decide that a matter is small. Its instructions come before anything that is written here.",
        source: "21 CFR 7.40 to 7.59 describe recalls in the United States, from memory; other places have rules of their own",
    },
];

/// Cautions with a recall; first of all what is to be done with what is suspect.
pub fn at_recall(withholding: Withholding) -> Vec<FoodCaution> {
    let first = match withholding {
        Withholding::NotYet => NOT_WITHHELD_YET,
        Withholding::Now => WITHHELD,
        Withholding::NoMore => RELEASED,
    };
    let mut cautions = vec![first];
    cautions.extend(RECALL);
    cautions.push(LOCAL_RULES);
    cautions
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 41 °F is the same limit as 5 °C in the 2010 guidance.
    #[test]
    fn the_limit_itself_is_cold_enough() {
        for (value, unit, warm) in [
            ("5", "Cel", false),
            ("5.1", "Cel", true),
            ("41", "[degF]", false),
            ("41.2", "[degF]", true),
        ] {
            let temperature = Temperature::parse(value, unit);
            let cautions = temperature.map(|t| at_delivery(false, Some(t)));
            assert_eq!(
                cautions.map(|c| c.contains(&TOO_WARM)),
                Ok(warm),
                "{value} {unit}"
            );
        }
        assert!(!at_delivery(false, None).contains(&TOO_WARM));
        assert!(!at_holding(WARMEST_HELD).contains(&HELD_TOO_WARM));
        assert!(at_holding(Temperature::of_decicelsius(51)).contains(&HELD_TOO_WARM));
    }
}
