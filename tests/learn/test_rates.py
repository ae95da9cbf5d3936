"""Hazard ratios from failures and distances, against general quadrature and drawn fleets."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from swapinfer.errors import LearnError
from swapinfer.learn.learn import rates_overlay
from swapinfer.learn.rates import ALIKE, Rates, learn_from_rates, read_rates
from swapinfer.learn.tables import RATES
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack

HEADER = ",".join(RATES.names)
FLEETS = 400
COVER_SLACK = 4.0
"""Standard errors of a binomial; beyond four a right interval falls once in sixteen thousand."""


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def read(folder: Path, pack: Pack, *lines: str) -> Rates:
    (folder / "fleet.csv").write_text("\n".join([HEADER, *lines, ""]), encoding="utf-8")
    return read_rates([folder / "fleet.csv"], pack, refused_to=folder / "refused.csv")


def rates_of(events_f: list[float], expected_f: list[float], sd: float) -> Rates:
    families = tuple(f"f{n}" for n in range(len(events_f)))
    return Rates(
        causes=("coil.breakdown",),
        families=families,
        events_mf=np.array([events_f]),
        expected_mf=np.array([expected_f]),
        sd_m=np.array([sd]),
        used=len(events_f),
        refused=Counter(),
        digest="0" * 64,
    )


def moments(median: float, spread: float) -> tuple[float, float]:
    """Mean and variance of a log-normal."""
    variance = math.log(spread) ** 2
    mean = median * math.exp(variance / 2)
    return mean, mean**2 * math.expm1(variance)


def test_one_family_is_a_poisson_with_a_log_normal_rate(pack: Pack) -> None:
    """Mean and variance by adaptive quadrature over the rate."""
    (one,) = learn_from_rates(rates_of([7.0], [3.2], 0.6), pack).modes

    def weight(z: float, power: int) -> float:
        level = math.exp(0.6 * z)
        return level**power * stats.norm.pdf(z) * stats.poisson.pmf(7, 3.2 * level)

    total, first, second = (integrate.quad(weight, -5, 5, args=(p,))[0] for p in (0, 1, 2))
    mean, variance = moments(one.median, one.spread)
    assert mean == pytest.approx(first / total, rel=1e-6)
    assert variance == pytest.approx(second / total - (first / total) ** 2, rel=1e-5)


def test_families_are_pooled_as_general_quadrature_has_it(pack: Pack) -> None:
    """Each family's gamma integrated out by `scipy.stats.nbinom`, the rest by two sums."""
    events, expected, sd = [9.0, 1.0], [3.0, 4.0], 0.7
    rates = rates_of(events, expected, sd)
    found = {name: learn_from_rates(rates, pack, name).modes[0] for name in ("", "f0", "f1")}
    z_l, a_a = np.linspace(-5, 5, 801), np.linspace(-4, 4, 201)
    level, shape = np.exp(sd * z_l)[None, :], ALIKE * np.exp(a_a)[:, None]
    weight = stats.norm.pdf(z_l)[None, :] * stats.norm.pdf(a_a)[:, None]
    for e, x in zip(events, expected, strict=True):
        weight = weight * stats.nbinom.pmf(e, shape, shape / (shape + level * x))
    weight /= weight.sum()
    means = [
        float((weight * (shape + e) / (shape / level + x)).sum())
        for e, x in zip(events, expected, strict=True)
    ]
    for name, mean in (("f0", means[0]), ("f1", means[1]), ("", (3 * means[0] + 4 * means[1]) / 7)):
        assert moments(found[name].median, found[name].spread)[0] == pytest.approx(mean, rel=1e-3)
    assert found["f1"].median < found[""].median < found["f0"].median


