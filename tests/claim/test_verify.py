"""A file is the same, or its first difference is named."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.verify import Verified, first_difference, verify_file
from swapinfer.claim.write import Claim, dump, to_json
from swapinfer.errors import InputError
from swapinfer.ledger import events as ev
from swapinfer.ledger.exchange import export_job
from swapinfer.ledger.store import Store
from swapinfer.pack.tables import pack_to_json
from tests.claim.jobs import base_pack, chain, claim_of, coil_events, opening

SHORT = [opening(), ev.Ran(10, (), ("P0303",))]


@pytest.fixture(scope="module")
def job_text(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The job, exported by a store that has it."""
    folder = tmp_path_factory.mktemp("export")
    with Store.open(str(folder / "jobs.db")) as store:
        store.keep_pack(base_pack().digest, pack_to_json(base_pack()))
        records = chain(coil_events())
        store.receive(records)
        export_job(store, records[0].job, folder / "job.json")
    return (folder / "job.json").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def claim_text(coil_claim: Claim) -> str:
    return to_json(coil_claim)


Check = Callable[..., Verified]


@pytest.fixture
def check(tmp_path: Path) -> Check:
    def run(text: str | bytes, **options: object) -> Verified:
        path = tmp_path / "file.json"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return verify_file(path, **options)  # type: ignore[arg-type]

    return run


def test_an_exported_job_and_its_write_up_are_the_same(
    check: Check, job_text: str, claim_text: str, coil_claim: Claim
) -> None:
    head = coil_claim.facts.ledger.head
    for text in (job_text, claim_text):
        found = check(text, expect=head)
        assert (found.same, found.difference) == (True, "")
        assert found.facts is not None
        assert found.facts.ledger.head == head
        assert [cause.label for cause in found.facts.concluded] == ["ignition coil from cylinder 3"]
        joint = coil_claim.facts.standing.joint
        assert found.facts.standing.joint == pytest.approx(joint, rel=1e-12)
        assert {"chain", "priors", "digest", "bytes"} <= set(found.compared)


def test_another_ledger_than_the_one_expected_is_named(check: Check, job_text: str) -> None:
    found = check(job_text, expect="0" * 64)
    assert not found.same
    assert found.difference.startswith("another ledger: its last digest is ")


def _changed(text: str, change: Callable[[dict[str, Any]], None]) -> str:
    document = json.loads(text)
    change(document.get("job") or document)
    return dump(document) if "shape" in document else json.dumps(document, indent=1) + "\n"


def test_a_changed_reading_is_named(check: Check, job_text: str, claim_text: str) -> None:
    def change(job: dict[str, Any]) -> None:
        job["records"][3]["payload"]["value"] = 121.0

    for text in (job_text, claim_text):
        assert "record 3 was altered" in check(_changed(text, change)).difference


def test_reordered_events_are_named(check: Check, job_text: str) -> None:
    def change(job: dict[str, Any]) -> None:
        records = job["records"]
        records[3], records[4] = records[4], records[3]

    assert "record 3 is missing: record 4" in check(_changed(job_text, change)).difference


def test_a_missing_end_is_found_by_the_digest_of_the_write_up(
    check: Check, job_text: str, coil_claim: Claim
) -> None:
    """A shorter chain is whole in itself: only the printed digest tells."""
    cut = _changed(job_text, lambda job: job["records"].pop())
    found = check(cut, expect=coil_claim.facts.ledger.head)
    assert found.difference.startswith("another ledger")


def test_a_swapped_pack_is_named(check: Check, job_text: str) -> None:
    other = replace(base_pack(), version="9")
    digest = base_pack().digest

    def under_the_old_digest(job: dict[str, Any]) -> None:
        job["packs"][digest] = pack_to_json(other)

    def under_its_own(job: dict[str, Any]) -> None:
        from swapinfer.pack.tables import digest_text

        text = pack_to_json(other)
        job["packs"] = {digest_text(text): text}

    changed = check(_changed(job_text, under_the_old_digest)).difference
    assert f"pack {digest[:12]} was altered" in changed
    missing = check(_changed(job_text, under_its_own)).difference
    assert f"record 0 was made under priors {digest[:12]}, which are not in the file" in missing


