"""The same bits as a Bayesian network, one a case, for a general library's exact engine."""

from __future__ import annotations

import math

import numpy as np
import pyagrum
from independent.model import Case, Model
from independent.summing import Bit


def solve_by_library(model: Model) -> dict[str, dict[str, float]]:
    """Posterior of every element by pyAgrum's LazyPropagation, averaged over the cases."""
    solved = [(case.weight, *_solve(model, case)) for case in model.cases()]
    best = max(log for _, log, _ in solved)
    mass = np.array([weight * math.exp(log - best) for weight, log, _ in solved])
    of_state = np.array([row for _, _, row in solved])
    return model.by_name(mass @ of_state / mass.sum())


def _solve(model: Model, case: Case) -> tuple[float, list[float]]:
    net, evidence, log_scale = pyagrum.BayesNet(), {}, 0.0
    edges = [*model.states.first_e.tolist(), len(model.states.states)]
    factor_s = np.exp(model.runs.log_s)
    for e in range(len(edges) - 1):
        row = slice(edges[e], edges[e + 1])
        net.add(pyagrum.LabelizedVariable(f"e{e}", "", edges[e + 1] - edges[e]))
        net.cpt(f"e{e}").fillWith(case.prior_s[row].tolist())
        if (factor_s[row] != 1.0).any():
            evidence[f"e{e}"] = (factor_s[row] / factor_s[row].max()).tolist()
            log_scale += math.log(factor_s[row].max())
    for b, bit in enumerate(case.bits):
        log_scale += _add_chain(net, b, bit, edges)
        evidence[f"z{b}"] = 1
    engine = pyagrum.LazyPropagation(net)
    engine.setEvidence(evidence)
    engine.makeInference()
    posterior = [p for e in range(len(edges) - 1) for p in engine.posterior(f"e{e}").tolist()]
    return math.log(engine.evidenceProbability()) + log_scale, posterior


def _add_chain(net: pyagrum.BayesNet, b: int, bit: Bit, edges: list[int]) -> float:
    """Nodes open, explained, refused along the elements on which a bit acts; log of the scale."""
    scale = max(1.0, float(np.max(bit.a_s + bit.b_s)), float(bit.c_s.max()))
    before, log_scale = _start(net, b), 0.0
    for e in range(len(edges) - 1):
        row = range(edges[e], edges[e + 1])
        if all((bit.a_s[s], bit.b_s[s], bit.c_s[s]) == (1.0, 0.0, 1.0) for s in row):
            continue
        node, log_scale = f"b{b}_{e}", log_scale + math.log(scale)
        net.add(pyagrum.LabelizedVariable(node, "", 3))
        net.addArc(before, node)
        net.addArc(f"e{e}", node)
        for s in row:
            a, b_, c = (float(x[s]) / scale for x in (bit.a_s, bit.b_s, bit.c_s))
            tables = [[a, b_, 1.0 - a - b_], [0.0, c, 1.0 - c], [0.0, 0.0, 1.0]]
            for value, table in enumerate(tables):
                at = {f"e{e}": s - edges[e], before: value}
                net.cpt(node)[at] = [max(p, 0.0) for p in table]
        before = node
    closing = np.array([bit.is_open, bit.is_explained, 0.0])
    net.add(pyagrum.LabelizedVariable(f"z{b}", "", 2))
    net.addArc(before, f"z{b}")
    for value, p in enumerate((closing / closing.max()).tolist()):
        net.cpt(f"z{b}")[{before: value}] = [1.0 - p, p]
    return log_scale + math.log(closing.max())


def _start(net: pyagrum.BayesNet, b: int) -> str:
    """Node of a bit that is surely open."""
    net.add(pyagrum.LabelizedVariable(f"b{b}", "", 3))
    net.cpt(f"b{b}").fillWith([1.0, 0.0, 0.0])
    return f"b{b}"
