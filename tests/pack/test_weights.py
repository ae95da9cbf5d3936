"""What the pack says that findings are worth, against what they come to."""

from __future__ import annotations

import itertools

import pytest
from msgspec.structs import replace

from swapinfer.commands.weights import WeightLine, class_of, weigh_tests
from swapinfer.errors import InputError
from swapinfer.pack.check import check_pack
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.pack.tables import MisfitError

SLACK = 1.2
"""A factor may lie so far beyond its class: priors move it a little."""


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


@pytest.fixture(scope="module")
def lines(pack: Pack) -> tuple[WeightLine, ...]:
    return weigh_tests(pack).lines


def test_every_outcome_and_band_is_weighed_with_a_reason(
    pack: Pack, lines: tuple[WeightLine, ...]
) -> None:
    wanted = {
        (test.id, result)
        for test in pack.tests.values()
        for result in (*test.outcomes, *(band.id for band in test.bands))
    }
    assert {(line.test, line.result) for line in lines} == wanted
    assert all(line.why and line.of for line in lines)


def test_every_factor_lies_in_the_class_that_the_pack_states(
    pack: Pack, lines: tuple[WeightLine, ...]
) -> None:
    astray = [
        (line.test, line.result, line.stated, round(line.factor, 3))
        for line in lines
        if line.stated not in (class_of(pack, line.factor * s) for s in (1.0, SLACK, 1.0 / SLACK))
    ]
    assert not astray


def test_factors_are_ratios_of_odds_in_falling_order(lines: tuple[WeightLine, ...]) -> None:
    for line in lines:
        odds = [p / (1.0 - p) for p in (line.before, line.after)]
        assert line.factor == pytest.approx(odds[1] / odds[0])
    assert all(a.factor >= b.factor for a, b in itertools.pairwise(lines))


def test_a_factor_by_hand(pack: Pack) -> None:
    """Mild deposits: the odds of the one element that is seen change by the ratio of chances.

    Chance of "heavy": 0.94 if it shows, which 0.98 of the faults do, 0.13 otherwise, and 1e-5
    spread over both outcomes. Other faults of the direct injection engine see nothing of it.
    """
    (line,) = (
        one for one in weigh_tests(pack, "valve-deposit-look").lines if one.result == "heavy"
    )
    good, coked = ((1 - 1e-5) * p + 1e-5 / 2 for p in (0.13, 0.94))
    assert line.factor == pytest.approx((0.98 * coked + 0.02 * good) / good, rel=1e-6)


def test_classes_fall_to_nought(pack: Pack) -> None:
    least = [one.least for one in pack.classes.values()]
    assert least == sorted(least, reverse=True)
    assert least[-1] == 0
    assert class_of(pack, 0.001) == list(pack.classes)[-1]


def test_weights_that_cannot_be_are_refused(pack: Pack) -> None:
    test = pack.tests["purge-check"]
    weight = test.weights["shut"]
    for wrong, told in (
        ({"shut": weight}, "weight of"),
        (test.weights | {"ajar": weight}, "outcome or band"),
        (test.weights | {"shut": replace(weight, grade="prof")}, "class"),
        (test.weights | {"shut": replace(weight, of=("coil",))}, "element that it sees"),
    ):
        bad = replace(pack, tests=pack.tests | {test.id: replace(test, weights=wrong)})
        with pytest.raises(MisfitError, match=told):
            check_pack(bad)


def test_one_test_alone_and_one_that_is_none(pack: Pack) -> None:
    assert {line.test for line in weigh_tests(pack, "bore look").lines} == {"bore-look"}
    with pytest.raises(InputError, match="bore-look"):
        weigh_tests(pack, "bore-lok")
