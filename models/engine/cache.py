"""Where compiled code is kept between runs, and who is notified when it has to be compiled.

numba alone looks at the one file of a kept function; here the folder's name is a digest of every source that goes into
the compiled code, so that an edited or upgraded engine never runs stale.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryFile

MODELS = Path(__file__).resolve().parents[1]
SOURCES = (MODELS / "units.py", MODELS / "effort.py")  # besides the engine's own

_listeners: list[Callable[[bool], None]] = []


def on_compile(listener: Callable[[bool], None]) -> None:
    """Have a function called whenever the engine is about to be compiled, with whether the result can be kept."""
    _listeners.append(listener)


def compiling(kept: bool) -> None:
    """Tell those who want to know."""
    for each in _listeners:
        each(kept)


def user_caches() -> Path | None:
    """The user's folder for what can be made again, as the platform has it; None where there is no home."""
    home = os.environ.get("HOME", "")
    if sys.platform == "win32":
        stated = os.environ.get("LOCALAPPDATA", "")
    elif sys.platform == "darwin":
        stated = home and f"{home}/Library/Caches"
    else:
        stated = os.environ.get("XDG_CACHE_HOME", "")
        if not os.path.isabs(stated):
            stated = home and f"{home}/.cache"
    return Path(stated) if os.path.isabs(stated) else None


def digest(compiler: str) -> str:
    """Of all sources of the compiled code and the version of the compiler."""
    summed = sha256(compiler.encode())
    for path in sorted([*Path(__file__).parent.glob("*.py"), *SOURCES]):
        summed.update(path.name.encode() + b"\0" + path.read_bytes())
    return summed.hexdigest()[:16]


def folder(compiler: str) -> Path | None:
    """The folder of this engine's compiled code, made if need be; None where none can be written.

    Folders of other states of the engine are removed when a new one is made.
    """
    try:
        caches = user_caches()
        if caches is None:
            return None
        mine = caches / "rampwright" / f"engine-{digest(compiler)}"
        new = not mine.is_dir()
        mine.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=mine):
            pass
    except OSError:
        return None
    if new:
        for other in mine.parent.iterdir():
            if other != mine and re.fullmatch(r"engine-[0-9a-f]{16}", other.name) and not other.is_symlink():
                shutil.rmtree(other, ignore_errors=True)
    return mine
