//! States of a sowing: planned → sown → sprouted → cutting → cleared, or lost at any point.

use serde::{Deserialize, Serialize};

/// Where a sowing stands. A state never goes back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SowingState {
    /// To be sown on its day.
    Planned,
    /// Seed is in the medium.
    Sown,
    /// Seedlings stand.
    Sprouted,
    /// The first cut has been taken.
    Cutting,
    /// Cleared and cleaned after the last cut.
    Cleared,
    /// Given up, with a cause.
    Lost,
}

impl SowingState {
    /// All states in order.
    pub const ALL: [SowingState; 6] = [
        Self::Planned,
        Self::Sown,
        Self::Sprouted,
        Self::Cutting,
        Self::Cleared,
        Self::Lost,
    ];

    /// The name kept in the database and shown in the API.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Planned => "planned",
            Self::Sown => "sown",
            Self::Sprouted => "sprouted",
            Self::Cutting => "cutting",
            Self::Cleared => "cleared",
            Self::Lost => "lost",
        }
    }

    /// The state of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.as_str() == name)
    }

    /// Whether nothing more happens to the sowing.
    pub fn is_over(self) -> bool {
        matches!(self, Self::Cleared | Self::Lost)
    }

    /// Whether the sowing may go on to `next`. Steps may be skipped (nobody wrote down the sprouting),
    /// never taken back; what was never sown cannot be cut or cleared.
    pub fn may_become(self, next: Self) -> bool {
        match (self, next) {
            (Self::Cleared | Self::Lost, _) => false,
            (_, Self::Lost) => true,
            (Self::Planned, next) => next == Self::Sown,
            (_, Self::Planned) => false,
            (Self::Cutting, Self::Cutting) => true,
            (now, next) => next > now,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::SowingState::{self, *};

    #[test]
    fn states_only_go_forward() {
        let allowed: Vec<(SowingState, SowingState)> = SowingState::ALL
            .into_iter()
            .flat_map(|a| SowingState::ALL.into_iter().map(move |b| (a, b)))
            .filter(|(a, b)| a.may_become(*b))
            .collect();
        assert_eq!(
            allowed,
            [
                (Planned, Sown),
                (Planned, Lost),
                (Sown, Sprouted),
                (Sown, Cutting),
                (Sown, Cleared),
                (Sown, Lost),
                (Sprouted, Cutting),
                (Sprouted, Cleared),
                (Sprouted, Lost),
                (Cutting, Cutting),
                (Cutting, Cleared),
                (Cutting, Lost),
            ]
        );
    }
}
