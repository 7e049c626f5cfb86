//! Whether the tasks of one member can all be done.

use serde::{Deserialize, Serialize};

use crate::flow::Network;
use crate::problem::Span;

/// Minutes of work and the stretches in which they can be done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Work {
    /// Minutes of work.
    pub minutes: i64,
    /// When, in order and apart from one another.
    pub spans: Vec<Span>,
}

/// Minutes of stretches that are apart from one another.
#[must_use]
pub fn length(spans: &[Span]) -> i64 {
    spans.iter().map(|span| (span.to - span.from).max(0)).sum()
}

/// What lies in both of two lists of stretches, each in order and apart.
#[must_use]
pub fn in_both(one: &[Span], other: &[Span]) -> Vec<Span> {
    let mut both = Vec::new();
    let (mut i, mut j) = (0, 0);
    while let (Some(a), Some(b)) = (one.get(i), other.get(j)) {
        let from = a.from.max(b.from);
        let to = a.to.min(b.to);
        if from < to {
            both.push(Span { from, to });
        }
        if a.to <= b.to {
            i += 1;
        } else {
            j += 1;
        }
    }
    both
}

/// Stretches of several lists together, in order and apart from one another.
pub(crate) fn in_any<'a>(lists: impl Iterator<Item = &'a [Span]>) -> Vec<Span> {
    let mut all: Vec<Span> = lists.flatten().copied().collect();
    all.sort_unstable();
    let mut joined: Vec<Span> = Vec::new();
    for span in all {
        match joined.last_mut() {
            Some(last) if span.from <= last.to => last.to = last.to.max(span.to),
            _ => joined.push(span),
        }
    }
    joined
}

/// Whether one person can do all of it, with interruptions where needed, one thing at a time.
///
/// Time is divided where a stretch begins or ends; the work fits exactly when its minutes can flow into
/// these pieces, each no longer than it is.
#[must_use]
pub fn fits(works: &[Work]) -> bool {
    if works.iter().any(|work| length(&work.spans) < work.minutes) {
        return false;
    }
    let all = in_any(works.iter().map(|work| work.spans.as_slice()));
    let wanted: i64 = works.iter().map(|work| work.minutes.max(0)).sum();
    if length(&all) < wanted {
        return false;
    }
    let mut edges: Vec<i64> = works
        .iter()
        .flat_map(|work| work.spans.iter().flat_map(|span| [span.from, span.to]))
        .collect();
    edges.sort_unstable();
    edges.dedup();
    let (source, sink) = (0, 1);
    let piece = |index: usize| 2 + works.len() + index;
    let mut network = Network::new(piece(edges.len()));
    for (index, pair) in edges.windows(2).enumerate() {
        network.arc(piece(index), sink, pair[1] - pair[0]);
    }
    for (number, work) in works.iter().enumerate() {
        network.arc(source, 2 + number, work.minutes.max(0));
        for span in &work.spans {
            let first = edges.partition_point(|edge| *edge < span.from);
            let end = edges.partition_point(|edge| *edge < span.to);
            for index in first..end {
                network.arc(2 + number, piece(index), i64::MAX / 4);
            }
        }
    }
    network.send(source, sink, wanted) == wanted
}

#[cfg(test)]
mod tests {
    use super::*;

    fn work(minutes: i64, spans: &[(i64, i64)]) -> Work {
        let spans = spans.iter().map(|&(from, to)| Span { from, to });
        Work {
            minutes,
            spans: spans.collect(),
        }
    }

    #[test]
    fn tasks_of_a_day_share_its_open_time() {
        let day = [(480, 720), (780, 960)];
        let many = |count| vec![work(60, &day); count];
        assert!(fits(&many(7)));
        assert!(!fits(&many(8)));
        assert!(fits(&[]));
    }

    #[test]
    fn fixed_times_do_not_overlap_and_the_rest_goes_around_them() {
        let fixed = |from| work(30, &[(from, from + 30)]);
        assert!(fits(&[fixed(600), fixed(630)]));
        assert!(!fits(&[fixed(600), fixed(629)]));
        // an hour in 80 minutes of which 30 are taken in the middle
        assert!(!fits(&[fixed(625), work(60, &[(600, 680)])]));
        assert!(fits(&[fixed(625), work(50, &[(600, 680)])]));
    }

    #[test]
    fn no_window_is_too_full_though_the_day_is_long() {
        // three of 40 minutes in an hour and a half, whatever else the day has
        let narrow = work(40, &[(600, 690)]);
        assert!(fits(&[
            narrow.clone(),
            narrow.clone(),
            work(300, &[(0, 600)])
        ]));
        assert!(!fits(&[narrow.clone(), narrow.clone(), narrow]));
    }

    #[test]
    fn stretches_are_cut_and_joined() {
        let spans = |list: &[(i64, i64)]| work(0, list).spans;
        assert_eq!(
            in_both(&spans(&[(0, 10), (20, 30)]), &spans(&[(5, 22), (29, 40)])),
            spans(&[(5, 10), (20, 22), (29, 30)])
        );
        let (one, other) = (spans(&[(0, 5), (9, 12)]), spans(&[(5, 7)]));
        assert_eq!(
            in_any([one.as_slice(), &other].into_iter()),
            spans(&[(0, 7), (9, 12)])
        );
    }
}
