//! Where a batch stands after its entries; pure.

use cotyl_domain::Refusal;
use cotyl_store::batches::BatchEntry;

/// Where a batch stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum BatchState {
    /// Products go in, the pH is corrected.
    Mixing,
    /// To be used.
    Ready,
    /// Some of it is used.
    InUse,
    /// Nothing is left.
    UsedUp,
    /// Thrown away.
    Discarded,
}

impl BatchState {
    /// All states.
    pub const ALL: [Self; 5] = [
        Self::Mixing,
        Self::Ready,
        Self::InUse,
        Self::UsedUp,
        Self::Discarded,
    ];

    /// The name kept in the database and shown in the API.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Mixing => "mixing",
            Self::Ready => "ready",
            Self::InUse => "in_use",
            Self::UsedUp => "used_up",
            Self::Discarded => "discarded",
        }
    }

    /// The state of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.as_str() == name)
    }
}

/// State and rest of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Course {
    /// Where it stands.
    pub state: BatchState,
    /// What is left.
    pub microlitres: i64,
}

/// The entries that count: neither withdrawn nor withdrawals, in their order.
pub fn counted(entries: &[BatchEntry]) -> Vec<&BatchEntry> {
    let is_withdrawn = |entry: &BatchEntry| {
        entries
            .iter()
            .any(|other| other.withdraws_id == Some(entry.id))
    };
    entries
        .iter()
        .filter(|entry| entry.kind != "withdrawn" && !is_withdrawn(entry))
        .collect()
}

/// Follows a batch of a volume through the entries that count. An entry takes it forward only; whether
/// it is used up follows from what is left, so that a corrected volume corrects that too.
///
/// # Errors
/// [`Refusal::MoreThanLeft`] when more was to go than there was at that moment.
pub fn course(volume: i64, counted: &[&BatchEntry]) -> Result<Course, Refusal> {
    let mut state = BatchState::Mixing;
    let mut left = volume;
    for entry in counted {
        let asked = entry.microlitres.unwrap_or_default();
        match entry.kind.as_str() {
            "ready" => state = state.max(BatchState::Ready),
            "use" => {
                if asked > left {
                    return Err(Refusal::MoreThanLeft {
                        asked_microlitres: asked,
                        left_microlitres: left,
                    });
                }
                left -= asked;
                state = state.max(BatchState::InUse);
            }
            "left" => left = asked,
            "discard" => {
                left = 0;
                state = BatchState::Discarded;
            }
            _ => {}
        }
    }
    if left == 0 && state < BatchState::UsedUp {
        state = BatchState::UsedUp;
    }
    Ok(Course {
        state,
        microlitres: left,
    })
}

/// Whether an entry of a kind may be made in a state.
///
/// # Errors
/// [`Refusal::WrongState`].
pub fn may_record(kind: &str, state: BatchState) -> Result<(), Refusal> {
    use BatchState::{Discarded, InUse, Mixing, Ready, UsedUp};
    let (allowed, step): (&[BatchState], &str) = match kind {
        "reading" => (&[Mixing, Ready, InUse], "read"),
        "dose" => (&[Mixing, Ready], "dosed"),
        "ready" => (&[Mixing], "made ready"),
        "use" => (&[Ready, InUse], "used"),
        "left" => (&[Ready, InUse, UsedUp], "measured"),
        "discard" => (&[Mixing, Ready, InUse], "discarded"),
        _ => (&[Mixing, Ready, InUse, UsedUp, Discarded], "noted"),
    };
    if allowed.contains(&state) {
        return Ok(());
    }
    Err(Refusal::WrongState {
        what: "the batch".into(),
        state: state.as_str().replace('_', " "),
        step: step.into(),
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use chrono::DateTime;
    use uuid::Uuid;

    fn entry(number: u128, kind: &str, microlitres: Option<i64>) -> BatchEntry {
        let at = DateTime::from_timestamp(i64::try_from(number).unwrap(), 0).unwrap();
        BatchEntry {
            id: Uuid::from_u128(number),
            batch_id: Uuid::nil(),
            kind: kind.into(),
            happened_at: at,
            recorded_at: at,
            member_id: Uuid::nil(),
            ph_thousandths: None,
            conductivity_microsiemens_per_centimetre: None,
            temperature_centicelsius: None,
            product_id: None,
            quantity: None,
            microlitres,
            station_id: None,
            sowing_id: None,
            withdraws_id: None,
            movement_ids: vec![],
            note: String::new(),
        }
    }

    fn withdrawal(number: u128, of: u128) -> BatchEntry {
        BatchEntry {
            withdraws_id: Some(Uuid::from_u128(of)),
            ..entry(number, "withdrawn", None)
        }
    }

    #[test]
    fn litres_and_state_follow_the_entries_that_count() {
        let steps: Vec<(BatchEntry, BatchState, i64)> = vec![
            (entry(1, "reading", None), BatchState::Mixing, 20),
            (entry(2, "ready", None), BatchState::Ready, 20),
            (entry(3, "use", Some(15)), BatchState::InUse, 5),
            (entry(4, "left", Some(7)), BatchState::InUse, 7),
            (entry(5, "use", Some(7)), BatchState::UsedUp, 0),
            (withdrawal(6, 5), BatchState::InUse, 7),
            (entry(7, "discard", Some(7)), BatchState::Discarded, 0),
        ];
        let mut entries = Vec::new();
        for (entry, state, left) in steps {
            entries.push(entry);
            let course = course(20, &counted(&entries)).unwrap();
            assert_eq!((course.state, course.microlitres), (state, left));
        }
    }

    #[test]
    fn no_more_goes_than_is_there_at_that_moment() {
        let entries = [
            entry(1, "ready", None),
            entry(2, "use", Some(15)),
            entry(3, "left", Some(20)),
        ];
        assert!(course(20, &counted(&entries)).is_ok());
        // reported late, before the measuring that found more
        let late = [
            entries[0].clone(),
            entries[1].clone(),
            entry(2, "use", Some(6)),
            entries[2].clone(),
        ];
        let refused = course(20, &counted(&late)).unwrap_err();
        assert_eq!(
            refused,
            Refusal::MoreThanLeft {
                asked_microlitres: 6,
                left_microlitres: 5
            }
        );
    }

    #[test]
    fn nothing_goes_back() {
        for (kind, state) in [
            ("ready", BatchState::InUse),
            ("dose", BatchState::InUse),
            ("use", BatchState::Mixing),
            ("use", BatchState::UsedUp),
            ("reading", BatchState::Discarded),
            ("discard", BatchState::UsedUp),
            ("left", BatchState::Discarded),
        ] {
            assert!(may_record(kind, state).is_err(), "{kind} {state:?}");
        }
        for state in BatchState::ALL {
            assert!(may_record("note", state).is_ok());
            assert_eq!(BatchState::parse(state.as_str()), Some(state));
        }
    }
}
