//! Which products must not meet in one concentrate; pure.

use cotyl_solution::{Amount, Product, RecipeLine};

use super::unclear;

/// Two products that must not stand in one concentrate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Apart {
    /// Their places among the products to choose from.
    pub pair: (usize, usize),
    /// Why.
    pub reason: ApartReason,
    /// In words.
    pub why: String,
}

/// Why two products must not stand in one concentrate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ApartReason {
    /// They are different parts of a set, which its maker keeps apart.
    Parts,
    /// Calcium would settle with sulfate or phosphate, or nothing shows that it would not.
    Settles,
}

/// What is known of pairs so far.
pub(super) struct Meetings<'a> {
    /// The part of a set that each product is.
    pub parts: Vec<&'a str>,
    /// The products.
    pub products: &'a [Product],
    /// How strong the concentrate is.
    pub times: f64,
    /// Pairs that must not meet.
    pub apart: Vec<Apart>,
}

impl Meetings<'_> {
    pub(super) fn pairs(&self) -> Vec<(usize, usize)> {
        self.apart.iter().map(|apart| apart.pair).collect()
    }

    /// Looks at every pair of what was chosen; whether one was found that was not known.
    pub(super) fn judge(&mut self, amounts: &[Amount]) -> bool {
        let before = self.apart.len();
        for (place, first) in amounts.iter().enumerate() {
            for second in &amounts[place + 1..] {
                let pair = (first.product, second.product);
                if !self.apart.iter().any(|apart| apart.pair == pair) {
                    self.apart.extend(self.meet(first, second));
                }
            }
        }
        self.apart.len() > before
    }

    fn meet(&self, first: &Amount, second: &Amount) -> Option<Apart> {
        let pair = (first.product, second.product);
        let (one, other) = (self.parts[pair.0], self.parts[pair.1]);
        if one != "single" && other != "single" && one != other {
            return Some(Apart {
                pair,
                reason: ApartReason::Parts,
                why: format!(
                    "{} is part {} of a set and {} part {}: parts meet in the finished solution only",
                    self.products[pair.0].name(),
                    one.to_uppercase(),
                    self.products[pair.1].name(),
                    other.to_uppercase(),
                ),
            });
        }
        let why = self.unclear(&[first, second])?;
        // what does not stay clear by itself is not the fault of the pair
        if self.unclear(&[first]).is_some() || self.unclear(&[second]).is_some() {
            return None;
        }
        Some(Apart {
            pair,
            reason: ApartReason::Settles,
            why: format!("one concentrate of {:.0} times of both {why}", self.times),
        })
    }

    /// Why all of what was chosen does not stay clear in one concentrate.
    pub(super) fn fault_of_all(&self, amounts: &[Amount]) -> Option<String> {
        let all: Vec<&Amount> = amounts.iter().collect();
        self.unclear(&all)
            .map(|why| format!("one concentrate of {:.0} times of all {why}", self.times))
    }

    fn unclear(&self, amounts: &[&Amount]) -> Option<String> {
        let lines: Vec<RecipeLine<'_>> = amounts
            .iter()
            .map(|amount| RecipeLine {
                product: &self.products[amount.product],
                grams_per_litre: amount.grams_per_litre * self.times,
            })
            .collect();
        unclear(&lines)
    }
}
