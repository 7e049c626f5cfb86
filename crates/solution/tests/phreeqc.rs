//! The crate against PHREEQC over a grid of waters, recipes, acids, bases, air and temperature.
//! The largest deviation of each kind is printed:
//! `cargo test -p cotyl-solution --test phreeqc -- --nocapture`.
#![allow(clippy::unwrap_used)]

mod common;

use cotyl_solution::{
    Air, Basis, Component, Conditions, DoseAnswer, Equilibrium, Form, LabelItem, Nutrient,
    Precipitate, Product, RecipeLine, Solution, Substance, conductivity_at, dissolve, dose_to_ph,
    equilibrium, saturations,
};
use serde_json::{Value, json};

use Component as C;
use Substance as S;

/// One comparison.
struct Case {
    name: String,
    start: Solution,
    conditions: Conditions,
    adjust: Option<(Substance, f64)>,
}

/// What the crate says of a case.
struct Ours {
    at: Equilibrium,
    conductivity: Option<f64>,
    gypsum: Option<f64>,
    /// mol of adjuster per kilogram of the water it started from.
    dose: Option<f64>,
}

fn pure(substance: Substance) -> Product {
    Product::of_substances(format!("{substance:?}"), Form::Solid, &[(substance, 100.0)]).unwrap()
}

/// Waters by their salts in mmol/kg: a little free carbon dioxide, charges closed.
fn waters() -> Vec<(&'static str, Solution)> {
    let of = |amounts: &[(Component, f64)]| {
        Solution::of_moles_per_kilogram(amounts.iter().map(|(c, amount)| (*c, amount / 1000.0)))
            .unwrap()
    };
    vec![
        ("demineralised", of(&[(C::Carbonate, 0.015)])),
        (
            "soft",
            of(&[
                (C::Calcium, 0.2),
                (C::Magnesium, 0.05),
                (C::Sodium, 0.3),
                (C::Chloride, 0.2),
                (C::Sulfate, 0.05),
                (C::Carbonate, 0.55),
            ]),
        ),
        ("medium", of(&[(C::Sodium, 2.0), (C::Carbonate, 2.06)])),
        (
            "hard",
            of(&[
                (C::Calcium, 2.0),
                (C::Magnesium, 0.8),
                (C::Sodium, 0.5),
                (C::Potassium, 0.05),
                (C::Chloride, 0.8),
                (C::Sulfate, 0.6),
                (C::Nitrate, 0.15),
                (C::Carbonate, 4.3),
            ]),
        ),
        (
            "alkaline",
            of(&[
                (C::Calcium, 0.3),
                (C::Magnesium, 0.2),
                (C::Sodium, 6.5),
                (C::Chloride, 0.7),
                (C::Sulfate, 0.4),
                (C::Borate, 0.02),
                (C::Carbonate, 6.0),
            ]),
        ),
        (
            "hard with sulfate",
            of(&[
                (C::Calcium, 3.5),
                (C::Magnesium, 1.5),
                (C::Sodium, 1.0),
                (C::Chloride, 1.5),
                (C::Sulfate, 2.25),
                (C::Carbonate, 5.4),
            ]),
        ),
    ]
}

