"""A cylinder that was heard to misfire, against arithmetic by hand."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest
from msgspec.structs import replace

from swapinfer.errors import PlaceError
from swapinfer.evidence.assemble import gather_evidence
from swapinfer.evidence.running import suspect
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.posterior import infer


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def job_of(pack: Pack, *events: Event) -> Job:
    opening = ev.Opened("RO-1", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"})
    return replay(enumerate([opening, *events]), pack)


def fault(job: Job, element: str) -> float:
    evidence = gather_evidence(job)
    return float(infer(evidence.arrays).fault_e[evidence.arrays.elements.index(element)])


def test_two_states_by_hand() -> None:
    """Prior 0.1 of a fault with 2 expected episodes; the ear is right in 0.6 of cases; no leak.

    Good: 1 - 0.6 = 0.4. Faulty: 0.4 exp(-2) + 1 - exp(-2) = 1 - 0.6 exp(-2) = 0.918799.
    Posterior 0.1 * 0.918799 / (0.1 * 0.918799 + 0.9 * 0.4) = 0.203328.
    """
    term = suspect(np.array([[0.0, 2.0]]), 0.6, 0.0)
    left, right = term.close_q2[0]
    likelihood_s = term.open_es[0] * left + term.explain_es[0] * right
    np.testing.assert_allclose(likelihood_s, [0.4, 1.0 - 0.6 * exp(-2.0)], rtol=1e-14)
    joint_s = np.array([0.9, 0.1]) * likelihood_s
    assert joint_s[1] / joint_s.sum() == pytest.approx(0.203328, abs=5e-7)


def test_ear_that_is_always_right_is_a_code_of_one_cylinder(pack: Pack) -> None:
    """What serves that cylinder alone weighs as with the code, others unread.

    Of what serves all, with ``u = e + (1 - e) 0.25^4`` the chance that an episode, absent with
    ``e``, leaves four cylinders alone, the code leaves open ``u``; the ear takes it as ``e^0.75``.
    """
    always = replace(pack.running, suspected_right=1.0, together=0.75)
    sure = replace(pack, running=always, monitor=None)
    heard = gather_evidence(job_of(sure, ev.Ran(10.0, suspected=(3,)))).arrays
    coded = gather_evidence(job_of(sure, ev.Ran(10.0, codes=("P0303",)))).arrays
    np.testing.assert_allclose(heard.close_qt2[:, 1], coded.close_qt2[:, 1], rtol=1e-12)
    names = enumerate(heard.elements)
    own = [e for e, name in names if name[-1].isdigit() and "bank" not in name]
    np.testing.assert_allclose(heard.open_tes[1, own], coded.open_tes[1, own], rtol=1e-12)
    shared = heard.elements.index("fuel-pressure")
    missed = 0.25**4
    none_s = (coded.open_tes[1, shared] - missed) / (1.0 - missed)
    np.testing.assert_allclose(heard.open_tes[1, shared], none_s**0.75, rtol=1e-12)


def test_ear_that_is_never_right_changes_nothing(pack: Pack) -> None:
    deaf = replace(pack, running=replace(pack.running, suspected_right=0.0))
    before = fault(job_of(deaf), "coil3")
    assert fault(job_of(deaf, ev.Ran(10.0, suspected=(3,))), "coil3") == pytest.approx(before)


def test_weaker_than_a_code_and_only_its_own_cylinder(pack: Pack) -> None:
    before = job_of(pack)
    heard = job_of(pack, ev.Ran(10.0, suspected=(3,)))
    coded = job_of(pack, ev.Ran(10.0, codes=("P0303",)))
    assert fault(before, "coil3") < fault(heard, "coil3") < fault(coded, "coil3")
    assert fault(heard, "coil1") < fault(before, "coil1")


def test_event_survives_the_ledger_and_refuses_another_engine(pack: Pack) -> None:
    run = ev.Ran(10.0, suspected=(3, 1))
    assert ev.read_event(run.type, run.to_json()) == run
    with pytest.raises(PlaceError, match="1 to 4"):
        job_of(pack, ev.Ran(10.0, suspected=(5,)))


def test_every_vague_word_says_something_and_proves_nothing(pack: Pack) -> None:
    """Likelihood ratios between 1/10 and 500, to either side: Cromwell's rule."""
    for word in pack.feelings.values():
        if word.id != "complaint":
            assert 0.1 < word.with_misfire / word.without < 500.0
            assert word.with_misfire != word.without
