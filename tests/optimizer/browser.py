"""A headless Chromium, driven over its debugging pipe (two file handles, JSON ended by a zero byte): no package needed.

The commands are those of the DevTools protocol that every Chromium speaks.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Any

with contextlib.suppress(ImportError):  # not on Windows, where nothing here is run
    import fcntl

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
ASKED_FOR = "RAMPWRIGHT_BROWSER"  # names another one
SECONDS = 300.0  # after which a browser is taken to hang
PIXELS_PER_MM = 96 / 25.4
KEYS = {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "Home": 36, "End": 35, "Tab": 9,
        "Escape": 27, "Enter": 13, " ": 32}  # fmt: skip
SHIFT = 8
# Puts two handles where the browser expects its pipe, and becomes the browser.
_AS_THE_PIPE = """
import os, sys
os.dup2(int(sys.argv[1]), 3)
os.dup2(int(sys.argv[2]), 4)
os.execvp(sys.argv[3], sys.argv[3:])
"""


def chromium() -> str | None:
    """Path of a Chromium that can be driven here, None where there is none."""
    if os.name != "posix":  # the pipe needs handles 3 and 4
        return None
    asked = os.environ.get(ASKED_FOR)
    return shutil.which(asked) if asked else next(filter(None, map(shutil.which, NAMES)), None)


def _above_the_pipe(handle: int) -> int:
    """The same under a number that is in nobody's way."""
    moved = fcntl.fcntl(handle, fcntl.F_DUPFD, 10)
    os.close(handle)
    return moved


class DoesNotStart(Exception):
    """A browser that is installed and yet cannot be used, such as a stub of a package that is not there."""