/// Recipes as products with grams per litre.
fn recipes() -> Vec<(&'static str, Vec<(Product, f64)>)> {
    let salts = |times: f64, list: &[(Substance, f64)]| {
        list.iter()
            .map(|(substance, grams)| (pure(*substance), grams * times))
            .collect::<Vec<_>>()
    };
    let hoagland = [
        (S::PotassiumNitrate, 0.5055),
        (S::CalciumNitrateTetrahydrate, 1.1807),
        (S::MagnesiumSulfateHeptahydrate, 0.4929),
        (S::PotassiumDihydrogenPhosphate, 0.1361),
    ];
    let two_part = [
        (S::CalciumAmmoniumNitrate, 0.6),
        (S::PotassiumNitrate, 0.35),
        (S::MagnesiumSulfateHeptahydrate, 0.4),
        (S::PotassiumSulfate, 0.1),
        (S::PotassiumDihydrogenPhosphate, 0.2),
        (S::BoricAcid, 0.0015),
        (S::ManganeseSulfateMonohydrate, 0.0015),
        (S::ZincSulfateHeptahydrate, 0.0003),
        (S::CopperSulfatePentahydrate, 0.0001),
    ];
    let bag = [
        (S::PotassiumNitrate, 40.0),
        (S::AmmoniumDihydrogenPhosphate, 14.0),
        (S::MagnesiumSulfateHeptahydrate, 22.0),
        (S::Urea, 6.0),
        (S::AmmoniumSulfate, 8.0),
        (S::BoricAcid, 0.2),
    ];
    let bag = Product::of_substances("single bag", Form::Solid, &bag).unwrap();
    let label = [
        (LabelItem::Element(Nutrient::NitrateNitrogen), 6.5),
        (LabelItem::Element(Nutrient::AmmoniumNitrogen), 1.5),
        (LabelItem::PhosphorusPentoxide, 15.0),
        (LabelItem::PotassiumOxide, 36.0),
        (LabelItem::Element(Nutrient::Magnesium), 3.0),
        (LabelItem::Element(Nutrient::Sulfur), 4.0),
        (LabelItem::Element(Nutrient::Iron), 0.3),
    ];
    let label =
        Product::of_analysis("labelled bag", Form::Solid, Basis::MassPerMass, &label).unwrap();
    let mut labelled = vec![(label, 0.6)];
    labelled.extend(salts(1.0, &[(S::CalciumNitrateTetrahydrate, 0.6)]));
    vec![
        ("water alone", vec![]),
        ("Hoagland", salts(1.0, &hoagland)),
        ("half Hoagland", salts(0.5, &hoagland)),
        ("two parts", salts(1.0, &two_part)),
        ("single bag", vec![(bag, 0.9)]),
        ("labelled bag and calcium nitrate", labelled),
    ]
}

fn mixed(water: &Solution, recipe: &[(Product, f64)]) -> Solution {
    let lines: Vec<RecipeLine<'_>> = recipe
        .iter()
        .map(|(product, grams_per_litre)| RecipeLine {
            product,
            grams_per_litre: *grams_per_litre,
        })
        .collect();
    dissolve(water, &lines).unwrap()
}

fn dosed(start: &Solution, substance: Substance, target: f64) -> Option<Solution> {
    let product = pure(substance);
    match dose_to_ph(start, &product, Conditions::STANDARD, target, 50.0).unwrap() {
        DoseAnswer::Reaches(dose) => Some(dose.after),
        _ => None,
    }
}

fn grid() -> Vec<Case> {
    let mut cases = Vec::new();
    for (water_name, water) in waters() {
        for (recipe_name, recipe) in recipes() {
            let start = mixed(&water, &recipe);
            let name = |what: &str| format!("{recipe_name} in {water_name}, {what}");
            let mut add = |what: &str, start: Solution, conditions, adjust| {
                cases.push(Case {
                    name: name(what),
                    start,
                    conditions,
                    adjust,
                });
            };
            add("closed", start, Conditions::STANDARD, None);
            for celsius in [10.0, 35.0] {
                let air = Air::Closed;
                add(
                    &format!("{celsius} °C"),
                    start,
                    Conditions { celsius, air },
                    None,
                );
            }
            let open = Conditions {
                celsius: 25.0,
                air: Air::OUTDOOR,
            };
            add("open", start, open, None);
            for (acid, target) in [
                (S::PhosphoricAcid, 5.8),
                (S::NitricAcid, 5.5),
                (S::SulfuricAcid, 6.0),
                (S::CitricAcid, 5.6),
                (S::AceticAcid, 5.9),
            ] {
                let ph = equilibrium(&start, Conditions::STANDARD).unwrap().ph();
                if ph > target + 0.05 {
                    add(
                        &format!("{acid:?}"),
                        start,
                        Conditions::STANDARD,
                        Some((acid, target)),
                    );
                }
            }
            // an over-acid batch is lifted again; what is asked is the dose of base
            let acid = dosed(&start, S::NitricAcid, 4.5).unwrap_or(start);
            for (base, target) in [
                (S::PotassiumHydroxide, 6.2),
                (S::PotassiumCarbonate, 5.8),
                (S::PotassiumHydrogenCarbonate, 5.6),
            ] {
                add(
                    &format!("{base:?}"),
                    acid,
                    Conditions::STANDARD,
                    Some((base, target)),
                );
            }
        }
    }
    cases.extend(concentrates());
    cases
}

