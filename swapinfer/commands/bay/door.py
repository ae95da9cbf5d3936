"""Who may come in: devices paired by a one-time address, and requests that are what they seem.

A page on this computer's own address is reachable by every other page that its browser shows, so
the address is no boundary: the host asked for, the device's cookie and, for whatever changes
something, the page that a form stands on are checked at every request.
"""

from __future__ import annotations

import hashlib
import secrets
import time
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
from msgspec import Struct

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "swapinfer-device"
DIGITS = 20
"""Bytes of a device's secret."""

PAIRING_MINUTES = 10
"""A pairing address is good for so long, and for one device."""

MINUTE = 60.0
MOST_WRONG = 10
"""So many wrong addresses in a minute, and no address is taken until it is over."""

MOST_FORMS = 120
"""So many forms in a minute from one device, and none is taken until it is over."""

MOST_BYTES = 12_000_000
"""Largest body: a photograph."""

OPEN_PATHS = ("/pair/", "/static/")
"""What is shown before pairing: nothing of any job."""

_CONTENT = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)

HEADERS = (
    (b"content-security-policy", _CONTENT.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)


class Device(Struct):
    """A paired device: its name stands on what is recorded, its secret only in its own cookie."""

    name: str
    digest: str
    paired_at: str

    @property
    def id(self) -> str:
        """Short name to revoke it by."""
        return self.digest[:6]


class Devices:
    """Paired devices, in a file of their own that only its owner can read."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def all(self) -> list[Device]:
        """Return the devices, the first paired first."""
        if not self.path.exists():
            return []
        return msgspec.json.decode(self.path.read_bytes(), type=list[Device])

    def pair(self, name: str, at: str) -> str:
        """Add a device and return its secret."""
        secret = secrets.token_urlsafe(DIGITS)
        devices = [*self.all(), Device(name, _digest(secret), at)]
        write_private(self.path, msgspec.json.encode(devices))
        return secret

    def revoke(self, device_id: str) -> bool:
        """Take a device away; say whether there was one."""
        devices = self.all()
        kept = [device for device in devices if device.id != device_id]
        if kept != devices:
            write_private(self.path, msgspec.json.encode(kept))
        return kept != devices

    def find(self, secret: str) -> Device | None:
        """Return the device with a secret."""
        digest = _digest(secret)
        found = (d for d in self.all() if secrets.compare_digest(d.digest, digest))
        return next(found, None)


def write_private(path: Path, data: bytes) -> None:
    """Write a file that only its owner can read, whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    part.touch(mode=0o600)
    part.write_bytes(data)
    part.replace(path)


class Rate:
    """How often something happened in the last minute."""

    def __init__(self, most: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._most, self._clock = most, clock
        self._times: deque[float] = deque(maxlen=most)

    def count(self) -> None:
        """Take down that it happened."""
        self._times.append(self._clock())

    @property
    def is_reached(self) -> bool:
        """Whether it may not happen again yet."""
        return len(self._times) == self._most and self._clock() - self._times[0] < MINUTE


class Pairing:
    """One-time addresses."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._until: dict[str, float] = {}
        self._wrong = Rate(MOST_WRONG, clock)

    def offer(self) -> str:
        """Return a new token."""
        token = secrets.token_urlsafe(DIGITS)
        self._until[_digest(token)] = self._clock() + MINUTE * PAIRING_MINUTES
        return token

    def is_good(self, token: str) -> bool:
        """Whether a token may still be used; too many wrong ones close the door for a while."""
        if self._wrong.is_reached:
            return False
        if self._until.get(_digest(token), 0.0) > self._clock():
            return True
        self._wrong.count()
        return False

    def use(self, token: str) -> bool:
        """Use a token up; say whether it was good."""
        return self.is_good(token) and self._until.pop(_digest(token), None) is not None


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


class Door:
    """Lets in what is asked for by a paired device, from our own pages."""

    def __init__(self, app: ASGIApp, devices: Devices, origins: Iterable[str]) -> None:
        self.app, self.devices = app, devices
        self.origins = frozenset(origins)
        self.hosts = frozenset(origin.partition("://")[2] for origin in self.origins)
        self._forms: dict[str, Rate] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = {
            name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]
        }
        refused = self._refused(scope, headers)
        if refused:
            status, why = refused
            kind = (b"content-type", b"text/plain; charset=utf-8")
            start = {"type": "http.response.start", "status": status, "headers": [kind, *HEADERS]}
            await send(start)
            await send({"type": "http.response.body", "body": f"{why}\n".encode()})
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = message["headers"]
                said = {name for name, _ in own}
                message["headers"] = [*own, *(line for line in HEADERS if line[0] not in said)]
            await send(message)

        await self.app(scope, _limited(receive), guarded)

    def _refused(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str] | None:
        if headers.get("host") not in self.hosts:
            return 400, "this page is not served under that name"
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "only GET and POST"
        if scope["method"] == "POST" and not self._is_ours(headers):
            return 403, "this form does not stand on a page of ours"
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MOST_BYTES:
            return 413, f"at most {MOST_BYTES:,} bytes"
        device = self.devices.find(_cookie(headers))
        scope.setdefault("state", {})["device"] = device
        return self._kept_out(scope, device)

    def _kept_out(self, scope: Scope, device: Device | None) -> tuple[int, str] | None:
        if device is None:
            if scope["path"].startswith(OPEN_PATHS):
                return None
            return 401, "this device is not paired; start swapinfer page and scan what it prints"
        forms = self._forms.setdefault(device.digest, Rate(MOST_FORMS))
        if scope["method"] == "POST":
            if forms.is_reached:
                return 429, f"at most {MOST_FORMS} forms a minute; wait a little"
            forms.count()
        return None

    def _is_ours(self, headers: dict[str, str]) -> bool:
        """Whether a form was sent from a page of ours; a browser says so in one header or two."""
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        if site is None and origin is None:
            return False
        return site in (None, "same-origin") and (origin is None or origin in self.origins)


def _cookie(headers: dict[str, str]) -> str:
    for part in headers.get("cookie", "").split(";"):
        name, _, value = part.strip().partition("=")
        if name == COOKIE:
            return value
    return ""


def _limited(receive: Receive) -> Receive:
    """Stop reading a body that is longer than it said."""
    taken = 0

    async def limited() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        return {"type": "http.disconnect"} if taken > MOST_BYTES else message

    return limited
