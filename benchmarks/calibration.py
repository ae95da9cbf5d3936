"""Whether stated probabilities come true, over simulated jobs with arbitrary findings."""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

JOBS, QUICK_JOBS = 10_000, 120
CHUNK = 20
STEPS = 3
WRONG_BY = 3.0
SEED = 7_11

Statements = tuple[list[float], ...]
"""Stated and true with everything right, then with wrong priors, then with wrong tests as well."""


def main(*, quick: bool) -> dict[str, float]:
    import numpy as np
    from lab.reliability import judge
    from rich.progress import track

    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    jobs = QUICK_JOBS if quick else JOBS
    parts = [range(start, min(start + CHUNK, jobs)) for start in range(0, jobs, CHUNK)]
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        found = list(track(pool.map(state, parts), "jobs", total=len(parts)))
    columns = [np.concatenate([np.array(part[i]) for part in found]) for i in range(6)]
    right, wrong, tests_too = (judge(columns[at], columns[at + 1]) for at in (0, 2, 4))
    print(f"\n{jobs} jobs, {len(columns[0])} stated probabilities of at least 0.01\n")
    print(f"{'stated':>8}{'came true':>11}{'statements':>12}")
    for b, count in enumerate(right.count_b):
        if count:
            print(f"{right.stated_b[b]:8.3f}{right.true_b[b]:11.3f}{count:12.0f}")
    print(f"\nexpected calibration error {right.error:.4f}")
    print(f"with every prior wrong by up to a factor of {WRONG_BY:g}: {wrong.error:.4f}")
    print(f"and every chance of an outcome off by such odds as well: {tests_too.error:.4f}")
    return {
        "ece": right.error,
        "ece_priors_wrong": wrong.error,
        "ece_tests_wrong": tests_too.error,
        "jobs": jobs,
    }


def state(numbers: Iterable[int]) -> Statements:
    """Draw jobs, do arbitrary things to them, and state what is believed then."""
    import numpy as np
    from lab.reliability import perturb, perturb_tests, statements, wander

    from swapinfer.pack.load import load_pack
    from swapinfer.simulate.world import draw_job

    pack = load_pack()
    out: Statements = ([], [], [], [], [], [])
    for number in numbers:
        rng = np.random.default_rng([SEED, number])
        world = draw_job(pack, "inline-4", {"ignition": "coil-on-plug", "fuel": "port"}, rng)
        wander(world, number % (STEPS + 1))
        wrong = perturb(pack, WRONG_BY, rng)
        tests_too = perturb_tests(wrong, WRONG_BY, rng)
        for at, believed in ((0, None), (2, wrong), (4, tests_too)):
            stated_n, true_n = statements(world, believed)
            out[at].extend(stated_n.tolist())
            out[at + 1].extend(true_n.tolist())
    return out
