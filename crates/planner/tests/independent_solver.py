"""Solve planning-problem/1 files as mixed-integer programmes, from the format alone, with scipy (HiGHS).

usage: independent_solver.py DIRECTORY      prints {"name": objective_e4, ...} for every *.json in it
Works station by station and sowing by sowing: no merging, no prices, nothing shared with the planner.
Shares over runs of weeks are included.
"""
import datetime
import glob
import json
import os
import sys

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix


class Model:
    def __init__(self):
        self.cost, self.upper, self.whole, self.rows, self.constant = [], [], [], [], 0

    def variable(self, cost=0, upper=np.inf, whole=False):
        self.cost.append(cost)
        self.upper.append(upper)
        self.whole.append(1 if whole else 0)
        return len(self.cost) - 1

    def row(self, terms, low, high):
        self.rows.append((terms, low, high))

    def solve(self):
        if not self.cost:
            return self.constant
        entries = [(i, v, a) for i, (terms, _, _) in enumerate(self.rows) for v, a in terms]
        r, c, a = zip(*entries) if entries else ((), (), ())
        matrix = csr_matrix((a, (r, c)), shape=(len(self.rows), len(self.cost)))
        rows = [LinearConstraint(matrix, [x[1] for x in self.rows], [x[2] for x in self.rows])] if self.rows else []
        answer = milp(self.cost, integrality=self.whole, bounds=Bounds(0, self.upper), constraints=rows,
                      options={'mip_rel_gap': 0})
        if answer.status != 0:
            raise RuntimeError(answer.message)
        return round(answer.fun) + self.constant


