//! What suffers first when work is not done.

use cotyl_domain::task::TaskKind;

/// How soon something suffers, the most urgent first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Suffers {
    /// Living things within a day: seeds dry out, containers run low, solution is out of range.
    LivingToday,
    /// Living things within days: seedlings crowd, a crop stands too long.
    LivingSoon,
    /// People who were promised something.
    People,
    /// Later work.
    Work,
}

impl Suffers {
    /// Who or what suffers when work of a kind is not done.
    #[must_use]
    pub fn of(kind: TaskKind) -> Self {
        match kind {
            TaskKind::Mist | TaskKind::TopUp | TaskKind::Adjust => Self::LivingToday,
            TaskKind::CheckGermination | TaskKind::Cut | TaskKind::Measure => Self::LivingSoon,
            TaskKind::Pack | TaskKind::Deliver => Self::People,
            TaskKind::Sow
            | TaskKind::Mix
            | TaskKind::ClearAndClean
            | TaskKind::Turn
            | TaskKind::Count
            | TaskKind::Other => Self::Work,
        }
    }

    /// The name shown in the API.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::LivingToday => "living_today",
            Self::LivingSoon => "living_soon",
            Self::People => "people",
            Self::Work => "work",
        }
    }
}
