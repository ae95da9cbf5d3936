"""What a job's chances of causes depend on: engine, family, age, complaint; numbered cells."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from swapinfer.evidence.arrays import IntArray
from swapinfer.learn.checks import numbers_of

if TYPE_CHECKING:
    import pandas as pd

MAX_FAMILIES = 12
"""Families that the models tell apart; rarer ones are pooled as one."""
OTHER = "other"
"""Family of all vehicles whose family is too rare to be one of the model's."""

AGE_BANDS_KM = (60_000.0, 120_000.0, 180_000.0)
"""Edges of the age bands; a missing odometer is a band of its own."""
AGE_BANDS = ("to-60", "60-120", "120-180", "over-180", "unknown")
"""In thousands of kilometres."""
AGE_MIDDLES_KM = (35_000.0, 90_000.0, 150_000.0, 220_000.0)
"""Odometer at which the base pack is evaluated for each band but the last."""


class Cell(NamedTuple):
    """What a job's chances of causes depend on."""

    layout: str
    ignition: str
    fuel: str
    family: str
    age: str
    complaint: str


def pool_rare(family: pd.Series[str], most: int = MAX_FAMILIES) -> pd.Series[str]:
    """Keep the names of the families with the most rows; all others become `OTHER`."""
    rows = Counter(family)
    kept = sorted(rows, key=lambda name: (-rows[name], name))[:most]
    return family.astype(object).where(family.isin(kept), OTHER)


def number_cells(jobs: pd.DataFrame, max_families: int) -> tuple[IntArray, tuple[Cell, ...]]:
    """Give each cell a number, in alphabetical order; the jobs' numbers, and the cells."""
    odometer = numbers_of(jobs["odometer_km"])
    band = np.searchsorted(AGE_BANDS_KM, odometer, side="right")
    band[np.isnan(odometer)] = len(AGE_BANDS) - 1
    told = jobs[["layout", "ignition", "fuel", "complaint"]].assign(
        age=np.array(AGE_BANDS, dtype=object)[band], family=pool_rare(jobs["family"], max_families)
    )
    groups = told.groupby(list(Cell._fields), observed=True, sort=False)
    cells = [Cell(*key) for key in groups.size().index]
    order = sorted(range(len(cells)), key=cells.__getitem__)
    number: IntArray = np.argsort(order)[groups.ngroup()]
    return number, tuple(cells[at] for at in order)
