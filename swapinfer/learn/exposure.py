"""The table of a fleet's exposure: checked row by row, and summed up for the model of lives."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.errors import LearnError, near_match
from swapinfer.learn.aggregate import MAX_FAMILIES, RefusedRows, commonest_reason, digest_files
from swapinfer.learn.checks import Refusals, check_width, to_number, trimmed
from swapinfer.learn.lives import Lives
from swapinfer.learn.scan import OTHER
from swapinfer.learn.tables import EXPOSURE_COLUMNS, read_chunks
from swapinfer.pack.model import Pack
from swapinfer.physics import MOST_KM

if TYPE_CHECKING:
    import pandas as pd

WHOLE = r"[1-9]\d{0,8}(?:\.0)?"
"""A count; tables made by programs that know only one type of number write it with ``.0``."""


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
        CSV or Parquet file with the columns of `swapinfer.learn.tables.ExposureRow`.
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
    import pandas as pd

    side = RefusedRows(refused_to)
    try:
        pieces = list(_good_pieces(path, pack, side))
    finally:
        side.close()
    used = sum(map(len, pieces))
    if not used:
        raise LearnError(f"{path}: not one row can be used; {commonest_reason(side.reasons)}")
    good = _merge_rare_families(pd.concat(pieces, ignore_index=True))
    driven = good["count"] * (good["to_km"] - good["from_km"])
    return Exposure(
        lives=_sum_up(good, pack),
        used=used,
        refused=side.reasons,
        element_km={str(k): float(km) for k, km in driven.groupby(good["kind"]).sum().items()},
        digest=digest_files([path]),
    )


def _good_pieces(path: Path, pack: Pack, side: RefusedRows) -> Iterator[pd.DataFrame]:
    modes = {kind.id: tuple(kind.modes) for kind in pack.kinds.values()}
    for frame in read_chunks(path, EXPOSURE_COLUMNS):
        good, refused = check_exposure(frame, modes)
        side.put("exposure", refused)
        yield good


def check_exposure(
    frame: pd.DataFrame, modes: dict[str, tuple[str, ...]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of an exposure table into good and refused.

    Parameters
    ----------
    frame : DataFrame
        A piece as `swapinfer.learn.tables.read_chunks` gives it.
    modes : dict of str to tuple of str
        Modes of each kind of element.

    Returns
    -------
    good : DataFrame
        The documented columns, counts and distances as numbers.
    refused : DataFrame
        Columns ``line``, ``reason`` (the first that was found) and ``row``.
    """
    tidy = trimmed(frame)
    found = Refusals(tidy)
    check_width(found)
    found.unknown("kind", modes)
    found.not_word("family")
    found.unlike("count", WHOLE, "a whole number from 1")
    for column in ("from_km", "to_km"):
        found.refuse((tidy[column] == "").to_numpy(), partial(_say_missing, column))
        found.not_number(column, 0.0, MOST_KM)
    numbers = {name: to_number(tidy[name]) for name in ("count", "from_km", "to_km")}
    found.refuse(~(numbers["to_km"] > numbers["from_km"]), partial(_say_order, tidy))
    for kind, own in modes.items():
        foreign = (tidy["kind"] == kind) & ~tidy["failed"].isin(("", *own))
        found.refuse(foreign.to_numpy(), partial(_say_no_mode, tidy, own))
    several = (tidy["failed"] != "") & (numbers["count"] != 1)
    found.refuse(several.to_numpy(), partial(_say_several, tidy))
    good, refused = found.split(frame)
    return tidy.assign(**numbers).loc[good, list(EXPOSURE_COLUMNS)], refused


def _say_missing(column: str, _: int) -> str:
    return f"{column} is missing"


def _say_order(frame: pd.DataFrame, row: int) -> str:
    one = frame.iloc[row]
    return f'to_km "{one["to_km"]}" is not above from_km "{one["from_km"]}"'


def _say_no_mode(frame: pd.DataFrame, own: tuple[str, ...], row: int) -> str:
    one = frame.iloc[row]
    return f'failed "{one["failed"]}" is no mode of {one["kind"]}{near_match(one["failed"], own)}'


def _say_several(frame: pd.DataFrame, row: int) -> str:
    return f'count "{frame["count"].iloc[row]}" is not 1, but a failure has a row of its own'


def _merge_rare_families(good: pd.DataFrame) -> pd.DataFrame:
    """Keep the names of the families with the most rows."""
    rows = Counter(good["family"])
    kept = sorted(rows, key=lambda name: (-rows[name], name))[:MAX_FAMILIES]
    return good.assign(family=good["family"].where(good["family"].isin(kept), OTHER))


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
