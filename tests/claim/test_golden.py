"""An old job under its old priors still says what it said.

`data/job.json` was exported once, with the priors of that day; `data/facts.json` is what its
write-up said. After a change that is meant to alter numbers, write the latter anew with
``python -m tests.claim.test_golden`` and read its diff as carefully as code; with ``--job`` behind
it also the former, after a change of what stored priors hold.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from msgspec import to_builtins

from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.verify import verify_file
from swapinfer.claim.write import write_up
from swapinfer.ledger.events import read_events
from swapinfer.ledger.exchange import document_of, dump_document, read_document
from swapinfer.ledger.replay import replay
from swapinfer.pack.tables import pack_from_json, pack_to_json
from tests.claim.jobs import base_pack, chain, coil_events

DATA = Path(__file__).parent / "data"


def facts_of_the_old_job() -> dict[str, Any]:
    old = read_document(json.loads((DATA / "job.json").read_text(encoding="utf-8")))
    job = replay(read_events(old.records), pack_from_json(old.packs[old.records[0].pack]))
    claim = write_up(
        job, old.records, settings=ClaimSettings(shop="Example Garage"), published=job.pack
    )
    facts: dict[str, Any] = json.loads(json.dumps(to_builtins(claim.facts)))
    return facts


def leaves(value: object, path: str = "facts") -> dict[str, object]:
    """Every number and text by its path."""
    if isinstance(value, dict):
        pairs = [(f"{path}.{key}", item) for key, item in value.items()]
    elif isinstance(value, list):
        pairs = [(f"{path}[{n}]", item) for n, item in enumerate(value)]
    else:
        return {path: value}
    return {name: leaf for path, item in pairs for name, leaf in leaves(item, path).items()}


def test_the_old_job_says_what_it_said() -> None:
    """Numbers to eight digits: libraries of linear algebra may round differently."""
    wanted = leaves(json.loads((DATA / "facts.json").read_text(encoding="utf-8")))
    found = leaves(facts_of_the_old_job())
    assert list(found) == list(wanted)
    for path, value in wanted.items():
        if isinstance(value, float):
            assert found[path] == pytest.approx(value, rel=1e-8, abs=1e-12), path
        else:
            assert found[path] == value, path


def test_the_old_file_still_verifies() -> None:
    found = verify_file(DATA / "job.json")
    assert (found.same, found.difference) == (True, "")


def write_the_job() -> None:
    """Write the job of these tests as an export of today."""
    pack = base_pack()
    text = dump_document(document_of(chain(coil_events()), {pack.digest: pack_to_json(pack)}))
    (DATA / "job.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    if "--job" in sys.argv:
        write_the_job()
    text = json.dumps(facts_of_the_old_job(), indent=1) + "\n"
    (DATA / "facts.json").write_text(text, encoding="utf-8")
