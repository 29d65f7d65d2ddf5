"""Who may use the page: whoever has the token, which a code that works once is exchanged for.

Neither is ever part of an address, which other users of the machine can read in the list of processes, nor a cookie,
which every server on the machine's name would be sent.
"""

from __future__ import annotations

import html
import os
import secrets
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Lock

LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # none that is taken for another
GROUPS, GROUP = 5, 5  # 125 bits

_REDIRECT = """<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="referrer" content="no-referrer"><title>rampwright</title>
<form method="post" action="{address}enter"><input type="hidden" name="code" value="{code}">
<button>Open the page</button></form>
<script>document.forms[0].submit()</script></html>
"""


class Gate:
    """The token of one server, the code that is exchanged for it now, and the file that hands the code to a browser.

    Parameters
    ----------
    told : called with every further code, for whoever opens another page
    """

    def __init__(self, told: Callable[[str], None] | None = None) -> None:
        self.token = secrets.token_urlsafe(32)
        self.code = _new_code()
        self._told = told
        self._lock = Lock()
        self._file: Path | None = None

    def admits(self, authorization: str) -> bool:
        """Whether a request's Authorization header holds the token."""
        return secrets.compare_digest(authorization.encode(), f"Bearer {self.token}".encode())

    def exchange(self, code: str) -> str | None:
        """The token for the code, which then no longer works; None for any other."""
        given = "".join(code.upper().split()).replace("-", "")
        with self._lock:
            if not secrets.compare_digest(given.encode(), self.code.replace("-", "").encode()):
                return None
            self.code = _new_code()
        self.close()
        if self._told is not None:
            self._told(self.code)
        return self.token

    def redirect_file(self, address: str) -> Path:
        """A file for the browser that only its owner can read; it posts the code to the page's address."""
        handle, name = tempfile.mkstemp(".html", "rampwright-open-")  # of mode 0600
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(_REDIRECT.format(address=html.escape(address), code=html.escape(self.code)))
        self._file = Path(name)
        return self._file

    def close(self) -> None:
        """Take that file away."""
        if self._file is not None:
            with suppress(OSError):
                self._file.unlink(missing_ok=True)
            self._file = None


def _new_code() -> str:
    return "-".join("".join(secrets.choice(LETTERS) for _ in range(GROUP)) for _ in range(GROUPS))
