"""What a period of running says: which cylinders misfired, how often, how it felt, and codes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from math import expm1, log1p

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import BoolArray, Factor, FloatArray, IntArray, Term
from swapinfer.evidence.states import StateSpace
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import ANY, Feeling, Running


class Drive(Struct, frozen=True):
    """A run, real or supposed, in one arrangement (place to element), at one of the job's times."""

    minutes: float
    conditions: tuple[str, ...]
    fitted: Mapping[str, str]
    time: int


def reach_ec(space: StateSpace, fitted: Mapping[str, str]) -> FloatArray:
    """Say which cylinders each element serves in an arrangement, shape (element, cylinder).

    1 where it does; a part on the bench serves none.
    """
    engine = space.job.engine
    out = np.zeros((len(space.elements), len(engine.layout.cylinders)))
    for e, place in space.placed(fitted).items():
        out[e, [cylinder - 1 for cylinder in engine.places[place].cylinders]] = 1.0
    return out


def blame_cc(engine: Engine, running: Running) -> FloatArray:
    """Share of an episode that the control unit books on another cylinder.

    Shape (cylinder at fault, cylinder blamed); rows sum to 1. A share lands on each neighbour in
    the firing order.
    """
    share = running.misattribution
    out = np.eye(len(engine.layout.cylinders)) * (1.0 - 2.0 * share)
    for cylinder in engine.layout.cylinders:
        for neighbour in engine.layout.firing_neighbours(cylinder):
            out[cylinder - 1, neighbour - 1] += share
    return out


class Episodes(Struct, frozen=True, eq=False):
    """Misfire episodes expected in a drive.

    What serves every cylinder upsets several at once: one of its episodes reaches each cylinder
    with the same chance, all others have episodes of their own in each cylinder that they serve.

    References
    ----------
    Marshall, A. W. & Olkin, I. (1967), "A multivariate exponential distribution", JASA 62, 30-44:
    shocks that several components share.
    """

    # Mean of a Poisson number, laid on each cylinder by what does not serve all of them
    own_ces: FloatArray
    shared_es: FloatArray  # mean of a Poisson number of episodes of what serves all
    hit: float  # chance that such an episode reaches a given cylinder
    leak: float  # mean number, in each cylinder, that no modelled fault accounts for

    def leak_chance(self, cylinders: int = 1) -> float:
        """Chance that no modelled fault accounts for an episode in one of so many cylinders."""
        return -expm1(-self.leak * cylinders)

    def in_cylinder(self, cylinder: int) -> FloatArray:
        """Mean number in one cylinder by itself, shape (element, state)."""
        mean_es: FloatArray = self.own_ces[cylinder - 1] + self.hit * self.shared_es
        return mean_es

    def own_in(self, cylinders: Iterable[int]) -> FloatArray:
        """Mean number in some cylinders of what does not serve all, shape (element, state)."""
        total: FloatArray = self.own_ces[[c - 1 for c in cylinders]].sum(axis=0)
        return total

    def shared_quiet_es(self, cylinders: int) -> FloatArray:
        """Chance that shared episodes leave so many cylinders alone, shape (element, state)."""
        missed = (1.0 - self.hit) ** cylinders
        quiet_es: FloatArray = np.exp(-self.shared_es) - missed * np.expm1(-self.shared_es)
        return quiet_es

    def in_any(self, cylinders: Sequence[int]) -> FloatArray:
        """Mean number, as far as it is felt that any cylinder misfired, shape (element, state)."""
        any_es: FloatArray = self.own_in(cylinders) - np.log(self.shared_quiet_es(len(cylinders)))
        return any_es


def expected_episodes(
    space: StateSpace, drive: Drive, share_es: FloatArray | float = 1.0
) -> Episodes:
    """Misfire episodes that each state of each element causes in a drive.

    Rate under the drive's conditions times its minutes, where the fault is there. `share_es` is
    the share of them that is meant, such as those that set a code.
    """
    engine, running = space.job.engine, space.job.pack.running
    active_es = space.active_es(drive.time)
    rate_es = space.rate_es * space.multiplier_es(drive.conditions) * share_es
    mean_es = rate_es * active_es * drive.minutes
    reached_ec = reach_ec(space, drive.fitted)
    shared_e = is_shared(reached_ec)
    blamed_ec = reached_ec @ blame_cc(engine, running)
    blamed_ec[shared_e] = 0.0
    return Episodes(
        own_ces=blamed_ec.T[:, :, None] * mean_es,
        shared_es=mean_es * shared_e[:, None],
        hit=running.together,
        leak=running.leak_per_min * drive.minutes,
    )


