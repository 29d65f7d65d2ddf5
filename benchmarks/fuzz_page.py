"""Requests to the live page, for `benchmarks.fuzz`: from elsewhere, broken, huge, or beside what it can do.

They go to the application as the server hands them on. What is refused is refused with the status that belongs to it
and a message for people; what was there before is there still.
"""

from __future__ import annotations

import asyncio
import atexit
import json
import random
import tempfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from benchmarks.fuzz_cases import LONGEST_MESSAGE, MOST_LINES, Kind
from models.errors import InvalidInputError
from optimizer.page.gate import Gate
from optimizer.page.server import MOST_BODY, MOST_FILE, application
from optimizer.page.session import Session
from tests.optimizer.bad_inputs import write_good_scenario

PORT = 8765
HOST = f"127.0.0.1:{PORT}"
OWN = f"http://{HOST}"
REQUEST, BODY = "request.json", "body"
NAMES = ("octane", "toluene", "p-xylene", "nobody", "", "<script>", "=1+1", "x" * 300, "\u202e", "../..")
NUMBERS = (
    0,
    -1,
    1,
    0.5,
    1e-12,
    1e9,
    1e308,
    -1e308,
    10**400,
    60,
    250,
    351,
    -273.15,
    True,
    None,
    "12",
    "1e5",
    [],
    {},
)
NOT_NUMBERS = (b"NaN", b"Infinity", b"-Infinity", b"1e999")  # which JSON knows not, and Python's reader takes
HOSTS = (
    "localhost:8765",
    "evil.example",
    "127.0.0.1",
    "127.0.0.1:1",
    f"{HOST}.evil.example",
    "",
    f"{HOST}, {HOST}",
    "\xff",
)
ORIGINS = (
    "null",
    "http://evil.example",
    "http://localhost:8765",
    f"https://{HOST}",
    f"{OWN}/",
    "",
    OWN.upper(),
)
TOKENS = ("", "Bearer", "Bearer none", "Basic eDp5", "\xff\xfe", "Bearer " + "a" * 10_000)
ASKS = ("predict", "program", "predict", "program", "save", "search", "state", "campaign", "next-run", "approve-run",
        "undo-run", "form", "look-at-run", "check-form", "write-form", "save-search")  # fmt: skip
LARGE = {"look-at-run": MOST_FILE, "check-form": MOST_FILE, "write-form": MOST_FILE}
PATHS = (
    "/",
    "/static/page.js",
    "/static/../gate.py",
    "/static/%2e%2e/gate.py",
    "/ask/",
    "/ask/none",
    "/enter/x",
    "//ask/state",
)
FOREIGN, UNKNOWN, HUGE, BROKEN = "foreign", "unknown", "huge", "broken"
SEEN = {FOREIGN: (421, 403, 401), HUGE: (413,), BROKEN: (400,)}
LIKELY = ((FOREIGN, 3), (UNKNOWN, 1), (HUGE, 1), (BROKEN, 3), ("asked", 16))


def kinds() -> list[Kind]:
    """The page alone: every case is a request."""
    return [Kind("page", {REQUEST: b"", BODY: b""}, _asked, _spoilt)]


def program(rng: random.Random) -> dict[str, Any]:
    """A sound program, most of them."""
    ramps = [
        {"rate_C_per_min": rng.uniform(1, 40), "to_C": 250 + n, "hold_min": rng.uniform(0, 5)}
        for n in range(rng.randrange(4))
    ]
    oven = {"start_C": rng.uniform(40, 120), "hold_min": rng.uniform(0, 5), "ramps": ramps}
    carrier = rng.choice((
        {"mode": "constant flow", "flow_mL_min": rng.uniform(0.6, 3)},
        {"mode": "constant pressure", "inlet_kPa": rng.uniform(50, 300)},
        {"mode": "pressure program", "start_kPa": 60, "hold_min": 1, "ramps": [{"rate_kPa_per_min": 5, "to_kPa": 200}]},
    ))  # fmt: skip
    return {"oven": oven, "carrier": carrier}


