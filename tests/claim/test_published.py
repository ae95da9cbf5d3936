"""Priors that are not the published ones are told, and what they did to the answer."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from msgspec import to_builtins

from swapinfer.claim.doubts import SHOWN
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.verify import verify_file
from swapinfer.claim.write import Claim, dump, seal_of, to_json, write_up
from swapinfer.commands import run
from swapinfer.errors import OwnPriorsError
from swapinfer.ledger import events as ev
from swapinfer.ledger.events import read_events
from swapinfer.ledger.exchange import document_of, dump_document
from swapinfer.ledger.replay import replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.pack.tables import pack_from_json, pack_to_json
from tests.claim.jobs import base_pack, chain, claim_of, coil_events, opening
from tests.claim.test_content import text_of

THREE_DRIVES = [opening(), *3 * [ev.Ran(20, ("warm",), ("P0303",))]]
"""One cylinder misfires, and nothing was moved: the coil is one of several causes."""


def under(pack: Pack, events: list[Any]) -> Claim:
    records = chain(events, pack=pack)
    return write_up(replay(read_events(records), pack), records)


def doctored(change: Callable[[dict[str, Any]], None]) -> Pack:
    """The base pack with something changed in its text, under its own name and version."""
    table = json.loads(pack_to_json(base_pack()))
    change(table)
    return pack_from_json(pack_to_json(pack_from_json(json.dumps(table))))


def short_lives(table: dict[str, Any]) -> None:
    for mode in table["element"]["coil"]["mode"].values():
        mode["life_km"]["median"] /= 60.0


@pytest.fixture(scope="module")
def swayed() -> Claim:
    return under(doctored(short_lives), THREE_DRIVES)


def test_published_priors_are_called_that(coil_claim: Claim) -> None:
    published = coil_claim.facts.published
    assert (published.is_same, published.numbers, published.others) == (True, 0, 0)
    assert published.concludes.joint == coil_claim.facts.standing.joint
    assert "The prior probabilities are the published ones (base 1)." in text_of(coil_claim)


def test_a_doctored_pack_is_told_with_what_the_published_one_says(swayed: Claim) -> None:
    """As many numbers as there are lives, and the probability that the honest job leads to."""
    published, honest = swayed.facts.published, claim_of(THREE_DRIVES)
    assert swayed.facts.provenance.pack == published.pack == "base"
    assert swayed.facts.provenance.version == published.version
    lives = len(base_pack().kinds["coil"].modes)
    assert (published.is_same, published.numbers, published.others) == (False, lives, 0)
    coil = next(c for c in honest.facts.causes if c.element == "coil3")
    assert swayed.facts.standing.joint > 0.9
    assert coil.probability < 0.5
    assert published.concludes.joint == pytest.approx(coil.probability, rel=1e-9)
    assert "own priors" in swayed.facts.standing.draft
    text = text_of(swayed)
    assert f"NOT the published base 1: {lives} numbers differ" in text
    assert "Probable, not established: ignition coil from cylinder 3" in text
    assert "Established" not in text
    assert "The cause is established only under priors that are not the published" in text


def test_what_was_changed_is_listed_by_its_weight_on_the_answer(swayed: Claim) -> None:
    published = swayed.facts.published
    joints = [entry.joint for entry in published.changed]
    assert 0 < len(joints) <= SHOWN
    assert joints == sorted(joints, key=lambda joint: -(joint or 0.0))
    first = published.changed[0]
    assert float(first.published) == pytest.approx(60.0 * float(first.own))
    alone = doctored(lambda table: _put(table, first.path, float(first.own)))
    assert under(alone, THREE_DRIVES).facts.published.numbers == 1
    found = next(c for c in under(alone, THREE_DRIVES).facts.causes if c.element == "coil3")
    assert first.joint == pytest.approx(found.probability, rel=1e-6)


def _put(table: dict[str, Any], path: str, value: float) -> None:
    *outer, last = path.split(".")
    for key in outer:
        table = table[key]
    table[last] = value


def test_an_overlay_of_one_line_is_told(tmp_path: Path) -> None:
    overlay = tmp_path / "ours.toml"
    overlay.write_text(
        "format = 1\nelement.coil.mode.open.life_km.median = 9000\n", encoding="utf-8"
    )
    facts = under(load_pack([overlay]), THREE_DRIVES).facts
    assert facts.published.numbers == 1
    (entry,) = (e for e in facts.published.changed if e.path.startswith("element.coil"))
    assert entry.path == "element.coil.mode.open.life_km.median"
    assert float(entry.own) == 9000


def test_a_job_that_the_published_priors_cannot_hold_says_why() -> None:
    def rename(table: dict[str, Any]) -> None:
        table["layout"]["ours-4"] = {**table["layout"]["inline-4"], "title": "ours"}

    claim = under(doctored(rename), [opening(layout="ours-4"), *THREE_DRIVES[1:]])
    concludes = claim.facts.published.concludes
    assert concludes.joint is None
    assert 'no layout "ours-4"' in concludes.why_not
    assert "it cannot be worked out" in text_of(claim)


def test_how_much_rarer_a_cause_may_be_is_where_it_is_no_longer_established(
    coil_claim: Claim,
) -> None:
    """By Bayes' rule the odds afterwards shrink as the odds before."""
    standing = coil_claim.facts.standing
    assert standing.rarer is not None
    odds = standing.joint / (1.0 - standing.joint) / standing.rarer
    assert odds / (1.0 + odds) == pytest.approx(standing.established, rel=1e-3)
    assert "times rarer beforehand than these priors say" in text_of(coil_claim)


