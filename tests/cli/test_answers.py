"""Guided questions take what they offer, by number or by word."""

from __future__ import annotations

import pytest
from cli.conftest import Bay

from swapinfer.commands.guide import Sitting
from swapinfer.commands.opening import receive
from swapinfer.commands.shop import Shop
from swapinfer.ledger.replay import Job


def job_of(ro: str) -> Job:
    with Shop() as shop:
        return shop.load(ro).job


@pytest.mark.parametrize(
    "answers",
    [
        ("inline-4", "coil-on-plug", "port"),
        (
            "INLINE-4",
            "one coil on each plug, with a boot",
            "one injector a cylinder in the intake port",
        ),
        ("inline-4: four in line", "Coil-On-Plug", ""),
    ],
)
def test_what_is_offered_may_be_typed(bay: Bay, answers: tuple[str, ...]) -> None:
    with Shop() as shop:
        reception = receive(shop, "RO-9")
        for answer in (*answers, "stumbles", "", ""):
            assert not reception.question.problem, reception.question
            reception.answer(answer)
        assert reception.is_finished
    opening = job_of("RO-9").opening
    assert (opening.layout, opening.fitment["ignition"]) == ("inline-4", "coil-on-plug")
    assert opening.fitment["fuel"] == "port"
    assert bay.must("show --json").facts["ro"] == "RO-9"


def test_outcomes_causes_and_near_words(opened: Bay) -> None:
    opened.must("drive 15 --when warm,load --codes P0303")
    with Shop() as shop:
        sitting = Sitting(shop)
        for answer in ("x", "another reading or inspection", "look at the plug", "3", "oily black"):
            sitting.answer(answer)
            assert not sitting.question.problem, sitting.question
        assert job_of("RO-1").standing[-1][1].outcome == "oil"
        sitting.answer("x")
        sitting.answer("the job ends hear")
        assert "the-job-ends-here" in sitting.question.problem
        sitting.answer("the job ends here")
        sitting.answer("it leaves as it is")
        sitting.answer("coil3")
        assert "Close on it all the same?" in sitting.question.text
        sitting.answer("yes")
        assert "Not verified" in sitting.question.text
        sitting.answer("as it is, not repaired")
        sitting.answer("not known")
    assert job_of("RO-1").closing.causes == ("coil3",)
