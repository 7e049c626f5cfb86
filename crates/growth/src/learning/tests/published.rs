//! Worked examples from the literature.

use statrs::distribution::{ContinuousCDF as _, Normal};

use super::super::integrate::{maximise, quantile};
use super::super::nested::gather;
use super::super::survival::Shares;
use super::{one_level, one_ratio};

/// Rubin, Estimation in parallel randomized experiments, J. Educ. Stat. 6:377-401, 1981, table 1:
/// effects of coaching in eight schools and their standard errors.
const SCHOOLS: [(f64, f64); 8] = [
    (28.39, 14.9),
    (7.94, 10.2),
    (-2.75, 16.3),
    (6.82, 11.0),
    (-0.64, 9.4),
    (0.63, 11.4),
    (18.01, 10.4),
    (12.16, 17.6),
];

/// Mean and standard deviation of each school, and of all, given the standard deviation between
/// schools; and the logarithm of the likelihood of that.
fn schools(between: f64) -> (Vec<(f64, f64)>, f64) {
    let cells = SCHOOLS.map(|(effect, error)| (1.0 / (error * error), effect));
    let (nodes, cells) = one_level(&cells);
    let ratios = one_ratio(between * between);
    let gathered = gather(&nodes, &cells, &ratios);
    let posterior = gathered.posterior(&nodes, &ratios).nodes;
    let log_likelihood = gathered.log_density - 0.5 * gathered.quadratic;
    (
        posterior
            .into_iter()
            .map(|(mean, variance)| (mean, variance.sqrt()))
            .collect(),
        log_likelihood,
    )
}

/// Gelman et al., Bayesian Data Analysis, section 5.5: pooled over all schools the effect is 7.9
/// with variance 17.4 (from Rubin's figures; the book's rounded ones give 7.7 and 16.6).
#[test]
fn eight_schools_pooled() {
    let (posterior, _) = schools(0.0);
    let (mean, deviation) = posterior[0];
    println!("pooled {mean}, variance {}", deviation * deviation);
    assert!((mean - 7.9).abs() < 0.05, "{mean}");
    assert!(
        (deviation * deviation - 17.4).abs() < 0.05,
        "{}",
        deviation * deviation
    );
}

/// The same, table 5.3 (from memory): medians of the eight effects 10, 8, 7, 8, 5, 6, 10, 8 under a
/// uniform prior of the standard deviation between schools, from 200 draws, so good to about 1.
#[test]
fn eight_schools_shrink_as_published() {
    let given: Vec<_> = (0..400)
        .map(|step| schools(0.05 + 0.1 * f64::from(step)))
        .collect();
    let total: f64 = given.iter().map(|(_, log)| log.exp()).sum();
    for (index, published) in [10.0, 8.0, 7.0, 8.0, 5.0, 6.0, 10.0, 8.0]
        .iter()
        .enumerate()
    {
        let below = |x: f64| {
            let parts = given.iter().map(|(posterior, log)| {
                let (mean, deviation) = posterior[index + 1];
                log.exp() * Normal::new(mean, deviation).unwrap().cdf(x)
            });
            parts.sum::<f64>() / total
        };
        let median = quantile(below, (-50.0, 80.0), 0.5);
        println!("school {index}: {median:.2} for {published}");
        assert!((median - published).abs() < 1.0, "{median} for {published}");
    }
}

/// Efron & Morris, Data analysis using Stein's estimator, JASA 70:311-319, 1975, and Stein's paradox
/// in statistics, Sci. Am. 236(5):119-127, 1977: averages of 18 batters over their first 45 times
/// at bat in 1970, and over the season.
const BATTERS: [(f64, f64); 18] = [
    (0.400, 0.346),
    (0.378, 0.298),
    (0.356, 0.276),
    (0.333, 0.222),
    (0.311, 0.273),
    (0.311, 0.270),
    (0.289, 0.263),
    (0.267, 0.210),
    (0.244, 0.269),
    (0.244, 0.230),
    (0.222, 0.264),
    (0.222, 0.256),
    (0.222, 0.303),
    (0.222, 0.264),
    (0.222, 0.226),
    (0.200, 0.285),
    (0.178, 0.316),
    (0.156, 0.200),
];

