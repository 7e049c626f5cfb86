"""The same choice of grams by HiGHS, through scipy: the least sum of weighted relative deviations.

Reads a JSON list of problems: `content` in mg per gram by product and target, `targets` in mg/L less
what the water brings, `wished` in mg/L, `weights`, `most` in grams per litre, `scoops` in grams per litre
of one scoop or null. Writes the least deviation of each.
"""

import json
import sys

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp


def solve(problem):
    content = np.array(problem["content"])
    wished = np.array(problem["wished"])
    weights = np.array(problem["weights"])
    products, targets = content.shape
    units = np.array([1.0 if scoop is None else scoop for scoop in problem["scoops"]])
    most = np.array(problem["most"]) / units
    whole = np.array([0 if scoop is None else 1 for scoop in problem["scoops"]])
    most = np.where(whole == 1, np.floor(most + 1e-9), most)
    # amounts, then what is over, then what is under
    rows = np.hstack([(content * units[:, None]).T / wished[:, None], -np.eye(targets), np.eye(targets)])
    wanted = np.array(problem["targets"]) / wished
    answer = milp(
        c=np.concatenate([np.zeros(products), weights, weights]),
        constraints=LinearConstraint(rows, wanted, wanted),
        bounds=Bounds(0, np.concatenate([most, np.full(2 * targets, np.inf)])),
        integrality=np.concatenate([whole, np.zeros(2 * targets)]),
        options={"mip_rel_gap": 0},
    )
    assert answer.success, answer.message
    return answer.fun


with open(sys.argv[1]) as file:
    json.dump([solve(problem) for problem in json.load(file)], sys.stdout)
