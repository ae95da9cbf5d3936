"""Probability models of a shop's history: arrays in, a `pymc.Model` out.

Four models share a handful of building blocks. None of them reads a file or knows a pack; what
they are told about prior belief arrives as numbers.

Axes: ``g`` cell (family, age band and complaint together), ``c`` cause, ``h`` kind of
element, ``l`` level of a pooled grouping, ``k`` group, ``u`` unit, ``o`` outcome, ``p`` profile.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from msgspec import Struct, field

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.sampling import Model, Tensor

Hyperprior = Callable[[str], Tensor]
"""Makes the named random variable inside the model that is being built."""


class Grouping(Struct, frozen=True, eq=False):
    """A grouping of cells whose effects on the causes are partially pooled.

    Attributes
    ----------
    name : str
        Such as ``"family"``.
    levels : tuple of str
        Names of the groups.
    level_g : ndarray of int, shape (cell,)
        Index of each cell's group.
    """

    name: str
    levels: tuple[str, ...]
    level_g: IntArray


class CauseCounts(Struct, frozen=True, eq=False):
    """Sufficient statistics of the causes of a shop's jobs.

    Attributes
    ----------
    causes : tuple of str
        ``"kind.mode"`` each.
    kinds : tuple of str
        Kinds of element; the pooled effects act on kinds, the shop's own on each cause.
    kind_c : ndarray of int, shape (cause,)
        Kind of each cause.
    groupings : tuple of Grouping
        Groupings of the cells.
    base_gc : ndarray of float, shape (cell, cause)
        The base pack's chance of each cause, given a complaint; rows sum to 1.
    confirmed_gc : ndarray of float, shape (cell, cause)
        Verified jobs without a comeback.
    returned_gc : ndarray of float, shape (cell, cause)
        Verified jobs whose comeback found no verified cause.
    chain_cell_n, chain_first_n, chain_last_n : ndarray of int, shape (chain,)
        Jobs with a comeback that has a verified cause of its own: cell, recorded causes.
    chain_count_n : ndarray of float, shape (chain,)
        How often.
    open_cell_k : ndarray of int, shape (group,)
        Cell of a group of unconfirmed jobs.
    open_likelihood_kc : ndarray of float, shape (group, cause)
        Likelihood of the group's findings under each cause, up to a factor a row.
    open_count_k : ndarray of float, shape (group,)
        Jobs in it.
    group_p : ndarray of int, shape (pattern,)
        Group of what unconfirmed jobs showed, in the order of a history's counts.
    """

    causes: tuple[str, ...]
    kinds: tuple[str, ...]
    kind_c: IntArray
    groupings: tuple[Grouping, ...]
    base_gc: FloatArray
    confirmed_gc: FloatArray
    returned_gc: FloatArray
    chain_cell_n: IntArray
    chain_first_n: IntArray
    chain_last_n: IntArray
    chain_count_n: FloatArray
    open_cell_k: IntArray
    open_likelihood_kc: FloatArray
    open_count_k: FloatArray
    group_p: IntArray = field(default_factory=lambda: np.zeros(0, np.int64))

    @property
    def cases_gc(self) -> FloatArray:
        """Verified cases, comebacks followed, by the last cause that was verified."""
        case_gc: FloatArray = self.confirmed_gc + self.returned_gc
        np.add.at(case_gc, (self.chain_cell_n, self.chain_last_n), self.chain_count_n)
        return case_gc

    @property
    def at_n(self) -> IntArray:
        """Cells and causes, laid end to end, of which some case is recorded first."""
        case_gc = self.confirmed_gc + self.returned_gc
        case_gc[self.chain_cell_n, self.chain_first_n] += 1.0
        return np.flatnonzero(case_gc)

    @property
    def chains_n(self) -> tuple[IntArray, IntArray]:
        """Chains whose first and last recorded cause are the same, and the others."""
        is_same_n = self.chain_first_n == self.chain_last_n
        return np.flatnonzero(is_same_n), np.flatnonzero(~is_same_n)

    def as_counted(self, fewer: CauseCounts) -> dict[str, FloatArray]:
        """Give fewer cases, counted by `recount`, as data of the model of these."""
        same_n, other_n = self.chains_n
        return {
            "confirmed": fewer.confirmed_gc.ravel()[self.at_n],
            "returned": fewer.returned_gc.ravel()[self.at_n],
            "same": fewer.chain_count_n[same_n],
            "other": fewer.chain_count_n[other_n],
            "open_count": fewer.open_count_k,
        }

    @property
    def levels(self) -> tuple[str, ...]:
        """Levels of all groupings, side by side."""
        return tuple(f"{one.name}={level}" for one in self.groupings for level in one.levels)

    def columns(self, name: str) -> slice:
        """Where a grouping's levels stand among `levels`."""
        start = 0
        for grouping in self.groupings:
            if grouping.name == name:
                return slice(start, start + len(grouping.levels))
            start += len(grouping.levels)
        return slice(0, 0)