def test_verifying_says_which_priors(swayed: Claim, coil_claim: Claim, tmp_path: Path) -> None:
    path = tmp_path / "claim.json"
    path.write_text(to_json(coil_claim), encoding="utf-8")
    assert verify_file(path).priors == "the published base 1"
    path.write_text(to_json(swayed), encoding="utf-8")
    found = verify_file(path)
    assert found.same
    assert found.priors.startswith("NOT the published base 1: ")
    assert len(found.changes) == len(swayed.facts.published.changed)
    exported = tmp_path / "job.json"
    exported.write_text(dump_document(document_of(swayed.records, swayed.packs)), encoding="utf-8")
    assert verify_file(exported).priors == found.priors


def test_the_shell_prints_it(
    swayed: Claim, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "claim.json"
    path.write_text(to_json(swayed), encoding="utf-8")
    assert run(["claim", "verify", str(path)]) == OwnPriorsError.exit_code
    said = " ".join(capsys.readouterr().out.split())
    assert "priors: NOT the published base 1: " in said
    assert "element.coil.mode." in said
    assert "established only under priors that are not the published ones" in said


def test_a_file_that_hides_it_differs(swayed: Claim, tmp_path: Path) -> None:
    """Neither calling the priors published, nor another base, makes a doctored file the same."""
    facts = to_builtins(swayed.facts)
    hidden = {**facts, "published": to_builtins(claim_of(coil_events()).facts.published)}
    body = json.loads(to_json(swayed))
    path = tmp_path / "claim.json"
    forged = json.loads(json.dumps({**body, "facts": hidden}))
    path.write_text(dump({**forged, "seal": seal_of(forged)}), encoding="utf-8")
    assert verify_file(path).difference.startswith("facts.published.")


def test_a_write_up_compared_with_another_base_still_verifies(
    coil_claim: Claim, tmp_path: Path
) -> None:
    """What the priors of another version say is left out of the comparison; what ours say, told."""
    older = doctored(lambda table: _put(table, "element.coil.mode.open.life_km.median", 9.0e5))
    records = list(coil_claim.records)
    job = replay(read_events(records), base_pack())
    claim = write_up(job, records, settings=ClaimSettings(), published=older)
    assert not claim.facts.published.is_same
    path = tmp_path / "claim.json"
    path.write_text(to_json(claim), encoding="utf-8")
    found = verify_file(path)
    assert (found.same, found.difference) == (True, "")
    assert found.priors == "the published base 1"