/// The 1977 article shrinks by c = 0.212 = 1 - (k - 3)σ²/S, σ² the binomial variance of an average.
/// Restricted maximum likelihood has k - 1 in place of k - 3, so 1 - 17/15 (1 - 0.212) = 0.107.
#[test]
fn batting_averages_shrink_as_published() {
    let mean = BATTERS.iter().map(|(early, _)| early).sum::<f64>() / 18.0;
    let variance = mean * (1.0 - mean) / 45.0;
    let cells = BATTERS.map(|(early, _)| (1.0 / variance, early));
    let (nodes, cells) = one_level(&cells);
    let ratios = |log_variance: f64| one_ratio(log_variance.exp());
    let likelihood = |at: &[f64; 1]| {
        let gathered = gather(&nodes, &cells, &ratios(at[0]));
        gathered.log_density - 0.5 * gathered.quadratic
    };
    let ([log_variance], _) = maximise(likelihood, [-7.0], 1e-6, 100);
    let kept = 1.0 - variance / (variance + log_variance.exp());
    let published = 1.0 - 17.0 / 15.0 * (1.0 - 0.212);
    println!("kept {kept} for {published}");
    assert!((kept - published).abs() < 0.003, "{kept} for {published}");

    let ratios = ratios(log_variance);
    let posterior = gather(&nodes, &cells, &ratios)
        .posterior(&nodes, &ratios)
        .nodes;
    let (mut raw, mut shrunk) = (0.0, 0.0);
    for ((early, season), (estimate, _)) in BATTERS.iter().zip(&posterior[1..]) {
        raw += (early - season) * (early - season);
        shrunk += (estimate - season) * (estimate - season);
    }
    println!("squared errors {raw} and {shrunk}");
    // The article: shrinking cuts the squared error to less than a third.
    assert!(shrunk < raw / 3.0, "{shrunk} of {raw}");
}

/// Tarone, The use of historical control information in testing for a trend in proportions,
/// Biometrics 38:215-220, 1982: rats with a tumour among those of 70 control groups.
const RATS: [(u32, u32); 70] = [
    (20, 0),
    (20, 0),
    (20, 0),
    (20, 0),
    (20, 0),
    (20, 0),
    (20, 0),
    (19, 0),
    (19, 0),
    (19, 0),
    (19, 0),
    (18, 0),
    (18, 0),
    (17, 0),
    (20, 1),
    (20, 1),
    (20, 1),
    (20, 1),
    (19, 1),
    (19, 1),
    (18, 1),
    (18, 1),
    (25, 2),
    (24, 2),
    (23, 2),
    (20, 2),
    (20, 2),
    (20, 2),
    (20, 2),
    (20, 2),
    (20, 2),
    (10, 1),
    (49, 5),
    (19, 2),
    (46, 5),
    (27, 3),
    (17, 2),
    (49, 7),
    (47, 7),
    (20, 3),
    (20, 3),
    (13, 2),
    (48, 9),
    (50, 10),
    (20, 4),
    (20, 4),
    (20, 4),
    (20, 4),
    (20, 4),
    (20, 4),
    (20, 4),
    (48, 10),
    (19, 4),
    (19, 4),
    (19, 4),
    (22, 5),
    (46, 11),
    (49, 12),
    (20, 5),
    (20, 5),
    (23, 6),
    (19, 5),
    (22, 6),
    (20, 6),
    (20, 6),
    (20, 6),
    (52, 16),
    (46, 15),
    (47, 15),
    (24, 9),
];

/// Log likelihood of the share and the concentration of the groups' beta distribution.
fn rats(share: f64, concentration: f64) -> f64 {
    let shares = Shares::new(&[share], 1.0 / (concentration + 1.0), 52);
    shares.log_likelihood(&RATS)[0]
}

/// Maximum likelihood as in the vignette of the R package BayesGOF for these data:
/// alpha 2.304768, beta 14.079707.
#[test]
fn rat_tumours_have_the_published_beta_distribution() {
    let likelihood = |at: &[f64; 2]| {
        let share = 1.0 / (1.0 + (-at[0]).exp());
        rats(share, at[1].exp())
    };
    let (at, _) = maximise(likelihood, [-1.5, 2.0], 1e-7, 300);
    let share = 1.0 / (1.0 + (-at[0]).exp());
    let (alpha, beta) = (share * at[1].exp(), (1.0 - share) * at[1].exp());
    println!("alpha {alpha}, beta {beta}");
    assert!((alpha - 2.304_768).abs() < 0.01, "{alpha}");
    assert!((beta - 14.079_707).abs() < 0.06, "{beta}");
}
