"""The best assignment of each problem of a file, by CP-SAT of OR-Tools, written from the format alone.

usage: independent_solver.py FILE   FILE: {number: {"tasks": [...], "members": [...]}}
Prints {number: [places covered by class of urgency, sum of squares of everybody's minutes]}.
"""
import json
import sys

from ortools.sat.python import cp_model


def solver():
    s = cp_model.CpSolver()
    s.parameters.num_workers = 1
    return s


def best(problem):
    tasks, members = problem['tasks'], problem['members']
    classes = 1 + max(t['urgency'] for t in tasks)
    m = cp_model.CpModel()
    has = {(t, w): m.new_bool_var(f'has{t}_{w}') for t, task in enumerate(tasks) for w in task['who']}
    for t, task in enumerate(tasks):
        m.add(sum(has[t, w] for w in task['who']) <= task['places'])
    loads = []
    for w, member in enumerate(members):
        mine = [t for t in range(len(tasks)) if (t, w) in has]
        m.add(sum(has[t, w] for t in mine) <= member['most'])
        free = {x for s in member['free'] for x in range(s['from'], s['to'], 5)}
        # every five minutes are one slot; all times and durations are multiples of five
        slots = {}

        def spend(work, minutes, times):
            parts = [m.new_bool_var(f's{w}_{work}_{x}') for x in times]
            for x, part in zip(times, parts):
                slots.setdefault(x, []).append(part)
            m.add(5 * sum(parts) == minutes)

        for t in mine:
            spans = [x for s in tasks[t]['open'] for x in range(s['from'], s['to'], 5)]
            spend(f't{t}', tasks[t]['minutes'] * has[t, w], [x for x in spans if x in free])
        if mine and any(member['held']):
            # what is held binds only who is given something more
            any_more = m.new_bool_var(f'more{w}')
            m.add_max_equality(any_more, [has[t, w] for t in mine])
            for h, held in enumerate(member['held']):
                spend(f'h{h}', held['minutes'] * any_more, [x for s in held['spans'] for x in range(s['from'], s['to'], 5)])
        for parts in slots.values():
            m.add_at_most_one(parts)
        most = member['minutes_before'] + sum(tasks[t]['minutes'] for t in mine)
        load = m.new_int_var(0, most, f'load{w}')
        m.add(load == member['minutes_before'] + sum(tasks[t]['minutes'] * has[t, w] for t in mine))
        square = m.new_int_var(0, most * most, f'square{w}')
        m.add_multiplication_equality(square, [load, load])
        loads.append(square)
    covered = []
    for c in range(classes):
        count = sum(x for (t, _), x in has.items() if tasks[t]['urgency'] == c)
        if isinstance(count, int):
            covered.append(0)
            continue
        m.maximize(count)
        s = solver()
        assert s.solve(m) == cp_model.OPTIMAL
        covered.append(round(s.objective_value))
        m.add(count == covered[-1])
    m.minimize(sum(loads))
    s = solver()
    assert s.solve(m) == cp_model.OPTIMAL
    return [covered, round(s.objective_value)]


problems = json.load(open(sys.argv[1]))
print(json.dumps({number: best(problem) for number, problem in problems.items()}))
