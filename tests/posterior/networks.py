"""The same arrays as a Bayesian network, for general-purpose libraries.

Every term becomes a chain of binary nodes, one an element that reaches it: the bit before and
the element's state are the parents. Where open and explained weight do not add up to one, the
rest goes to a third value, *refused*, which stays. The last node has a child whose probability
of being seen is the closing weight. Factors become children of their elements. All weights are
scaled into probabilities, and the scales put back into the evidence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swapinfer.evidence.arrays import Arrays

Array = NDArray[np.float64]
OPEN, EXPLAINED, REFUSED = 0, 1, 2


@dataclass(frozen=True)
class Node:
    """A node: its number of values, its parents, and p[value, parent values...]."""

    name: str
    size: int
    parents: tuple[str, ...]
    table: Array


@dataclass(frozen=True)
class Network:
    """Nodes in topological order, which are seen (all with value 1), and the scale taken out."""

    nodes: list[Node]
    seen: dict[str, int]
    log_scale: float


def build_network(arrays: Arrays) -> Network:
    """Translate arrays with a single level node."""
    nodes: list[Node] = []
    seen: dict[str, int] = {}
    log_scale = 0.0
    log_factor_es = arrays.log_factor_nes.sum(axis=0)
    for e, name in enumerate(arrays.elements):
        size = len(arrays.states[e])
        nodes.append(Node(name, size, (), arrays.prior_es[e, :size]))
        top = log_factor_es[e, :size].max()
        log_scale += float(top)
        nodes.append(_seen(f"f{e}", (name,), np.exp(log_factor_es[e, :size] - top)))
        seen[f"f{e}"] = 1
    for t in range(arrays.finding_t.size):
        chain, scale = _chain(arrays, t)
        nodes += chain
        seen[chain[-1].name] = 1
        log_scale += scale
    return Network(nodes, seen, log_scale)


def _seen(name: str, parents: tuple[str, ...], chance: Array) -> Node:
    return Node(name, 2, parents, np.stack([1.0 - chance, chance]))


def _chain(arrays: Arrays, t: int) -> tuple[list[Node], float]:
    nodes: list[Node] = []
    bit, log_scale = "", 0.0
    for e, name in enumerate(arrays.elements):
        size = len(arrays.states[e])
        open_s = arrays.open_tes[t, e, :size]
        explain_s = arrays.explain.most_tes[t, e, :size]
        explained_s = arrays.explained_tes[t, e, :size]
        if (open_s == 1).all() and (explain_s == 0).all() and (explained_s == 1).all():
            continue
        top = max(float((open_s + explain_s).max()), float(explained_s.max()))
        log_scale += float(np.log(top))
        table = np.zeros((3, 3, size))
        table[OPEN, OPEN], table[EXPLAINED, OPEN] = open_s / top, explain_s / top
        table[EXPLAINED, EXPLAINED] = explained_s / top
        table[REFUSED] = np.clip(1.0 - table[OPEN] - table[EXPLAINED], 0.0, 1.0)
        parents = (bit, name) if bit else (name,)
        nodes.append(Node(f"t{t}e{e}", 3, parents, table if bit else table[:, OPEN]))
        bit = f"t{t}e{e}"
    close_2 = arrays.close_qt2[0, t]
    top = float(close_2.max())
    nodes.append(_seen(f"t{t}", (bit,), np.array([*close_2, 0.0]) / top))
    return nodes, log_scale + float(np.log(top))


def solve_with_pyagrum(network: Network, names: tuple[str, ...]) -> tuple[float, list[Array]]:
    """Return log evidence and posteriors from lazy propagation."""
    import pyagrum

    net = pyagrum.BayesNet()
    sizes = {node.name: node.size for node in network.nodes}
    for node in network.nodes:
        net.add(pyagrum.RangeVariable(node.name, node.name, 0, node.size - 1))
    for node in network.nodes:
        for parent in node.parents:
            net.addArc(parent, node.name)
    for node in network.nodes:
        table = net.cpt(node.name)
        shape = [sizes[p] for p in node.parents]
        for values in np.ndindex(*shape):
            where = dict(zip(node.parents, values, strict=True))
            table[where] = node.table[(slice(None), *values)].tolist()
    engine = pyagrum.LazyPropagation(net)
    engine.setEvidence(network.seen)
    engine.makeInference()
    log_evidence = float(np.log(engine.evidenceProbability())) + network.log_scale
    return log_evidence, [engine.posterior(name).toarray() for name in names]


def solve_with_pgmpy(network: Network, names: tuple[str, ...]) -> list[Array]:
    """Return posteriors from variable elimination."""
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork

    net = DiscreteBayesianNetwork()
    sizes = {node.name: node.size for node in network.nodes}
    net.add_nodes_from(list(sizes))
    for node in network.nodes:
        net.add_edges_from([(parent, node.name) for parent in node.parents])
    for node in network.nodes:
        cards = [sizes[p] for p in node.parents]
        net.add_cpds(
            TabularCPD(
                node.name,
                node.size,
                node.table.reshape(node.size, -1),
                evidence=list(node.parents) or None,
                evidence_card=cards or None,
            )
        )
    engine = VariableElimination(net)
    return [
        engine.query([name], evidence=network.seen, show_progress=False).values for name in names
    ]