def half_normal(scale: float) -> Hyperprior:
    """Make a hyperprior for a standard deviation: the absolute value of a normal."""

    def make(name: str) -> Tensor:
        import pymc as pm

        return pm.HalfNormal(name, scale)

    return make


def log_normal(median: float, log_sd: float) -> Hyperprior:
    """Make a hyperprior for a positive number known to within a factor."""

    def make(name: str) -> Tensor:
        import pymc as pm

        return pm.LogNormal(name, np.log(median), log_sd)

    return make


EFFECT_SD = log_normal(0.2, 0.6)
"""Families, ages and complaints differ by a factor of about 1.2; a choice, no source."""


class CausePriors(Struct, frozen=True, eq=False):
    """What is believed before the shop's own jobs.

    Attributes
    ----------
    shop_sd_c : ndarray of float, shape (cause,)
        Standard deviation of the shop's log hazard ratio of each cause.
    effect_scale_h : ndarray of float, shape (kind,)
        Relative size of the pooled effects; 0 marks a reference that does not vary.
    pooling : callable
        Hyperprior of each grouping's standard deviation.
    label_right : tuple of float or None
        Beta parameters of the chance that a verified cause is the true one; None takes every
        recorded cause as true, for histories that do not record comebacks.
    returns_if_right, returns_if_wrong : tuple of float
        Beta parameters of the chance of a comeback after a right and after a wrong repair.
    """

    shop_sd_c: FloatArray
    effect_scale_h: FloatArray
    pooling: Hyperprior = EFFECT_SD
    label_right: tuple[float, float] | None = (19.0, 1.0)
    returns_if_right: tuple[float, float] = (1.0, 30.0)
    returns_if_wrong: tuple[float, float] = (6.0, 3.0)


def cause_model(data: CauseCounts, priors: CausePriors) -> Model:
    r"""Build the hierarchical multinomial logit of cause given complaint.

    Parameters
    ----------
    data : CauseCounts
        Sufficient statistics; the model's size does not depend on how many jobs they sum up.
    priors : CausePriors
        Spread of the shop's effects, and belief about recorded causes.

    Returns
    -------
    pymc.Model
        Free variables ``shop_raw``, ``effect_raw`` and for each grouping ``<name>_sd``;
        deterministic ``shop`` (cause) and ``effect`` (kind, level of every grouping in turn).

    Notes
    -----
    The share of cause c in cell g is the softmax over causes of
    :math:`\log \mathrm{base}_{gc} + \mathrm{shop}_c + \sum_f \mathrm{effect}^f_{l(f,g),h(c)}`.
    Effects of a grouping sum to zero over its levels, so that the shop's own effect is the average
    over its families, ages and complaints. An unconfirmed job adds the log of its findings'
    likelihood averaged over the shares: its latent cause is summed out. Jobs enter once each, so
    nothing is double counted when the tool chose the steps: which finding is made next depends on
    earlier findings only, and such a choice drops out of the likelihood (Rubin, "Inference and
    missing data", Biometrika 63, 1976).
    """
    import pymc as pm
    import pytensor.tensor as pt

    coords = {"cause": data.causes, "kind": data.kinds, "level": data.levels}
    with pm.Model(coords={name: list(values) for name, values in coords.items()}) as model:
        score_gc = pt.log(pm.Data("base", data.base_gc)) + _shop_effect(priors)
        if data.groupings:
            score_gc = score_gc + _pooled_effects(data, priors)
        share_gc = pt.special.softmax(score_gc, axis=1)
        _add_confirmed(data, priors, share_gc)
        _add_unconfirmed(data, share_gc)
    return model