def is_shared(reached_ec: FloatArray) -> BoolArray:
    """Say which elements serve every cylinder of an engine of several, shape (element,)."""
    return np.asarray(reached_ec.all(axis=1) & (reached_ec.shape[1] > 1))


def shown_es(space: StateSpace, drive: Drive) -> FloatArray:
    """Chance that each state shows itself at all in a drive, shape (element, state).

    ``1 - exp(-rate * minutes)`` where the fault is there, whether or not it upsets combustion.
    """
    active_es = space.active_es(drive.time)
    rate_es = space.show_rate_es * space.multiplier_es(drive.conditions) * active_es
    out: FloatArray = -np.expm1(-rate_es * drive.minutes)
    return out


class CodedRun(Struct, frozen=True, eq=False):
    """Codes read after a drive, as far as they speak of misfires.

    They speak for `cylinders`, of which those that `misfired` have a code: where a counter was
    read, it speaks.
    """

    episodes: Episodes
    cylinders: tuple[int, ...]
    misfired: frozenset[int]

    @property
    def quiet(self) -> list[int]:
        """Cylinders without a code."""
        return [c for c in self.cylinders if c not in self.misfired]

    def read(self, shared_q: FloatArray | None = None, scale: float = 1.0) -> list[Term | Factor]:
        """Take the codes in: none at all in each quiet cylinder, at least one in each other.

        Parameters
        ----------
        shared_q : ndarray of float, shape (level,), optional
            At each node, 1 where an episode of what serves all cylinders is supposed to have
            occurred, else 0; where several cylinders have a code.
        scale : float, optional
            What the nodes' weights are to be multiplied by, so that each case counts once.

        Notes
        -----
        With ``u`` the chance of no shared episode and ``v = (1 - u)(1 - hit)**quiet``: where one
        cylinder has a code, a shared cause leaves it open with ``u + v (1 - hit)`` and explains it
        with ``v hit``.
        """
        episodes, leak = self.episodes, self.episodes.leak_chance()
        pieces: list[Term | Factor] = [
            Factor(-episodes.own_in([c]), log1p(-leak)) for c in self.quiet
        ]
        if shared_q is not None:
            return [*pieces, *self._told_apart(leak, shared_q > 0, scale)]
        if len(self.misfired) > 1:
            pieces.append(Factor(np.log(episodes.shared_quiet_es(len(self.quiet)))))
            means = (episodes.in_cylinder(c) for c in sorted(self.misfired))
            return [*pieces, *(any_episode(mean_es, (leak, 1.0)) for mean_es in means)]
        quiet_es = episodes.shared_quiet_es(len(self.cylinders))
        if not self.misfired:
            return [*pieces, Factor(np.log(quiet_es))]
        open_es = np.exp(-episodes.own_in(self.misfired)) * quiet_es
        explained_es = episodes.shared_quiet_es(len(self.quiet))
        explain_es = np.maximum(explained_es - open_es, 0.0)
        return [*pieces, Term(open_es, explain_es, explained_es, np.array([[leak, 1.0]]))]

    def _told_apart(self, leak: float, occurred_q: BoolArray, scale: float) -> list[Term]:
        """One bit whether there was a shared episode, and one a cylinder that takes it as known."""
        missed = (1.0 - self.episodes.hit) ** len(self.quiet)
        close_q2 = np.stack([~occurred_q * scale, occurred_q * scale * missed], axis=1)
        shared = any_episode(self.episodes.shared_es, close_q2)
        leak_q = np.where(occurred_q, 1.0 - (1.0 - leak) * (1.0 - self.episodes.hit), leak)
        close_q2 = np.stack([leak_q, np.ones_like(leak_q)], axis=1)
        own = (self.episodes.own_in([cylinder]) for cylinder in sorted(self.misfired))
        return [shared, *(any_episode(own_es, close_q2) for own_es in own)]


def any_episode(expected_es: FloatArray, close_q2: FloatArray | tuple[float, float]) -> Term:
    """Make the term whose bit any episode explains, a noisy-OR.

    With ``m`` expected in all, it weighs ``close_0 exp(-m) + close_1 (1 - exp(-m))``: the weights
    of no episode and of any, at each node of a level or alike at all.

    References
    ----------
    Pearl, J. (1988), Probabilistic Reasoning in Intelligent Systems, section 4.3.2.
    """
    open_es, ones = np.exp(-expected_es), np.ones_like(expected_es)
    return Term(open_es, -np.expm1(-expected_es), ones, np.atleast_2d(close_q2))