def _document(rng: random.Random, name: str) -> dict[str, Any]:
    """What the page might ask under a name, before it is spoilt."""
    asked: dict[str, Any] = {}
    if name in ("predict", "program", "save", "search", "look-at-run", "approve-run"):
        asked["program"] = program(rng)
    if name == "predict":
        asked |= {
            "certainty": rng.choice(("none", "quick", "none", "exact", "sure")),
            "pair": rng.choice(("critical", None, list(NAMES[:2]), [1], "x")),
        }
    if rng.random() < 0.2:
        asked["what_if"] = rng.choice((
            {"hydrogen": True}, {"left_out": [rng.choice(NAMES)]},
            {"ignored": [[rng.choice(NAMES), rng.choice(NAMES)]]},
            {"left_out": list(NAMES[:3])}, {"ignored": [["octane"]]}, [], 7, {"left_out": "octane"},
        ))  # fmt: skip
    if name == "search":
        asked = (
            {"stop": True} if rng.random() < 0.7 else asked | {"seconds": rng.choice((0, "x", 1e9, None, -1))}
        )
    if name == "save":
        asked["name"] = rng.choice((*NAMES, "mine", "program 1", "programs/x", "a/../b", "CON", "."))
    if name == "state" and rng.random() < 0.5:
        asked["again"] = True
    if name in ("look-at-run", "approve-run"):
        asked |= {"file": rng.choice(("third.csv", *NAMES)),
                  "text": rng.choice(("compound,retention_min\noctane,3", "", "\0", "a" * 5000)),
                  "name": rng.choice(NAMES), "content": rng.choice(("", "QUJD", "%%%"))}  # fmt: skip
    if name in ("check-form", "write-form"):
        asked |= {
            "tree": _tree(rng),
            "tables": rng.choice(
                ({}, {"new.csv": "compound,retention_min\n"}, {"../x.csv": "x"}, {"a.csv": 7}, [])
            ),
        }
        asked["version"] = rng.choice(("", "none", 7)) if rng.random() < 0.3 else "now"
    return asked


def _tree(rng: random.Random) -> Any:
    import tomllib

    with tempfile.TemporaryDirectory() as name:
        write_good_scenario(Path(name))
        return tomllib.loads((Path(name) / "scenario.toml").read_text(encoding="utf-8"))


def _changed(rng: random.Random, node: Any) -> Any:
    """A document with one value or key changed, deep within or not."""
    if isinstance(node, dict) and node and rng.random() < 0.9:
        key = rng.choice(sorted(node))
        how = rng.random()
        if how < 0.7:
            return {**node, key: _changed(rng, node[key])}
        if how < 0.85:
            return {each: value for each, value in node.items() if each != key}
        return {**node, rng.choice((*NAMES, key + "x", key.upper(), "__class__")): node[key]}
    if isinstance(node, list) and node and rng.random() < 0.8:
        at = rng.randrange(len(node))
        return (
            [*node[:at], _changed(rng, node[at]), *node[at + 1 :]]
            if rng.random() < 0.8
            else node * rng.choice((0, 2, 50))
        )
    return rng.choice((*NUMBERS, *NAMES, [node], {"a": node}, [1] * 1000, "\ud800", "a\nb\n" * 20))


def _spoilt(rng: random.Random, _: Mapping[str, bytes]) -> tuple[dict[str, bytes], list[str]]:
    """A request and what is to come of it."""
    sort = rng.choices([each for each, _ in LIKELY], [weight for _, weight in LIKELY])[0]
    name = rng.choice(ASKS)
    path, headers, body = f"/ask/{name}", {"host": HOST, "origin": OWN, "authorization": "KEY"}, b""
    document: Any = _document(rng, name)
    for _ in range(rng.choice((0, 0, 1, 1, 2, 5))):
        document = _changed(rng, document)
    if sort == "asked" and not isinstance(document, dict):
        sort = BROKEN
    body = json.dumps(document).encode()
    if sort == "asked" and rng.random() < 0.1 and b"1" in body:
        body = json.dumps({"program": {"oven": {"start_C": "@"}}} | document).replace('"@"', "@").encode()
        body = body.replace(b"@", rng.choice(NOT_NUMBERS))
    method = "POST"
    if sort == FOREIGN:
        key = rng.choice(sorted(headers))
        if rng.random() < 0.2:
            del headers[key]
        else:
            headers[key] = rng.choice({"host": HOSTS, "origin": ORIGINS, "authorization": TOKENS}[key])
    elif sort == UNKNOWN:
        path, method = (
            rng.choice(PATHS),
            rng.choice(("GET", "POST", "PUT", "DELETE", "HEAD", "TRACE", "\xff")),
        )
    elif sort == HUGE:
        body = b'{"a": "' + b"x" * (LARGE.get(name, MOST_BODY) + rng.choice((0, 1, 10_000_000))) + b'"}'
    elif sort == BROKEN:
        body = rng.choice((
            body[: rng.randrange(1, max(len(body), 2))] if body[:1] == b"{" and len(body) > 2 else b"{",
            b"[" * 100_000, b"{" * 5, b"\xff\xfe",
            b"null", b"7", b'"x"', b"[]", b"\0", b'{"a": 1}{"b": 2}', b'{"a": ' + b"1" * 6000 + b"}", b'{"a":' * 2000,
        ))  # fmt: skip
        body = body[:-1] if body.endswith(b"}") and _reads(body[:-1]) is None and rng.random() < 0.5 else body
        if isinstance(_reads(body), dict):
            body = b"[]"
    request = {
        "sort": sort,
        "method": method,
        "path": path,
        "headers": headers,
        "parts": rng.choice((1, 1, 3)),
    }
    return {REQUEST: json.dumps(request).encode(), BODY: body}, [
        f"{sort} {path}",
        body[:300].decode("utf-8", "replace"),
    ]