def _shop_effect(priors: CausePriors) -> Tensor:
    import pymc as pm
    import pytensor.tensor as pt

    basis_cx = told_apart(priors.shop_sd_c)
    raw_x = pm.Normal("shop_raw", shape=basis_cx.shape[1])
    return pm.Deterministic("shop", priors.shop_sd_c * pt.dot(basis_cx, raw_x), dims="cause")


def told_apart(sd_c: FloatArray) -> FloatArray:
    """Find the directions of the standardised effects that shares can tell apart.

    Raising every log hazard by the same amount changes no share. That direction, ``1 / sd`` in
    standardised effects, keeps its prior whatever the data say, independently of all others, and
    would only slow the sampler down, so it is left out.

    Parameters
    ----------
    sd_c : ndarray of float, shape (cause,)
        Prior standard deviations; if one is 0, its cause is a reference and nothing is left out.

    Returns
    -------
    ndarray of float, shape (cause, direction)
        Orthonormal columns: a Householder reflection without its first.
    """
    if (sd_c == 0).any():
        return np.eye(len(sd_c))
    silent_c = (1 / sd_c) / np.linalg.norm(1 / sd_c)
    mirror_c = silent_c + np.eye(len(sd_c))[0]
    reflection = np.eye(len(sd_c)) - 2 * np.outer(mirror_c, mirror_c) / (mirror_c @ mirror_c)
    out: FloatArray = reflection[:, 1:]
    return out


def _pooled_effects(data: CauseCounts, priors: CausePriors) -> Tensor:
    """Effects of all groupings on every cell and cause; one matrix, so that it compiles fast."""
    import pymc as pm
    import pytensor.tensor as pt

    basis_xl, grouping_l = contrasts([len(grouping.levels) for grouping in data.groupings])
    sd_f = pt.stack([priors.pooling(grouping.name + "_sd") for grouping in data.groupings])
    raw_hx = pm.Normal("effect_raw", shape=(len(data.kinds), len(basis_xl)))
    scale_hl = priors.effect_scale_h[:, None] * sd_f[grouping_l]
    effect_hl = pm.Deterministic(
        "effect", pt.dot(raw_hx, basis_xl) * scale_hl, dims=("kind", "level")
    )
    member_lg = np.concatenate(
        [np.eye(len(grouping.levels))[:, grouping.level_g] for grouping in data.groupings]
    )
    return pt.dot(effect_hl, member_lg)[data.kind_c].T


def contrasts(sizes: list[int]) -> tuple[FloatArray, IntArray]:
    """Orthonormal directions in which each grouping's levels differ while their sum stays 0.

    Parameters
    ----------
    sizes : list of int
        Levels of each grouping.

    Returns
    -------
    basis_xl : ndarray of float, shape (direction, level)
        Rows; the levels of all groupings stand side by side.
    grouping_l : ndarray of int, shape (level,)
        Grouping of each level.
    """
    basis_xl = np.zeros((sum(sizes) - len(sizes), sum(sizes)))
    row = column = 0
    for size in sizes:
        triangle = np.tril(np.ones((size - 1, size)), 0) - np.diag(np.arange(1.0, size), 1)[:-1]
        triangle /= np.linalg.norm(triangle, axis=1, keepdims=True)
        basis_xl[row : row + size - 1, column : column + size] = triangle
        row, column = row + size - 1, column + size
    return basis_xl, np.repeat(np.arange(len(sizes)), sizes)


