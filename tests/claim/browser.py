"""A real browser without a window, spoken to over a pipe in its debugging protocol."""

from __future__ import annotations

import itertools
import json
import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Any, Self

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1", "--remote-debugging-pipe",
)  # fmt: skip


def find_browser() -> str | None:
    return shutil.which("chromium")


class Page:
    """One page; collects console messages, errors and requests.

    Use as a context manager.
    """

    def __init__(self) -> None:
        self.problems: list[str] = []
        self.requests: list[str] = []
        self._numbers = itertools.count(1)

    def __enter__(self) -> Self:
        self._folder = tempfile.mkdtemp(prefix="swapinfer-browser-")
        self._process, self._to, self._from = self._start(self._folder)
        target = self._call("Target.createTarget", {"url": "about:blank"})["targetId"]
        attach = {"targetId": target, "flatten": True}
        self._session = self._call("Target.attachToTarget", attach)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self._ask(f"{domain}.enable")
        return self

    def _start(self, folder: str) -> tuple[subprocess.Popen[bytes], Any, Any]:
        read_end, to_browser = os.pipe()
        from_browser, write_end = os.pipe()
        script = f'exec "$0" "$@" 3<&{read_end} 4>&{write_end}'
        command = ["bash", "-c", script, find_browser(), *FLAGS, f"--user-data-dir={folder}"]
        process = subprocess.Popen(
            command, pass_fds=(read_end, write_end),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(read_end)
        os.close(write_end)
        return process, os.fdopen(to_browser, "wb", 0), os.fdopen(from_browser, "rb")

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._call("Browser.close", {})
        self._process.wait(timeout=30)
        self._to.close()
        self._from.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def show(self, path: Path, width: int) -> None:
        """Load a file at a width."""
        metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
        self._ask("Emulation.setDeviceMetricsOverride", **metrics)
        self._loaded = False
        self._ask("Page.navigate", url=path.as_uri())
        while not self._loaded:
            self._note(self._receive())

    def run(self, script: str) -> Any:  # noqa: ANN401  whatever the script gives
        """Value of an expression in the page; promises are waited for."""
        answer = self._ask(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def picture(self) -> str:
        """The whole page as PNG in base64."""
        return str(self._ask("Page.captureScreenshot", captureBeyondViewport=True)["data"])

    def _ask(self, method: str, **params: object) -> dict[str, Any]:
        return self._call(method, params, self._session)

    def _call(self, method: str, params: dict[str, Any], session: str = "") -> dict[str, Any]:
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": params}
        if session:
            message["sessionId"] = session
        self._to.write(json.dumps(message).encode() + b"\0")
        while (answer := self._receive()).get("id") != number:
            self._note(answer)
        assert "error" not in answer, answer["error"]
        result: dict[str, Any] = answer["result"]
        return result

    def _receive(self) -> dict[str, Any]:
        letters = bytearray()
        while (letter := self._from.read(1)) != b"\0":
            assert letter, "the browser ended"
            letters += letter
        message: dict[str, Any] = json.loads(letters)
        return message

    def _note(self, message: dict[str, Any]) -> None:
        method, params = message.get("method"), message.get("params", {})
        if method == "Page.loadEventFired":
            self._loaded = True
        elif method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif method == "Log.entryAdded":
            self.problems.append(params["entry"]["text"])
        elif method == "Runtime.exceptionThrown":
            self.problems.append(params["exceptionDetails"]["text"])
        elif method == "Runtime.consoleAPICalled":
            self.problems.append(json.dumps(params["args"]))
