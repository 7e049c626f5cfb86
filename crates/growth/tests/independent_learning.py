"""The nested normal model of learning, by other means: see src/learning/tests/independent.rs."""

import json
import sys

import numpy as np


def reml(groups):
    """Variances by restricted maximum likelihood and predicted group means."""
    import statsmodels.api as sm

    values = np.concatenate([np.array(group) for group in groups])
    labels = np.concatenate([[index] * len(group) for index, group in enumerate(groups)])
    model = sm.MixedLM(values, np.ones(len(values)), groups=labels)
    fit = model.fit(reml=True, method="powell", xtol=1e-10, ftol=1e-12)
    centre = float(fit.fe_params[0])
    return {
        "between": float(np.asarray(fit.cov_re)[0, 0]),
        "within": float(fit.scale),
        "effects": [centre + float(np.asarray(fit.random_effects[i])[0]) for i in range(len(groups))],
    }


def posterior(given, draws=6_000):
    """Mean and standard deviation of each cell's log factor: the covariance matrix of all records,
    written out, for variances drawn from their prior and weighted by likelihood."""
    rows = given["rows"]
    paths = [("", g, f"{g}/{c}", f"{g}/{c}/{m}", f"{g}/{c}/{m}/{s}") for g, c, m, s, _ in rows]
    values = np.array([row[4] for row in rows])
    same = [
        np.array([[a[d] == b[d] for b in paths] for a in paths], dtype=float) for d in range(5)
    ]
    cells = sorted({(row[1], row[3], path) for row, path in zip(rows, paths)})
    shared = [
        np.array([[cell[2][d] == path[d] for path in paths] for cell in cells], dtype=float)
        for d in range(5)
    ]
    records, variance = given["records"], given["record"] ** 2
    medians = (np.array(given["levels"]) / given["record"]) ** 2
    random = np.random.default_rng(7)
    freedom = records + len(values)
    logs, means, seconds = [], [], []
    for _ in range(draws):
        ratios = medians * np.exp(random.normal(size=5) + 1.2 * random.normal())
        covariance = np.eye(len(values)) + sum(r * s for r, s in zip(ratios, same))
        inverse = np.linalg.inv(covariance)
        squares = records * variance + values @ inverse @ values
        logs.append(-0.5 * np.linalg.slogdet(covariance)[1] - 0.5 * freedom * np.log(squares))
        with_records = sum(r * s for r, s in zip(ratios, shared))
        mean = with_records @ inverse @ values
        left = ratios.sum() - np.einsum("ij,jk,ik->i", with_records, inverse, with_records)
        means.append(mean)
        seconds.append(mean**2 + left * squares / (freedom - 2))
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    mean = weights @ np.array(means)
    deviation = np.sqrt(weights @ np.array(seconds) - mean**2)
    return [[c[0], c[1], float(m), float(s)] for c, m, s in zip(cells, mean, deviation)]


if __name__ == "__main__":
    task = {"reml": reml, "posterior": posterior}[sys.argv[1]]
    print(json.dumps(task(json.loads(sys.argv[2]))))