def test_a_changed_number_is_named_by_its_path(check: Check, claim_text: str) -> None:
    document = json.loads(claim_text)
    document["facts"]["findings"][2]["probability_c"][1] += 1e-6
    found = check(dump(document))
    assert found.difference.startswith("facts.findings[2].probability_c[1]: the file says 0.")


def test_what_rounding_hides_from_the_numbers_the_seal_finds(check: Check, claim_text: str) -> None:
    document = json.loads(claim_text)
    document["settings"]["paper"] = "letter"
    assert "seal" in check(dump(document)).difference


def test_a_forged_ledger_with_fresh_digests_is_another_ledger(
    check: Check, coil_claim: Claim
) -> None:
    events = coil_events()
    events[3] = ev.Measured("compression", "cylinder3", 95.0, "6.6 bar")
    forged = to_json(claim_of(events))
    assert check(forged).same
    assert check(forged, expect=coil_claim.facts.ledger.head).same is False


@pytest.mark.parametrize("kind", ["job", "claim"])
def test_any_single_byte_changed_is_caught(
    check: Check, kind: str, job_text: str, claim_text: str
) -> None:
    """Sampled all over the file, and more densely where numbers and events are."""
    raw = (job_text if kind == "job" else claim_text).encode()
    chance = random.Random(20310504)
    dense = raw.index(b'"packs"') if kind == "job" else raw.index(b'"facts"') + 6000
    places = [chance.randrange(len(raw)) for _ in range(40)]
    places += [chance.randrange(dense) for _ in range(20)]
    for place in places:
        changed = bytearray(raw)
        changed[place] ^= 1 << chance.randrange(7)
        found = check(bytes(changed))
        assert not found.same, place
        assert found.difference


def test_white_space_and_repeated_names_are_caught(check: Check, job_text: str) -> None:
    spaced = job_text.replace('"format": ', '"format":  ', 1)
    assert check(spaced).difference == "byte 13 is not as this program writes it"
    twice = job_text.replace('{\n "format"', '{\n "packs": {},\n "format"', 1)
    assert "byte" in check(twice).difference
    assert "byte" in check(job_text + " ").difference


def test_a_write_up_with_something_left_out_needs_the_exported_job(
    check: Check, job_text: str, tmp_path: Path
) -> None:
    redacted = to_json(claim_of(coil_events(), ClaimSettings(redact=True)))
    assert "Invented" not in redacted
    assert "give the exported job as well" in check(redacted).difference
    beside = tmp_path / "job.json"
    beside.write_text(job_text, encoding="utf-8")
    assert check(redacted, job=beside).same
    other = to_json(claim_of(SHORT, ClaimSettings(redact=True)))
    assert check(other, job=beside).difference.startswith("facts.")


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"\xff\xfe",
        b"[]",
        b"null",
        b"{}",
        b"[" * 100_000,
        b'{"format": "swapinfer-job/1"}',
        b'{"format": "swapinfer-job/1", "records": [{}], "packs": {}}',
        b'{"shape": "swapinfer.claim/1"}',
        b'{"shape": "swapinfer.claim/1", "settings": 1, "facts": 2, "job": 3, "seal": 4}',
    ],
)
def test_what_is_no_such_file_is_a_difference_in_one_line(check: Check, text: bytes) -> None:
    found = check(text)
    assert not found.same
    assert "\n" not in found.difference.strip()


def test_a_file_that_is_not_there_is_the_users_mistake(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        verify_file(tmp_path / "nothing.json")


@pytest.mark.parametrize(
    ("stated", "computed", "path"),
    [
        ({"a": [1.0, 2.0]}, {"a": [1.0, 2.0 + 1e-12]}, ""),
        ({"a": [1.0, 2.0]}, {"a": [1.0, 2.001]}, "x.a[1]"),
        ({"a": 1}, {"a": True}, "x.a"),
        ({"a": 1}, {"b": 1}, "x"),
        ([1], [1, 2], "x"),
        (None, 0.0, "x"),
    ],
)
def test_the_first_difference_has_a_path(stated: object, computed: object, path: str) -> None:
    assert first_difference(stated, computed, "x").partition(":")[0] == path
