"""Posterior marginals of a whole job, from its events and a pack's files alone."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from independent.looks import SPACING, looks_of, nodes_of
from independent.priors import Table
from independent.replay import Event, Job
from independent.runs import Runs
from independent.states import BEFORE, Array, States
from independent.summing import Bit, add_up


@dataclass
class Case:
    """One combination of what findings and parts share: its weight, priors and bits."""

    weight: float
    prior_s: Array
    bits: list[Bit]


class Model:
    """A job as a sum over cases, each of independent elements that bits join."""

    def __init__(self, priors: Table, events: list[Event], spacing: float = SPACING) -> None:
        self.job = Job(priors, events)
        self.states = States(self.job)
        self.runs = Runs(self.job, self.states)
        self.looks = looks_of(self.job, self.states)
        self.spacing = spacing

    def cases(self) -> Iterator[Case]:
        """Every combination of levels, likenesses, suppositions and lots."""
        unknowns: dict[str, list[Any]] = {}
        for look in self.looks:
            is_over = look.is_reading and math.isinf(look.value()[0])
            if look.unknown and not is_over:
                unknowns.setdefault(look.unknown, []).append(look)
        nodes = [list(nodes_of(self.job, some, self.spacing)) for some in unknowns.values()]
        looked = {
            name: [self._bits_of(name, node) for node, _ in some]
            for name, some in zip(unknowns, nodes, strict=True)
        }
        known = [look.bit(None) for look in self.looks if look.unknown not in unknowns]
        lots = list(self._lots())
        supposed = [
            self.runs.bits_supposing(dict(zip(self.runs.supposed, occurred, strict=True)))
            for occurred in itertools.product([False, True], repeat=len(self.runs.supposed))
        ]
        for at in itertools.product(*(range(len(some)) for some in nodes)):
            weight = math.prod(some[q][1] for q, some in zip(at, nodes, strict=True))
            read = [bit for q, name in zip(at, unknowns, strict=True) for bit in looked[name][q]]
            for (lot, prior_s), drives in itertools.product(lots, supposed):
                bits = [*self.runs.bits, *known, *read, *drives]
                yield Case(weight * lot, prior_s, bits)

    def solve(self) -> tuple[float, dict[str, dict[str, float]]]:
        """Natural log of the evidence, and every state of every element."""
        total, of_state = np.longdouble(0), np.zeros(len(self.states.states), np.longdouble)
        for case in self.cases():
            mass, mass_s = add_up(self.weight_s(case), case.bits, self.states.first_e)
            total += case.weight * mass
            of_state += case.weight * mass_s
        log_evidence = float(np.log(total)) + self.runs.log_constant
        return log_evidence, self.by_name((of_state / total).astype(float))

    def weight_s(self, case: Case) -> Array:
        """Priors times the factors on single elements."""
        weight_s: Array = case.prior_s * np.exp(self.runs.log_s)
        return weight_s

    def by_name(self, of_state: Array) -> dict[str, dict[str, float]]:
        """Arrange by element and state."""
        out: dict[str, dict[str, float]] = {one.id: {} for one in self.states.elements}
        for s, value in enumerate(of_state.tolist()):
            element = self.states.elements[self.states.element_s[s]]
            out[element.id][self.states.states[s].name] = value
        return out

    def _bits_of(self, unknown: str, node: float | str) -> list[Bit]:
        return [look.bit(node) for look in self.looks if look.unknown == unknown]

    def _lots(self) -> Iterator[tuple[float, Array]]:
        """Weights and priors at every combination of better and worse lots."""
        kinds, states = self.runs.lots(), self.states
        for ends in itertools.product([-1.0, 1.0], repeat=len(kinds)):
            prior_s = states.prior_s.copy()
            for kind, end in zip(kinds, ends, strict=True):
                sigma = math.log(self.job.kinds[kind]["lot_spread"])
                factor = math.exp(end * sigma) / math.cosh(sigma)
                for s, state in enumerate(states.states):
                    element = states.elements[states.element_s[s]]
                    is_in_lot = element.home.kind == kind and not element.is_new
                    if is_in_lot and state.mode and state.onset == BEFORE:
                        good = states.first_e[states.element_s[s]]
                        prior_s[good] -= (factor - 1.0) * prior_s[s]
                        prior_s[s] *= factor
            yield 0.5 ** len(kinds), prior_s
