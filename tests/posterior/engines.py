"""Made-up jobs on whole engines, as arrays: the shape of real ones without a pack or a ledger."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from swapinfer.evidence.arrays import Arrays
from tests.posterior.strategies import explaining

Array = NDArray[np.float64]

PER_CYLINDER = {
    "coil": 10,
    "plug": 13,
    "injector": 16,
    "coil-branch": 7,
    "injector-branch": 7,
    "driver": 4,
    "sealing": 10,
}
"""Kinds with the number of states of each: good, and mode by severity."""

ENGINE_WIDE = {
    "coil-feed": 4,
    "injector-feed": 4,
    "fuel-pressure": 10,
    "fuel-quality": 4,
    "intake": 7,
    "position-signal": 4,
    "cam-timing": 4,
}

MISATTRIBUTION = 0.02
LEAK_PER_MIN = 1e-4
SHOWN = 4
"""Things that states show to a reading which several elements can upset."""

RATE_PER_MIN = (20.0, 0.3, 0.02)
MODE_FACTOR = (1.0, 2.0, 1.0)
"""What the conditions of a run make of the rates of an element's modes."""


@dataclass(frozen=True)
class Engine:
    """Elements of a made-up engine."""

    n_cylinders: int
    kind_e: tuple[str, ...]
    home_e: NDArray[np.int64]
    prior_es: Array
    rate_es: Array

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(
            kind if home < 0 else f"{kind}-{home + 1}"
            for kind, home in zip(self.kind_e, self.home_e.tolist(), strict=True)
        )


def make_engine(n_cylinders: int, rng: np.random.Generator) -> Engine:
    """Engine-wide elements first, then cylinder by cylinder."""
    kinds = [(kind, -1, n) for kind, n in ENGINE_WIDE.items()]
    kinds += [(k, c, n) for c in range(n_cylinders) for k, n in PER_CYLINDER.items()]
    width = max(n for _, _, n in kinds)
    prior_es = np.zeros((len(kinds), width))
    rate_es = np.zeros((len(kinds), width))
    for element, (_, _, n_states) in enumerate(kinds):
        fault_s = rng.gamma(0.7, 0.001, n_states - 1)
        prior_es[element, :n_states] = [1.0 - fault_s.sum(), *fault_s]
        severities = np.array(RATE_PER_MIN)[np.arange(n_states - 1) % 3]
        modes = np.arange(n_states - 1) // 3
        rate_es[element, 1:n_states] = severities * np.array(MODE_FACTOR)[modes % 3]
    return Engine(
        n_cylinders=n_cylinders,
        kind_e=tuple(kind for kind, _, _ in kinds),
        home_e=np.array([home for _, home, _ in kinds]),
        prior_es=prior_es,
        rate_es=rate_es,
    )


