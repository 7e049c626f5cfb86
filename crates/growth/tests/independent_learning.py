"""The normal model of learning, by other means: see src/learning/tests/independent.rs."""

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


def crossed(rows):
    """Variances of crops, stations and records by restricted maximum likelihood, and predictors of the
    effects of crops and stations; each row has a crop, a station and a value."""
    import pandas
    import statsmodels.formula.api as formulas

    data = pandas.DataFrame(rows, columns=["crop", "station", "value"])
    parts = {"crop": "0 + C(crop)", "station": "0 + C(station)"}
    model = formulas.mixedlm("value ~ 1", data, groups=np.ones(len(data)), vc_formula=parts)
    fit = model.fit(reml=True, method="powell", xtol=1e-10, ftol=1e-12)
    variances = dict(zip(model.exog_vc.names, fit.vcomp))
    effects = fit.random_effects[1.0]
    centre = float(fit.fe_params.iloc[0])
    of = lambda part: [float(effects[f"{part}[C({part})[{i}]]"]) for i in sorted(set(data[part]))]
    return {
        "crop": float(variances["crop"]),
        "station": float(variances["station"]),
        "within": float(fit.scale),
        "crops": [centre + effect for effect in of("crop")],
        "stations": of("station"),
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
    stations = [row[3] for row in rows]
    same.append(np.array([[a == b for b in stations] for a in stations], dtype=float))
    cells = sorted({(row[1], row[3], path) for row, path in zip(rows, paths)})
    shared = [
        np.array([[cell[2][d] == path[d] for path in paths] for cell in cells], dtype=float)
        for d in range(5)
    ]
    shared.append(np.array([[cell[1] == s for s in stations] for cell in cells], dtype=float))
    records, variance = given["records"], given["record"] ** 2
    medians = (np.array([*given["levels"], given["station"]]) / given["record"]) ** 2
    alone = np.array([given["alone"]] * 5 + [given["stations_alone"]])
    random = np.random.default_rng(7)
    freedom = records + len(values)
    logs, means, seconds = [], [], []
    for _ in range(draws):
        ratios = medians * np.exp(alone * random.normal(size=6)) * random.uniform(*given["spread"]) ** 2
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


def survival(given, draws=400_000):
    """Mean share of each cell and its 10 % and 90 % quantiles: trees of log odds drawn from the prior
    and weighted by the beta-binomial likelihood."""
    from scipy.special import betaln, expit, logit

    random = np.random.default_rng(11)
    variance = given["variance"] * random.uniform(*given["spread"], size=draws) ** 2
    correlation = expit(logit(given["correlation"]) + random.normal(size=draws))
    concentration = 1 / correlation - 1
    of_station = given["station"] / given["variance"] * variance
    of_station *= np.exp(given["stations_alone"] * random.normal(size=draws))
    stretch_by = lambda variance: np.sqrt(1 + (16 * np.sqrt(3) / (15 * np.pi)) ** 2 * variance)
    known, stations, cells, logs = {}, {}, {}, np.zeros(draws)
    for group, crop, method, station, expected, sown, stood in given["rows"]:
        odds = np.full(draws, logit(expected))
        path = ""
        for name in ["", group, crop, str(method), station]:
            path = f"{path}/{name}"
            if path not in known:
                known[path] = random.normal(size=draws)
            # A level's log odds lie about the stretched ones of the level above.
            is_cell = name == station
            stretch = stretch_by(variance + of_station if is_cell else variance)
            odds = stretch * odds + np.sqrt(variance) * known[path]
        if station not in stations:
            stations[station] = random.normal(size=draws)
        odds = odds + np.sqrt(of_station) * stations[station]
        share = np.clip(expit(odds), 1e-12, 1 - 1e-12)
        cells[(crop, station)] = share
        alpha, beta = concentration * share, concentration * (1 - share)
        logs += betaln(stood + alpha, sown - stood + beta) - betaln(alpha, beta)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    assert 1 / np.sum(weights**2) > 2_000, "too few draws count"
    found = []
    for (crop, station), share in cells.items():
        order = np.argsort(share)
        below = np.cumsum(weights[order])
        low, high = share[order][np.searchsorted(below, [0.1, 0.9])]
        found.append([crop, station, float(weights @ share), float(low), float(high)])
    return found


if __name__ == "__main__":
    tasks = {"reml": reml, "crossed": crossed, "posterior": posterior, "survival": survival}
    task = tasks[sys.argv[1]]
    print(json.dumps(task(json.loads(sys.argv[2]))))
