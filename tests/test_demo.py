"""The demo jobs end as told."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from jobs import JOBS

from swapinfer.commands import run

EXPECTED = {
    "coil": ("coil3", 0.95),
    "sealing": ("sealing4", 0.95),
    "connector": ("coil-wiring2", 0.7),
}


@pytest.mark.parametrize("name", JOBS)
def test_job_ends_verified_with_the_cause_in_front(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("SWAPINFER_STORE", str(tmp_path / "jobs.db"))
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    monkeypatch.setenv("SWAPINFER_WHO", "demo")
    for words in JOBS[name]:
        assert run(words) == 0, capsys.readouterr().err
    capsys.readouterr()
    assert run(["show", "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    cause, least = EXPECTED[name]
    assert facts["status"] == "verified"
    assert facts["causes"][0]["element"] == cause
    assert facts["causes"][0]["probability"] > least
    assert facts["away"] == []
