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
    before: u32,
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
                    return (self.index.targets[target].worth[b], lack - below);
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
                return (self.index.targets[target].worth[b], (top - lack).min(sent));
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
            before: START,
        });
    }

    /// More produce of a signature arrives in a week; the change of cost.
    pub(crate) fn add_supply(&mut self, signature: usize, week: usize, dg: i64) -> i64 {
        let surplus = self.index.surplus_e4;
        let mut left = dg;
        let mut cost = 0;
        while left > 0 {
            let Some(end) = self.best_outlet(signature, week) else {
                break;
            };
            if end.worth + surplus <= 0 {
                break;
            }
            let amount = self.send(end, week, left.min(end.room), true);
            if let Some(pieces) = &mut self.pieces {
                pieces.push((amount, end.worth));
            }
            cost -= amount * end.worth;
            left -= amount;
        }
        if left > 0 {
            let cell = self.layout.over + week * self.index.signatures.len() + signature;
            self.set(cell, self.cells[cell] + left);
            cost += surplus * left;
        }
        cost
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
            let amount = self.send(end, week, left.min(end.room), false);
            cost += amount * end.worth;
            left -= amount;
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
                            before: at as u32,
                        });
                    }
                }
            }
            at += 1;
        }
        best
    }

    /// Send along the path to `end` (or take back along it); the amount that fits.
    fn send(&mut self, end: End, week: usize, most: i64, add: bool) -> i64 {
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
        let signed = if add { amount } else { -amount };
        if end.flow == START {
            let cell = self.layout.over + week * self.index.signatures.len() + end.target as usize;
            self.set(cell, self.cells[cell] + signed);
        } else {
            self.set(end.flow as usize, self.cells[end.flow as usize] + signed);
            let sent = self.layout.sent + week * self.index.targets.len() + end.target as usize;
            self.set(sent, self.cells[sent] + signed);
        }
        let mut at = end.step;
        while self.queue[at as usize].before != START {
            let step = self.queue[at as usize];
            self.set(
                step.toward as usize,
                self.cells[step.toward as usize] + signed,
            );
            self.set(step.back as usize, self.cells[step.back as usize] - signed);
            at = step.before;
        }
        amount
    }
}
