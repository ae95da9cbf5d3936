"""The page as it is served, on a port of this computer."""

from __future__ import annotations

import http.client
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest

pytest.importorskip("starlette")
uvicorn = pytest.importorskip("uvicorn")

from swapinfer.commands.bay.door import COOKIE, Devices, Door, Pairing  # noqa: E402
from swapinfer.commands.bay.screens import screens  # noqa: E402
from swapinfer.commands.bay.state import Bay, Clock  # noqa: E402


class Answer:
    """What came back on one request."""

    def __init__(self, response: http.client.HTTPResponse) -> None:
        self.status = response.status
        self.headers = response.headers
        self.text = response.read().decode(errors="replace")

    @property
    def to(self) -> str:
        return self.headers["location"] or ""


class Served:
    """A page being served, and a client that sends what a browser would, or worse."""

    def __init__(self, folder: Path, port: int = 0) -> None:
        self.store = str(folder / "jobs.db")
        self.devices = Devices(folder / "devices.json")
        self.pairing = Pairing()
        self._socket = socket.create_server(("127.0.0.1", port))
        self.port = self._socket.getsockname()[1]
        self.host = f"127.0.0.1:{self.port}"
        self.origin = f"http://{self.host}"
        self.clock = Clock(folder / "drives.json")
        bay = Bay(self.store, self.devices, self.pairing, self.clock, is_private=False)
        app = screens(bay)
        self.routes = app.routes
        door = Door(app, self.devices, [self.origin])
        config = uvicorn.Config(
            door, log_level="error", lifespan="off", timeout_graceful_shutdown=1
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, daemon=True
        )
        self._thread.start()
        while not self._server.started:
            time.sleep(0.01)

    def close(self) -> None:
        self._server.should_exit = True
        self._thread.join()
        self._socket.close()

    def pair(self, name: str = "Robin") -> str:
        """Pair a device; return its cookie."""
        secret = self.devices.pair(name, "2026-03-02T08:00:00+00:00")
        return f"{COOKIE}={secret}"

    def ask(
        self,
        method: str,
        path: str,
        cookie: str = "",
        form: dict[str, str] | bytes | None = None,
        **headers: str,
    ) -> Answer:
        own = {"Host": self.host, "Cookie": cookie}
        if method == "POST":
            own |= {
                "Origin": self.origin,
                "Sec-Fetch-Site": "same-origin",
                "Content-Type": "application/x-www-form-urlencoded",
            }
        sent = {k: v for k, v in (own | headers).items() if v}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        body = form if form is None or isinstance(form, bytes) else urlencode(form)
        connection.request(method, path, body, sent)
        try:
            return Answer(connection.getresponse())
        finally:
            connection.close()


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    page = Served(tmp_path)
    yield page
    page.close()
