//! A bracketing root finder (Ridders, *IEEE Trans. Circuits Syst.* 26:979, 1979). Ridders' step
//! takes out the exponential part of a function, and a charge balance is nearly all exponential.

/// Why no root was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoRoot {
    /// The function has the same sign at both ends.
    NotBracketed,
    /// It is not a number somewhere between, or the steps ran out.
    NotFound,
}

const MOST_STEPS: usize = 120;

/// A root of `function` between `low` and `high`, where its size falls to `tolerance` or the
/// bracket closes to rounding. The answer always lies in the bracket.
pub fn root(
    low: f64,
    high: f64,
    tolerance: f64,
    mut function: impl FnMut(f64) -> Option<f64>,
) -> Result<f64, NoRoot> {
    let mut value = |at: f64| {
        function(at)
            .filter(|value| value.is_finite())
            .ok_or(NoRoot::NotFound)
    };
    let (mut low, mut high) = (low, high);
    let (mut at_low, mut at_high) = (value(low)?, value(high)?);
    if at_low == 0.0 {
        return Ok(low);
    }
    if at_high == 0.0 {
        return Ok(high);
    }
    if at_low.signum() == at_high.signum() {
        return Err(NoRoot::NotBracketed);
    }
    for _ in 0..MOST_STEPS {
        let middle = 0.5 * (low + high);
        let at_middle = value(middle)?;
        if at_middle == 0.0 {
            return Ok(middle);
        }
        let scale = (at_middle * at_middle - at_low * at_high).sqrt();
        let step = (middle - low) * at_middle / scale * at_low.signum();
        let (next, at_next) = if step.is_finite() {
            let next = (middle + step).clamp(low, high);
            (next, value(next)?)
        } else {
            (middle, at_middle)
        };
        if at_next.abs() <= tolerance || (high - low) <= 4.0 * f64::EPSILON * high.abs() {
            return Ok(next);
        }
        for (at, value) in [(middle, at_middle), (next, at_next)] {
            if at <= low || at >= high {
                continue;
            }
            if value.signum() == at_low.signum() {
                (low, at_low) = (at, value);
            } else {
                (high, at_high) = (at, value);
            }
        }
    }
    Err(NoRoot::NotFound)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_what_is_bracketed_and_reports_what_is_not() {
        let square = |x: f64| Some(x * x - 2.0);
        let found = root(0.0, 2.0, 1e-14, square).expect("a root");
        assert!((found - 2.0_f64.sqrt()).abs() < 1e-13, "{found}");
        let falling = root(0.0, 40.0, 1e-15, |x| Some((-x).exp() - 1e-9)).expect("a root");
        assert!(
            (falling - 9.0 * std::f64::consts::LN_10).abs() < 1e-5,
            "{falling}"
        );
        assert_eq!(root(2.0, 3.0, 1e-14, square), Err(NoRoot::NotBracketed));
        assert_eq!(root(0.0, 2.0, 1e-14, |_| None), Err(NoRoot::NotFound));
        let gap = |x: f64| if x > 0.5 { None } else { Some(-1.0) };
        assert_eq!(root(0.0, 2.0, 1e-14, gap), Err(NoRoot::NotFound));
        assert_eq!(root(0.0, 2.0, 1e-14, Some), Ok(0.0));
        assert_eq!(root(-2.0, 0.0, 1e-14, Some), Ok(0.0));
    }
}
