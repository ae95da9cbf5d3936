"""Learning from a million history rows, and whether its intervals hold the truth.

A row per job instead of counts is timed beside it on the same 2,000 jobs.
"""

from __future__ import annotations

import resource
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")

ROWS, QUICK_ROWS = 1_000_000, 30_000
SHOPS, QUICK_SHOPS = 300, 20
NAIVE_JOBS, QUICK_NAIVE_JOBS = 2_000, 300
SEED = 5
TEST_SIZE = 0.01
"""Chance that ranks of a calibrated model are called uneven: all quantities of a model together."""


def main(*, quick: bool) -> dict[str, float]:
    learned = learn_rows(QUICK_ROWS if quick else ROWS)
    print(
        "\n{rows} rows learned in {seconds:.1f} s ({cpu_seconds:.1f} s of processor), "
        "peak {peak_mib:.0f} MiB; a tenth of the rows had needed {peak_mib_tenth:.0f} MiB".format(
            **learned
        ),
        flush=True,
    )
    coverage = cover(QUICK_SHOPS if quick else SHOPS)
    ratio = naive_ratio(QUICK_NAIVE_JOBS if quick else NAIVE_JOBS)
    print(f"a row per job samples {ratio:.1f} times slower than counts")
    return {
        **learned,
        "coverage_90": sum(coverage.values()) / len(coverage),
        **{f"coverage_90_{name}": value for name, value in coverage.items()},
        "naive_ratio": ratio,
    }


def learn_rows(rows: int) -> dict[str, float]:
    """Learn from all rows and from a tenth, each in a process of its own: peaks never sink."""
    with tempfile.TemporaryDirectory() as folder:
        tenth = _apart(_draw_and_learn, Path(folder) / "tenth", rows // 30)
        whole = _apart(_draw_and_learn, Path(folder) / "whole", rows // 3)
    return {**whole, "peak_mib_tenth": tenth["peak_mib"]}


def _apart(work: Callable[..., T], *arguments: object) -> T:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(work, *arguments).result()


def _draw_and_learn(folder: Path, jobs: int) -> dict[str, float]:
    from swapinfer.learn.counts import History
    from swapinfer.learn.learn import learn_overlay
    from swapinfer.learn.sampling import Sampling, quiet
    from swapinfer.pack.load import load_pack

    folder.mkdir()
    tables = folder / "jobs.parquet", folder / "findings.parquet"
    _apart(_draw, *tables, jobs)
    with quiet():
        import pymc  # noqa: F401 (loading is not what is measured)
    pack = load_pack()
    started, cpu_started = time.perf_counter(), time.process_time()
    result = learn_overlay(History(*tables), pack, folder / "out", Sampling(seed=SEED))
    report = result.learned.counts.rows
    return {
        "rows": report.jobs_used + report.findings_used,
        "seconds": time.perf_counter() - started,
        "cpu_seconds": time.process_time() - cpu_started,
        "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def _draw(jobs_to: Path, findings_to: Path, jobs: int) -> None:
    import numpy as np
    from invented_history import Fleet, draw_history

    from swapinfer.learn.prior import describe_tests, vocabulary
    from swapinfer.pack.load import load_pack

    pack = load_pack()
    words = vocabulary(pack)
    rng = np.random.default_rng(SEED)
    families = {
        f"family-{i}": ("inline-4", "coil-on-plug", ("port", "direct")[i % 2]) for i in range(6)
    }
    common = rng.normal(0, 0.5, len(words.causes))
    own = rng.normal(0, 0.2, (len(families), len(words.causes)))
    drawn = draw_history(
        Fleet(families, ("rough", "light-on"), common + own),
        pack,
        words,
        describe_tests(pack),
        jobs=jobs,
        seed=SEED,
    )
    drawn.jobs.to_parquet(jobs_to)
    drawn.findings.to_parquet(findings_to)


def cover(shops: int) -> dict[str, float]:
    from lab.calibrate import calibrate
    from lab.shops import cause_trial, rate_trial, reliability_trial

    from swapinfer.learn.sampling import quiet

    with quiet():
        import pymc  # noqa: F401 (its announcements would stand between the figures)
    trials = {"causes": cause_trial(), "tests": reliability_trial(), "rates": rate_trial()}
    coverage = {}
    for name, trial in trials.items():
        found = calibrate(trial.model, trial.simulate, trial.quantities, shops=shops, seed=SEED)
        p_values = found.p_values()
        least = min(1.0, float(p_values.min()) * len(p_values))
        verdict = "even" if least >= TEST_SIZE else "UNEVEN"
        coverage[name] = found.coverage
        print(
            f"model of {name}, {shops} shops: 90 % intervals hold the truth {found.coverage:.3f}; "
            f"ranks {verdict} at size {TEST_SIZE} (smallest p, corrected: {least:.3f})",
            flush=True,
        )
    return coverage


def naive_ratio(jobs: int) -> float:
    """Sampling time with one likelihood term per job over that with counts, same posterior."""
    import numpy as np
    from lab.models import CausePriors, cause_model
    from lab.shops import cause_counts, recorded
    from msgspec.structs import replace

    from swapinfer.learn.sampling import Sampling, Target, run_nuts

    rng = np.random.default_rng(SEED)
    counted = cause_counts()
    cell_j, cause_j = rng.integers(3, size=jobs), rng.choice(4, size=jobs, p=counted.base_gc[0])
    confirmed = np.zeros_like(counted.base_gc)
    np.add.at(confirmed, (cell_j, cause_j), 1.0)
    nothing = np.zeros(0)
    no_open = replace(
        counted,
        open_cell_k=cell_j[:0],
        open_likelihood_kc=np.zeros((0, 4)),
        open_count_k=nothing,
    )
    row_per_job = replace(
        counted,
        **recorded(np.zeros_like(confirmed)),
        open_cell_k=cell_j,
        open_likelihood_kc=np.eye(4)[cause_j],
        open_count_k=np.ones(jobs),
    )
    priors = CausePriors(np.full(4, 0.8), np.ones(4), label_right=None)
    few = Sampling(seed=SEED, draws=500, chains=2, cores=1)
    times = []
    for data in (replace(no_open, **recorded(confirmed)), row_per_job):
        target = Target.of_model(cause_model(data, priors))
        started = time.perf_counter()
        run_nuts(target, few)
        times.append(time.perf_counter() - started)
    return times[1] / times[0]