/// Parts of a two-part recipe and of a single bag as they stand in the bottle.
fn concentrates() -> Vec<Case> {
    let mut cases = Vec::new();
    for times in [10.0, 20.0, 50.0] {
        let parts: [(&str, &[(Substance, f64)]); 4] = [
            (
                "part A",
                &[
                    (S::CalciumNitrateTetrahydrate, 1.18),
                    (S::PotassiumNitrate, 0.3),
                ],
            ),
            (
                "part B",
                &[
                    (S::MagnesiumSulfateHeptahydrate, 0.5),
                    (S::PotassiumDihydrogenPhosphate, 0.2),
                    (S::PotassiumSulfate, 0.1),
                ],
            ),
            (
                "calcium with sulfate",
                &[
                    (S::CalciumNitrateTetrahydrate, 1.18),
                    (S::MagnesiumSulfateHeptahydrate, 0.5),
                ],
            ),
            (
                "bag",
                &[
                    (S::AmmoniumDihydrogenPhosphate, 0.2),
                    (S::AmmoniumSulfate, 0.2),
                ],
            ),
        ];
        for (name, salts) in parts {
            let recipe: Vec<_> = salts
                .iter()
                .map(|(substance, grams)| (pure(*substance), grams * times))
                .collect();
            cases.push(Case {
                name: format!("{name} × {times}"),
                start: mixed(&Solution::WATER, &recipe),
                conditions: Conditions::STANDARD,
                adjust: None,
            });
        }
    }
    cases
}

impl Case {
    fn ours(&self) -> Ours {
        let (after, dose) = match self.adjust {
            None => (self.start, None),
            Some((substance, target)) => {
                let answer =
                    dose_to_ph(&self.start, &pure(substance), self.conditions, target, 50.0);
                let DoseAnswer::Reaches(dose) = answer.unwrap() else {
                    panic!("{}: no dose", self.name);
                };
                let water = self.start.water_kilograms_per_litre();
                (dose.after, Some(dose.millimoles_per_litre / 1000.0 / water))
            }
        };
        let at = equilibrium(&after, self.conditions).unwrap();
        assert!(at.charge_residual().abs() < 1e-9, "{}", self.name);
        let standard = self.conditions.celsius == 25.0;
        let gypsum = saturations(&at, self.conditions.celsius)
            .into_iter()
            .find(|saturation| saturation.precipitate == Precipitate::Gypsum)
            .map(|saturation| saturation.saturation_index);
        let conductivity = standard
            .then(|| conductivity_at(&at).ok())
            .flatten()
            .map(|estimate| estimate.microsiemens_per_cm);
        Ours {
            at,
            conductivity,
            gypsum,
            dose,
        }
    }

    fn as_json(&self) -> Value {
        let water = self.start.water_kilograms_per_litre();
        let mut amounts: serde_json::Map<String, Value> = Component::ALL
            .iter()
            .map(|component| {
                let molality = self.start.moles_per_litre(*component) / water;
                (format!("{component:?}"), json!(molality))
            })
            .collect();
        let inert = self.start.unlisted_equivalents_per_litre() / water;
        amounts.insert("InertPositive".into(), json!(inert.max(0.0)));
        amounts.insert("InertNegative".into(), json!((-inert).max(0.0)));
        amounts.remove("Molybdate");
        let adjuster = self.adjust.map(|(substance, target)| {
            let components: serde_json::Map<String, Value> = substance
                .components()
                .iter()
                .map(|(component, count)| (format!("{component:?}"), json!(count)))
                .collect();
            json!({"components": components, "target": target, "at_most": 0.03})
        });
        let log_carbon_dioxide = match self.conditions.air {
            Air::Closed => None,
            Air::Open {
                log_carbon_dioxide_atmospheres,
            } => Some(log_carbon_dioxide_atmospheres),
        };
        json!({
            "amounts": amounts,
            "celsius": self.conditions.celsius,
            "log_carbon_dioxide": log_carbon_dioxide,
            "adjuster": adjuster,
        })
    }
}

fn phreeqc(cases: &[Case], data: &str) -> Vec<Value> {
    let list: Value = cases.iter().map(Case::as_json).collect();
    let Value::Array(answers) = common::python("phreeqc.py", &list, &[data]) else {
        panic!("no list");
    };
    answers
}

