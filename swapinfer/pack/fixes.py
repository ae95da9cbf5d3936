"""Which repair puts an element right, and what must come off for it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from swapinfer.pack.model import Fix, Kind

KNOWN = 0.5
"""Share of an element's probability from which a repair is taken for the one that it needs."""


def fix_of(kind: Kind, mode: str) -> Fix:
    """Repair of a mode: its own, or the kind's.

    Parameters
    ----------
    kind : Kind
        Of the element.
    mode : str
        One of its modes.
    """
    return kind.modes[mode].fix or kind.fix


def fix_shares(kind: Kind, mode_weights: Mapping[str, float]) -> dict[Fix, float]:
    """Probability of each repair that an element may need; empty when nothing is known of it.

    Parameters
    ----------
    kind : Kind
        Of the element.
    mode_weights : mapping of str to float
        Mode to its weight.
    """
    weights: dict[Fix, float] = {}
    for mode, weight in mode_weights.items():
        fix = fix_of(kind, mode)
        weights[fix] = weights.get(fix, 0.0) + weight
    total = sum(weights.values())
    return {fix: weight / total for fix, weight in weights.items()} if total > 0.0 else {}


def known_fix(shares: Mapping[Fix, float]) -> Fix | None:
    """Repair that holds at least `KNOWN` of the probability, if one does."""
    likeliest = max(shares, key=lambda fix: shares[fix], default=None)
    return likeliest if likeliest and shares[likeliest] >= KNOWN else None


def access_of(kind: Kind, fix: Fix) -> str:
    """Name what must be off for a repair; empty for nothing."""
    return kind.access if fix.access is None else fix.access


def fixes(kind: Kind) -> Iterator[Fix]:
    """Every repair that an element of a kind may need."""
    yield from dict.fromkeys(fix_of(kind, mode) for mode in kind.modes)
