"""How causes share the misfires of an engine out between them, before anything was found."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from swapinfer.layout import places_of
from swapinfer.pack.engine import is_fitted
from swapinfer.pack.hazard import mode_prior
from swapinfer.pack.model import Mode, Pack


def cause_modes(pack: Pack) -> dict[str, Mode]:
    """Every mode that can cause a misfire, by ``"kind.mode"``, in the pack's order."""
    return {
        f"{kind.id}.{mode.id}": mode
        for kind in pack.kinds.values()
        for mode in kind.modes.values()
        if mode.misfire > 0
    }


def cause_chances(
    pack: Pack, layout: str, fitment: Mapping[str, str], chance: Callable[[Mode], float]
) -> dict[str, float]:
    """Sum the chances of each cause over the elements of an engine that may have it.

    Parameters
    ----------
    pack : Pack
        Any.
    layout : str
        Of the engine.
    fitment : mapping of str to str
        Axis to value, of the engine.
    chance : callable
        Chance that one element has a mode.

    Returns
    -------
    dict of str to float
        By ``"kind.mode"``; 0 where the engine has no such element.
    """
    counts = {
        kind.id: len(places_of(pack.layouts[layout], kind.id, kind.pattern))
        for kind in pack.kinds.values()
        if is_fitted(kind.fitted, fitment)
    }
    return {
        cause: counts[kind] * chance(mode) if (kind := cause.partition(".")[0]) in counts else 0.0
        for cause, mode in cause_modes(pack).items()
    }


def cause_shares(pack: Pack, layout: str, fitment: Mapping[str, str]) -> dict[str, float]:
    """Share of each cause in the misfires of an engine as old as the pack takes one to be.

    Parameters
    ----------
    pack : Pack
        Any.
    layout : str
        Of the engine.
    fitment : mapping of str to str
        Axis to value, of the engine.

    Returns
    -------
    dict of str to float
        By ``"kind.mode"``, adding up to 1.
    """
    age_km, exposure_km = pack.running.odometer_km, pack.running.exposure_km
    chances = cause_chances(
        pack, layout, fitment, lambda mode: mode_prior(mode, age_km, exposure_km)
    )
    total = sum(chances.values())
    return {cause: chance / total for cause, chance in chances.items()}
