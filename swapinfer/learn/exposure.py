"""The table of a fleet's exposure: checked row by row, and summed up for the model of lives."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.errors import LearnError
from swapinfer.learn.checks import check_exposure, commonest_reason, write_refused
from swapinfer.learn.counts import pool_rare
from swapinfer.learn.lives import Lives
from swapinfer.learn.tables import EXPOSURE, digest_of, read_table
from swapinfer.pack.model import Pack

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Exposure:
    """What a fleet saw, and what happened to the rows that tell it.

    Attributes
    ----------
    lives : Lives
        Sufficient statistics of every mode of the kinds that were watched.
    used : int
        Rows that were counted.
    refused : Counter
        Rows refused, by reason.
    element_km : dict of str to float
        Distance over which elements of each kind were watched.
    digest : str
        SHA-256 of the file.
    """

    lives: Lives
    used: int
    refused: Counter[str]
    element_km: dict[str, float]
    digest: str


def read_exposure(path: Path, pack: Pack, *, refused_to: Path | None = None) -> Exposure:
    """Check and sum up a table of exposure.

    Parameters
    ----------
    path : Path
        CSV or Parquet file with the columns of `swapinfer.learn.tables.EXPOSURE`.
    pack : Pack
        Whose kinds and modes may be named.
    refused_to : Path, optional
        CSV file for refused rows, with line and reason.

    Returns
    -------
    Exposure

    Raises
    ------
    LearnError
        If the file is missing or malformed as a whole, or no row is good.
    """
    modes = {kind.id: tuple(kind.modes) for kind in pack.kinds.values()}
    good, bad = check_exposure(read_table(path, EXPOSURE), modes)
    refused = write_refused({"exposure": bad}, refused_to)
    if good.empty:
        raise LearnError(f"{path}: not one row can be used; {commonest_reason(refused)}")
    good = good.assign(
        kind=good["kind"].astype(object),
        family=pool_rare(good["family"]),
        failed=good["failed"].astype(object),
    )
    driven = good["count"] * (good["to_km"] - good["from_km"])
    return Exposure(
        lives=_sum_up(good, pack),
        used=len(good),
        refused=refused,
        element_km={str(k): float(km) for k, km in driven.groupby(good["kind"]).sum().items()},
        digest=digest_of([path]),
    )


def _sum_up(good: pd.DataFrame, pack: Pack) -> Lives:
    """Sum up failures, and count elements over each distinct stretch."""
    watched = set(good["kind"])
    modes = [(k.id, mode) for k in pack.kinds.values() if k.id in watched for mode in k.modes]
    families = sorted(set(good["family"]))
    number_of = {mode: number for number, mode in enumerate(modes)}
    failed = good[good["failed"] != ""]
    pairs = zip(failed["kind"], failed["failed"], strict=True)
    mode_n = np.array([number_of[pair] for pair in pairs], dtype=np.intp)
    family_n = np.searchsorted(families, failed["family"])
    failures_mf = np.zeros((len(modes), len(families)))
    log_age_mf = np.zeros_like(failures_mf)
    np.add.at(failures_mf, (mode_n, family_n), 1.0)
    np.add.at(log_age_mf, (mode_n, family_n), np.log(failed["to_km"].to_numpy()))
    stretch = good.groupby(["kind", "family", "from_km", "to_km"], as_index=False)["count"].sum()
    kind_m = np.array([kind for kind, _ in modes], dtype=object)
    exposed_mr = kind_m[:, None] == stretch["kind"].to_numpy(dtype=object)
    return Lives(
        modes=tuple(f"{kind}.{mode}" for kind, mode in modes),
        families=tuple(families),
        failures_mf=failures_mf,
        log_age_mf=log_age_mf,
        family_r=np.searchsorted(families, stretch["family"]),
        enter_r=stretch["from_km"].to_numpy(),
        leave_r=stretch["to_km"].to_numpy(),
        weight_mr=np.where(exposed_mr, stretch["count"].to_numpy(), 0.0),
    )