def test_intervals_hold_the_truth_as_often_as_they_say(pack: Pack) -> None:
    """Fleets drawn from the prior: 90 % intervals of a family's ratio, and of the mix's."""
    rng = np.random.default_rng(8)
    inside = np.zeros(2)
    for _ in range(FLEETS):
        level = math.exp(0.6 * rng.standard_normal())
        shape = ALIKE * math.exp(rng.standard_normal())
        ratio_f = rng.gamma(shape, level / shape, 4)
        expected_f = rng.uniform(1.0, 20.0, 4)
        rates = rates_of(rng.poisson(ratio_f * expected_f).tolist(), expected_f.tolist(), 0.6)
        truths = ratio_f[2], expected_f @ ratio_f / expected_f.sum()
        for at, (name, truth) in enumerate(zip(("f2", ""), truths, strict=True)):
            (one,) = learn_from_rates(rates, pack, name).modes
            half = 1.6449 * math.log(one.spread)
            inside[at] += abs(math.log(truth / one.median)) <= half
    error = math.sqrt(0.9 * 0.1 / FLEETS)
    assert np.all(np.abs(inside / FLEETS - 0.9) < COVER_SLACK * error)


def test_what_the_pack_expects_is_expected(tmp_path: Path, pack: Pack) -> None:
    """Mean hazard over a life, written out: (T / life) ** shape / T for each kilometre."""
    mode = pack.kinds["coil"].modes["breakdown"]
    rates = read(tmp_path, pack, "coil,breakdown,,3,2000000,100000", "coil,breakdown,,1,1000000,")
    usual = pack.running.odometer_km
    wanted = sum(
        km * (age / mode.life_km.median) ** mode.shape / age
        for km, age in ((2e6, 1e5), (1e6, usual))
    )
    assert rates.expected_mf.sum() == pytest.approx(wanted, rel=1e-9)
    assert rates.events_mf.sum() == 4


def test_the_overlay_is_taken_and_multiplies_what_was_there(tmp_path: Path, pack: Pack) -> None:
    rates = read(tmp_path, pack, "coil,breakdown,,60,20000000,150000")
    learned = learn_from_rates(rates, pack)
    (tmp_path / "overlay.toml").write_text(rates_overlay(learned), encoding="utf-8")
    after = load_pack([tmp_path / "overlay.toml"]).kinds["coil"].modes["breakdown"]
    assert after.hazard_ratio.median == pytest.approx(learned.modes[0].median, rel=1e-3)
    assert after.life_km.spread == 1.0
    again = learn_from_rates(
        read(
            tmp_path,
            load_pack([tmp_path / "overlay.toml"]),
            *["coil,breakdown,,60,20000000,150000"],
        ),
        load_pack([tmp_path / "overlay.toml"]),
    )
    assert again.modes[0].median == pytest.approx(after.hazard_ratio.median, rel=0.05)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("coyl,breakdown,,3,1e6,", 'kind "coyl" is not known; did you mean "coil"?'),
        ("coil,brakedown,,3,1e6,", 'cause "coil.brakedown" is not known'),
        ("coil,breakdown,Mr Smith,3,1e6,", "is not one word"),
        ("coil,breakdown,,2.5,1e6,", 'events "2.5" is not a whole number'),
        ("coil,breakdown,,3,,", "element_km is missing"),
        ("coil,breakdown,,3,-4,", 'element_km "-4" is not a number'),
    ],
)
def test_a_bad_row_is_refused(line: str, reason: str, tmp_path: Path, pack: Pack) -> None:
    rates = read(tmp_path, pack, line, "coil,breakdown,,0,1e6,")
    assert (rates.used, rates.refused.total()) == (1, 1)
    assert reason in (tmp_path / "refused.csv").read_text(encoding="utf-8").replace('""', '"')


def test_tables_of_two_fleets_are_added_up_once(tmp_path: Path, pack: Pack) -> None:
    read(tmp_path, pack, "coil,breakdown,elm,3,2e6,")
    (tmp_path / "other.csv").write_text(f"{HEADER}\ncoil,breakdown,elm,4,1e6,\n", encoding="utf-8")
    both = read_rates([tmp_path / "fleet.csv", tmp_path / "other.csv"], pack)
    assert both.events_mf.tolist() == [[7.0]]
    with pytest.raises(LearnError, match="the same"):
        read_rates([tmp_path / "fleet.csv", tmp_path / "fleet.csv"], pack)
    with pytest.raises(LearnError, match='no family "elms" in this table; did you mean "elm"'):
        learn_from_rates(both, pack, "elms")