def _add_confirmed(data: CauseCounts, priors: CausePriors, share_gc: Tensor) -> None:
    """Add verified jobs; only the cells and causes that have any cost time."""
    import pymc as pm
    import pytensor.tensor as pt

    share_n = share_gc.ravel()[data.at_n]
    confirmed_n = pm.Data("confirmed", data.confirmed_gc.ravel()[data.at_n])
    if priors.label_right is None:
        pm.Potential("log_confirmed", pt.dot(confirmed_n, pt.log(share_n)))
        return
    right = pm.Beta("label_right", *priors.label_right)
    if_right = pm.Beta("returns_if_right", *priors.returns_if_right)
    if_wrong = pm.Beta("returns_if_wrong", *priors.returns_if_wrong)
    labels = Labels.of(right, if_right, if_wrong, len(data.causes))
    returned_n = pm.Data("returned", data.returned_gc.ravel()[data.at_n])
    pm.Potential(
        "log_confirmed",
        pt.dot(confirmed_n, pt.log(labels.stayed(share_n)))
        + pt.dot(returned_n, pt.log(labels.returned(share_n)))
        + _log_chains(data, labels, share_gc),
    )


class Labels(Struct, frozen=True, eq=False):
    """Chance that a recorded cause, and what followed, arises if it is right or one wrong one.

    Numbers, arrays of draws, or variables of a model.
    """

    right_stays: Tensor
    right_returns: Tensor
    wrong_stays: Tensor
    wrong_returns: Tensor

    @classmethod
    def of(cls, right: Tensor, if_right: Tensor, if_wrong: Tensor, n_causes: int) -> Labels:
        """Take chances that a cause is right, and of a comeback if it is and if it is not."""
        wrong = (1 - right) / max(n_causes - 1, 1)
        return cls(
            right_stays=right * (1 - if_right),
            right_returns=right * if_right,
            wrong_stays=wrong * (1 - if_wrong),
            wrong_returns=wrong * if_wrong,
        )

    def stayed(self, share: Tensor) -> Tensor:
        """Chance that a cause of that share is recorded and does not come back."""
        return share * self.right_stays + (1 - share) * self.wrong_stays

    def returned(self, share: Tensor) -> Tensor:
        """Chance that a cause of that share is recorded and comes back."""
        return share * self.right_returns + (1 - share) * self.wrong_returns


def _log_chains(data: CauseCounts, labels: Labels, share_gc: Tensor) -> Tensor:
    """Sum the true cause out of pairs of recorded causes, first visit and comeback."""
    import pymc as pm
    import pytensor.tensor as pt

    same_n, other_n = data.chains_n
    row_n = data.chain_cell_n * len(data.causes)
    first_n, last_n = row_n + data.chain_first_n, row_n + data.chain_last_n
    taken = share_gc.ravel()[np.concatenate([last_n[same_n], last_n[other_n], first_n[other_n]])]
    share, others = taken[: len(same_n)], taken[len(same_n) :]
    last, first = others[: len(other_n)], others[len(other_n) :]
    neither = labels.wrong_returns * labels.wrong_stays
    same = share * (labels.right_returns * labels.right_stays - neither) + neither
    other = (
        first * (labels.right_returns * labels.wrong_stays - neither)
        + last * (labels.wrong_returns * labels.right_stays - neither)
        + neither
    )
    return pt.dot(pm.Data("same", data.chain_count_n[same_n]), pt.log(same)) + pt.dot(
        pm.Data("other", data.chain_count_n[other_n]), pt.log(other)
    )


def _add_unconfirmed(data: CauseCounts, share_gc: Tensor) -> None:
    import pymc as pm
    import pytensor.tensor as pt

    likelihood_kc = pm.Data("open_likelihood", data.open_likelihood_kc)
    count_k = pm.Data("open_count", data.open_count_k)
    mixed_k = pt.sum(share_gc[pm.Data("open_cell", data.open_cell_k)] * likelihood_kc, axis=1)
    pm.Potential("log_unconfirmed", pt.sum(count_k * pt.log(mixed_k)))


