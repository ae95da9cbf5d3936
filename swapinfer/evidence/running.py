"""What a period of running says: which cylinders misfired, how often, how it felt, and codes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from math import expm1, log

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import (
    BoolArray,
    Factor,
    FloatArray,
    IntArray,
    Term,
    any_episode,
    at_least_one,
    none_at_all,
)
from swapinfer.evidence.negbin import negative_binomial
from swapinfer.evidence.states import StateSpace
from swapinfer.pack.engine import Engine
from swapinfer.pack.model import ANY, Feeling, Running


class Drive(Struct, frozen=True):
    """A run, real or supposed, in one arrangement.

    Attributes
    ----------
    minutes : float
        Running time.
    conditions : tuple of str
        Condition tags.
    fitted : mapping of str to str
        Place to element.
    time : int
        Index in the job's time.
    """

    minutes: float
    conditions: tuple[str, ...]
    fitted: Mapping[str, str]
    time: int


def reach_ec(space: StateSpace, fitted: Mapping[str, str]) -> FloatArray:
    """Say which cylinders each element serves in an arrangement.

    Parameters
    ----------
    space : StateSpace
        Elements.
    fitted : mapping of str to str
        Place to element.

    Returns
    -------
    ndarray of float, shape (element, cylinder)
        1 where it does; a part on the bench serves none.
    """
    engine = space.job.engine
    out = np.zeros((len(space.elements), len(engine.layout.cylinders)))
    for e, place in space.placed(fitted).items():
        out[e, [cylinder - 1 for cylinder in engine.places[place].cylinders]] = 1.0
    return out


def blame_cc(engine: Engine, running: Running) -> FloatArray:
    """Share of an episode in one cylinder that the control unit books on another.

    Parameters
    ----------
    engine : Engine
        With its firing order.
    running : Running
        Share that lands on each neighbour in it.

    Returns
    -------
    ndarray of float, shape (cylinder at fault, cylinder blamed)
        Rows sum to 1.
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

    Attributes
    ----------
    own_ces : ndarray of float, shape (cylinder, element, state)
        Mean of a Poisson number, laid on each cylinder by what does not serve all of them.
    shared_es : ndarray of float, shape (element, state)
        Mean of a Poisson number of episodes of what serves all.
    hit : float
        Chance that such an episode reaches a given cylinder.
    leak : float
        Mean number, in each cylinder, that no modelled fault accounts for.

    References
    ----------
    Marshall, A. W. & Olkin, I. (1967), "A multivariate exponential distribution", JASA 62, 30-44:
    shocks that several components share.
    """

    own_ces: FloatArray
    shared_es: FloatArray
    hit: float
    leak: float

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

    Parameters
    ----------
    space : StateSpace
        Elements and their states.
    drive : Drive
        Real or supposed.
    share_es : ndarray of float, shape (element, state), or float, optional
        Share of them that is meant, such as those that set a code.

    Returns
    -------
    Episodes
        Rate under the drive's conditions times its minutes, where the fault is there.
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
    """Chance that each state shows itself at all in a drive.

    Parameters
    ----------
    space : StateSpace
        Elements and their states.
    drive : Drive
        Real or supposed.

    Returns
    -------
    ndarray of float, shape (element, state)
        ``1 - exp(-rate * minutes)`` where the fault is there, whether or not it upsets combustion.
    """
    active_es = space.active_es(drive.time)
    rate_es = space.show_rate_es * space.multiplier_es(drive.conditions) * active_es
    out: FloatArray = -np.expm1(-rate_es * drive.minutes)
    return out


class CodedRun(Struct, frozen=True, eq=False):
    """Codes read after a drive, as far as they speak of misfires.

    Attributes
    ----------
    episodes : Episodes
        Expected in the drive.
    cylinders : tuple of int
        Those for which the codes speak: where a counter was read, it does.
    misfired : frozenset of int
        Those with a code.
    """

    episodes: Episodes
    cylinders: tuple[int, ...]
    misfired: frozenset[int]

    @property
    def quiet(self) -> list[int]:
        """Cylinders without a code."""
        return [c for c in self.cylinders if c not in self.misfired]

    def read(self, shared_q: FloatArray | None = None, scale: float = 1.0) -> list[Term | Factor]:
        """Take the codes in.

        Parameters
        ----------
        shared_q : ndarray of float, shape (level,), optional
            At each node, 1 where an episode of what serves all cylinders is supposed to have
            occurred, else 0; where several cylinders have a code.
        scale : float, optional
            What the nodes' weights are to be multiplied by, so that each case counts once.

        Returns
        -------
        list of Term and Factor
            None at all in each quiet cylinder, at least one in each other.

        Notes
        -----
        With ``u`` the chance of no shared episode and ``v = (1 - u)(1 - hit)**quiet``: where one
        cylinder has a code, a shared cause leaves it open with ``u + v (1 - hit)`` and explains it
        with ``v hit``.
        """
        leak = self.episodes.leak_chance()
        pieces: list[Term | Factor] = [
            none_at_all(self.episodes.own_in([c]), leak) for c in self.quiet
        ]
        if shared_q is not None:
            return [*pieces, *self._told_apart(leak, shared_q > 0, scale)]
        if len(self.misfired) > 1:
            quiet_es = self.episodes.shared_quiet_es(len(self.quiet))
            pieces.append(Factor(np.log(quiet_es)))
            means = (self.episodes.in_cylinder(c) for c in sorted(self.misfired))
            return [*pieces, *(at_least_one(mean_es, leak) for mean_es in means)]
        if not self.misfired:
            return [*pieces, Factor(np.log(self.episodes.shared_quiet_es(len(self.cylinders))))]
        own_es = np.exp(-self.episodes.own_in(self.misfired))
        open_es = own_es * self.episodes.shared_quiet_es(len(self.cylinders))
        explained_es = self.episodes.shared_quiet_es(len(self.quiet))
        explain_es = np.maximum(explained_es - open_es, 0.0)
        return [*pieces, Term.plain(open_es, explain_es, explained_es, (leak, 1.0))]

    def _told_apart(self, leak: float, occurred_q: BoolArray, scale: float) -> list[Term | Factor]:
        """One bit whether there was a shared episode, and one a cylinder that takes it as known."""
        missed = (1.0 - self.episodes.hit) ** len(self.quiet)
        close_q2 = np.stack([~occurred_q * scale, occurred_q * scale * missed], axis=1)
        shared = any_episode(self.episodes.shared_es, close_q2)
        leak_q = np.where(occurred_q, 1.0 - (1.0 - leak) * (1.0 - self.episodes.hit), leak)
        close_q2 = np.stack([leak_q, np.ones_like(leak_q)], axis=1)
        own = (self.episodes.own_in([cylinder]) for cylinder in sorted(self.misfired))
        return [shared, *(any_episode(own_es, close_q2) for own_es in own)]


def read_random_only(episodes: Episodes, cylinders: Sequence[int], unnamed: float) -> Term:
    """Take in a misfire code that names no cylinder.

    Parameters
    ----------
    episodes : Episodes
        Expected in the drive.
    cylinders : sequence of int
        Those for which the code speaks.
    unnamed : float
        Chance that a misfire in a single cylinder sets the code that names none: mostly the
        control unit gives the number.

    Returns
    -------
    Term
        What serves one cylinder explains the code with ``unnamed`` times its chance of an episode,
        what serves all with the whole of it.
    """
    leak = episodes.leak_chance(len(cylinders)) * unnamed
    own_es = np.exp(-episodes.own_in(cylinders))
    shared_es = episodes.shared_quiet_es(len(cylinders))
    explain_es = unnamed * (1.0 - own_es) + (1.0 - shared_es)
    return Term.plain(own_es * shared_es, explain_es, np.ones_like(own_es), (leak, 1.0))


def feel(mean_es: FloatArray, word: Feeling, leak: float = 0.0) -> Term:
    """Take in a word for how a drive felt: likelier, or less so, if any cylinder misfired.

    Parameters
    ----------
    mean_es : ndarray of float, shape (element, state)
        Expected episodes, whichever the cylinder.
    word : Feeling
        Chance of the word with and without an episode.
    leak : float
        Chance of an episode that no modelled fault accounts for.

    Returns
    -------
    Term
    """
    unexplained = word.without * (1.0 - leak) + word.with_misfire * leak
    return any_episode(mean_es, (unexplained, word.with_misfire))


def suspect(mean_es: FloatArray, right: float, leak: float) -> Term:
    """Take in that someone heard or felt a cylinder misfire, without a code to say so.

    Parameters
    ----------
    mean_es : ndarray of float, shape (element, state)
        Expected episodes in that cylinder.
    right : float
        Chance that the ear is right; otherwise it says nothing about the cylinder.
    leak : float
        Chance of an episode that no modelled fault accounts for.

    Returns
    -------
    Term

    Notes
    -----
    The likelihood is ``right * misfired + (1 - right)``, with ``misfired`` 1 or 0.
    """
    return feel(mean_es, Feeling("", "", 1.0, 1.0 - right), leak)


def count_misfires(
    space: StateSpace, mean_es: FloatArray, minutes: float, count: int
) -> Term | Factor:
    """Take in one cylinder's misfire counter.

    The count is the largest of the causes' independent counts. A cause has no episode with
    probability ``exp(-mean)`` and then counts nothing; otherwise its count is negative binomial
    with its severity's mean a minute and dispersion.

    Parameters
    ----------
    space : StateSpace
        Severities, and the background in the job's pack.
    mean_es : ndarray of float, shape (element, state)
        Expected episodes laid on the cylinder.
    minutes : float
        Time over which the counter ran.
    count : int
        What it shows.

    Returns
    -------
    Term or Factor
        With ``F`` and ``f`` the chance of a smaller count and of just this one, a cause leaves the
        bit open with ``F``, explains it with ``f``; no episode counts as 0.
    """
    running = space.job.pack.running
    mean = running.leak_counts_per_min * minutes
    background = negative_binomial(mean, running.leak_dispersion, count)
    quiet_es = np.exp(-mean_es)
    loud_es = -np.expm1(-mean_es)
    pairs = [(0.0, 0.0)] + [
        negative_binomial(v.counts_per_min * minutes, v.dispersion, count) for v in space.severities
    ]
    below_es, exactly_es = np.moveaxis(np.array(pairs)[space.severity_es], -1, 0)
    exactly_es = loud_es * exactly_es + (quiet_es if count == 0 else 0.0)
    if count == 0:
        return Factor(np.log(exactly_es), log(background[1]))
    below_es = loud_es * below_es + quiet_es
    close = background[1], background[0] + background[1]
    return Term.plain(below_es, exactly_es, below_es + exactly_es, close)


class FaultCodes(Struct, frozen=True, eq=False):
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

        A present fault sets a code with its chance if it shows in the drive at all.

        Parameters
        ----------
        space : StateSpace
            States.
        drive : Drive
            The drive.
        present : collection of str
            Codes that were set.
        kept : float, optional
            Chance that what was set is stored still.
        """
        within_ke = self.sees_kc @ reach_ec(space, drive.fitted).T > 0.0
        shows_i = shown_es(space, drive)[self.element_i, self.state_i]
        chance_i = kept * self.chance_i * shows_i * within_ke[self.code_i, self.element_i]
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
