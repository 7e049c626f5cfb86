//! The exact division of one week's harvest among targets.
//!
//! Model section "exact weekly allocation". Sending costs nothing, so only the totals sent to each
//! target matter, and the totals that a given supply can reach form a polymatroid: serving the dearest
//! shortfall band first, as far as augmenting paths allow and never taking back what a dearer band got,
//! is optimal. All amounts are whole decigrams.

use std::collections::VecDeque;

/// One week: supplies, who may serve whom, and bands.
#[derive(Debug, Default)]
pub(crate) struct Week {
    /// Decigrams of each source.
    pub(crate) supply: Vec<i64>,
    /// Targets each source may serve.
    pub(crate) serves: Vec<Vec<usize>>,
    /// Bands of each target from the first gram short to the last: (width, worth per decigram), worth
    /// not descending.
    pub(crate) bands: Vec<Vec<(i64, i64)>>,
}

/// What an allocation came to.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Division {
    /// Cost of what stays short.
    pub(crate) shortfall_e4: i64,
    /// Decigrams sent to each target.
    pub(crate) sent_dg: Vec<i64>,
    /// Decigrams that serve no target.
    pub(crate) surplus_dg: i64,
}

impl Week {
    /// The cheapest division.
    pub(crate) fn divide(&self) -> Division {
        let targets = self.bands.len();
        let mut left = self.supply.clone();
        let mut flow: Vec<Vec<i64>> = self.serves.iter().map(|list| vec![0; list.len()]).collect();
        let mut from: Vec<Vec<(usize, usize)>> = vec![Vec::new(); targets];
        for (source, list) in self.serves.iter().enumerate() {
            for (edge, &target) in list.iter().enumerate() {
                from[target].push((source, edge));
            }
        }
        let mut order: Vec<(i64, usize, usize, i64)> = Vec::new();
        for (target, bands) in self.bands.iter().enumerate() {
            for (depth, &(width, worth)) in bands.iter().enumerate() {
                if width > 0 {
                    order.push((worth, depth, target, width));
                }
            }
        }
        order.sort_by_key(|&(worth, depth, target, _)| {
            (std::cmp::Reverse(worth), std::cmp::Reverse(depth), target)
        });
        let mut sent_dg = vec![0; targets];
        let mut shortfall_e4 = 0;
        for (worth, _, target, width) in order {
            let got = self.serve(target, width, &from, &mut left, &mut flow);
            sent_dg[target] += got;
            shortfall_e4 += worth * (width - got);
        }
        Division {
            shortfall_e4,
            sent_dg,
            surplus_dg: left.iter().sum(),
        }
    }

    /// Send up to `want` more to a target along shortest augmenting paths.
    fn serve(
        &self,
        target: usize,
        want: i64,
        from: &[Vec<(usize, usize)>],
        left: &mut [i64],
        flow: &mut [Vec<i64>],
    ) -> i64 {
        let mut got = 0;
        while got < want {
            let Some(path) = self.search(target, from, left, flow) else {
                break;
            };
            let most = path
                .back
                .iter()
                .map(|&(source, edge)| flow[source][edge])
                .fold(want - got, i64::min);
            let amount = most.min(left[path.end]);
            for (source, edge) in path.forward {
                flow[source][edge] += amount;
            }
            for (source, edge) in path.back {
                flow[source][edge] -= amount;
            }
            left[path.end] -= amount;
            got += amount;
        }
        got
    }

    /// Breadth first, backward from the target: a source sends to it directly if it has something
    /// left, or takes back what it gave another target, which must then be served by a further source.
    fn search(
        &self,
        target: usize,
        from: &[Vec<(usize, usize)>],
        left: &[i64],
        flow: &[Vec<i64>],
    ) -> Option<Augmenting> {
        let mut sends: Vec<Option<(usize, usize)>> = vec![None; self.supply.len()];
        let mut giver: Vec<Option<(usize, usize)>> = vec![None; from.len()];
        let mut queue = VecDeque::from([target]);
        while let Some(at) = queue.pop_front() {
            for &(source, edge) in &from[at] {
                if sends[source].is_some() {
                    continue;
                }
                sends[source] = Some((edge, at));
                if left[source] > 0 {
                    return Some(trace(source, &sends, &giver));
                }
                for (other, &next) in self.serves[source].iter().enumerate() {
                    if flow[source][other] > 0 && next != target && giver[next].is_none() {
                        giver[next] = Some((source, other));
                        queue.push_back(next);
                    }
                }
            }
        }
        None
    }
}

/// An augmenting path: the source with something left, edges that send more, edges that send less.
struct Augmenting {
    end: usize,
    forward: Vec<(usize, usize)>,
    back: Vec<(usize, usize)>,
}

fn trace(
    end: usize,
    sends: &[Option<(usize, usize)>],
    giver: &[Option<(usize, usize)>],
) -> Augmenting {
    let mut path = Augmenting {
        end,
        forward: Vec::new(),
        back: Vec::new(),
    };
    let mut source = end;
    while let Some((edge, at)) = sends[source] {
        path.forward.push((source, edge));
        let Some((next, taken)) = giver[at] else {
            break;
        };
        path.back.push((next, taken));
        source = next;
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn takes_back_to_serve_the_dearer_band() {
        // source 0 may serve both, source 1 only target 0; all of both pledges can be met
        let week = Week {
            supply: vec![100, 100],
            serves: vec![vec![0, 1], vec![0]],
            bands: vec![vec![(100, 3)], vec![(50, 1), (50, 2)]],
        };
        let division = week.divide();
        assert_eq!(
            division,
            Division {
                shortfall_e4: 0,
                sent_dg: vec![100, 100],
                surplus_dg: 0
            }
        );
    }

    #[test]
    fn cheap_bands_stay_short_first() {
        let week = Week {
            supply: vec![120],
            serves: vec![vec![0, 1]],
            bands: vec![vec![(60, 1), (40, 4)], vec![(60, 2), (40, 8)]],
        };
        let division = week.divide();
        // both dear bands (80), then 40 of the band worth 2: short are 60 at 1 and 20 at 2
        assert_eq!(
            division,
            Division {
                shortfall_e4: 100,
                sent_dg: vec![40, 80],
                surplus_dg: 0
            }
        );
    }
}
