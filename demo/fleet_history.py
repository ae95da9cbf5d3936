"""Write an invented fleet's three-year history: two tables, the same for the same seed.

    python demo/fleet_history.py FOLDER [--jobs 1200] [--seed 7]

The fleet, its vehicle families and its troubles are made up. It drives on salted roads: contacts at
its injectors corrode eighty times as often as the base pack says; its coils break down more often,
its plugs are changed early. What was really wrong with each job is written to a third table, for
whoever wants to measure.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from invented_history import Fleet, draw_history

from swapinfer.learn.prior import Vocabulary, describe_tests, vocabulary
from swapinfer.pack.load import load_pack

FAMILIES = {
    "marten": ("inline-4", "coil-on-plug", "port"),
    "heron": ("inline-4", "coil-on-plug", "direct"),
    "badger": ("v6", "coil-near-plug", "port"),
    "otter": ("inline-4", "waste-spark", "port"),
}
TRUE_RATIOS = {
    "coil.breakdown": 2.5,
    "coil.hot": 2.0,
    "coil-pack.breakdown": 2.0,
    "injector-wiring.corroded": 80.0,
    "injector.clogged": 0.5,
    "plug.worn": 0.3,
    "plug.tracked": 0.5,
}
FAMILY_SPREAD = 0.2


def invented_fleet(words: Vocabulary, seed: int) -> Fleet:
    """Make the fleet: common ratios, and a family's own deviation from them."""
    rng = np.random.default_rng(seed)
    common = np.log([TRUE_RATIOS.get(cause, 1.0) for cause in words.causes])
    own = FAMILY_SPREAD * rng.standard_normal((len(FAMILIES), len(words.causes)))
    return Fleet(families=FAMILIES, complaints=("rough", "light-on"), log_ratio_lc=common + own)


def write_history(folder: Path, jobs: int, seed: int) -> None:
    """Draw and write the tables."""
    import pandas as pd

    pack = load_pack()
    words = vocabulary(pack)
    fleet = invented_fleet(words, seed)
    drawn = draw_history(fleet, pack, words, describe_tests(pack), jobs=jobs, seed=seed)
    folder.mkdir(parents=True, exist_ok=True)
    drawn.jobs.to_csv(folder / "jobs.csv", index=False)
    drawn.findings.to_csv(folder / "findings.csv", index=False)
    truth = [words.causes[cause] for cause in drawn.true_cause_j]
    first = drawn.jobs["job"].iloc[: len(truth)]
    pd.DataFrame({"job": first, "true_cause": truth}).to_csv(folder / "truth.csv", index=False)
    print(f"{len(drawn.jobs)} jobs and {len(drawn.findings)} findings in {folder}")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Write an invented fleet's history.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=1200)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    write_history(asked.folder, asked.jobs, asked.seed)


if __name__ == "__main__":
    main()
