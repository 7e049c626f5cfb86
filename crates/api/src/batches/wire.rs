//! Batches as they cross the edge.

use chrono::{DateTime, Utc};
use cotyl_app::batches::entry_input::{EntryFields, ShownConductivity};
use cotyl_app::batches::plan::{BatchPlan, Missing, Worked};
use cotyl_app::batches::{BatchPreview as AppPreview, BatchRequest, NamedLot, file};
use cotyl_app::chemistry::Measured;
use cotyl_app::records;
use cotyl_app::solution::MixingStep;
use cotyl_domain::quantity::Volume;
use cotyl_domain::temperature::Temperature;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::batches::next_step::NextStep;
use crate::handling::{ExpectedReading, HandlingRules};
use crate::measured::WeighedOrPoured;
use crate::problem::Problem;

/// A lot that is to be used.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct NamedLotInput {
    /// Of which product of the recipe.
    pub product_id: Uuid,
    /// The lot, which must do for all of it.
    pub lot_id: Uuid,
    /// Why it is used past its last day; refused without.
    pub expired_reason: Option<String>,
}

/// What a batch is begun with.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct BatchInput {
    /// Where it is mixed, and from whose shelf.
    pub site_id: Uuid,
    /// After which recipe.
    pub recipe_id: Uuid,
    /// With which water of the site; pure water when left out.
    pub source_water_id: Option<Uuid>,
    /// Its volume, 100 mL to 100000 L.
    pub volume: Volume,
    /// Lots that are to be used; left out, those that expire first.
    #[serde(default)]
    pub lots: Vec<NamedLotInput>,
}

impl From<BatchInput> for BatchRequest {
    fn from(input: BatchInput) -> Self {
        Self {
            site_id: input.site_id,
            recipe_id: input.recipe_id,
            source_water_id: input.source_water_id,
            microlitres: input.volume.microlitres(),
            lots: input
                .lots
                .into_iter()
                .map(|lot| NamedLot {
                    product_id: lot.product_id,
                    lot_id: lot.lot_id,
                    expired_reason: lot.expired_reason,
                })
                .collect(),
        }
    }
}

/// A conductivity as the meter shows it, with its scale.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct ConductivityInput {
    /// The figure.
    #[schema(example = 1.52)]
    pub value: f64,
    /// `mS/cm` or `uS/cm`, or the scale of the meter's ppm: `ppm_500`, `ppm_640` or `ppm_700`. A ppm
    /// without its scale is refused.
    #[schema(example = "mS/cm")]
    pub scale: String,
    /// Whether the meter brings its reading to 25 °C by itself; true when left out. Where it does not, the
    /// temperature is needed.
    #[serde(default = "yes")]
    pub compensated: bool,
}

fn yes() -> bool {
    true
}

/// What happened to a batch.
#[derive(Debug, Clone, Deserialize, ToSchema)]
pub struct BatchEntryInput {
    /// `reading`, `dose`, `ready`, `use`, `left`, `discard`, `withdrawn` or `note`.
    #[schema(example = "reading")]
    pub kind: String,
    /// When it happened, at most seven days ago; now when left out.
    pub happened_at: Option<DateTime<Utc>>,
    /// Of a reading, 0 to 14: stirred and settled.
    #[schema(example = 6.4)]
    pub ph: Option<f64>,
    /// Of a reading.
    pub conductivity: Option<ConductivityInput>,
    /// Of a reading, 0 to 60 °C.
    pub temperature: Option<Temperature>,
    /// Of a dose: an acid or base.
    pub product_id: Option<Uuid>,
    /// Of a dose.
    pub amount: Option<WeighedOrPoured>,
    /// Of a dose: from this lot; the one that expires first when left out.
    pub lot_id: Option<Uuid>,
    /// Of a use, or of what is left.
    pub volume: Option<Volume>,
    /// Of a use: where to.
    pub station_id: Option<Uuid>,
    /// Of a use: for which sowing.
    pub sowing_id: Option<Uuid>,
    /// Of a use: it was poured already, though past the limit to which the containers may be filled; the
    /// note says why.
    #[serde(default)]
    pub past_limit_accepted: bool,
    /// The entry that is withdrawn: a reading, a dose, a use, a volume left or a note.
    pub withdraws_id: Option<Uuid>,
    /// At most 300 characters; of a withdrawal the reason.
    #[serde(default)]
    pub note: String,
}