@dataclass
class Job:
    """Findings collected into terms and factors."""

    engine: Engine
    serves_e: NDArray[np.int64]
    log_factors: list[Array]
    terms: list[tuple[int, Array, Array, Array, Array]]
    level_q: Array

    @classmethod
    def opened(cls, engine: Engine, level_q: Array | None = None) -> Job:
        weights = np.ones(1) if level_q is None else level_q
        return cls(engine, engine.home_e.copy(), [], [], weights)

    def swap(self, kind: str, one: int, other: int) -> None:
        """Exchange a kind of part between two cylinders."""
        kind_e = np.array(self.engine.kind_e) == kind
        at_one, at_other = kind_e & (self.serves_e == one), kind_e & (self.serves_e == other)
        self.serves_e[at_one], self.serves_e[at_other] = other, one

    def mean_es(self, cylinder: int, minutes: float) -> Array:
        """Expected misfire episodes that each state lays on a cylinder."""
        n = self.engine.n_cylinders
        distance_e = (self.serves_e - cylinder) % n
        share_e = np.where(np.isin(distance_e, [1, n - 1]), MISATTRIBUTION, 0.0)
        share_e = np.where((distance_e == 0) | (self.serves_e < 0), 1.0, share_e)
        out: Array = share_e[:, None] * self.engine.rate_es * minutes
        return out

    def run(self, minutes: float, misfired: set[int]) -> None:
        """Take in a run: who misfired, and that nobody else did."""
        factor_es = np.zeros_like(self.engine.rate_es)
        for cylinder in range(self.engine.n_cylinders):
            mean_es = self.mean_es(cylinder, minutes)
            if cylinder in misfired:
                self._noisy_or(mean_es, minutes)
            else:
                factor_es -= mean_es
        self.log_factors.append(factor_es)

    def complaint(self, minutes: float) -> None:
        """Somebody felt a misfire: any cylinder."""
        total_es = sum(
            (self.mean_es(c, minutes) for c in range(self.engine.n_cylinders)),
            np.zeros_like(self.engine.rate_es),
        )
        self._noisy_or(total_es, minutes)
        self.log_factors.append(np.zeros_like(total_es))

    def reading(self, element: int, rng: np.random.Generator) -> None:
        """Take in a reading on one element."""
        self.log_factors.append(rng.normal(-1.0, 1.0, self.engine.rate_es.shape))
        self.log_factors[-1][np.arange(len(self.engine.kind_e)) != element] = 0.0

    def shared_reading(self, elements: list[int], rng: np.random.Generator) -> None:
        """Take in a reading that several elements can upset: the first present fault decides."""
        shape = self.engine.rate_es.shape
        absent_es = np.ones(shape)
        absent_es[elements, 1:] = 0.0
        chance_qp = rng.gamma(1.0, size=(self.level_q.size, SHOWN))
        chance_qes = chance_qp[:, rng.integers(SHOWN, size=shape)] * (1.0 - absent_es)
        close_q2 = np.stack([rng.gamma(1.0, size=self.level_q.size), np.ones(self.level_q.size)])
        self._term(absent_es, chance_qes, np.ones(shape), close_q2.T)
        self.log_factors.append(np.zeros(shape))

    def _noisy_or(self, mean_es: Array, minutes: float) -> None:
        explain_es = -np.expm1(-mean_es)
        close_q2 = np.array([[-np.expm1(-LEAK_PER_MIN * minutes), 1.0]])
        self._term(np.exp(-mean_es), explain_es[None], np.ones_like(mean_es), close_q2)

    def _term(self, open_es: Array, explain_qes: Array, explained_es: Array, close: Array) -> None:
        q = self.level_q.size
        explain_qes = np.broadcast_to(explain_qes, (q, *open_es.shape))
        close = np.broadcast_to(close, (q, 2))
        self.terms.append((len(self.log_factors), open_es, explain_qes, explained_es, close))

    def arrays(self) -> Arrays:
        """Stack everything."""
        sizes = (self.engine.prior_es > 0).sum(axis=1).tolist()
        return Arrays(
            elements=self.engine.names,
            states=tuple(("good", *(f"s{s}" for s in range(1, n))) for n in sizes),
            prior_es=self.engine.prior_es,
            log_factor_nes=np.stack(self.log_factors),
            finding_t=np.array([term[0] for term in self.terms]),
            open_tes=np.stack([term[1] for term in self.terms]),
            explain=explaining(np.stack([term[2] for term in self.terms], axis=1)),
            explained_tes=np.stack([term[3] for term in self.terms]),
            close_qt2=np.stack([term[4] for term in self.terms], axis=1),
            level_q=self.level_q,
        )


def swapping_job(
    n_cylinders: int,
    *,
    n_runs: int = 6,
    n_misfiring: int = 1,
    n_readings: int = 10,
    seed: int = 1,
) -> Arrays:
    """Runs with swaps in between, and readings: most on one element, some on several."""
    rng = np.random.default_rng(seed)
    job = Job.opened(make_engine(n_cylinders, rng))
    for number in range(n_runs):
        misfired = set(rng.choice(n_cylinders, n_misfiring, replace=False).tolist())
        job.run(float(rng.choice([10, 20, 30])), misfired)
        one, other = rng.choice(n_cylinders, 2, replace=False).tolist()
        job.swap(("coil", "plug", "injector")[number % 3], one, other)
    cylinder_e = job.engine.home_e
    for number in range(n_readings):
        cylinder = int(rng.integers(n_cylinders))
        here = np.flatnonzero(cylinder_e == cylinder)
        if number % 3:
            job.reading(int(rng.choice(here)), rng)
        else:
            job.shared_reading([0, *here[[0, 3]].tolist()], rng)
    return job.arrays()


def compression_job(n_cylinders: int, *, n_levels: int, seed: int = 1) -> Arrays:
    """A complaint, three runs, and compression on every cylinder around an unknown level."""
    rng = np.random.default_rng(seed)
    level_q = rng.gamma(3.0, size=n_levels)
    job = Job.opened(make_engine(n_cylinders, rng), level_q / level_q.sum())
    job.complaint(60.0)
    for _ in range(3):
        job.run(20.0, {int(rng.integers(n_cylinders))})
    cam = job.engine.names.index("cam-timing")
    for cylinder in range(n_cylinders):
        job.shared_reading([cam, job.engine.names.index(f"sealing-{cylinder + 1}")], rng)
    return job.arrays()


def diagnosing_job(n_cylinders: int, *, n_runs: int, n_misfiring: int, seed: int = 1) -> Arrays:
    """The same cylinders misfire run after run, and a part is swapped after every other run."""
    rng = np.random.default_rng(seed)
    job = Job.opened(make_engine(n_cylinders, rng))
    misfired = set(range(n_misfiring))
    for number in range(n_runs):
        job.run(20.0, misfired if number < 4 else set())
        if number % 2 and number < 6:
            job.swap(("coil", "plug", "injector")[number // 2], 0, n_cylinders - 1)
    return job.arrays()
