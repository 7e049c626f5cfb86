//! Cautions, as data that travel with every answer that leads a person to handle a substance.
//!
//! Hazard statements are those of the UN Globally Harmonized System (GHS rev. 9, 2021). Which apply
//! from which concentration follows the harmonised entries of Annex VI to Regulation (EC) 1272/2008 and
//! the common self-classifications where there is no entry, both from memory: the product's own label and
//! safety data sheet come first. H318 is left out beside H314, and H400 beside H410, as GHS has it.

use cotyl_domain::QualificationKind;

use crate::product::{Form, Product};
use crate::substance::Substance;

/// What to mind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caution {
    /// Stable code.
    pub code: &'static str,
    /// What to do.
    pub text: &'static str,
    /// Where it comes from.
    pub source: &'static str,
    /// What a member must hold to do the work, where not everybody may.
    pub qualification: Option<QualificationKind>,
}

/// A hazard statement of the GHS.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct HazardStatement {
    /// H314 and so on.
    pub code: &'static str,
    /// Its wording.
    pub text: &'static str,
}

/// The hazards of one product, and the cautions for whoever handles it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProductCautions {
    /// The product.
    pub product: String,
    /// Hazard statements.
    pub hazards: Vec<HazardStatement>,
    /// Source of the statements.
    pub hazard_source: &'static str,
    /// Whether handling it needs the qualification for concentrates.
    pub needs_concentrates: bool,
    /// Cautions.
    pub cautions: Vec<Caution>,
}

/// Deference that ends every list.
pub const FOLLOW_LABEL: Caution = Caution {
    code: "follow-label-and-local-rules",
    text: "Follow the product label, its safety data sheet and local rules; where they differ from this, \
        they are right.",
    source: "common practice, no source",
    qualification: None,
};

const HAZARD_SOURCE: &str = "UN GHS rev. 9, 2021; classification by Regulation (EC) 1272/2008, Annex VI, or common \
     self-classification, from memory; the label comes first";

const CONCENTRATES: Option<QualificationKind> = Some(QualificationKind::Concentrates);

const INTO_WATER: Caution = Caution {
    code: "concentrate-into-water",
    text: "Pour the concentrate into the water, slowly and stirring; never water into acid or base: it heats \
        and spits.",
    source: "NC State University, page on acid for blueberry; GHS practice",
    qualification: CONCENTRATES,
};

const NEVER_ACID_WITH_BASE: Caution = Caution {
    code: "never-acid-with-base",
    text: "Never bring acid and base together undiluted, and use a separate, labelled measure for each.",
    source: "common practice, no source",
    qualification: CONCENTRATES,
};

const PROTECTION: Caution = Caution {
    code: "eye-protection-and-gloves",
    text: "Wear goggles and chemical-proof gloves. Splashed skin or eyes: rinse with much water for 15 \
        minutes and get medical help.",
    source: "GHS precautionary statements P280, P305+P351+P338, from memory",
    qualification: None,
};

const TRAINED_ADULTS: Caution = Caution {
    code: "trained-adults-only",
    text: "Trained adults only; keep children and bystanders away while it is open.",
    source: "common practice, no source",
    qualification: CONCENTRATES,
};

const STORE_APART: Caution = Caution {
    code: "store-locked-and-apart",
    text: "Store locked, upright and labelled; acids, bases and oxidising salts apart from each other and \
        from food.",
    source: "GHS precautionary statement P405, from memory",
    qualification: None,
};

const SPILLS: Caution = Caution {
    code: "spills-and-disposal-by-local-rules",
    text: "Contain a spill and keep it from drains; dispose of rests and rinsings by local rules.",
    source: "GHS precautionary statement P501, from memory",
    qualification: None,
};

const NOT_FOR_DRINKING: Caution = Caution {
    code: "not-for-drinking",
    text: "Nutrient solution and concentrates are not for drinking: label every container.",
    source: "common practice, no source",
    qualification: None,
};

const PARTS_APART: Caution = Caution {
    code: "never-parts-undiluted",
    text: "Never mix part A with part B undiluted: calcium settles with sulfate and phosphate. Dilute one fully \
        before the other goes in.",
    source: "extension sheets on stock solutions, and Hoagland and Arnon, Circular 347, 1950, from memory",
    qualification: CONCENTRATES,
};