impl BatchEntryInput {
    /// The fields, with amounts read.
    ///
    /// # Errors
    /// A problem of the amount.
    pub fn fields(self) -> Result<EntryFields, Problem> {
        Ok(EntryFields {
            heard_at: None,
            amount: self
                .amount
                .map(|amount| amount.measured("/amount"))
                .transpose()?,
            kind: self.kind,
            happened_at: self.happened_at,
            ph: self.ph,
            conductivity: self.conductivity.map(|shown| ShownConductivity {
                value: shown.value,
                scale: shown.scale,
                is_compensated: shown.compensated,
            }),
            temperature_decicelsius: self.temperature.map(Temperature::decicelsius),
            product_id: self.product_id,
            lot_id: self.lot_id,
            microlitres: self.volume.map(Volume::microlitres),
            station_id: self.station_id,
            sowing_id: self.sowing_id,
            containers: None,
            past_limit_accepted: self.past_limit_accepted,
            withdraws_id: self.withdraws_id,
            note: self.note,
        })
    }
}

/// How much of a product goes into a batch.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchAmount {
    /// The product.
    pub product_id: Uuid,
    /// Its name when the batch was begun.
    pub name: String,
    /// What to weigh or pour, to four digits.
    pub amount: WeighedOrPoured,
}

/// One step of mixing.
#[derive(Debug, Serialize, ToSchema)]
pub struct MixingInstruction {
    /// `water`, `add`, `fill_up` or `read_and_correct`.
    #[schema(example = "add")]
    pub step: String,
    /// In words.
    pub text: String,
    /// Of `water`: how much.
    pub volume: Option<Volume>,
    /// Of `add`: the product.
    pub product_id: Option<Uuid>,
    /// Of `add`: how much.
    pub amount: Option<WeighedOrPoured>,
}

/// What a batch is made of, and how.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchPlanBody {
    /// Name of the recipe.
    pub recipe_name: String,
    /// Name of the water; `null` for pure water.
    pub water_name: Option<String>,
    /// Its products, in the order of the recipe.
    pub amounts: Vec<BatchAmount>,
    /// What to do, in order.
    pub steps: Vec<MixingInstruction>,
    /// What the meters should show before any correction; `null` where the rules come to no figure that
    /// may be trusted. The meter decides.
    pub expected: Option<ExpectedReading>,
    /// Lowest pH that will do.
    #[schema(example = 5.6)]
    pub ph_least: f64,
    /// Highest pH that will do.
    #[schema(example = 6.2)]
    pub ph_most: f64,
    /// Whether something would settle before the pH is corrected; then it is corrected before the calcium
    /// goes in.
    pub settles_uncorrected: bool,
    /// How all of it is to be handled.
    pub handling: HandlingRules,
}

impl BatchPlanBody {
    fn of(plan: BatchPlan, worked: Worked, microlitres: i64) -> Self {
        let (ph_least, ph_most) = plan.accepted_ph();
        let mut steps: Vec<MixingInstruction> = worked
            .order
            .iter()
            .map(|step| instruction(*step, &plan, microlitres))
            .collect();
        if let Some((_, before_the_end)) = steps.split_last_mut() {
            for step in before_the_end {
                if step.step == READ_AND_CORRECT {
                    step.text = ONE_PORTION_ONLY.into();
                }
            }
        }
        Self {
            steps,
            recipe_name: plan.recipe_name,
            water_name: plan.water.map(|(name, _)| name),
            amounts: plan
                .lines
                .into_iter()
                .map(|line| BatchAmount {
                    product_id: line.product_id,
                    name: line.product.name,
                    amount: line.amount.into(),
                })
                .collect(),
            expected: plan.expectation.map(Into::into),
            ph_least,
            ph_most,
            settles_uncorrected: worked.settles_uncorrected,
            handling: worked.handling.into(),
        }
    }
}

const READ_AND_CORRECT: &str = "read_and_correct";

/// The correction before the calcium goes in, when a fifth of the water is still missing.
const ONE_PORTION_ONLY: &str = "Before the calcium goes in, which would settle now: read the pH, enter it, and add one portion only, \
     since part of the water is still missing. The rest is corrected at the end.";

