"""Drives that are under way: begun by one tap, ended by another, and kept here in between."""

from __future__ import annotations

import threading
from datetime import datetime
from pathlib import Path

import msgspec
from msgspec import Struct, structs

from swapinfer.commands.bay.door import write_private


class Drive(Struct, frozen=True):
    """A drive that is under way, or over and not recorded yet."""

    who: str
    began_at: str
    when: tuple[str, ...] = ()
    minutes: float | None = None

    def minutes_at(self, now: str) -> float:
        """Minutes since it began, to a tenth."""
        span = datetime.fromisoformat(now) - datetime.fromisoformat(self.began_at)
        return max(round(span.total_seconds() / 60.0, 1), 0.1)


class Clock:
    """Drives by job, in a file, so that none is lost when the program ends.

    Each tap may arrive twice: a drive that is under way is not begun anew, and one that is over
    does not get longer.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()

    def of(self, job: str) -> Drive | None:
        """Return a job's drive."""
        return self._all().get(job)

    def begin(self, job: str, who: str, at: str, when: tuple[str, ...]) -> None:
        """Begin a drive."""
        with self._lock:
            drives = self._all()
            drives.setdefault(job, Drive(who, at, when))
            self._write(drives)

    def end(self, job: str, at: str) -> None:
        """End a drive."""
        with self._lock:
            drives = self._all()
            drive = drives.get(job)
            if drive and drive.minutes is None:
                drives[job] = structs.replace(drive, minutes=drive.minutes_at(at))
                self._write(drives)

    def forget(self, job: str) -> None:
        """Take a drive away: it was recorded, or begun by mistake."""
        with self._lock:
            drives = self._all()
            if drives.pop(job, None):
                self._write(drives)

    def _all(self) -> dict[str, Drive]:
        if not self.path.exists():
            return {}
        return msgspec.json.decode(self.path.read_bytes(), type=dict[str, Drive])

    def _write(self, drives: dict[str, Drive]) -> None:
        write_private(self.path, msgspec.json.encode(drives))
