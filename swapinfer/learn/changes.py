"""What a history changes most, in a sentence each; families that stand out are named."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn.cells import OTHER
from swapinfer.learn.models import CauseCounts
from swapinfer.learn.sampling import INTERVAL

MATTERING = 3
"""Changes that are told."""

APART = (0.005, 0.995)
"""Ends of the interval beyond which a family stands out from the others: of the hundreds of pairs
of a family and a kind few would do so by chance. Our choice, no source."""


class Change(Struct, frozen=True):
    """A kind of element that is at fault more or less often than the base pack says.

    Attributes
    ----------
    kind, family : str
        Whose share of misfires is told; no family where it is that of all jobs learned for.
    title : str
        Of the kind.
    before, after : float
        Share in the base pack and as learned.
    times, low, high : float
        How many times as often, with its 90 % interval.
    confirmed : int
        Verified cases behind it.
    stands_out : bool
        Whether the family differs from the others.
    """

    kind: str
    family: str
    title: str
    before: float
    after: float
    times: float
    low: float
    high: float
    confirmed: int
    stands_out: bool

    @property
    def sentence(self) -> str:
        """The change in words."""
        where = f"In the {self.family} family the" if self.family else "The"
        times = f"{self.times:.1f} times as often as"
        if self.times < 1.0:
            times = f"only {self.times:.2f} times as often as"
        cases = "case" if self.confirmed == 1 else "cases"
        alone = f"; --family {self.family} learns for it alone" if self.family else ""
        return (
            f"{where} {self.title} is at fault {times} in the base, {100 * self.before:.2g} -> "
            f"{100 * self.after:.2g} % of misfires; {self.confirmed} confirmed {cases}{alone}."
        )


class Scopes(Struct, frozen=True, eq=False):
    """Mixes of cells of which changes are told: the jobs learned for, then each family.

    Axes: ``z`` scope, ``h`` kind, ``d`` draw.

    Attributes
    ----------
    families : tuple of str
        Of each scope; the first is empty.
    jobs_z : ndarray of float, shape (scope,)
        Jobs in each.
    mix_zg : ndarray of float, shape (scope, cell)
        Part of each cell in them.
    """

    families: tuple[str, ...]
    jobs_z: FloatArray
    mix_zg: FloatArray

    @classmethod
    def of(cls, weight_g: FloatArray, family_of_g: Sequence[str]) -> Scopes:
        """List the scopes of the jobs that have a weight; a family beside others is one."""
        seen = {name for name, weight in zip(family_of_g, weight_g, strict=True) if weight > 0}
        families = ("", *(sorted(seen - {"", OTHER}) if len(seen) > 1 else ()))
        rows = [np.array([one in ("", name) for name in family_of_g]) for one in families]
        weight_zg = np.array(rows) * weight_g
        jobs_z = weight_zg.sum(axis=1)
        return cls(families, jobs_z, weight_zg / jobs_z[:, None])


def find_changes(
    scopes: Scopes, kinds_dzh: FloatArray, data: CauseCounts, titles: dict[str, str]
) -> tuple[Change, ...]:
    """List the changes that matter, those of most jobs first.

    Parameters
    ----------
    scopes : Scopes
        Of the jobs learned from.
    kinds_dzh : ndarray of float, shape (draw, scope, kind)
        Draws of each kind's share of misfires.
    data : CauseCounts
        Of the cause model.
    titles : dict of str to str
        Kinds as a person says them.

    Returns
    -------
    tuple of Change
        At most `MATTERING`, of which the last is a family that stands out, if one does. A change
        whose 90 % interval holds the base pack's share is none.
    """
    of_kind = np.eye(len(data.kinds))[data.kind_c]
    base_zh = scopes.mix_zg @ data.base_gc @ of_kind
    cases_zh = (scopes.mix_zg > 0) @ data.cases_gc @ of_kind
    times_dzh = kinds_dzh / base_zh
    low_zh, high_zh = np.quantile(times_dzh, INTERVAL, axis=0)
    apart_zh = np.quantile(times_dzh / times_dzh[:, :1], APART, axis=0)
    is_apart_zh = (apart_zh[0] > 1.0) | (apart_zh[1] < 1.0)
    after_zh = kinds_dzh.mean(axis=0)
    moved_zh = scopes.jobs_z[:, None] * np.abs(after_zh - base_zh)
    moved_zh[(low_zh <= 1.0) & (high_zh >= 1.0)] = 0.0

    def change(z: int, h: int) -> Change:
        return Change(
            kind=data.kinds[h],
            family=scopes.families[z],
            title=titles[data.kinds[h]],
            before=float(base_zh[z, h]),
            after=float(after_zh[z, h]),
            times=float(after_zh[z, h] / base_zh[z, h]),
            low=float(low_zh[z, h]),
            high=float(high_zh[z, h]),
            confirmed=int(cases_zh[z, h]),
            stands_out=bool(is_apart_zh[z, h]),
        )

    overall = [(0, h) for h in np.argsort(-moved_zh[0], kind="stable").tolist() if moved_zh[0, h]]
    own_zh = np.where(is_apart_zh, moved_zh, 0.0)
    z, h = np.unravel_index(int(own_zh.argmax()), own_zh.shape)
    apart = [(int(z), int(h))] if own_zh[z, h] else []
    return tuple(change(*at) for at in (*overall[: MATTERING - len(apart)], *apart))