class OutcomeCounts(Struct, frozen=True, eq=False):
    """Sufficient statistics of what tests showed.

    A *unit* is one profile of one test: what it shows on a thing in order, or on one that has a
    mode which the test can see. A *slot* is one outcome of one unit, numbered throughout. A
    finding whose profile is not certain is a mixture over slots of the same outcome: a fault
    shows only part of the time, and in an unconfirmed job the cause itself is uncertain.

    Attributes
    ----------
    units : tuple of str
        Names of the units.
    outcomes : tuple of tuple of str
        Outcomes of each.
    base : tuple of ndarray of float
        The pack's chance of each outcome of each unit.
    slot_kp : ndarray of int, shape (group, profile)
        Slots that findings of a group may be; padded by any with weight 0.
    weight_kp : ndarray of float, shape (group, profile)
        Chance of each.
    count_k : ndarray of float, shape (group,)
        Findings in the group.
    """

    units: tuple[str, ...]
    outcomes: tuple[tuple[str, ...], ...]
    base: tuple[FloatArray, ...]
    slot_kp: IntArray
    weight_kp: FloatArray
    count_k: FloatArray


LARGEST_LOG_SD = 1.5
"""Of an outcome's log chance about the pack's."""

PACK_WEIGHT = log_normal(20.0, 0.7)
"""The pack's outcome chances are worth about twenty findings; a choice, no source."""


def reliability_model(data: OutcomeCounts, concentration: Hyperprior = PACK_WEIGHT) -> Model:
    r"""Build the hierarchical model of what each test shows under each mode.

    Parameters
    ----------
    data : OutcomeCounts
        Sufficient statistics.
    concentration : callable
        Hyperprior of the pseudo-counts that the pack's chances are worth, shared by all units.

    Returns
    -------
    pymc.Model
        Free variables ``concentration`` and ``chance_raw`` (slot); deterministic ``chance`` (slot).

    Notes
    -----
    Log chances scatter around the pack's by :math:`1/\sqrt{\kappa p}`, which is what
    :math:`\kappa` pseudo-counts of a Dirichlet would leave them (delta method), at most
    `LARGEST_LOG_SD`. On the log scale the effects can be sampled apart from :math:`\kappa`; a
    Dirichlet of the same data could not be sampled well.

    Counting only confirmed jobs would be biased, because a test that shows a fault makes it more
    likely that anybody confirms it (verification bias: Begg and Greenes, "Assessment of
    diagnostic tests when disease verification is subject to selection bias", Biometrics 39,
    1983). Provided that whether a cause gets confirmed depends on recorded findings only, the
    likelihood of *all* jobs is free of that bias; so findings of unconfirmed jobs take part, as
    mixtures weighted by what their job's other findings say about the cause.
    """
    import pymc as pm
    import pytensor.tensor as pt

    slots = [f"{u}={o}" for u, names in zip(data.units, data.outcomes, strict=True) for o in names]
    with pm.Model(coords={"slot": slots}) as model:
        chance = pm.Deterministic("chance", _chances(data, concentration), dims="slot")
        chance_kp = chance[pm.Data("slot_of", data.slot_kp.ravel())].reshape(data.slot_kp.shape)
        mixed_k = pt.sum(pm.Data("weight", data.weight_kp) * chance_kp, axis=1)
        pm.Potential("log_findings", pt.sum(pm.Data("count", data.count_k) * pt.log(mixed_k)))
    return model


def _chances(data: OutcomeCounts, concentration: Hyperprior) -> Tensor:
    """Lay the chances of all units out in one vector, unit after unit."""
    import pymc as pm
    import pytensor.tensor as pt

    unit_s = np.repeat(np.arange(len(data.base)), [len(chances) for chances in data.base])
    base = np.concatenate(data.base)
    weight = concentration("concentration")
    scale = pt.minimum(1 / pt.sqrt(weight * base), LARGEST_LOG_SD)
    odds_s = base * pt.exp(scale * pm.Normal("chance_raw", dims="slot"))
    total_u = pt.dot(odds_s, np.eye(len(data.base))[unit_s])
    return odds_s / total_u[unit_s]
