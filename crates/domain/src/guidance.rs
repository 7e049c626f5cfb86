//! What a volunteer is told with a task: how it is done and what to mind. It belongs to the task, so
//! that no screen can forget it.
//!
//! Steps are common practice, no source. Food hygiene follows the themes of 21 CFR 112 (health and
//! hygiene, food contact surfaces, water, cooling, tracing), from memory; electricity near water
//! follows the usual advice for aquarium pumps, from memory.

use crate::task::TaskKind;

/// How the work is done, one step a line.
pub fn steps(kind: TaskKind) -> &'static [&'static str] {
    match kind {
        TaskKind::Sow => &[
            "Rinse the dust off the medium and soak it.",
            "Fill each container to its fill line with ready-mixed solution and cover it against light.",
            "Put the soaked medium in place so that its foot touches the solution.",
            "Sprinkle the seed thinly on the medium and mist it.",
            "Label each container with crop and day, and set it on its station.",
            "If you sowed fewer containers than planned, say so when you finish the task.",
        ],
        TaskKind::CheckGermination => &[
            "Look into each container and count those in which seedlings stand.",
            "Thin where seedlings crowd each other: snip the weaker ones, do not pull them.",
            "Mist containers in which nothing has come up yet.",
            "Enter the count when you finish the task; enter 0 if nothing has come up.",
        ],
        TaskKind::Cut => &[
            "Lay out clean trays, the scale and cleaned cutters.",
            "Cut above the growing point so that the plants can grow again; at the last cut take all.",
            "Leave out yellow, slimy or damaged leaves, and anything that touched the floor.",
            "Weigh each tray without its own weight and record it as a cut with its tray code.",
            "Then finish the task here.",
        ],
        TaskKind::ClearAndClean => &[
            "Take out plants and medium; put them where the site composts or throws away.",
            "Empty the solution where the site allows, not into a pond or a stream.",
            "Scrub container, lid and holder until no film is left, then rinse.",
            "Clean and rinse again with the site's cleaning agent as its label says, and let all of it dry.",
            "Wipe the station and put everything back in its place.",
        ],
    }
}

/// What to mind: for the work itself, and for a station whose solution is aerated.
pub fn cautions(kind: TaskKind, aerated: bool) -> Vec<&'static str> {
    let own: &[&str] = match kind {
        TaskKind::Sow => &[
            "Use ready-mixed solution only. Concentrates, acids and bases are for members trained for them.",
            "Keep seed that is marked as treated away from food, and wash your hands afterwards.",
        ],
        TaskKind::CheckGermination => {
            &["Wash your hands before you touch seedlings and after the work."]
        }
        TaskKind::Cut => &[
            "Stay away from food if you are ill, above all with vomiting, diarrhoea, fever or an infected cut; tell the site lead.",
            "Wash your hands with soap and clean water before you start and after every break; cover wounds, tie back hair.",
            "Clean cutters and trays before use; whatever falls on the floor is not food any more.",
            "Never rinse leaves, cutters or trays in the reservoir: use clean drinking water.",
            "Cool the trays promptly and keep them cold until they are handed over.",
            "Label every tray with its code, so that it can be traced.",
            "Local food rules come first.",
        ],
        TaskKind::ClearAndClean => &[
            "Follow the label of the cleaning agent: amount, waiting time, gloves, eye protection, fresh air.",
            "Never mix cleaning agents with each other or with acids; some give off poisonous gas.",
            "Keep cleaning agents away from food, trays and children, and rinse well before the next sowing.",
        ],
    };
    let mut all = own.to_vec();
    if aerated {
        all.extend(ELECTRICITY);
    }
    all
}

const ELECTRICITY: [&str; 4] = [
    "Unplug pumps and everything else electric in or over the water before your hands go in, with dry hands.",
    "Leave a drip loop in every cord, so that water cannot run along it into the socket.",
    "Plug in only where ground-fault protection is fitted; do not use damaged cords or plugs.",
    "Follow the maker's instructions and the local electrical code; plug in again when the work is done.",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_told_how_and_what_to_mind() {
        for kind in TaskKind::ALL {
            assert!(!steps(kind).is_empty());
            assert!(!cautions(kind, false).is_empty());
            let extra = cautions(kind, true).len() - cautions(kind, false).len();
            assert_eq!(extra, ELECTRICITY.len(), "{kind:?}");
        }
    }

    #[test]
    fn cutting_covers_the_themes_of_food_hygiene() {
        let text = cautions(TaskKind::Cut, false).join(" ").to_lowercase();
        for theme in [
            "ill",
            "wash your hands",
            "clean cutters and trays",
            "reservoir",
            "cool the trays",
            "label every tray",
        ] {
            assert!(text.contains(theme), "{theme}");
        }
        assert!(
            cautions(TaskKind::Cut, true)
                .join(" ")
                .contains("ground-fault")
        );
    }
}
