"""Random problems, and brute force to judge the engine by."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product

import numpy as np
from hypothesis import strategies as st
from msgspec.structs import replace
from numpy.typing import NDArray

from swapinfer.evidence.arrays import Arrays, Explain

TERM_KINDS = ("noisy-or", "first-cause", "count", "any")


def random_problem(
    rng: np.random.Generator,
    *,
    n_elements: int = 5,
    n_states: int = 3,
    n_levels: int = 1,
    kinds: tuple[str, ...] = ("noisy-or", "first-cause", "count"),
    reach: float = 0.6,
    repeats: int = 1,
    zeros: bool = False,
) -> Arrays:
    """Draw arrays with one term of each kind, each repeated `repeats` times."""
    sizes = rng.integers(2, n_states + 1, n_elements)
    used_es = np.arange(n_states) < sizes[:, None]
    raw_es = rng.gamma(0.5, size=(n_elements, n_states)) * used_es + 1e-3 * used_es
    terms = [draw_term(rng, kind, used_es, n_levels, reach=reach, zeros=zeros) for kind in kinds]
    picks = [number for number in range(len(kinds)) for _ in range(repeats)]
    level_q = rng.gamma(2.0, size=n_levels)
    log_factor_nes = rng.normal(0, 2, (len(picks) + 2, n_elements, n_states)) * used_es
    return Arrays(
        elements=tuple(f"e{number}" for number in range(n_elements)),
        states=tuple(
            ("good", *(f"s{state}" for state in range(1, size))) for size in sizes.tolist()
        ),
        prior_es=raw_es / raw_es.sum(axis=1, keepdims=True),
        log_factor_nes=log_factor_nes,
        finding_t=np.arange(len(picks)),
        open_tes=_stack([terms[pick][0] for pick in picks], (n_elements, n_states)),
        explain=explaining(
            np.moveaxis(
                _stack([terms[pick][1] for pick in picks], (n_levels, n_elements, n_states)), 0, 1
            )
        ),
        explained_tes=_stack([terms[pick][2] for pick in picks], (n_elements, n_states)),
        close_qt2=np.moveaxis(_stack([terms[pick][3] for pick in picks], (n_levels, 2)), 0, 1),
        level_q=level_q / level_q.sum(),
    )


def _stack(arrays: list[NDArray[np.float64]], shape: tuple[int, ...]) -> NDArray[np.float64]:
    return np.stack(arrays) if arrays else np.zeros((0, *shape))


def explaining(explain_qtes: NDArray[np.float64]) -> Explain:
    """Hold weights as the package does: states of the same weights at all nodes show the same."""
    n_nodes, n_terms, *shape = explain_qtes.shape
    if n_nodes == 1:
        ones_qtp = np.ones((1, n_terms, 1))
        return Explain.of(explain_qtes[0], np.zeros((n_terms, *shape), np.int64), ones_qtp)
    columns = [
        np.unique(of_qx, axis=1, return_inverse=True)
        for of_qx in (explain_qtes[:, t].reshape(n_nodes, -1) for t in range(n_terms))
    ]
    chance_qtp = np.zeros((n_nodes, n_terms, max((len(c.T) for c, _ in columns), default=1)))
    for t, (chance_qp, _) in enumerate(columns):
        chance_qtp[:, t, : chance_qp.shape[1]] = chance_qp
    shown_tes = np.array([shown for _, shown in columns], dtype=np.int64)
    own_tes = (explain_qtes > 0.0).any(axis=0).astype(float)
    return Explain.of(own_tes, shown_tes.reshape(n_terms, *shape), chance_qtp)


def draw_term(
    rng: np.random.Generator,
    kind: str,
    used_es: NDArray[np.bool_],
    n_levels: int,
    *,
    reach: float,
    zeros: bool,
) -> tuple[NDArray[np.float64], ...]:
    """Draw (open_es, explain_qes, explained_es, close_q2) of one kind."""
    shape = used_es.shape
    acts_es = used_es & (rng.random(shape) < 0.8) & (rng.random((shape[0], 1)) < reach)
    acts_es[:, 0] &= kind == "any"
    chance_es = rng.random(shape)
    if zeros:
        chance_es[rng.random(shape) < 0.4] = 0.0
    likelihood_qes = rng.gamma(1.0, size=(n_levels, *shape))
    close_q2 = np.stack([np.full(n_levels, 1e-3), np.ones(n_levels)], axis=1)
    open_es, explained_es = np.ones(shape), np.ones(shape)
    if kind == "noisy-or":
        open_es = np.where(acts_es, chance_es, 1.0)
        explain_qes = np.broadcast_to(1.0 - open_es, likelihood_qes.shape)
    elif kind == "first-cause":
        open_es = np.where(acts_es, 0.0, 1.0)
        explain_qes = np.where(acts_es, likelihood_qes, 0.0)
        close_q2[:, 0] = rng.random(n_levels)
    elif kind == "count":
        low_es, mass_es = chance_es, rng.random(shape) * (1 - chance_es)
        open_es = np.where(acts_es, low_es, 1.0)
        explained_es = np.where(acts_es, low_es + mass_es, 1.0)
        explain_qes = np.broadcast_to(np.where(acts_es, mass_es, 0.0), likelihood_qes.shape)
    else:
        open_es = np.where(acts_es, chance_es, 1.0)
        explained_es = np.where(acts_es, rng.random(shape), 1.0)
        explain_qes = np.where(acts_es, likelihood_qes, 0.0)
        close_q2 = rng.random((n_levels, 2))
    return open_es, explain_qes, explained_es, close_q2


@st.composite
def problems(draw: st.DrawFn) -> Arrays:
    """Small problems that brute force can enumerate."""
    return random_problem(
        np.random.default_rng(draw(st.integers(0, 2**32 - 1))),
        n_elements=draw(st.integers(1, 5)),
        n_states=draw(st.integers(2, 4)),
        n_levels=draw(st.sampled_from([1, 1, 3])),
        kinds=tuple(draw(st.lists(st.sampled_from(TERM_KINDS), max_size=4))),
        reach=draw(st.sampled_from([0.3, 0.7, 1.0])),
        repeats=draw(st.integers(1, 3)),
        zeros=draw(st.booleans()),
    )


def assignments(arrays: Arrays) -> list[tuple[int, ...]]:
    """Every combination of states."""
    return list(product(*(range(len(names)) for names in arrays.states)))


def brute_weight(arrays: Arrays, states: tuple[int, ...]) -> float:
    """Joint weight of one combination and the findings, straight from the definition."""
    weight = 1.0
    for element, state in enumerate(states):
        weight *= arrays.prior_es[element, state]
        weight *= np.exp(arrays.log_factor_nes[:, element, state].sum())
    by_level = 0.0
    for level, share in enumerate(arrays.level_q):
        product_t = share
        for term in range(arrays.finding_t.size):
            still_open, explained = 1.0, 0.0
            for element, state in enumerate(states):
                explained = (
                    explained * arrays.explained_tes[term, element, state]
                    + still_open * arrays.explain.at(term, element, state)[level]
                )
                still_open *= arrays.open_tes[term, element, state]
            close = arrays.close_qt2[level, term]
            product_t *= still_open * close[0] + explained * close[1]
        by_level += product_t
    return float(weight * by_level)


def brute_force(arrays: Arrays) -> tuple[float, NDArray[np.float64]]:
    """Evidence and marginals by enumeration of every combination."""
    total_es = np.zeros_like(arrays.prior_es)
    evidence = 0.0
    for states in assignments(arrays):
        weight = brute_weight(arrays, states)
        evidence += weight
        total_es[np.arange(len(states)), states] += weight
    return evidence, total_es / evidence


def factors_only(prior_es: NDArray[np.float64], log_factor_nes: NDArray[np.float64]) -> Arrays:
    """Arrays without any term."""
    n_elements, n_states = prior_es.shape
    return Arrays(
        elements=tuple(f"e{number}" for number in range(n_elements)),
        states=(("good", *(f"s{state}" for state in range(1, n_states))),) * n_elements,
        prior_es=prior_es,
        log_factor_nes=log_factor_nes,
        finding_t=np.zeros(0, dtype=np.int64),
        open_tes=np.ones((0, n_elements, n_states)),
        explain=explaining(np.zeros((1, 0, n_elements, n_states))),
        explained_tes=np.ones((0, n_elements, n_states)),
        close_qt2=np.ones((1, 0, 2)),
        level_q=np.ones(1),
    )


def some_of(arrays: Arrays) -> Callable[[NDArray[np.bool_]], Arrays]:
    """Make the arrays with the terms and factors of some findings only."""

    def keeping(keep_n: NDArray[np.bool_]) -> Arrays:
        keep_t = keep_n[arrays.finding_t]
        return replace(
            arrays,
            log_factor_nes=np.where(keep_n[:, None, None], arrays.log_factor_nes, 0.0),
            finding_t=arrays.finding_t[keep_t],
            open_tes=arrays.open_tes[keep_t],
            explain=arrays.explain.only(keep_t),
            explained_tes=arrays.explained_tes[keep_t],
            close_qt2=arrays.close_qt2[:, keep_t],
        )

    return keeping