fn instruction(step: MixingStep, plan: &BatchPlan, microlitres: i64) -> MixingInstruction {
    let mut told = MixingInstruction {
        step: String::new(),
        text: String::new(),
        volume: None,
        product_id: None,
        amount: None,
    };
    match step {
        MixingStep::Water { percent } => {
            let volume = Volume::of_microlitres(microlitres / 100 * i64::from(percent));
            told.step = "water".into();
            told.text = format!("Fill {volume} of the water in.");
            told.volume = Some(volume);
        }
        MixingStep::Add { line } => {
            let line = &plan.lines[line];
            told.step = "add".into();
            told.text = format!(
                "Add {} of {} and stir until it has dissolved.",
                line.amount, line.product.name
            );
            told.product_id = Some(line.product_id);
            told.amount = Some(line.amount.into());
        }
        MixingStep::FillUp => {
            told.step = "fill_up".into();
            told.text = format!(
                "Fill up with water to {} and stir.",
                Volume::of_microlitres(microlitres)
            );
        }
        MixingStep::ReadAndCorrect => {
            told.step = READ_AND_CORRECT.into();
            told.text =
                "Read conductivity and pH, enter them, and correct the pH by the portions advised."
                    .into();
        }
    }
    told
}

/// Something that the shelf lacks.
#[derive(Debug, Serialize, ToSchema)]
pub struct MissingProduct {
    /// The product.
    pub product_id: Uuid,
    /// In words.
    pub detail: String,
    /// What the batch takes.
    pub needed: WeighedOrPoured,
    /// What the shelf holds that has not expired; `null` where no stock item keeps the product.
    pub on_hand: Option<WeighedOrPoured>,
}

impl From<Missing> for MissingProduct {
    fn from(missing: Missing) -> Self {
        Self {
            detail: missing.told(false),
            product_id: missing.product_id,
            needed: missing.needed.into(),
            on_hand: missing.on_hand.map(Into::into),
        }
    }
}

/// Why the caller may not begin a batch themselves.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchHindrance {
    /// Stable word, the last part of the problem type that a beginning would get.
    #[schema(example = "needs-qualification")]
    pub code: String,
    /// In words.
    pub detail: String,
}

/// What a batch would be.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchPreview {
    /// What it is made of, and how.
    #[serde(flatten)]
    pub plan: BatchPlanBody,
    /// Its volume.
    pub volume: Volume,
    /// What the shelf lacks; empty where it can be begun.
    pub missing: Vec<MissingProduct>,
    /// Whether the shelf was not looked at: a stock-taking that hides the ledger is open there, and the caller
    /// may be counting.
    pub hides_shelf: bool,
    /// Why the caller may not begin it themselves; `null` when they may.
    pub hindrance: Option<BatchHindrance>,
}

impl BatchPreview {
    /// What it is for a volume.
    pub fn of(preview: AppPreview, microlitres: i64) -> Self {
        Self {
            plan: BatchPlanBody::of(preview.plan, preview.worked, microlitres),
            volume: Volume::of_microlitres(microlitres),
            hides_shelf: preview.hides_shelf,
            missing: preview.missing.into_iter().map(Into::into).collect(),
            hindrance: preview.hindrance.map(|refusal| BatchHindrance {
                code: refusal.code().to_owned(),
                detail: refusal.to_string(),
            }),
        }
    }
}

/// A batch in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Batch {
    /// The batch.
    pub id: Uuid,
    /// Where it is mixed.
    pub site_id: Uuid,
    /// After which recipe.
    pub recipe_id: Uuid,
    /// With which water; `null` for pure water.
    pub source_water_id: Option<Uuid>,
    /// What to write on its container.
    #[schema(example = "S260914-KXRT")]
    pub code: String,
    /// Its volume.
    pub volume: Volume,
    /// `mixing`, `ready`, `in_use`, `used_up` or `discarded`.
    #[schema(example = "mixing")]
    pub state: String,
    /// When it was begun.
    pub begun_at: DateTime<Utc>,
    /// By whom.
    pub begun_by: Uuid,
}

impl From<records::Batch> for Batch {
    fn from(batch: records::Batch) -> Self {
        Self {
            id: batch.id,
            site_id: batch.site_id,
            recipe_id: batch.recipe_id,
            source_water_id: batch.source_water_id,
            code: batch.code,
            volume: Volume::of_microlitres(batch.microlitres),
            state: batch.state,
            begun_at: batch.begun_at,
            begun_by: batch.begun_by,
        }
    }
}

/// What the ledger moved for a batch.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchMovement {
    /// The movement.
    pub id: Uuid,
    /// `issue`, or `reverse` for what came back.
    #[schema(example = "issue")]
    pub kind: String,
    /// The product.
    pub product_id: Option<Uuid>,
    /// The lot.
    pub lot_id: Uuid,
    /// Its code.
    pub lot_code: String,
    /// How much; `null` while a stock-taking that hides the ledger is open at the site, for those who might
    /// count there.
    pub amount: Option<WeighedOrPoured>,
    /// When.
    pub happened_at: DateTime<Utc>,
    /// The movement that it undoes.
    pub reverses_id: Option<Uuid>,
}