/// The largest deviation of one kind, and where.
#[derive(Default)]
struct Largest {
    cases: usize,
    deviation: f64,
    at: String,
}

impl Largest {
    fn see(&mut self, deviation: f64, case: &Case) {
        assert!(deviation.is_finite(), "{}", case.name);
        self.cases += 1;
        if deviation.abs() >= self.deviation.abs() {
            self.deviation = deviation;
            self.at.clone_from(&case.name);
        }
    }

    fn report(&self, what: &str, most: f64) {
        let line = format!(
            "{what}: largest of {} cases {:+.5} (allowed {most}), at {}",
            self.cases, self.deviation, self.at
        );
        println!("{line}");
        assert!(self.deviation.abs() <= most, "{line}");
    }
}

/// Largest deviations that are allowed.
struct Allowed {
    ph: f64,
    ph_of_concentrates: f64,
    conductivity_percent: f64,
    gypsum: f64,
    dose_percent: f64,
}

fn compare(data: &str, cases: &[Case], allowed: &Allowed) {
    let theirs = phreeqc(cases, data);
    assert_eq!(theirs.len(), cases.len());
    let mut kinds: [Largest; 8] = std::array::from_fn(|_| Largest::default());
    let [ph, open, warm, strong, ionic, conductivity, gypsum, dose] = &mut kinds;
    for (case, theirs) in cases.iter().zip(&theirs) {
        let ours = case.ours();
        let of = |key: &str| theirs[key].as_f64().unwrap();
        let away = ours.at.ph() - of("ph");
        match (case.conditions, case.adjust) {
            _ if ours.at.ionic_strength() > 0.1 => strong.see(away, case),
            (_, Some(_)) => {}
            (Conditions { celsius, .. }, _) if celsius != 25.0 => warm.see(away, case),
            (
                Conditions {
                    air: Air::Closed, ..
                },
                _,
            ) => ph.see(away, case),
            _ => open.see(away, case),
        }
        ionic.see((ours.at.ionic_strength() / of("mu") - 1.0) * 100.0, case);
        if let Some(ours) = ours.conductivity.filter(|_| of("mu") < 0.1) {
            conductivity.see((ours / of("sc") - 1.0) * 100.0, case);
        }
        if let Some(ours) = ours.gypsum {
            gypsum.see(ours - of("gypsum"), case);
        }
        if let Some(ours) = ours.dose {
            dose.see((ours / of("dose") - 1.0) * 100.0, case);
        }
    }
    println!("phreeqc.dat {data}, {} cases", cases.len());
    ph.report("pH, closed, 25 °C", allowed.ph);
    open.report("pH, open to air, 25 °C", allowed.ph);
    warm.report("pH at 10 and 35 °C", allowed.ph);
    strong.report("pH of concentrates", allowed.ph_of_concentrates);
    ionic.report("ionic strength, %", 2.0);
    conductivity.report("conductivity, %", allowed.conductivity_percent);
    gypsum.report("saturation index of gypsum", allowed.gypsum);
    if dose.cases > 0 {
        dose.report("dose of acid or base, %", allowed.dose_percent);
    }
}

#[test]
fn agrees_with_phreeqc() {
    let cases = grid();
    assert!(cases.len() >= 300, "{} cases", cases.len());
    compare(
        "without NaCO3-",
        &cases,
        &Allowed {
            ph: 0.02,
            ph_of_concentrates: 0.05,
            conductivity_percent: 4.0,
            gypsum: 0.05,
            dose_percent: 1.0,
        },
    );
}

/// The file as distributed holds the pair NaCO₃⁻, which the crate leaves out since a primary pH
/// standard speaks against it. That is worth up to 0.02 pH in the most alkaline sodium water.
#[test]
fn differs_from_the_file_as_distributed_by_one_pair() {
    let cases: Vec<Case> = grid()
        .into_iter()
        .filter(|case| case.adjust.is_none())
        .collect();
    compare(
        "as distributed",
        &cases,
        &Allowed {
            ph: 0.03,
            ph_of_concentrates: 0.05,
            conductivity_percent: 4.0,
            gypsum: 0.05,
            dose_percent: 1.0,
        },
    );
}
