"""What trouble codes say beside naming the cylinders that misfired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.problem import FloatArray
from swapinfer.evidence.running import Drive, shown_es
from swapinfer.evidence.states import StateSpace, fitted_at
from swapinfer.evidence.terms import Factor, Term
from swapinfer.pack.codes import CodeRead, all_codes
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import Pack


@dataclass(frozen=True)
class CodesRead:
    """Codes of one run, sorted by what they mean.

    Attributes
    ----------
    misfired : frozenset of int
        Cylinders with a misfire code of their own.
    random_only : bool
        Whether "some cylinder misfired" was set without naming one.
    faults : frozenset of str
        Other codes that the pack gives a weight.
    weightless : tuple of str
        Codes kept in the ledger without weight.
    """

    misfired: frozenset[int]
    random_only: bool
    faults: frozenset[str]
    weightless: tuple[str, ...]


def sort_codes(reads: list[CodeRead]) -> CodesRead:
    """Sort the codes of a run by role."""
    misfired = frozenset(r.cylinder for r in reads if r.role == "misfire" and r.cylinder)
    has_random = any(r.role == "random" for r in reads)
    faults = frozenset(r.text for r in reads if r.role == "fault")
    weightless = tuple(r.text for r in reads if not r.role)
    return CodesRead(misfired, has_random and not misfired, faults, weightless)


def read_fault_codes(
    pack: Pack, engine: Engine, space: StateSpace, drive: Drive, present: frozenset[str]
) -> list[Term | Factor]:
    """Take in every code that could have been set in a drive, whether it was or not.

    A present fault sets a code with its chance if it shows in the drive at all.
    """
    shows_es = shown_es(space, drive)
    pieces: list[Term | Factor] = []
    for code in all_codes(pack, engine):
        chance_es = _chances(engine, space, drive, code) * shows_es
        false = code.code.false_chance
        if code.text in present:
            ones = np.ones_like(chance_es)
            pieces.append(Term.plain(1.0 - chance_es, chance_es, ones, (false, 1.0)))
        elif chance_es.any():
            pieces.append(Factor(np.log1p(-chance_es), float(np.log1p(-false))))
    return pieces


def _chances(engine: Engine, space: StateSpace, drive: Drive, code: CodeRead) -> FloatArray:
    chance_m = np.zeros(len(space.modes) + 1)
    for m, (kind, mode) in enumerate(space.modes, start=1):
        for wanted_kind, wanted_mode, chance in code.code.sets:
            if wanted_kind == kind and wanted_mode in (mode, "*"):
                chance_m[m] = chance
    within_e = np.zeros(len(space.elements))
    for e, place in fitted_at(space, drive.fitted).items():
        within_e[e] = float(bool(set(code.cylinders) & set(engine.places[place].cylinders)))
    out: FloatArray = chance_m[space.mode_es] * within_e[:, None]
    return out
