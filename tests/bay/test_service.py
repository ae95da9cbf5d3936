"""The page as a service: many phones at once, and a program that is killed in the middle."""

from __future__ import annotations

import html
import http.client
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from swapinfer.commands.bay.door import COOKIE, Devices
from swapinfer.commands.opening import open_
from swapinfer.commands.shop import Shop, user_folder
from swapinfer.commands.show import show_job
from tests.bay.conftest import Served
from tests.bay.test_deeds import DRIVE
from tests.bay.test_door import OPENING

PHONES = 30


def test_thirty_phones_are_told_of_what_one_records(served: Served) -> None:
    cookies = [served.pair(f"Phone {n}") for n in range(PHONES)]
    served.ask("POST", "/open", cookies[0], OPENING)
    is_told = threading.Barrier(PHONES + 1, timeout=60.0)
    seen: list[str] = []

    def watch(cookie: str) -> None:
        line = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
        line.request(
            "GET", "/job/RO-1/changes?seen=1", headers={"Host": served.host, "Cookie": cookie}
        )
        stream = line.getresponse()
        stream.readline()
        is_told.wait()
        while stream.readline() != b"data: changed\n":
            pass
        seen.append(served.ask("GET", "/job/RO-1", cookie).text)
        line.close()

    phones = [threading.Thread(target=watch, args=(one,), daemon=True) for one in cookies]
    for phone in phones:
        phone.start()
    is_told.wait()
    served.ask("POST", "/job/RO-1/do", cookies[0], {**DRIVE, "seen": "1", "key": "a"})
    for phone in phones:
        phone.join(timeout=60.0)
    assert len(seen) == PHONES
    assert len({re.sub(r'name="key" value="[^"]*"', "", page) for page in seen}) == 1


class Program:
    """`swapinfer page` in a process of its own."""

    def __init__(self, store: Path, port: int) -> None:
        self.port, self._line = port, [
            sys.executable, "-m", "swapinfer", "page", "--store", str(store), "--port", str(port),
        ]  # fmt: skip
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen(
            self._line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        assert self._process.stdout
        while "/pair/" not in self._process.stdout.readline():
            assert self._process.poll() is None

    def stop(self) -> tuple[int, str]:
        """Stop it as from the keyboard; return its exit code and what it complained of."""
        self._process.send_signal(signal.SIGINT)
        _, said = self._process.communicate(timeout=60)
        return self._process.returncode, said

    def kill(self) -> None:
        self._process.send_signal(signal.SIGKILL)
        self._process.communicate()

    def post(self, cookie: str, form: str) -> tuple[int, str]:
        """Send a form until somebody answers, for a minute at most."""
        origin = f"http://127.0.0.1:{self.port}"
        headers = {"Cookie": cookie, "Origin": origin, "Content-Type": FORM}
        for _ in range(1200):
            line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
            try:
                line.request("POST", "/job/RO-1/do", form, headers)
                answer = line.getresponse()
                return answer.status, answer.read().decode()
            except (OSError, http.client.HTTPException):
                time.sleep(0.05)
            finally:
                line.close()
        raise TimeoutError


FORM = "application/x-www-form-urlencoded"


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Program]:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    with Shop(str(tmp_path / "jobs.db"), "Robin") as shop:
        open_(shop, "RO-1")
    program = Program(tmp_path / "jobs.db", free_port())
    yield program
    program.kill()


def free_port() -> int:
    """Return a port below those that are given to whoever connects.

    A client that keeps asking at one of those while nobody serves there would meet itself.
    """
    for port in random.sample(range(20_000, 30_000), 100):
        with suppress(OSError), socket.create_server(("127.0.0.1", port)):
            return port
    raise OSError


def test_a_program_killed_during_posts_loses_nothing_and_doubles_nothing(
    program: Program, tmp_path: Path
) -> None:
    """A form is sent again until it is answered, as a person would; its own record ends that."""
    devices = Devices(user_folder("data") / "devices.json")
    cookie = f"{COOKIE}={devices.pair('Robin', Shop.now())}"
    acknowledged: list[str] = []

    def send(text: str) -> None:
        seen = 1
        while True:
            form = f"deed=note&text={text}&seen={seen}&key={text}-{seen}"
            status, shown = program.post(cookie, form)
            if status == 303 or f"note: {text}<" in html.unescape(shown):
                break
            assert status == 409, shown
            (seen,) = map(int, re.findall(r'name="seen" value="(\d+)"', shown))
        acknowledged.append(text)

    senders = [threading.Thread(target=send, args=(f"n{n}",), daemon=True) for n in range(8)]
    for sender in senders:
        sender.start()
    for answered in (1, 3, 5):
        while len(acknowledged) < answered and any(sender.is_alive() for sender in senders):
            time.sleep(0.02)
        program.kill()
        program.start()
    for sender in senders:
        sender.join(timeout=60.0)
    with Shop(str(tmp_path / "jobs.db"), "Robin") as shop:
        said = [line.said for line in show_job(shop, "RO-1").events[1:]]
    assert sorted(said) == sorted(f"note: n{n}" for n in range(8))


def test_a_program_ends_without_complaint_while_a_phone_watches(program: Program) -> None:
    devices = Devices(user_folder("data") / "devices.json")
    cookie = f"{COOKIE}={devices.pair('Robin', Shop.now())}"
    program.post(cookie, "deed=note&text=x&seen=1&key=x")
    line = http.client.HTTPConnection("127.0.0.1", program.port, timeout=60)
    line.request("GET", "/job/RO-1/changes?seen=1", headers={"Cookie": cookie})
    line.getresponse().readline()
    assert program.stop() == (128 + signal.SIGINT, "")
    line.close()
