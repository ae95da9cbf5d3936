"""What each outcome of each test is worth in the base case: one cylinder, one code."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import ClassVar

import numpy as np
from msgspec import Struct

from swapinfer.commands.page import Facts, Page, percent, show
from swapinfer.errors import InputError, known_word
from swapinfer.evidence.arrays import BoolArray, FloatArray
from swapinfer.evidence.assemble import Evidence, gather_evidence
from swapinfer.evidence.levels import expected_level
from swapinfer.evidence.looks import look
from swapinfer.evidence.profiles import band_median
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import replay
from swapinfer.pack.engine import is_fitted
from swapinfer.pack.model import Pack, Test, Weighing
from swapinfer.posterior import infer
from swapinfer.units import format_quantity


class WeightLine(Struct, frozen=True):
    """What one outcome of one test, or one reading, is worth.

    Attributes
    ----------
    test, title : str
        Of the test.
    result, meaning : str
        Outcome and its text, or band and the reading that was taken for it.
    of : tuple of str
        Titles of what it speaks of.
    factor : float
        Bayes factor: of the odds that any of these is at fault, after to before.
    before, after : float
        Probability of that.
    grade, stated : str
        Class that the factor falls into, and the one that the pack states.
    why : str
        The pack's reason.
    """

    test: str
    title: str
    result: str
    meaning: str
    of: tuple[str, ...]
    factor: float
    before: float
    after: float
    grade: str
    stated: str
    why: str


class WeightsView(Facts, frozen=True):
    """What findings are worth, the weightiest first; classes with the factor they begin at."""

    shape: ClassVar[str] = "weights/1"

    case: str
    classes: dict[str, float]
    lines: tuple[WeightLine, ...]


def weigh_tests(pack: Pack, test_id: str = "") -> WeightsView:
    """Weigh every outcome of every test of a pack, or of one test.

    Raises
    ------
    InputError
        If there is no such test, or the priors do not say in which case to weigh.
    """
    if pack.weighing.layout not in pack.layouts:
        raise InputError("these priors do not say in which case to weigh: [weighing] layout")
    chosen = list(pack.tests.values())
    if test_id.strip():
        chosen = [pack.tests[known_word(test_id, pack.tests, f'no test "{test_id}"')]]
    lines = [line for test in chosen if test.weights for line in _weigh(pack, test)]
    return WeightsView(
        case=_case_words(pack.weighing),
        classes={one.id: one.least for one in pack.classes.values()},
        lines=tuple(sorted(lines, key=lambda line: -line.factor)),
    )


def _case_words(case: Weighing) -> str:
    when = f" ({', '.join(case.conditions)})" if case.conditions else ""
    return (
        f"{case.layout}, {case.minutes:g} min{when}, {case.code}; {case.common} for tests of what "
        "more than a cylinder shares"
    )


def _weigh(pack: Pack, test: Test) -> Iterator[WeightLine]:
    case = pack.weighing
    fitment = next((fit for fit in case.fitments if is_fitted(test.fitted, fit)), None)
    if fitment is None:
        return
    opening = ev.Opened("weights", case.layout, dict(fitment))
    target, *others = replay([(0, opening)], pack).engine.target_places(test.target)
    is_shared = test.target in ("bank", "engine") or not others
    run = ev.Ran(case.minutes, case.conditions, (case.common if is_shared else case.code,))
    level = expected_level(test, opening)
    compared = others if test.level else ()
    sound = [_measured(test, other, test.as_shown(test.nominal, level)) for other in compared]
    base = replay(enumerate([opening, run, *sound]), pack)
    evidence = gather_evidence(base)
    for result, weight in test.weights.items():
        aimed_e = _aimed(evidence, test, target, weight.of)
        finding, meaning = _finding(test, target, result, level)
        before = _odds(evidence, aimed_e)
        after = _odds(
            gather_evidence(replay([*base.standing, (base.time, finding)], pack)), aimed_e
        )
        yield WeightLine(
            test=test.id,
            title=test.title,
            result=result,
            meaning=meaning,
            of=tuple(pack.kinds[kind].title for kind in weight.of if kind in base.engine.kinds),
            factor=after / before,
            before=before / (1.0 + before),
            after=after / (1.0 + after),
            grade=class_of(pack, after / before),
            stated=weight.grade,
            why=weight.why,
        )


def class_of(pack: Pack, factor: float) -> str:
    """Class that a Bayes factor falls into."""
    return next(one.id for one in pack.classes.values() if factor >= one.least)


def _finding(
    test: Test, target: str, result: str, level: float | None
) -> tuple[ev.Measured | ev.Inspected, str]:
    """Make the event of an outcome, or of a reading that is usual for a band, and say it."""
    if test.form == "inspection":
        return ev.Inspected(test.id, target, result), test.outcomes[result]
    value = test.as_shown(band_median(test, result), level)
    shown = "OL" if math.isinf(value) else format_quantity(value, test.unit, 2)
    beside = ""
    if level is not None:
        beside = f" beside {format_quantity(test.as_shown(test.nominal, level), test.unit, 2)}"
    return _measured(test, target, value), shown + beside


def _measured(test: Test, target: str, value: float) -> ev.Measured:
    return ev.Measured(test.id, target, value, reference=0.0 if test.reference else None)


def _aimed(evidence: Evidence, test: Test, target: str, kinds: tuple[str, ...]) -> BoolArray:
    """Which elements of these kinds the test sees there."""
    space = evidence.space
    seen_e = look(space, test.id, target).seen_e
    of_e = np.array([element.home.kind in kinds for element in space.elements])
    aimed: BoolArray = seen_e & of_e
    return aimed


def _odds(evidence: Evidence, aimed_e: BoolArray) -> float:
    """Odds that any of some elements is at fault, told by how much their being sound explains."""
    arrays = evidence.arrays
    prior_es: FloatArray = arrays.prior_es.copy()
    prior_es[aimed_e, 1:] = 0.0
    sound = infer(arrays.with_prior(prior_es)).log_evidence
    return math.expm1(infer(arrays).log_evidence - sound)


@show.register
def _(facts: WeightsView, page: Page) -> str:
    lines = page.wrap(f"what findings are worth, in the base case {facts.case}")
    lines += page.wrap(
        "Bayes factor of what each speaks of: the odds that it is at fault, after to before; "
        + ", ".join(f"{name} from {least:g}" for name, least in facts.classes.items())
    )
    rows = [
        [odds_words(line.factor), line.stated, line.test, line.result, _weight_words(line)]
        for line in facts.lines
    ]
    return "\n".join(lines + page.table(rows, right=[0]))


def _weight_words(line: WeightLine) -> str:
    change = f"{percent(line.before)} -> {percent(line.after)}"
    return f"{line.meaning}: {', '.join(line.of)} {change}; {line.why}"


def odds_words(factor: float) -> str:
    """Write a Bayes factor: how many times the odds become, or a part of them."""
    return f"x {factor:,.0f}" if factor >= 9.5 else f"x {factor:.2g}"
