"""A shop of its own for every test, driven through the real command line."""

from __future__ import annotations

import json
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from swapinfer.commands import run


@dataclass
class Told:
    """What a command printed, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def facts(self) -> dict[str, Any]:
        return json.loads(self.out)


@dataclass
class Bay:
    """A technician at the shell."""

    folder: Path
    capture: pytest.CaptureFixture[str]

    def __call__(self, line: str) -> Told:
        self.capture.readouterr()
        code = run(shlex.split(line))
        told = self.capture.readouterr()
        return Told(code, told.out, told.err)

    def must(self, line: str) -> Told:
        told = self(line)
        assert told.code == 0, (line, told.err)
        return told


@pytest.fixture
def bay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Bay:
    monkeypatch.setenv("SWAPINFER_STORE", str(tmp_path / "jobs.db"))
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    monkeypatch.setenv("SWAPINFER_WHO", "T. Echnician")
    monkeypatch.setenv("COLUMNS", "80")
    return Bay(tmp_path, capsys)


@pytest.fixture
def opened(bay: Bay) -> Bay:
    bay.must("open RO-1 --layout inline-4 --odometer '148000 km' --driven '300 km'")
    return bay
