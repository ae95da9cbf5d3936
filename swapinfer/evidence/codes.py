"""What trouble codes say beside naming the cylinders that misfired."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swapinfer.evidence.problem import FloatArray, IntArray
from swapinfer.evidence.running import Drive, shown_es
from swapinfer.evidence.states import StateSpace
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


@dataclass(frozen=True)
class FaultCodes:
    """Every fault code that an engine can set, against every state that can set it.

    Attributes
    ----------
    texts : tuple of str
        Codes.
    false_k : ndarray of float, shape (code,)
        Chance of each being set by nothing in the model.
    sees_kc : ndarray of float, shape (code, cylinder)
        Cylinders of which each code speaks.
    code_i, element_i, state_i : ndarray of int, shape (pair,)
        Pairs of a code and a state that can set it, wherever the element sits.
    chance_i : ndarray of float, shape (pair,)
        Chance that the state, if it shows in a drive, sets the code.
    """

    texts: tuple[str, ...]
    false_k: FloatArray
    sees_kc: FloatArray
    code_i: IntArray
    element_i: IntArray
    state_i: IntArray
    chance_i: FloatArray

    @classmethod
    def of(cls, pack: Pack, engine: Engine, space: StateSpace) -> FaultCodes:
        """List the codes of an engine."""
        codes = [read for read in all_codes(pack, engine) if read.role == "fault"]
        sees_kc = np.zeros((len(codes), len(engine.layout.cylinders)))
        chance_km = np.zeros((len(codes), len(space.modes) + 1))
        of_kind: dict[str, list[tuple[int, str]]] = {}
        for m, (kind, mode) in enumerate(space.modes, start=1):
            of_kind.setdefault(kind, []).append((m, mode))
        for k, read in enumerate(codes):
            sees_kc[k, [cylinder - 1 for cylinder in read.cylinders]] = 1.0
            for wanted_kind, wanted_mode, chance in read.code.sets:
                for m, mode in of_kind.get(wanted_kind, ()):
                    if wanted_mode in (mode, "*"):
                        chance_km[k, m] = chance
        chance_kes = chance_km[:, space.mode_es]
        code_i, element_i, state_i = np.nonzero(chance_kes)
        return cls(
            texts=tuple(read.text for read in codes),
            false_k=np.array([read.code.false_chance for read in codes]),
            sees_kc=sees_kc,
            code_i=code_i,
            element_i=element_i,
            state_i=state_i,
            chance_i=chance_kes[code_i, element_i, state_i],
        )

    def read(
        self, space: StateSpace, drive: Drive, reach_ec: FloatArray, present: frozenset[str]
    ) -> list[Term | Factor]:
        """Take in every code that could have been set in a drive, whether it was or not.

        A present fault sets a code with its chance if it shows in the drive at all.

        Parameters
        ----------
        space : StateSpace
            States.
        drive : Drive
            The drive.
        reach_ec : ndarray of float, shape (element, cylinder)
            Which cylinders each element serves in it.
        present : frozenset of str
            Codes that were set.
        """
        within_ke = self.sees_kc @ reach_ec.T > 0.0
        shows_i = shown_es(space, drive)[self.element_i, self.state_i]
        chance_i = self.chance_i * shows_i * within_ke[self.code_i, self.element_i]
        is_set_k = np.array([text in present for text in self.texts], dtype=np.bool_)
        pieces: list[Term | Factor] = [
            self._set_by(space, chance_i, k) for k in np.flatnonzero(is_set_k).tolist()
        ]
        unset_i = ~is_set_k[self.code_i]
        log_es = np.zeros(space.prior_es.shape)
        at = self.element_i[unset_i], self.state_i[unset_i]
        np.add.at(log_es, at, np.log1p(-chance_i[unset_i]))
        return [*pieces, Factor(log_es, float(np.log1p(-self.false_k[~is_set_k]).sum()))]

    def _set_by(self, space: StateSpace, chance_i: FloatArray, k: int) -> Term:
        chance_es = np.zeros(space.prior_es.shape)
        mine_i = self.code_i == k
        chance_es[self.element_i[mine_i], self.state_i[mine_i]] = chance_i[mine_i]
        close = float(self.false_k[k]), 1.0
        return Term.plain(1.0 - chance_es, chance_es, np.ones_like(chance_es), close)