impl BatchMovement {
    fn of(movement: records::BatchMovement, hides_amount: bool) -> Self {
        let amount = match movement.dimension.as_str() {
            "volume" => Measured::Microlitres(movement.quantity),
            _ => Measured::Milligrams(movement.quantity),
        };
        Self {
            id: movement.id,
            kind: movement.kind,
            product_id: movement.product_id,
            lot_id: movement.lot_id,
            lot_code: movement.lot_code,
            amount: (!hides_amount).then(|| amount.into()),
            happened_at: movement.happened_at,
            reverses_id: movement.reverses_id,
        }
    }
}

/// What happened to a batch.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchEntry {
    /// The entry.
    pub id: Uuid,
    /// `reading`, `dose`, `ready`, `use`, `left`, `discard`, `withdrawn` or `note`.
    #[schema(example = "reading")]
    pub kind: String,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who says so.
    pub member_id: Uuid,
    /// Of a reading.
    #[schema(example = 6.4)]
    pub ph: Option<f64>,
    /// Of a reading, at 25 °C.
    #[schema(example = 1520)]
    pub conductivity_microsiemens_per_cm: Option<i32>,
    /// Of a reading.
    pub temperature: Option<Temperature>,
    /// Of a dose.
    pub product_id: Option<Uuid>,
    /// Of a dose.
    pub amount: Option<WeighedOrPoured>,
    /// Of a use, of what was left, of what was discarded.
    pub volume: Option<Volume>,
    /// Where it was used.
    pub station_id: Option<Uuid>,
    /// For which sowing it was used.
    pub sowing_id: Option<Uuid>,
    /// The entry that this one withdraws.
    pub withdraws_id: Option<Uuid>,
    /// Whether another entry withdraws this one, so that it no longer counts.
    pub withdrawn: bool,
    /// Free words.
    pub note: String,
}

fn entry(
    entry: &records::BatchEntry,
    all: &[records::BatchEntry],
    products: &[records::Product],
) -> BatchEntry {
    let is_liquid = |id| {
        products
            .iter()
            .any(|product| product.id == id && product.fields.form == "liquid")
    };
    let amount = entry.product_id.zip(entry.quantity).map(|(id, count)| {
        if is_liquid(id) {
            Measured::Microlitres(count)
        } else {
            Measured::Milligrams(count)
        }
    });
    BatchEntry {
        id: entry.id,
        kind: entry.kind.clone(),
        happened_at: entry.happened_at,
        recorded_at: entry.recorded_at,
        member_id: entry.member_id,
        ph: entry
            .ph_thousandths
            .map(|thousandths| f64::from(thousandths) / 1000.0),
        conductivity_microsiemens_per_cm: entry.conductivity_microsiemens_per_centimetre,
        temperature: entry
            .temperature_centicelsius
            .map(|hundredths| Temperature::of_decicelsius(hundredths / 10)),
        product_id: entry.product_id,
        amount: amount.map(Into::into),
        volume: entry.microlitres.map(Volume::of_microlitres),
        station_id: entry.station_id,
        sowing_id: entry.sowing_id,
        withdraws_id: entry.withdraws_id,
        withdrawn: all.iter().any(|other| other.withdraws_id == Some(entry.id)),
        note: entry.note.clone(),
    }
}

/// A batch with what happened to it and what to do next.
#[derive(Debug, Serialize, ToSchema)]
pub struct BatchDetail {
    /// The batch.
    #[serde(flatten)]
    pub batch: Batch,
    /// What it is made of, and how.
    #[serde(flatten)]
    pub plan: BatchPlanBody,
    /// What is left of it.
    pub left: Volume,
    /// What the ledger moved for it.
    pub movements: Vec<BatchMovement>,
    /// What happened, in order.
    pub entries: Vec<BatchEntry>,
    /// What to do next about the pH; `null` once it is used.
    pub next_step: Option<NextStep>,
}

impl From<file::BatchDetail> for BatchDetail {
    fn from(detail: file::BatchDetail) -> Self {
        let microlitres = detail.batch.microlitres;
        let entries = &detail.entries;
        Self {
            entries: entries
                .iter()
                .map(|one| entry(one, entries, &detail.products))
                .collect(),
            plan: BatchPlanBody::of(detail.plan, detail.worked, microlitres),
            left: Volume::of_microlitres(detail.course.microlitres),
            movements: detail
                .movements
                .into_iter()
                .map(|movement| BatchMovement::of(movement, detail.hides_amounts))
                .collect(),
            next_step: detail.next_step.map(Into::into),
            batch: detail.batch.into(),
        }
    }
}
