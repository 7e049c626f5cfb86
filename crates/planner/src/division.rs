//! The weekly division of produce, kept optimal while supplies change.
//!
//! Model section "ruin and recreate", value of grams: more produce goes along the path to the dearest
//! shortfall it can relieve, directly or by taking over from other produce; less produce is given up
//! where that costs least. Best augmenting paths keep an optimal division optimal.

use crate::state::State;

/// A signature reached in a search for the best path: how, and from which earlier step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step {
    signature: u32,
    /// Cells of the two flows that lead here from the step before.
    toward: u32,
    back: u32,
    /// Target between the two.
    target: u32,
    before: u32,
}

/// A target as a bit, modulo 64: what is known about a set of targets fits one word, and two sets that
/// share no bit have no target in common.
pub(crate) fn target_bit(target: u32) -> u64 {
    1 << (target % 64)
}

const START: u32 = u32::MAX;

/// How a path ends.
#[derive(Debug, Clone, Copy)]
struct End {
    step: u32,
    /// Flow cell of the last edge; `START` when it ends in the surplus of the last signature.
    flow: u32,
    target: u32,
    room: i64,
    worth: i64,
}

/// An open shortfall band that produce can reach.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Outlet {
    step: u32,
    room: i64,
    worth: i64,
}

impl State<'_> {
    /// Worth of one more decigram for a target, and for how many it holds.
    fn worth_of_more(&self, target: usize, week: usize) -> (i64, i64) {
        let tops = self.tops_of(target, week);
        let sent = self.cells[self.layout.sent + week * self.index.targets.len() + target];
        let lack = tops[self.bands - 1] - sent;
        let mut below = 0;
        if lack > 0 {
            for (b, &top) in tops.iter().enumerate() {
                if lack <= top {
                    return (self.worth[target * self.bands + b], lack - below);
                }
                below = top;
            }
        }
        (0, 0)
    }

    /// Loss of one decigram less for a target, and for how many it holds.
    fn loss_of_less(&self, target: usize, week: usize) -> (i64, i64) {
        let tops = self.tops_of(target, week);
        let sent = self.cells[self.layout.sent + week * self.index.targets.len() + target];
        let lack = tops[self.bands - 1] - sent;
        for (b, &top) in tops.iter().enumerate() {
            if lack < top {
                return (self.worth[target * self.bands + b], (top - lack).min(sent));
            }
        }
        (0, 0)
    }

    fn tops_of(&self, target: usize, week: usize) -> &[i64] {
        let at = (week * self.index.targets.len() + target) * self.bands;
        &self.tops[at..at + self.bands]
    }

    fn begin_search(&mut self, signature: usize) {
        if self.stamp == u32::MAX {
            self.signature_seen.fill(0);
            self.target_seen.fill(0);
            self.stamp = 0;
        }
        self.stamp += 1;
        self.queue.clear();
        self.signature_seen[signature] = self.stamp;
        self.queue.push(Step {
            signature: signature as u32,
            toward: 0,
            back: 0,
            target: 0,
            before: START,
        });
    }

    /// More produce of a signature arrives in a week; the change of cost.
    pub(crate) fn add_supply(&mut self, signature: usize, week: usize, dg: i64) -> i64 {
        let surplus = self.index.surplus_e4;
        let mut left = dg;
        let mut cost = 0;
        let mut moved = 0;
        while left > 0 {
            let Some(end) = self.best_outlet(signature, week) else {
                break;
            };
            if end.worth + surplus <= 0 {
                break;
            }
            let amount = self.most_along(end, left.min(end.room), true);
            moved |= self.send(end, week, amount, true);
            cost -= amount * end.worth;
            left -= amount;
        }
        if moved != 0 {
            self.moved.push((week as u32, signature as u32, moved));
        }
        if left > 0 {
            let cell = self.layout.over + week * self.index.signatures.len() + signature;
            self.set(cell, self.cells[cell] + left);
            cost += surplus * left;
        }
        cost
    }

    /// What `dg` more of a signature would be worth in a week, piece by piece: (decigrams, worth each),
    /// worth falling. Only the paths of one search are used, so the last pieces may be worth a little
    /// more than stated. The targets looked at, as bits.
    pub(crate) fn worth_of_supply(
        &mut self,
        signature: usize,
        week: usize,
        dg: i64,
        pieces: &mut Vec<(i64, i64)>,
    ) -> u64 {
        let seen = self.list_outlets(signature, week);
        pieces.clear();
        let mut left = dg;
        for outlet in &self.outlets {
            if left == 0 {
                break;
            }
            let mut amount = outlet.room.min(left);
            let mut at = outlet.step as usize;
            while at != 0 {
                amount = amount.min(self.capacity[at]);
                at = self.queue[at].before as usize;
            }
            if amount == 0 {
                continue;
            }
            let mut at = outlet.step as usize;
            while at != 0 {
                self.capacity[at] -= amount;
                at = self.queue[at].before as usize;
            }
            left -= amount;
            match pieces.last_mut() {
                Some(last) if last.1 == outlet.worth => last.0 += amount,
                _ => pieces.push((amount, outlet.worth)),
            }
        }
        seen
    }

    /// All shortfalls that produce of a signature can relieve, the dearest first, with the capacity of
    /// every step toward them; the targets looked at, as bits.
    fn list_outlets(&mut self, signature: usize, week: usize) -> u64 {
        let (signatures, targets) = (self.index.signatures.len(), self.index.targets.len());
        self.begin_search(signature);
        self.outlets.clear();
        self.capacity.clear();
        self.capacity.push(i64::MAX);
        let mut seen = 0;
        let mut at = 0;
        while at < self.queue.len() {
            let g = self.queue[at].signature as usize;
            for i in self.from_signature.range(week * signatures + g) {
                let link = self.from_signature.links[i];
                let t = link.other as usize;
                if self.target_seen[t] == self.stamp {
                    continue;
                }
                self.target_seen[t] = self.stamp;
                seen |= target_bit(link.other);
                self.add_outlets(t, week, at as u32);
                for j in self.to_target.range(week * targets + t) {
                    let back = self.to_target.links[j];
                    let other = back.other as usize;
                    if self.signature_seen[other] == self.stamp {
                        continue;
                    }
                    let flow = self.cells[back.flow as usize];
                    if flow > 0 {
                        self.signature_seen[other] = self.stamp;
                        self.capacity.push(flow);
                        self.queue.push(Step {
                            signature: back.other,
                            toward: link.flow,
                            back: back.flow,
                            target: link.other,
                            before: at as u32,
                        });
                    }
                }
            }
            at += 1;
        }
        seen
    }

    /// The shortfall bands of a target that are still open, in their place among the outlets.
    fn add_outlets(&mut self, target: usize, week: usize, step: u32) {
        let sent = self.cells[self.layout.sent + week * self.index.targets.len() + target];
        let from = (week * self.index.targets.len() + target) * self.bands;
        let tops = &self.tops[from..from + self.bands];
        let lack = tops[self.bands - 1] - sent;
        let surplus = self.index.surplus_e4;
        let mut below = 0;
        let worths = &self.worth[target * self.bands..(target + 1) * self.bands];
        for (&top, &worth) in tops.iter().zip(worths) {
            let room = lack.min(top) - below;
            below = top;
            if room > 0 && worth + surplus > 0 {
                // they are few and most belong near the end
                let mut at = self.outlets.len();
                self.outlets.push(Outlet { step, room, worth });
                while at > 0 && self.outlets[at - 1].worth < worth {
                    self.outlets.swap(at - 1, at);
                    at -= 1;
                }
            }
        }
    }

    /// The dearest shortfall that produce of a signature can relieve, directly or by passing on.
    fn best_outlet(&mut self, signature: usize, week: usize) -> Option<End> {
        let (signatures, targets) = (self.index.signatures.len(), self.index.targets.len());
        self.begin_search(signature);
        let mut best: Option<End> = None;
        let mut at = 0;
        while at < self.queue.len() {
            let g = self.queue[at].signature as usize;
            for i in self.from_signature.range(week * signatures + g) {
                let link = self.from_signature.links[i];
                let t = link.other as usize;
                if self.target_seen[t] == self.stamp {
                    continue;
                }
                self.target_seen[t] = self.stamp;
                let (worth, room) = self.worth_of_more(t, week);
                if room > 0 && best.is_none_or(|end| worth > end.worth) {
                    best = Some(End {
                        step: at as u32,
                        flow: link.flow,
                        target: t as u32,
                        room,
                        worth,
                    });
                }
                for j in self.to_target.range(week * targets + t) {
                    let back = self.to_target.links[j];
                    let other = back.other as usize;
                    if self.signature_seen[other] != self.stamp
                        && self.cells[back.flow as usize] > 0
                    {
                        self.signature_seen[other] = self.stamp;
                        self.queue.push(Step {
                            signature: back.other,
                            toward: link.flow,
                            back: back.flow,
                            target: link.other,
                            before: at as u32,
                        });
                    }
                }
            }
            at += 1;
        }
        best
    }

    /// Produce of a signature goes away in a week; the change of cost.
    pub(crate) fn remove_supply(&mut self, signature: usize, week: usize, dg: i64) -> i64 {
        let surplus = self.index.surplus_e4;
        let cell = self.layout.over + week * self.index.signatures.len() + signature;
        let mut left = dg;
        let mut cost = 0;
        let mut moved = 0;
        let spare = left.min(self.cells[cell]);
        if spare > 0 {
            self.set(cell, self.cells[cell] - spare);
            cost -= surplus * spare;
            left -= spare;
        }
        while left > 0 {
            let Some(end) = self.cheapest_loss(signature, week) else {
                break;
            };
            let amount = self.most_along(end, left.min(end.room), false);
            moved |= self.send(end, week, amount, false);
            cost += amount * end.worth;
            left -= amount;
        }
        if moved != 0 {
            self.moved.push((week as u32, signature as u32, moved));
        }
        cost
    }

    /// The least loss by which produce of a signature can be given up.
    fn cheapest_loss(&mut self, signature: usize, week: usize) -> Option<End> {
        let (signatures, targets) = (self.index.signatures.len(), self.index.targets.len());
        let over = self.layout.over + week * signatures;
        self.begin_search(signature);
        let mut best: Option<End> = None;
        let mut at = 0;
        while at < self.queue.len() {
            let g = self.queue[at].signature as usize;
            let spare = self.cells[over + g];
            if spare > 0 {
                // giving up surplus is never dearer than giving up what serves a pledge
                return Some(End {
                    step: at as u32,
                    flow: START,
                    target: g as u32,
                    room: spare,
                    worth: -self.index.surplus_e4,
                });
            }
            for i in self.from_signature.range(week * signatures + g) {
                let link = self.from_signature.links[i];
                let t = link.other as usize;
                if self.target_seen[t] == self.stamp || self.cells[link.flow as usize] == 0 {
                    continue;
                }
                self.target_seen[t] = self.stamp;
                let (worth, room) = self.loss_of_less(t, week);
                if room > 0 && best.is_none_or(|end| worth < end.worth) {
                    best = Some(End {
                        step: at as u32,
                        flow: link.flow,
                        target: t as u32,
                        room,
                        worth,
                    });
                }
                for j in self.to_target.range(week * targets + t) {
                    let other = self.to_target.links[j];
                    if self.signature_seen[other.other as usize] != self.stamp {
                        self.signature_seen[other.other as usize] = self.stamp;
                        self.queue.push(Step {
                            signature: other.other,
                            toward: link.flow,
                            back: other.flow,
                            target: link.other,
                            before: at as u32,
                        });
                    }
                }
            }
            at += 1;
        }
        best
    }

    /// How much of `most` fits along the path to `end`.
    fn most_along(&self, end: End, most: i64, add: bool) -> i64 {
        let mut amount = most;
        // flows that fall: when adding, those taken back; when removing, those toward a target
        if !add && end.flow != START {
            amount = amount.min(self.cells[end.flow as usize]);
        }
        let mut at = end.step;
        while self.queue[at as usize].before != START {
            let step = self.queue[at as usize];
            amount = amount.min(self.cells[if add { step.back } else { step.toward } as usize]);
            at = step.before;
        }
        amount
    }

    /// Send along the path to `end` (or take back along it); the targets on it, as bits.
    fn send(&mut self, end: End, week: usize, amount: i64, add: bool) -> u64 {
        let mut moved = 0;
        let signed = if add { amount } else { -amount };
        if end.flow == START {
            let cell = self.layout.over + week * self.index.signatures.len() + end.target as usize;
            self.set(cell, self.cells[cell] + signed);
        } else {
            self.set(end.flow as usize, self.cells[end.flow as usize] + signed);
            let sent = self.layout.sent + week * self.index.targets.len() + end.target as usize;
            self.set(sent, self.cells[sent] + signed);
            moved |= target_bit(end.target);
        }
        let mut at = end.step;
        while self.queue[at as usize].before != START {
            let step = self.queue[at as usize];
            self.set(
                step.toward as usize,
                self.cells[step.toward as usize] + signed,
            );
            self.set(step.back as usize, self.cells[step.back as usize] - signed);
            moved |= target_bit(step.target);
            at = step.before;
        }
        moved
    }
}