const READ_AGAIN: Caution = Caution {
    code: "stir-wait-read-again",
    text: "Stir, wait until the reading is steady, and read again before any further dose. Carbon dioxide \
        leaves a freshly acidified water for a day and the pH drifts up: read again the next day rather than \
        dosing ahead.",
    source: "equilibrium with air of a dosed water, as computed here and by PHREEQC",
    qualification: None,
};

const SMALL_DOSE: Caution = Caution {
    code: "dose-by-dilute-stock",
    text: "The dose is too small to weigh or measure: make a dilute stock and dose from it, never by the \
        pinch.",
    source: "common practice, no source",
    qualification: CONCENTRATES,
};

const DUST: Caution = Caution {
    code: "no-dust",
    text: "Weigh powders without raising dust, and wash your hands afterwards.",
    source: "GHS precautionary statements P261 and P264, from memory",
    qualification: None,
};

const H272: HazardStatement = hazard("H272", "May intensify fire; oxidiser");
const H290: HazardStatement = hazard("H290", "May be corrosive to metals");
const H302: HazardStatement = hazard("H302", "Harmful if swallowed");
const H314: HazardStatement = hazard("H314", "Causes severe skin burns and eye damage");
const H315: HazardStatement = hazard("H315", "Causes skin irritation");
const H318: HazardStatement = hazard("H318", "Causes serious eye damage");
const H319: HazardStatement = hazard("H319", "Causes serious eye irritation");
const H331: HazardStatement = hazard("H331", "Toxic if inhaled");
const H335: HazardStatement = hazard("H335", "May cause respiratory irritation");
const H226: HazardStatement = hazard("H226", "Flammable liquid and vapour");
const H360: HazardStatement = hazard(
    "H360FD",
    "May damage fertility. May damage the unborn child",
);
const H373: HazardStatement = hazard(
    "H373",
    "May cause damage to organs through prolonged or repeated exposure",
);
const H410: HazardStatement = hazard(
    "H410",
    "Very toxic to aquatic life with long lasting effects",
);
const H411: HazardStatement = hazard("H411", "Toxic to aquatic life with long lasting effects");

const fn hazard(code: &'static str, text: &'static str) -> HazardStatement {
    HazardStatement { code, text }
}

/// Statements of one substance, each from a percentage by mass to below another.
const fn statements(substance: Substance) -> &'static [(f64, f64, HazardStatement)] {
    const ALL: f64 = 101.0;
    match substance {
        Substance::PhosphoricAcid => &[
            (25.0, ALL, H290),
            (25.0, ALL, H314),
            (10.0, 25.0, H315),
            (10.0, 25.0, H319),
        ],
        Substance::NitricAcid => &[
            (65.0, ALL, H272),
            (5.0, ALL, H290),
            (5.0, ALL, H314),
            (26.5, ALL, H331),
            (1.0, 5.0, H315),
            (1.0, 5.0, H319),
        ],
        Substance::SulfuricAcid => &[
            (15.0, ALL, H290),
            (15.0, ALL, H314),
            (5.0, 15.0, H315),
            (5.0, 15.0, H319),
        ],
        Substance::CitricAcid => &[(10.0, ALL, H319), (20.0, ALL, H335)],
        Substance::AceticAcid => &[
            (50.0, ALL, H226),
            (25.0, ALL, H290),
            (25.0, ALL, H314),
            (10.0, 25.0, H315),
            (10.0, 25.0, H319),
        ],
        Substance::PotassiumHydroxide => &[
            (2.0, ALL, H290),
            (25.0, ALL, H302),
            (2.0, ALL, H314),
            (0.5, 2.0, H315),
            (0.5, 2.0, H319),
        ],
        Substance::PotassiumCarbonate => &[(10.0, ALL, H315), (10.0, ALL, H319), (20.0, ALL, H335)],
        Substance::SodiumCarbonate => &[(10.0, ALL, H319)],
        Substance::PotassiumNitrate => &[(80.0, ALL, H272)],
        Substance::AmmoniumNitrate => &[(70.0, ALL, H272), (10.0, ALL, H319)],
        Substance::CalciumNitrateTetrahydrate | Substance::CalciumAmmoniumNitrate => {
            &[(25.0, ALL, H302), (3.0, ALL, H318)]
        }
        Substance::MagnesiumNitrateHexahydrate => &[(80.0, ALL, H272)],
        Substance::CalciumChlorideDihydrate => &[(10.0, ALL, H319)],
        Substance::BoricAcid | Substance::Borax => &[(0.3, ALL, H360)],
        Substance::ManganeseSulfateMonohydrate => {
            &[(3.0, ALL, H318), (10.0, ALL, H373), (25.0, ALL, H411)]
        }
        Substance::ZincSulfateHeptahydrate | Substance::CopperSulfatePentahydrate => {
            &[(25.0, ALL, H302), (3.0, ALL, H318), (25.0, ALL, H410)]
        }
        _ => &[],
    }
}

