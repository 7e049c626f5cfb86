//! Words, quantities, roles and rules that every other crate shares; no I/O.

pub mod apportion;
pub mod clock;
pub mod food_safety;
pub mod guidance;
pub mod harvest;
pub mod permission;
pub mod refusal;
pub mod role;
pub mod servings;
pub mod sowing;
pub mod task;
pub mod temperature;

pub use clock::Clock;
pub use harvest::{CutHarm, CutQuality, DeliveryState};
pub use permission::{Access, Operation};
pub use refusal::{FieldProblem, Refusal};
pub use role::{Actor, Grant, Qualification, QualificationKind, Role, RoleScope};
pub mod quantity;
