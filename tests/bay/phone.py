"""A phone: the browser of the tests at 390 pixels, touched instead of clicked."""

from __future__ import annotations

import base64
import json
import time
from contextlib import suppress

from tests.claim.browser import Page

WIDTH, HEIGHT = 390, 844
USUAL_LETTER = 16
KEYS = {"Tab": 9}

LEAVE = "window.isLeft = true"
"""Marks a page, so that the next one is told from it."""

FIND = """(text => {
  const name = e => e.getAttribute("aria-label") || e.innerText.trim();
  const seen = [...document.querySelectorAll("a, button, summary, label:not([for])")]
    .filter(e => e.getBoundingClientRect().height > 0 && name(e).startsWith(text));
  const found = seen.find(e => name(e) === text) || seen[0];
  if (!found) return null;
  found.scrollIntoView({block: "center"});
  const box = found.getBoundingClientRect();
  return {x: box.x + box.width / 2, y: box.y + box.height / 2, leads: found.matches("a, button")};
})(%s)"""


class Phone(Page):
    """Loads pages from a server, taps and types."""

    taps = 0

    def go(self, url: str, *, width: int = WIDTH, has_script: bool = True, how: str = "") -> None:
        """Load an address; in the dark, in forced colours or with large letters if asked."""
        features = [
            {"name": "prefers-color-scheme", "value": "dark" if how == "dark" else "light"},
            {"name": "forced-colors", "value": "active" if how == "forced" else "none"},
        ]
        self._ask("Emulation.setEmulatedMedia", features=features)
        letter = USUAL_LETTER * (2 if how == "large" else 1)
        self._ask("Page.setFontSizes", fontSizes={"standard": letter, "fixed": letter})
        metrics = {"width": width, "height": HEIGHT, "deviceScaleFactor": 1, "mobile": True}
        self._ask("Emulation.setDeviceMetricsOverride", **metrics)
        self._ask("Emulation.setTouchEmulationEnabled", enabled=True)
        self._ask("Emulation.setScriptExecutionDisabled", value=not has_script)
        self.run(LEAVE)
        self._ask("Page.navigate", url=url)
        self._wait()

    def tap(self, text: str) -> None:
        """Tap what begins with a text, and wait for where it leads."""
        found = self.run(FIND % json.dumps(text))
        assert found, f"nothing to tap called {text!r} on {self.run('location.pathname')}"
        if found["leads"]:
            self.run(LEAVE)
        point = {"x": found["x"], "y": found["y"]}
        self._ask("Input.dispatchTouchEvent", type="touchStart", touchPoints=[point])
        self._ask("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
        self.taps += 1
        self._wait()

    def type(self, name: str, text: str) -> None:
        """Type into a field."""
        self.run(f"document.querySelector('[name=\"{name}\"]').focus()")
        self._ask("Input.insertText", text=text)

    def press(self, key: str) -> None:
        """Press a key."""
        for way in ("rawKeyDown", "keyUp"):
            self._ask("Input.dispatchKeyEvent", type=way, key=key, windowsVirtualKeyCode=KEYS[key])

    def wait_for(self, text: str, seconds: float = 20.0) -> None:
        """Wait until a text can be read."""
        end = time.monotonic() + seconds
        while text not in self.text:
            assert time.monotonic() < end, f"{text!r} never came"
            time.sleep(0.1)

    def shot(self) -> bytes:
        """What is in sight once it is drawn, as PNG."""
        self.run("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        return base64.b64decode(self._ask("Page.captureScreenshot")["data"])

    @property
    def text(self) -> str:
        """What can be read."""
        return str(self.run("document.body ? document.body.innerText : ''"))

    def _wait(self) -> None:
        """Wait until a page is there whole that is not being left."""
        end = time.monotonic() + 60.0
        while time.monotonic() < end:
            with suppress(AssertionError):  # between two pages nobody answers
                if self.run("document.readyState === 'complete' && !window.isLeft"):
                    return
            time.sleep(0.02)
        raise TimeoutError
