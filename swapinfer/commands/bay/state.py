"""What the page keeps from one request to the next, and a job as one request sees it."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from functools import cached_property, lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote, unquote

import msgspec
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from msgspec import Struct, structs
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from swapinfer.commands.bay.door import Device, Devices, Pairing, write_private
from swapinfer.commands.belief import finding_words
from swapinfer.commands.causes import StepLine, cause_words, spent_words, step_words, whole_way
from swapinfer.commands.page import exactness, interval, money
from swapinfer.commands.record import Recorded
from swapinfer.commands.shop import Shop
from swapinfer.ledger.events import TYPES
from swapinfer.ledger.replay import Job
from swapinfer.pack.model import Pack
from swapinfer.units import percent

HERE = Path(__file__).parent

REMEMBERED = 500
"""Forms of which it is known what came of them, so that one sent twice records once."""

KEPT = 60
"""Answers kept, to be given again to whoever asks before anything changed."""

T = TypeVar("T")


class RoadTest(Struct, frozen=True):
    """A drive that is under way, or over and not recorded yet, with conditions as foreseen."""

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

    def of(self, job: str) -> RoadTest | None:
        """Return a job's drive."""
        return self._all().get(job)

    def begin(self, job: str, at: str, when: tuple[str, ...]) -> None:
        """Begin a drive."""
        with self._changing() as drives:
            drives.setdefault(job, RoadTest(at, when))

    def end(self, job: str, at: str) -> None:
        """End a drive."""
        with self._changing() as drives:
            drive = drives.get(job)
            if drive and drive.minutes is None:
                drives[job] = structs.replace(drive, minutes=drive.minutes_at(at))

    def forget(self, job: str) -> None:
        """Take a drive away: it was recorded, or begun by mistake."""
        with self._changing() as drives:
            drives.pop(job, None)

    @contextmanager
    def _changing(self) -> Iterator[dict[str, RoadTest]]:
        with self._lock:
            drives = self._all()
            before = dict(drives)
            yield drives
            if drives != before:
                write_private(self.path, msgspec.json.encode(drives))

    def _all(self) -> dict[str, RoadTest]:
        if not self.path.exists():
            return {}
        return msgspec.json.decode(self.path.read_bytes(), type=dict[str, RoadTest])


class _Answer:
    """What a command finds: asked for by many at once, it is worked out by the first."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._found: list[Any] = []

    def get(self, find: Callable[[], Any]) -> Any:  # noqa: ANN401  whatever the command finds
        with self._lock:
            self._found = self._found or [find()]
            return self._found[0]


class Bay:
    """What the screens need, whoever asks; over an encrypted connection the cookie stays on it."""

    def __init__(
        self, store: str, devices: Devices, pairing: Pairing, clock: Clock, *, is_private: bool
    ) -> None:
        # msgspec lays a type out when it is first read; two threads that do end the program.
        for kind in (Pack, StepLine, list[Device], dict[str, RoadTest], *TYPES.values()):
            with suppress(msgspec.ValidationError):
                msgspec.convert(None, kind)
        self.store, self.devices, self.pairing, self.clock = store, devices, pairing, clock
        self.is_private = is_private
        self.is_over: Callable[[], bool] = lambda: False
        """Whether the program is about to end, so that no stream holds it."""
        self._done: OrderedDict[str, tuple[str, Recorded]] = OrderedDict()
        self._answer = lru_cache(maxsize=KEPT)(lambda _: _Answer())
        self._lock = threading.Lock()
        self.templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.templates.filters.update(
            percent=percent, begin=lambda text: text[:1].upper() + text[1:], link=link_to,
            cause_words=cause_words, finding_words=finding_words,
        )  # fmt: skip
        self.templates.globals.update(
            key=partial(secrets.token_urlsafe, 12), interval=interval, exactness=exactness,
            money=money, spent_words=spent_words, step_words=step_words, whole_way=whole_way,
        )  # fmt: skip

    def shop(self, request: Request, *, is_supposing: bool = False) -> Shop:
        """Return the shop, in the name of whoever holds the device."""
        return Shop(self.store, request.state.device.name, is_supposing=is_supposing)

    def page(self, name: str, status: int = 200, **facts: object) -> HTMLResponse:
        """Fill a template in; every form on it has a key of its own."""
        return HTMLResponse(self.templates.get_template(f"{name}.html").render(**facts), status)

    def answer(self, at: object, find: Callable[[], T]) -> T:
        """Return what is found; for as long as `at` is the same, it is worked out once for all."""
        found: T = self._answer(at).get(find)
        return found

    def keep(self, key: str, to: str, told: Recorded) -> None:
        """Keep where a form led that has a key, and what was told of it."""
        if not key:
            return
        with self._lock:
            self._done[key] = to, told
            while len(self._done) > REMEMBERED:
                self._done.popitem(last=False)

    def once(self, key: str, to: str, deed: Callable[[], Recorded]) -> Response:
        """Record what a form says and lead on; sent again, it leads where it led before."""
        known, _ = self.known(key)
        if not known:
            self.keep(key, to, deed())
        return RedirectResponse(known or to, 303)

    def known(self, key: str) -> tuple[str, Recorded] | tuple[None, None]:
        """Return where a form led that was sent before, and what was told of it."""
        return self._done.get(key, (None, None))


def link_to(ro: str) -> str:
    """Address of a job, whatever its repair order is made of."""
    return "/job/" + quote(quote(ro, safe=""), safe="")


class Screen:
    """A job as one request sees it."""

    def __init__(self, bay: Bay, request: Request, shop: Shop) -> None:
        self.bay, self.shop, self.request = bay, shop, request
        self.ro = unquote(request.path_params["ro"])
        self.row = shop.store.find_job(self.ro)
        """As it was before anything else is read, so that nothing new passes for seen."""

    @cached_property
    def job(self) -> Job:
        """The job, replayed."""
        return self.shop.load(self.ro).job

    def asked(self, name: str) -> str:
        """Return what the address says of a name."""
        return self.request.query_params.get(name, "")

    def find(self, function: Callable[..., T], **asked: object) -> T:
        """Return what a command finds of the job."""
        settings, row = repr(self.shop.settings), self.row
        at = (function.__name__, row.job, row.head, settings, repr(asked))
        return self.bay.answer(at, partial(function, self.shop, ro=row.ro, **asked))

    def page(self, name: str, status: int = 200, **facts: object) -> Response:
        """Fill a template in."""
        own = {
            "ro": self.ro,
            "complaint": self.row.summary.get("complaint", ""),
            "at": link_to(self.ro),
            "seen": self.row.length,
            "suppose": self.asked("suppose"),
            "drive": self.bay.clock.of(self.row.job),
        }
        return self.bay.page(name, status, **own | facts)