def read_random_only(episodes: Episodes, cylinders: Sequence[int], unnamed: float) -> Term:
    """Take in a misfire code that names none of the cylinders for which it speaks.

    `unnamed` is the chance that a misfire in a single cylinder sets it: mostly the control unit
    gives the number. So what serves one cylinder explains the code with ``unnamed`` times its
    chance of an episode, what serves all with the whole of it.
    """
    leak = episodes.leak_chance(len(cylinders)) * unnamed
    own_es = np.exp(-episodes.own_in(cylinders))
    shared_es = episodes.shared_quiet_es(len(cylinders))
    explain_es = unnamed * (1.0 - own_es) + (1.0 - shared_es)
    return Term(own_es * shared_es, explain_es, np.ones_like(own_es), np.array([[leak, 1.0]]))


def feel(mean_es: FloatArray, word: Feeling, leak: float = 0.0) -> Term:
    """Take in a word for how a drive felt: likelier, or less so, if any cylinder misfired.

    `mean_es` are the episodes expected, whichever the cylinder; `leak` is the chance of one that no
    modelled fault accounts for.
    """
    unexplained = word.without * (1.0 - leak) + word.with_misfire * leak
    return any_episode(mean_es, (unexplained, word.with_misfire))


def suspect(mean_es: FloatArray, right: float, leak: float) -> Term:
    """Take in that someone heard or felt a cylinder misfire, without a code to say so.

    The likelihood is ``right * misfired + (1 - right)``, with ``misfired`` 1 or 0: otherwise the
    ear says nothing about the cylinder, in which `mean_es` episodes are expected.
    """
    return feel(mean_es, Feeling("", "", 1.0, 1.0 - right), leak)


class FaultCodes(Struct, frozen=True, eq=False):
    """Every fault code that an engine can set, against every state that can set it."""

    texts: tuple[str, ...]
    false_k: FloatArray  # chance of each code being set by nothing in the model
    sees_kc: FloatArray  # 1 for the cylinders of which each code speaks
    # Pairs of a code and a state that can set it, wherever the element sits
    code_i: IntArray
    element_i: IntArray
    state_i: IntArray
    chance_i: FloatArray  # chance that the state, if it shows in a drive, sets the code

    @classmethod
    def of(cls, space: StateSpace) -> FaultCodes:
        """List the codes of a job's engine."""
        engine = space.job.engine
        codes = [read for read in engine.codes.values() if read.role == "fault"]
        sees_kc = np.zeros((len(codes), len(engine.layout.cylinders)))
        chance_km = np.zeros((len(codes), len(space.modes) + 1))
        of_kind: dict[str, list[tuple[int, str]]] = {}
        for m, (kind, mode) in enumerate(space.modes, start=1):
            of_kind.setdefault(kind, []).append((m, mode))
        for k, read in enumerate(codes):
            sees_kc[k, [cylinder - 1 for cylinder in read.cylinders]] = 1.0
            for wanted_kind, wanted_mode, chance in read.code.sets:
                for m, mode in of_kind.get(wanted_kind, ()):
                    if wanted_mode in (mode, ANY):
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
        self, space: StateSpace, drive: Drive, present: Collection[str], kept: float = 1.0
    ) -> list[Term | Factor]:
        """Take in every code that could have been set in a drive, whether it was or not.

        A present fault sets a code with its chance if it shows in the drive at all; `kept` is the
        chance that what was set is stored still.
        """
        within_ke = self.sees_kc @ reach_ec(space, drive.fitted).T > 0.0
        shows_i = shown_es(space, drive)[self.element_i, self.state_i]
        chance_i = kept * self.chance_i * shows_i * within_ke[self.code_i, self.element_i]
        is_set_k = np.array([text in present for text in self.texts], dtype=np.bool_)
        pieces: list[Term | Factor] = []
        for k in np.flatnonzero(is_set_k).tolist():
            chance_es, mine_i = np.zeros(space.prior_es.shape), self.code_i == k
            chance_es[self.element_i[mine_i], self.state_i[mine_i]] = chance_i[mine_i]
            close_q2 = np.array([[self.false_k[k], 1.0]])
            pieces.append(Term(1.0 - chance_es, chance_es, np.ones_like(chance_es), close_q2))
        unset_i = ~is_set_k[self.code_i]
        log_es = np.zeros(space.prior_es.shape)
        at = self.element_i[unset_i], self.state_i[unset_i]
        np.add.at(log_es, at, np.log1p(-chance_i[unset_i]))
        return [*pieces, Factor(log_es, float(np.log1p(-self.false_k[~is_set_k]).sum()))]
