"""The two models of closed jobs in PyMC, with more freedom than `swapinfer.learn.density` has.

What others published, simulated shops and those densities are held to them.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from msgspec import Struct

from swapinfer.evidence.arrays import FloatArray
from swapinfer.learn import density
from swapinfer.learn.density import LARGEST_LOG_SD, contrasts, told_apart
from swapinfer.learn.prepare import OTHER, RETURNED, SAME, STAYED, CauseCounts, OutcomeCounts
from swapinfer.learn.sampling import Model, Tensor

Hyperprior = Callable[[str], Tensor]
"""Makes the named random variable inside the model that is being built."""


def log_normal(median: float, log_sd: float) -> Hyperprior:
    """Make a hyperprior for a positive number known to within a factor."""

    def make(name: str) -> Tensor:
        import pymc as pm

        return pm.LogNormal(name, np.log(median), log_sd)

    return make


WORTH = log_normal(*density.PACK_WEIGHT)


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
    pooling: Hyperprior = log_normal(*density.EFFECT_SD)
    label_right: tuple[float, float] | None = density.LABELS["label_right"]
    returns_if_right: tuple[float, float] = density.LABELS["returns_if_right"]
    returns_if_wrong: tuple[float, float] = density.LABELS["returns_if_wrong"]


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


def _add_confirmed(data: CauseCounts, priors: CausePriors, share_gc: Tensor) -> None:
    """Add recorded cases, the true cause summed out, course by course."""
    import pymc as pm
    import pytensor.tensor as pt

    row_n, share = data.cell_n * len(data.causes), share_gc.ravel()
    names = {"confirmed": STAYED, "returned": RETURNED, "same": SAME, "other": OTHER}
    of = {name: np.flatnonzero(data.course_n == course) for name, course in names.items()}
    count = {name: pm.Data(name, data.count_n[at]) for name, at in of.items()}
    last = {name: share[(row_n + data.last_n)[at]] for name, at in of.items()}
    if priors.label_right is None:
        pm.Potential("log_confirmed", pt.dot(count["confirmed"], pt.log(last["confirmed"])))
        return
    right = pm.Beta("label_right", *priors.label_right)
    if_right = pm.Beta("returns_if_right", *priors.returns_if_right)
    if_wrong = pm.Beta("returns_if_wrong", *priors.returns_if_wrong)
    labels = Labels.of(right, if_right, if_wrong, len(data.causes))
    first = share[(row_n + data.first_n)[of["other"]]]
    chance = {
        "confirmed": labels.stayed(last["confirmed"]),
        "returned": labels.returned(last["returned"]),
        "same": labels.same(last["same"]),
        "other": labels.other(first, last["other"]),
    }
    logs = [pt.dot(count[name], pt.log(chance[name])) for name in names]
    pm.Potential("log_confirmed", pt.sum(pt.stack(logs)))


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

    @property
    def neither(self) -> Tensor:
        """Chance of a comeback and a second cause if both recorded causes are wrong."""
        return self.wrong_returns * self.wrong_stays

    def same(self, share: Tensor) -> Tensor:
        """Chance that a cause is recorded, comes back and is recorded again."""
        return share * (self.right_returns * self.right_stays - self.neither) + self.neither

    def other(self, first: Tensor, last: Tensor) -> Tensor:
        """Chance that a cause is recorded, comes back and another is recorded."""
        return (
            first * (self.right_returns * self.wrong_stays - self.neither)
            + last * (self.wrong_returns * self.right_stays - self.neither)
            + self.neither
        )


def _add_unconfirmed(data: CauseCounts, share_gc: Tensor) -> None:
    import pymc as pm
    import pytensor.tensor as pt

    likelihood_kc = pm.Data("open_likelihood", data.open_likelihood_kc)
    count_k = pm.Data("open_count", data.open_count_k)
    mixed_k = pt.sum(share_gc[pm.Data("open_cell", data.open_cell_k)] * likelihood_kc, axis=1)
    pm.Potential("log_unconfirmed", pt.sum(count_k * pt.log(mixed_k)))


def reliability_model(data: OutcomeCounts, concentration: Hyperprior = WORTH) -> Model:
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
        of_group = np.repeat(np.arange(len(data.end_k)), np.diff(data.end_k, prepend=0))
        mixed_k = pt.dot(data.weight_i * chance[data.slot_i], np.eye(len(data.end_k))[of_group])
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