class Browser:
    """A browser with one page; `heard` are the events it sent."""

    def __init__(self, program: str, profile: Path) -> None:
        to_browser, self._out = os.pipe()
        self._in, from_browser = os.pipe()
        flags = [
            "--headless", "--remote-debugging-pipe", "--no-first-run", "--no-default-browser-check", "--disable-gpu",
            "--disable-extensions", "--disable-background-networking", "--disable-component-update", "--disable-sync",
            "--disable-dev-shm-usage", "--hide-scrollbars", f"--user-data-dir={profile}", "about:blank",
        ]  # fmt: skip
        if os.geteuid() == 0:  # root has no sandbox; the pages are ours and fetch nothing
            flags.insert(0, "--no-sandbox")
        to_browser, from_browser = (_above_the_pipe(each) for each in (to_browser, from_browser))
        self._process = subprocess.Popen(
            [sys.executable, "-c", _AS_THE_PIPE, str(to_browser), str(from_browser), program, *flags],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._number = 0
        self._rest = b""
        self._session: str | None = None
        self.heard: list[dict[str, Any]] = []
        try:
            self._attach()
        except (OSError, RuntimeError, TimeoutError) as error:
            self._process.kill()
            self._process.wait()
            raise DoesNotStart(f"{program} does not start here: {error}") from error

    def _attach(self) -> None:
        self.version = self.call("Browser.getVersion")["product"]
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for part in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{part}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._session = None
            self.call("Browser.close")
            self._process.wait(SECONDS)
        except (OSError, RuntimeError, TimeoutError, subprocess.TimeoutExpired):
            self._process.kill()
            self._process.wait()
        finally:
            os.close(self._in)
            os.close(self._out)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """The answer to a command; events that come before it are kept."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._read(method)
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                result: dict[str, Any] = answer["result"]
                return result
            if "method" in answer:
                self.heard.append(answer)

    def _read(self, waiting_for: str) -> dict[str, Any]:
        until = time.monotonic() + SECONDS
        while b"\0" not in self._rest:
            if not select.select([self._in], [], [], max(until - time.monotonic(), 0.0))[0]:
                raise TimeoutError(f"no answer to {waiting_for} within {SECONDS:g} s")
            read = os.read(self._in, 1 << 20)
            if not read:
                raise RuntimeError(f"the browser ended while waiting for {waiting_for}")
            self._rest += read
        line, self._rest = self._rest.split(b"\0", 1)
        message: dict[str, Any] = json.loads(line)
        return message

    def open(self, path: Path, fragment: str = "") -> None:
        """Load a file, and wait until it has settled."""
        self.call("Page.navigate", url="about:blank")
        self.heard.clear()
        self.call("Page.navigate", url=path.as_uri() + fragment)
        self.wait_for("document.readyState === 'complete'")
        self.settle()

    def run(self, expression: str) -> Any:
        """The value of an expression in the page; a promise is waited for."""
        answer = self.call(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True, userGesture=True
        )
        if "exceptionDetails" in answer:
            raise RuntimeError(f"{expression}: {answer['exceptionDetails']}")
        return answer["result"].get("value")

    def wait_for(self, expression: str) -> None:
        """Until an expression is true, or an error."""
        until = time.monotonic() + SECONDS
        while not self.run(expression):
            if time.monotonic() > until:
                raise TimeoutError(f"not within {SECONDS:g} s: {expression}")
            time.sleep(0.02)

    def settle(self) -> None:
        """Until what was asked for has been laid out and drawn."""
        self.run(
            "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))"
        )

    def screen(
        self,
        width: int = 1200,
        height: int = 900,
        *,
        dark: bool = False,
        media: str = "",
        touch: bool = False,
    ) -> None:
        """A screen of that size in CSS pixels; `media` "print" lays the page out as for paper."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=touch,
        )  # fmt: skip
        self.call("Emulation.setTouchEmulationEnabled", enabled=touch)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media=media, features=[scheme])
        self.settle()

    def scripts(self, allowed: bool) -> None:
        """Whether the pages loaded from now on may run theirs."""
        self.call("Emulation.setScriptExecutionDisabled", value=not allowed)

    def middle(self, selector: str) -> tuple[float, float]:
        """Where an element's middle is in the window, once it has been scrolled into view."""
        x, y = self.run(
            f"(() => {{ const each = document.querySelector({json.dumps(selector)});"
            "each.scrollIntoView({ block: 'center', behavior: 'instant' });"
            "const box = each.getBoundingClientRect();"
            "return [box.left + box.width / 2, box.top + box.height / 2]; })()"
        )
        return x, y

    def mouse(self, kind: str, x: float, y: float, held: bool = False) -> None:
        """kind: "mouseMoved", "mousePressed" or "mouseReleased"."""
        button = "none" if kind == "mouseMoved" and not held else "left"
        self.call(
            "Input.dispatchMouseEvent",
            type=kind, x=x, y=y, button=button, buttons=int(held), clickCount=int(kind != "mouseMoved"),
        )  # fmt: skip

    def click(self, selector: str) -> None:
        """Press and release the mouse on the middle of an element."""
        x, y = self.middle(selector)
        self.mouse("mouseMoved", x, y)
        self.mouse("mousePressed", x, y, held=True)
        self.mouse("mouseReleased", x, y)
        self.settle()

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        """Draw the pressed mouse from one place to another."""
        self.mouse("mouseMoved", *start)
        self.mouse("mousePressed", *start, held=True)
        self.mouse("mouseMoved", (start[0] + end[0]) / 2, (start[1] + end[1]) / 2, held=True)
        self.mouse("mouseMoved", *end, held=True)
        self.mouse("mouseReleased", *end)
        self.settle()

    def key(self, name: str, shift: bool = False) -> None:
        """Press a key of the keyboard, whatever has the focus."""
        event: dict[str, Any] = {"key": name, "modifiers": SHIFT if shift else 0}
        if name in KEYS:
            event |= {"windowsVirtualKeyCode": KEYS[name], "code": "Space" if name == " " else name}
        if len(name) == 1:
            event["text"] = name
        if name == "Enter":
            event["text"] = "\r"
        self.call("Input.dispatchKeyEvent", type="keyDown", **event)
        self.call("Input.dispatchKeyEvent", type="keyUp", **{k: v for k, v in event.items() if k != "text"})
        self.settle()

    def picture(self, selector: str = "") -> bytes:
        """A PNG of the window, of an element, or with "whole" of the whole page."""
        if not selector:
            return base64.b64decode(self.call("Page.captureScreenshot")["data"])
        box = self.run(
            "(() => { const box = "
            + (
                "document.documentElement"
                if selector == "whole"
                else f"document.querySelector({json.dumps(selector)})"
            )
            + ".getBoundingClientRect();"
            "return [box.left + scrollX, box.top + scrollY, box.width, box.height]; })()"
        )
        clip = dict(zip(("x", "y", "width", "height"), box, strict=True)) | {"scale": 1}
        answer = self.call("Page.captureScreenshot", clip=clip, captureBeyondViewport=True)
        return base64.b64decode(answer["data"])

    def paper(self, width_mm: float, height_mm: float) -> bytes:
        """The page printed on paper of that size, as a PDF; the size a style asks for does not count."""
        answer = self.call(
            "Page.printToPDF",
            paperWidth=width_mm / 25.4, paperHeight=height_mm / 25.4, preferCSSPageSize=False, printBackground=False,
        )  # fmt: skip
        return base64.b64decode(answer["data"])
