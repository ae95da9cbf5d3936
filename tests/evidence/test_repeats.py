"""The same test made again: what it adds, against Bayes' rule by hand and a simulated sequence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.testing import Setting, look, outcome_chances, repeat_density
from swapinfer.ledger import events as ev
from swapinfer.ledger.replay import Job
from swapinfer.pack import load_pack
from swapinfer.pack.model import Pack
from swapinfer.posterior import infer
from tests.evidence.test_suspect import job_of

COATED = ev.Inspected("throttle-look", "engine", "coated")
CLEAN = ev.Inspected("throttle-look", "engine", "clean")
LOOSE = ev.Inspected("coil-connector-look", "cylinder3", "loose")
OHMS = ev.Measured("coil-primary", "coil3", 0.71)


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def belief(job: Job, element: str = "throttle") -> np.ndarray:
    evidence = gather_evidence(job)
    row = infer(evidence.problem).marginal_es[evidence.problem.elements.index(element)]
    return np.asarray(row)


def by_hand(pack: Pack, outcomes: list[str]) -> np.ndarray:
    """Bayes' rule for the one element that sees the look: a chain that stays or is drawn anew."""
    job = job_of(pack)
    space = gather_evidence(job).space
    test = job.engine.tests["throttle-look"]
    view = look(job.engine, space, Setting(test, "engine", job.fitted, job.time))
    (e,) = np.flatnonzero(view.seen_e)
    posterior = belief(job)
    for n, outcome in enumerate(outcomes):
        same = float(n > 0 and outcomes[n - 1] == outcome)
        fresh = test.fresh if n else 1.0
        anew = np.array([outcome_chances(test, name)[outcome] for name in view.profiles])
        chance_p = fresh * anew + (1.0 - fresh) * same
        shown = view.shows_es[e, : len(posterior)]
        profile = view.profile_es[e, : len(posterior)]
        posterior = posterior * (shown * chance_p[profile] + (1.0 - shown) * chance_p[0])
    hand: np.ndarray = posterior / posterior.sum()
    return hand


@pytest.mark.parametrize(
    "outcomes",
    [["coated"], ["coated", "coated"], ["coated", "clean"], ["clean", "coated", "coated"]],
)
def test_looking_again_is_a_chain_that_stays_or_is_drawn_anew(
    pack: Pack, outcomes: list[str]
) -> None:
    events = [ev.Inspected("throttle-look", "engine", outcome) for outcome in outcomes]
    found = belief(job_of(pack, *events))
    assert found == pytest.approx(by_hand(pack, outcomes), abs=1e-12)


def test_the_same_again_adds_little_and_another_answer_much(pack: Pack) -> None:
    once, twice, other = (
        1.0 - belief(job_of(pack, *events))[0]
        for events in ([COATED], [COATED, COATED], [COATED, CLEAN])
    )
    assert once < twice < 2.0 * once
    assert other < once / 2.0


def test_unplugging_for_the_look_itself_does_not_make_the_next_one_new(pack: Pack) -> None:
    """The look opens the connector, so each is a handling; five of them still tell what one does.

    Between a swap, or a reseat, and the next look the connector was put together anew.
    """
    once = 1.0 - belief(job_of(pack, LOOSE), "coil-wiring3")[0]
    often = 1.0 - belief(job_of(pack, *[LOOSE] * 5), "coil-wiring3")[0]
    reseated = 1.0 - belief(job_of(pack, LOOSE, ev.Reseated("coil3"), LOOSE), "coil-wiring3")[0]
    assert once < often < 2.0 * once
    assert reseated > 1.5 * often


def test_a_meter_that_shows_the_same_again_changes_nothing(pack: Pack) -> None:
    once = belief(job_of(pack, OHMS), "coil3")
    again = belief(job_of(pack, OHMS, OHMS), "coil3")
    near = belief(job_of(pack, OHMS, replace(OHMS, value=0.7101)), "coil3")
    far = belief(job_of(pack, OHMS, replace(OHMS, value=float("inf"))), "coil3")
    assert again == pytest.approx(once, rel=0.1)
    assert near == pytest.approx(once, rel=0.1)
    assert 1.0 - far[0] > 2.0 * (1.0 - once[0])


def test_over_limit_repeats_as_a_word_does(pack: Pack) -> None:
    test = job_of(pack).engine.tests["coil-primary"]
    over = replace(OHMS, value=float("inf"))
    assert repeat_density(test, over, over) == 1.0
    assert repeat_density(test, over, OHMS) == 0.0


def test_no_compression_at_all_may_be_read_twice(pack: Pack) -> None:
    none = ev.Measured("compression", "cylinder3", 0.0)
    once, again, other = (
        belief(job_of(pack, *events), "sealing3")
        for events in ([none], [none, none], [none, replace(none, value=12.0)])
    )
    assert again == pytest.approx(once, rel=0.1)
    assert other[0] < 0.5 * once[0]