/// Hazard statements of a product of stated substances, each once and in order; empty for a product
/// known by its label alone, whose label must be read.
#[must_use]
pub fn hazards(product: &Product) -> Vec<HazardStatement> {
    let mut found: Vec<HazardStatement> = product
        .substances()
        .iter()
        .flat_map(|(substance, percent)| {
            statements(*substance)
                .iter()
                .filter(move |(from, below, _)| from <= percent && percent < below)
                .map(|(_, _, statement)| *statement)
        })
        .collect();
    found.sort_unstable();
    found.dedup();
    let has = |code: &str| found.iter().any(|statement| statement.code == code);
    let (burns, damage) = (has("H314"), has("H318"));
    found.retain(|statement| match statement.code {
        "H318" => !burns,
        "H315" => !burns,
        "H319" => !burns && !damage,
        _ => true,
    });
    found
}

/// Cautions for handling a product as it comes: an acid, a base or a concentrate needs the
/// qualification, dry fertiliser does not.
#[must_use]
pub fn for_product(product: &Product) -> ProductCautions {
    let hazards = hazards(product);
    let adjuster = product.adjusts().is_some();
    let liquid = matches!(product.form(), Form::Liquid { .. });
    let corrosive = hazards.iter().any(|statement| statement.code == "H314");
    let needs_concentrates = adjuster || liquid || corrosive;
    let mut cautions = Vec::new();
    if needs_concentrates {
        cautions.extend([TRAINED_ADULTS, INTO_WATER]);
    }
    if adjuster {
        cautions.push(NEVER_ACID_WITH_BASE);
    }
    if needs_concentrates || !hazards.is_empty() {
        cautions.push(PROTECTION);
    }
    if !liquid {
        cautions.push(DUST);
    }
    cautions.extend([STORE_APART, SPILLS, NOT_FOR_DRINKING, FOLLOW_LABEL]);
    ProductCautions {
        product: product.name().to_owned(),
        hazards,
        hazard_source: HAZARD_SOURCE,
        needs_concentrates,
        cautions,
    }
}

/// Millilitres or grams of a dose below which nobody measures it rightly.
const SMALLEST_MEASURED: f64 = 0.5;

/// Cautions for dosing an acid or base into a batch: those of the product, and those of the dose of so
/// many grams.
#[must_use]
pub fn for_dose(product: &Product, grams: f64) -> ProductCautions {
    let mut cautions = for_product(product);
    cautions.needs_concentrates = true;
    let mut extra = vec![READ_AGAIN];
    let amount = match product.form() {
        Form::Solid => grams,
        Form::Liquid {
            grams_per_millilitre,
        } => grams / grams_per_millilitre,
    };
    if amount < SMALLEST_MEASURED {
        extra.push(SMALL_DOSE);
    }
    let last = cautions.cautions.len().saturating_sub(1);
    cautions.cautions.splice(last..last, extra);
    cautions
}

/// Cautions for making or using concentrates in two or more parts.
#[must_use]
pub fn for_concentrates() -> Vec<Caution> {
    vec![
        TRAINED_ADULTS,
        PARTS_APART,
        PROTECTION,
        STORE_APART,
        SPILLS,
        NOT_FOR_DRINKING,
        FOLLOW_LABEL,
    ]
}