def paths(entry):
    """every possible sowing: (slots, decigrams of each cut)"""
    found = [((a, b), (entry['cut_dg'][0]*q//1000,)) for a, b, q in entry['first']]
    for slots, dg in found:
        yield slots, dg
        if len(dg) < len(entry['cut_dg']):
            found.extend((slots + (b,), dg + (entry['cut_dg'][len(dg)]*q//1000,)) for a, b, q in entry['again'] if a == slots[-1])


def solve(p):
    m, weeks, ob, rules = Model(), range(len(p['weeks'])), p['objective'], p['rules']
    sites = {s['id']: s for s in p['sites']}
    start = datetime.date.fromisoformat(p['start_date'])
    places, minutes, mixing, use, harvest, batch, fixed = {}, {}, {}, {}, {}, {}, {}
    for work in p['committed_work']:
        key = work['site'], work['week']
        fixed['minutes', key] = fixed.get(('minutes', key), 0) + work['minutes10']
        fixed['mixing', key] = fixed.get(('mixing', key), 0) + work['mixing_dl']
        m.constant += ob['labour_per_minute']*work['minutes10']
    for h in p['committed']:
        key = 'harvest', (h['site'], h['crop'], h['week'])
        fixed[key] = fixed.get(key, 0) + h['dg']
    for station in p['stations']:
        site = sites[station['site']]
        slots = site['slots']
        taken = [sum(q for a, b, q in station['taken'] if a <= j < b) for j in range(len(slots))]
        for entry in next(c for c in p['classes'] if c['id'] == station['class'])['crops']:
            work, mix = entry['minutes10'], entry['mix_dl']
            for at, dg in paths(entry):
                total = work['sow'] + work['cut']*len(dg) + work['clean']
                wasted = sum(g for b, g in zip(at[1:], dg) if slots[b]['harvest_week'] is None)
                x = m.variable(ob['labour_per_minute']*total + ob['surplus_per_g']*wasted, station['places'], True)
                for j in range(at[0], entry['free_at'][at[-1]]):
                    places.setdefault((station['id'], j, station['places'] - taken[j]), []).append((x, 1))
                sow = slots[at[0]]['week']
                jobs = [(sow, work['sow'], mix['sow'])]
                for n, (b, g) in enumerate(zip(at[1:], dg)):
                    last = n == len(dg) - 1
                    jobs.append((slots[b]['week'], work['cut'] + (work['clean'] if last else 0), 0 if last else mix['cut']))
                    if slots[b]['harvest_week'] is not None:
                        harvest.setdefault((site['id'], entry['crop'], slots[b]['harvest_week']), []).append((x, g))
                for w, a, b in jobs:
                    minutes.setdefault((site['id'], w), []).append((x, a))
                    mixing.setdefault((site['id'], w), []).append((x, b))
                for u, v in entry['uses'].items():
                    use.setdefault((u, sow), []).append((x, v))
                batch.setdefault((station['class'], entry['crop'], at[0], site['id'], sow, entry['smallest_sowing']), []).append((x, 1))
    for (_, _, free), terms in places.items():
        m.row(terms, -np.inf, free)
    for rule, kind, key, factor in (('minutes', minutes, 'minutes', 10), ('mixing', mixing, 'mixing_dl', 1)):
        for (site, w), terms in kind.items():
            limit = sites[site][key] and sites[site][key][w]
            if rules[rule] and limit is not None:
                m.row(terms, -np.inf, factor*limit - fixed.get((rule, (site, w)), 0))
    if rules['stock']:
        for u in p['consumables']:
            so_far = []
            for w in weeks:
                so_far = so_far + use.get((u['id'], w), [])
                if w >= u['lead_weeks']:
                    so_far.append((m.variable(ob['cost_per_cent']*u['price_cents10'], u['most_per_week'], True), -1))
                m.row(list(so_far), -np.inf, u['stock'])
    batches(m, p, sites, batch, start)
    allocation(m, p, weeks, harvest, fixed)
    shares(m, p, harvest, fixed)
    return m.solve()


def batches(m, p, sites, batch, start):
    rules, kinds, sown = p['rules'], {}, {}
    if rules['smallest_sowing'] or rules['most_sowings']:
        for (k, c, j, site, w, least), terms in batch.items():
            z = m.variable(0, 1, True)
            most = sum(s['places'] for s in p['stations'] if s['class'] == k)
            m.row(terms + [(z, -most)], -np.inf, 0)
            if rules['smallest_sowing']:
                m.row(terms + [(z, -least)], 0, np.inf)
            kinds.setdefault((site, w), []).append((z, 1))
    if rules['most_sowings']:
        for (site, w), terms in kinds.items():
            limit = sites[site]['most_sowings'] and sites[site]['most_sowings'][w]
            if limit is not None:
                m.row(terms, -np.inf, limit)
    if p['adopted'] is not None:
        for (k, c, j, site, w, _), terms in batch.items():
            sown[k, c, sites[site]['slots'][j]['day']] = terms
        before = {}
        for s in p['adopted']:
            k = next(st['class'] for st in p['stations'] if st['id'] == s['station'])
            key = k, s['crop'], (datetime.date.fromisoformat(s['sow']) - start).days
            before[key] = before.get(key, 0) + s['containers']
        for key in set(sown) | set(before):
            d = m.variable(10*p['objective']['change_per_container'])
            q = before.get(key, 0)
            m.row(sown.get(key, []) + [(d, -1)], -np.inf, q)
            m.row(sown.get(key, []) + [(d, 1)], q, np.inf)


def allocation(m, p, weeks, harvest, fixed):
    ob = p['objective']
    for w in weeks:
        into = {t['id']: [] for t in p['targets']}
        for site in {s['id'] for s in p['sites']}:
            for crop in p['crops']:
                key = site, crop, w
                terms = [(v, -g) for v, g in harvest.get(key, [])]
                over = m.variable(ob['surplus_per_g'])
                out = [(over, 1)]
                for t in p['targets']:
                    if site in t['sites'] and crop in t['crops'] and t['pledge_dg'][w] > 0:
                        f = m.variable()
                        out.append((f, 1))
                        into[t['id']].append((f, 1))
                supply = fixed.get(('harvest', key), 0)
                m.row(terms + out, supply, supply)
        for t in p['targets']:
            pledge, share, below, terms = t['pledge_dg'][w], 0, 0, list(into[t['id']])
            for part, slope in ob['shortfall_bands']:
                share += part
                top = pledge*share//1000
                terms.append((m.variable(slope*t['priority'], top - below), 1))
                below = top
            m.row(terms, pledge, pledge)


def shares(m, p, harvest, fixed):
    for s in p.get('shares') or []:
        for first in range(s['from_week'], len(p['weeks']) - s['weeks'] + 1):
            window = range(first, first + s['weeks'])
            for limit, sign in ((s['min_permille'], 1), (s['max_permille'], -1)):
                if limit is None:
                    continue
                terms, constant = [], 0
                for site in s['sites']:
                    for crop in set(s['crops']) | {s['crop']}:
                        weight = sign*(1000*(crop == s['crop']) - limit*(crop in s['crops']))
                        for w in window:
                            terms += [(v, weight*g) for v, g in harvest.get((site, crop, w), [])]
                            constant += weight*fixed.get(('harvest', (site, crop, w)), 0)
                m.row(terms, -constant, np.inf)


if __name__ == '__main__':
    out = {}
    for path in sorted(glob.glob(os.path.join(sys.argv[1], '*.json'))):
        with open(path) as f:
            problem = json.load(f)
        out[problem['name']] = solve(problem)
    print(json.dumps(out))