def _reads(body: bytes) -> Any:
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        return None


class _Served:
    """A page of a scenario of its own, made anew once a request has changed the scenario."""

    def __init__(self) -> None:
        self._home = tempfile.TemporaryDirectory(prefix="fuzz-page-")
        self.folder = Path(self._home.name) / "five"
        write_good_scenario(self.folder)
        (self.folder / "notes.txt").write_bytes(b"mine")
        self.session, self.gate = Session(self.folder), Gate()
        self.app = application(self.session, self.gate, PORT)
        self.files = self.now()

    def now(self) -> dict[str, bytes]:
        """Every file of the folder it lies in."""
        root = Path(self._home.name)
        return {str(each.relative_to(root)): each.read_bytes() for each in root.rglob("*") if each.is_file()}

    def end(self) -> None:
        self.session.end()
        self._home.cleanup()


@cache
def _served_once() -> list[_Served]:
    found = [_Served()]
    atexit.register(lambda: found[0].end())
    return found


def _asked(folder: Path) -> None:
    """One request: the status that belongs to it, an answer that can be read, and nothing of the user's lost."""
    request, body, served = (
        json.loads((folder / REQUEST).read_bytes()),
        (folder / BODY).read_bytes(),
        _served_once()[0],
    )
    if b'"now"' in body:
        version = served.session.file.read_bytes()
        from optimizer.campaign.history import sha256

        body = body.replace(b'"now"', json.dumps(sha256(version)).encode())
    headers = {
        key: value.replace("KEY", f"Bearer {served.gate.token}") for key, value in request["headers"].items()
    }
    status, answer = asyncio.run(_answer(served, request, headers, body))
    sort, wanted = request["sort"], SEEN.get(request["sort"])
    if sort == "asked" and _half_characters(body):
        wanted = (400,)
    if sort != UNKNOWN and status not in (wanted or (200, 422)):
        raise AssertionError(f"{sort}: answered {status}: {answer[:500]!r}")
    if sort == UNKNOWN and status not in (200, 401, 403, 404, 405):
        raise AssertionError(f"{sort}: answered {status}: {answer[:500]!r}")
    if sort == "asked" or status in (400, 413, 422):
        _readable(answer, status)
    _kept(served, status)
    if status != 200:
        raise InvalidInputError(f"{folder}: answered {status}")


def _half_characters(body: bytes) -> bool:
    """Whether text within is none that a file can hold."""
    try:
        json.dumps(json.loads(body), ensure_ascii=False).encode()
    except UnicodeEncodeError:
        return True
    return False


async def _answer(
    served: _Served, request: Mapping[str, Any], headers: Mapping[str, str], body: bytes
) -> tuple[int, bytes]:
    size = -(-len(body) // request["parts"]) or 1
    parts = [body[at : at + size] for at in range(0, len(body), size)] or [b""]
    found: dict[str, Any] = {"status": 0, "body": b""}

    async def receive() -> dict[str, Any]:
        part = parts.pop(0) if parts else b""
        return {"type": "http.request", "body": part, "more_body": bool(parts)}

    async def send(message: Any) -> None:
        found["status"] = message.get("status", found["status"])
        found["body"] += message.get("body", b"")

    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": request["method"],
        "path": request["path"], "raw_path": request["path"].encode(), "query_string": b"",
        "root_path": "", "scheme": "http",
        "headers": [(key.encode(), value.encode("latin-1", "replace")) for key, value in headers.items()],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", PORT),
    }  # fmt: skip
    await served.app(scope, receive, send)  # type: ignore[arg-type]
    return found["status"], found["body"]


def _readable(answer: bytes, status: int) -> None:
    """JSON without what is no number in it; a refusal is one message of few lines."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"the answer holds {constant}")

    told = json.loads(answer, parse_constant=refuse)
    if status == 200:
        return
    message = told["error"]
    if not message.strip() or len(message.split("\n")) > 4 * MOST_LINES or len(message) > LONGEST_MESSAGE:
        raise AssertionError(f"message of {len(message)} characters: {message[:500]!r}")
    bad = next((c for c in message if not (c.isprintable() or c in "\n\u00a0")), None)
    if bad is not None:
        raise AssertionError(f"message holds the character {bad!r}: {message[:300]!r}")


def _kept(served: _Served, status: int) -> None:
    """Files there before are there still; the scenario's may be new, its former version beside it then."""
    now = served.now()
    lost = [
        name
        for name, content in served.files.items()
        if now.get(name) != content and content not in now.values()
    ]
    changed = now != served.files
    outside = [name for name in now if not name.startswith("five/")]
    if lost or outside or (changed and status != 200):
        raise AssertionError(
            f"answered {status}: {lost} lost, {outside} outside, {'something' if changed else 'nothing'} changed"
        )
    if changed:
        served.end()
        _served_once()[0] = _Served()
