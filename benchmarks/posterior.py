"""Exact posterior: our CPU time, a general library's on the same network, and how ours grows."""

from __future__ import annotations

import os
import sys
import time
import warnings
from collections.abc import Callable, Iterable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from swapinfer.evidence.arrays import Arrays
from swapinfer.posterior import fault_sets, infer
from swapinfer.posterior.exact import infer_draws
from swapinfer.posterior.lattice import Lattice
from tests.posterior.engines import compression_job, diagnosing_job, swapping_job
from tests.posterior.networks import build_network, solve_with_pgmpy, solve_with_pyagrum

Figures = dict[str, float | list[dict[str, float]]]


def milliseconds(action: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median and least CPU time."""
    action()
    times = [once(action) for _ in range(repeats)]
    return float(np.median(times)), min(times)


def once(action: Callable[[], object]) -> float:
    """CPU time of a single call."""
    started = time.process_time()
    action()
    return 1e3 * (time.process_time() - started)


def first(arrays: Arrays) -> float:
    """CPU time before any table of a lattice is kept from an earlier job, the least of five."""
    times = []
    for _ in range(5):
        Lattice.of.cache_clear()
        times.append(once(lambda: infer(arrays)))
    return min(times)


def describe(arrays: Arrays, label: str, repeats: int) -> dict[str, float]:
    """Time one job and print a row."""
    posterior = infer(arrays)
    cold = first(arrays)
    median, least = milliseconds(lambda: infer(arrays), repeats)
    stats = posterior.stats
    share = "exact" if posterior.exact else f"left out <= {posterior.left_out:.1e}"
    print(
        f"{label:34}{len(arrays.elements):5}{stats.terms:7}{stats.digits:8}"
        f"{stats.largest:10}{cold:10.2f}{median:11.2f}{least:9.2f}  {share}"
    )
    return {
        "ms": median,
        "min_ms": least,
        "first_ms": cold,
        "digits": stats.digits,
        "largest": stats.largest,
        "left_out": posterior.left_out,
    }


def compare(arrays: Arrays, *, lazy: bool) -> Figures:
    """Let the libraries answer the same question; the first asks for one marginal only."""
    network = build_network(arrays)
    posterior = infer(arrays)
    watched = int(posterior.fault_e.argmax())
    name = arrays.elements[watched]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        started = time.perf_counter()
        (answer,) = solve_with_pgmpy(network, (name,))
        library_ms = 1e3 * (time.perf_counter() - started)
    gap = float(np.abs(answer - posterior.marginal_es[watched, : len(answer)]).max())
    print(f"\npgmpy VariableElimination, network built and one marginal: {library_ms:.0f} ms")
    figures: Figures = {"library_ms": library_ms}
    if lazy:
        started = time.perf_counter()
        _, answers = solve_with_pyagrum(network, arrays.elements)
        figures["pyagrum_ms"] = 1e3 * (time.perf_counter() - started)
        rows = zip(answers, posterior.marginal_es, strict=True)
        gap = max(gap, *(float(np.abs(a - row[: len(a)]).max()) for a, row in rows))
        print(f"pyAgrum LazyPropagation, all marginals: {figures['pyagrum_ms']:.0f} ms")
    figures["max_abs_diff"] = gap
    return figures


def growth(
    label: str, values: Iterable[int], job: Callable[[int], Arrays], repeats: int
) -> list[dict[str, float]]:
    """Time jobs of growing size."""
    return [{label: value} | describe(job(value), f"{label} {value}", repeats) for value in values]


def main(*, quick: bool) -> Figures:
    """Print a table and return the figures behind it."""
    repeats = 30 if quick else 200
    few = 3 if quick else 7
    print(
        f"{'job':34}{'elem.':>5}{'terms':>7}{'digits':>8}{'largest':>10}"
        f"{'first ms':>10}{'median ms':>11}{'min ms':>9}"
    )
    standard = swapping_job(8)
    ours = describe(standard, "8 cylinders, 6 runs, 10 readings", repeats)
    levelled = describe(compression_job(8, n_levels=40), "8 cylinders, compression on all", few)
    cylinders = growth("cylinders", (4, 6, 8, 10, 12, 16), swapping_job, few)
    runs = growth(
        "runs", (2, 4, 6, 10, 20, 40), lambda n: diagnosing_job(8, n_runs=n, n_misfiring=1), few
    )
    misfiring = growth(
        "misfiring", range(1, 9), lambda n: diagnosing_job(8, n_runs=3, n_misfiring=n), few
    )
    figures = compare(standard, lazy=not quick)
    ratio = float(figures["library_ms"]) / ours["ms"]  # type: ignore[arg-type]
    print(f"ratio pgmpy / ours {ratio:.0f}; largest difference {figures['max_abs_diff']:.1e}")
    draws = np.repeat(standard.prior_es[None], 300, axis=0)
    draws_ms, _ = milliseconds(lambda: infer_draws(standard, draws), 1)
    posterior = infer(standard)
    sets_ms, _ = milliseconds(lambda: fault_sets(standard, posterior, 0.998, 500), few)
    full = diagnosing_job(8, n_runs=3, n_misfiring=8)
    everywhere = infer(full)
    full_ms, _ = milliseconds(lambda: fault_sets(full, everywhere, 0.998, 500), few)
    print(f"300 prior draws {draws_ms:.0f} ms; 500 fault sets {sets_ms:.1f} ms,")
    print(f"where all 8 cylinders misfired in each drive {full_ms:.0f} ms")
    return figures | {
        "ms": ours["ms"],
        "min_ms": ours["min_ms"],
        "first_ms": ours["first_ms"],
        "ratio": ratio,
        "levelled_ms": levelled["ms"],
        "draws_300_ms": draws_ms,
        "fault_sets_500_ms": sets_ms,
        "fault_sets_full_ms": full_ms,
        "cylinders": cylinders,
        "runs": runs,
        "misfiring": misfiring,
    }
