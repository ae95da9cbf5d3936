"""Verified causes and comebacks in the cause model, against a sum over every possible truth."""

from __future__ import annotations

import numpy as np
import pytest
from lab.models import CausePriors, cause_model
from lab.shops import cause_counts, recorded
from msgspec.structs import replace
from scipy.special import softmax

pytestmark = pytest.mark.usefixtures("libraries")

RIGHT, BACK_IF_RIGHT, BACK_IF_WRONG = 0.9, 0.05, 0.6
CHAINS = ((0, 1, 1, 2.0), (2, 0, 3, 1.0), (1, 3, 0, 4.0))
"""Cell, first recorded cause, last, how often."""


def chance_of_visit(label: int, truth: int, *, returns: bool) -> float:
    """Of a label, three others being possible, and of what follows it."""
    recorded = RIGHT if label == truth else (1 - RIGHT) / 3
    back = BACK_IF_RIGHT if label == truth else BACK_IF_WRONG
    return recorded * (back if returns else 1 - back)


def test_courses_of_cases_sum_over_the_true_cause() -> None:
    """Every case by enumeration of its true cause; the model's own term to 1e-9."""
    rng = np.random.default_rng(3)
    stayed_gc, returned_gc = rng.integers(0, 4, (2, 3, 4)).astype(float)
    data = replace(cause_counts(), **recorded(stayed_gc, returned_gc, np.array(CHAINS)))
    model = cause_model(data, CausePriors(np.full(4, 0.7), np.ones(4)))
    point = model.initial_point()
    believed = {
        "label_right": RIGHT,
        "returns_if_right": BACK_IF_RIGHT,
        "returns_if_wrong": BACK_IF_WRONG,
    }
    for name, chance in believed.items():
        point[f"{name}_logodds__"] = np.array(np.log(chance / (1 - chance)))
    term = model.compile_logp(vars=[model["log_confirmed"]], jacobian=False, mode="FAST_COMPILE")(
        point
    )
    share_gc = softmax(np.log(data.base_gc), axis=1)
    cases = [
        (g, [(label, returns)], n)
        for returns, table in ((False, stayed_gc), (True, returned_gc))
        for (g, label), n in np.ndenumerate(table)
    ]
    cases += [(int(g), [(int(a), True), (int(b), False)], n) for g, a, b, n in CHAINS]
    expected = 0.0
    for g, visits, n in cases:
        by_truth = [
            share_gc[g, truth]
            * np.prod([chance_of_visit(label, truth, returns=back) for label, back in visits])
            for truth in range(4)
        ]
        expected += n * np.log(sum(by_truth))
    assert float(term) == pytest.approx(expected, rel=1e-9)
