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
        TaskKind::Sow => SOW,
        TaskKind::Mist => MIST,
        TaskKind::TopUp => TOP_UP,
        TaskKind::Measure => MEASURE,
        TaskKind::Mix => MIX,
        TaskKind::Adjust => ADJUST,
        TaskKind::CheckGermination => CHECK_GERMINATION,
        TaskKind::Cut => CUT,
        TaskKind::ClearAndClean => CLEAR_AND_CLEAN,
        TaskKind::Turn => TURN,
        TaskKind::Count => COUNT,
        TaskKind::Pack => PACK,
        TaskKind::Deliver => DELIVER,
        TaskKind::Other => OTHER,
    }
}

/// What to mind: for the work itself, and for a station whose solution is aerated.
pub fn cautions(kind: TaskKind, aerated: bool) -> Vec<&'static str> {
    let own: &[&str] = match kind {
        TaskKind::Sow => &[
            "Use ready-mixed solution only. Concentrates, acids and bases are for members trained for them.",
            "Keep seed that is marked as treated away from food, and wash your hands afterwards.",
        ],
        TaskKind::Mist | TaskKind::CheckGermination => {
            &["Wash your hands before you touch seedlings and after the work."]
        }
        TaskKind::TopUp => &[
            "Use ready-mixed solution only. Concentrates, acids and bases are for members trained for them.",
            "Wash your hands afterwards; nutrient solution is not for drinking.",
        ],
        TaskKind::Measure => &[
            "Keep meters and reference solutions away from mouth and eyes, and follow their labels.",
            "Wash your hands afterwards; nutrient solution is not for drinking.",
        ],
        TaskKind::Mix | TaskKind::Adjust => &[
            "For members trained for concentrates only. Follow the product label and local rules; they come first.",
            "Wear eye protection and gloves, and work where there is fresh air and running water.",
            "Add acid or base to plenty of water, never water to concentrated acid or base.",
            "Never bring an acid and a base, or a cleaning agent, together undiluted.",
            "Keep concentrates locked away and labelled, out of the reach of children.",
        ],
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
        TaskKind::Turn => &[
            "Full containers are heavy and spill: turn them where they stand, and wipe up at once.",
        ],
        TaskKind::Count => &[
            "Leave acids, bases and concentrates closed; read their labels, do not pour them over to weigh them.",
            "Use a firm step for high shelves.",
        ],
        TaskKind::Pack | TaskKind::Deliver => &[
            "Stay away from food if you are ill, above all with vomiting, diarrhoea, fever or an infected cut; tell the site lead.",
            "Wash your hands with soap and clean water before you touch trays.",
            "Hold cut leafy greens at 5 °C (41 °F) or below (FDA 2010); tell the recipient if they were warmer.",
            "Keep trays apart from cleaning agents, fertiliser and anything that could foul them.",
            "Local food rules come first.",
        ],
        TaskKind::Other => {
            &["If the work is new to you or seems unsafe, stop and ask the site lead."]
        }
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

const SOW: &[&str] = &[
    "Rinse the dust off the medium and soak it.",
    "Fill each container to its fill line with ready-mixed solution and cover it against light.",
    "Put the soaked medium in place so that its foot touches the solution.",
    "Sprinkle the seed thinly on the medium and mist it.",
    "Label each container with crop and day, and set it on its station.",
    "If you sowed fewer containers than planned, say so when you finish the task.",
];
const MIST: &[&str] = &[
    "Mist the medium of each container with clean water until it is wet, not swimming.",
    "Look for seedlings: when they stand in most containers, the check of germination is due.",
    "Keep the cover on between mistings if the site uses one.",
];
const TOP_UP: &[&str] = &[
    "Look at the level of each container before you pour.",
    "Fill with ready-mixed solution up to the line you are given, never above it: once roots hang in the air of a passive container, drowning them can kill the crop.",
    "Say how many litres went in, and from which batch or that it was plain water, when you finish the task.",
];
const MEASURE: &[&str] = &[
    "Rinse the meter and check it in its reference solution as its instructions say.",
    "Measure pH, conductivity and temperature in the solution of the station.",
    "Rinse the meter again, and enter the figures when you finish the task.",
];
const MIX: &[&str] = &[
    "Start the batch in Cotyl: it says how much of each product, in which order, and what to mind.",
    "Weigh each product, add one at a time to the water and stir until it is dissolved.",
    "Measure, correct the pH in the small portions you are given, stir, wait, and measure again.",
    "Mark the batch ready when its readings are in range.",
];
const ADJUST: &[&str] = &[
    "Measure again before you add anything.",
    "Add only the portion that Cotyl gives for this batch, stir, wait, and measure again.",
    "Stop when the reading is in range, and enter every reading.",
];
const CHECK_GERMINATION: &[&str] = &[
    "Look into each container and count those in which seedlings stand.",
    "Thin where seedlings crowd each other: snip the weaker ones, do not pull them.",
    "Mist containers in which nothing has come up yet.",
    "Enter the count when you finish the task; enter 0 if nothing has come up.",
];
const CUT: &[&str] = &[
    "Lay out clean trays, the scale and cleaned cutters.",
    "Cut above the growing point so that the plants can grow again; at the last cut take all.",
    "Leave out yellow, slimy or damaged leaves, and anything that touched the floor.",
    "Weigh each tray without its own weight and record it as a cut with its tray code.",
    "Then finish the task here.",
];
const CLEAR_AND_CLEAN: &[&str] = &[
    "Take out plants and medium; put them where the site composts or throws away.",
    "Empty the solution where the site allows, not into a pond or a stream.",
    "Scrub container, lid and holder until no film is left, then rinse.",
    "Clean and rinse again with the site's cleaning agent as its label says, and let all of it dry.",
    "Wipe the station and put everything back in its place.",
];
const TURN: &[&str] = &[
    "Turn each container half round, so that the other side faces the light.",
    "Do not lift the lid more than you must: light in the solution lets algae grow.",
];
const COUNT: &[&str] = &[
    "Open the stock-taking in Cotyl and enter what you find, shelf by shelf; weigh part bags.",
    "Enter what is there, not what should be there.",
];
const PACK: &[&str] = &[
    "Take the trays that are to go from the cold, check their codes, and pack them into the delivery in Cotyl.",
    "Leave out anything slimy, yellow or warm, and say so.",
    "Keep the packed trays cold until they leave.",
];
const DELIVER: &[&str] = &[
    "Take the delivery to the recipient by the shortest way, cold and covered.",
    "Measure the temperature of the greens when you hand them over.",
    "Write down who received them, when, and the temperature.",
];
const OTHER: &[&str] =
    &["Do what the title and the note say; ask the site lead where they leave a doubt."];

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
