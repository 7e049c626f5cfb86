"""Draw seasons of plans from the model worded in the documentation of `chance`, with numpy alone.

usage: chance_seasons.py FILE   FILE: [{"problem", "plan", "uncertainty", "predicted": chances}, ...]
Prints {"cells", "worst_p", "bins": [[low, cells, predicted, met], ...]}. Each cell is drawn in SEASONS seasons; its count
is compared with the predicted share (itself from `seasons` draws) by Fisher's exact test; "worst_p" is the smallest p value
times the number of cells (Bonferroni).
"""
import datetime
import json
import sys

import numpy as np
from scipy.stats import fisher_exact

SEASONS = 2000
rng = np.random.default_rng(20261125)


def scatter(u, site, station, crop):
    for table in (u['stations'].get(station, {}), u['sites'].get(site, {}), u['crops']):
        if crop in table:
            return table[crop]
    return dict(germination=1, cv=0, days_sd=0, station_share=0, container_share=0)


def seasons(problem, plan, u):
    """Expected and drawn harvest by (site, crop, week), in decigrams."""
    start = datetime.date.fromisoformat(problem['start_date'])
    sites = {s['id']: s for s in problem['sites']}
    classes = {c['id']: c for c in problem['classes']}
    stations = {s['id']: s for s in problem['stations']}
    expected, drawn = {}, {}

    def add(key, mean, values):
        expected[key] = expected.get(key, 0) + mean
        drawn[key] = drawn.get(key, np.zeros(SEASONS)) + values

    station_z = {s: rng.standard_normal(SEASONS) for s in stations}
    common = {}
    for sowing in plan['sowings']:
        st = stations[sowing['station']]
        site = sites[st['site']]
        crop = sowing['crop']
        grown = next(c for c in classes[st['class']]['crops'] if c['crop'] == crop)
        sc = scatter(u, site['id'], st['id'], crop)
        g, q = sc['germination'], sowing['containers']
        s = np.sqrt(np.log1p(sc['cv'] ** 2))
        a, c = sc['station_share'], sc['container_share']
        key = (sowing['station'], crop, sowing['sow'])
        if key not in common:
            common[key] = (rng.standard_normal(SEASONS), rng.standard_normal(SEASONS) * sc['days_sd'])
        z, days = common[key]
        late = np.floor(np.maximum(0, days) + 0.5)
        n = rng.binomial(q, g, SEASONS)
        single = np.exp(np.sqrt(a) * s * station_z[st['id']][:, None] + np.sqrt(max(0, 1 - a - c)) * s * z[:, None]
                        + np.sqrt(c) * s * rng.standard_normal((SEASONS, q)) - s * s / 2)
        total = np.where(np.arange(q)[None, :] < n[:, None], single, 0).sum(axis=1) / g
        day_list = [x['day'] for x in site['slots']]
        days_of = np.array(day_list + [10 ** 6])
        slot = lambda d: day_list.index((datetime.date.fromisoformat(d) - start).days)
        planned_from, real_day = slot(sowing['sow']), None
        real_day = np.full(SEASONS, day_list[planned_from]) + late
        for j, cut in enumerate(sowing['cuts']):
            to = slot(cut)
            arcs = [x for x in grown['first' if j == 0 else 'again'] if x[0] == planned_from]
            permille = next(x[2] for x in arcs if x[1] == to)
            ready = real_day + day_list[min(x[1] for x in arcs)] - day_list[planned_from]
            real = np.where(late > 0, np.searchsorted(days_of, np.maximum(ready, day_list[to])), to)
            real = np.minimum(real, len(day_list))
            real_day = np.where(real == len(day_list), 10 ** 6, days_of[real])
            weight = grown['cut_dg'][j] * permille // 1000
            planned_week = site['slots'][to]['harvest_week']
            for i in range(len(day_list)):
                w = site['slots'][i]['harvest_week']
                if w is not None:
                    add((site['id'], crop, w), q * weight if i == to else 0, np.where(real == i, total * weight, 0))
            planned_from = to
    for e in problem['committed']:
        s = np.sqrt(np.log1p(scatter(u, e['site'], None, e['crop'])['cv'] ** 2))
        add((e['site'], e['crop'], e['week']), e['dg'], e['dg'] * np.exp(s * rng.standard_normal(SEASONS) - s * s / 2))
    return expected, drawn


def main():
    cells = []
    for case in json.load(open(sys.argv[1])):
        problem = case['problem']
        _, drawn = seasons(problem, case['plan'], case['uncertainty'])
        # one target only: whatever the division, it gets all it accepts up to its pledge
        target, = problem['targets']
        for cell in case['predicted']['cells']:
            got = sum((v for (s, c, w), v in drawn.items() if w == cell['week'] and s in target['sites'] and c in target['crops']),
                      np.zeros(SEASONS))
            met = int((got >= cell['pledge_dg'] * (1 - 1e-9)).sum())
            n = case['predicted']['seasons']
            k = round(cell['met'] * n)
            cells.append((cell['met'], met / SEASONS, fisher_exact([[k, n - k], [met, SEASONS - met]])[1]))
    bins = []
    for i in range(10):
        of = [c for c in cells if i / 10 <= c[0] < (i + 1) / 10 or i == 9 and c[0] == 1]
        if of:
            bins.append([i / 10, len(of), sum(c[0] for c in of) / len(of), sum(c[1] for c in of) / len(of)])
    print(json.dumps({'cells': len(cells), 'worst_p': min(c[2] for c in cells) * len(cells), 'bins': bins}))


main()
