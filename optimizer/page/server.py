"""The server of the page: on this machine alone, for its own page alone, and for whoever has its token."""

from __future__ import annotations

import json
import socket
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from models.errors import RampwrightError
from optimizer.base.errors import fit_to_show
from optimizer.page.campaigning import Campaigning
from optimizer.page.gate import Gate
from optimizer.page.session import Session
from optimizer.page.setting_up import SettingUp
from optimizer.results.documents import Document

HOST = "127.0.0.1"
STATIC = Path(__file__).parent / "static"
TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
MOST_BODY = 256 * 1024  # bytes of a request
MOST_FILE = 48 * 1024 * 1024  # of one that brings a file
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self' data:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_ENTERED = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>rampwright</title>'
    '<body data-token="{token}"><p>Opening the page.</p><script src="/static/enter.js"></script></body></html>'
)

Answer = Callable[[Document], Document]


class TooLarge(RampwrightError):
    """A request with more in it than any of the page's."""


class Guard:
    """Lets through what its own page asks of it, and nothing from other pages or under other names of the machine."""

    def __init__(self, app: ASGIApp, port: int, gate: Gate) -> None:
        self._app, self._gate = app, gate
        self._host = f"{HOST}:{port}"
        self._origin = f"http://{self._host}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return  # no other kind is served
        refused = self._refusal(scope)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        app: ASGIApp = self._app if refused is None else refused
        await app(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers, path = Headers(scope=scope), str(scope["path"])
        if headers.getlist("host") != [self._host]:
            return Response("this server answers to its own address alone\n", 421)
        origins = headers.getlist("origin")
        # The redirect file is no page of a server: a browser calls its origin "null". It has the code.
        known = [[self._origin]] + ([["null"]] if path == "/enter" else [])
        if (origins or scope["method"] != "GET") and origins not in known:
            return Response("a page from elsewhere may ask nothing here\n", 403)
        if path.startswith("/ask/") and not self._gate.admits(headers.get("authorization", "")):
            return JSONResponse(
                {"error": "this page has no key to the server, or one of another server"}, 401
            )
        return None


def application(session: Session, gate: Gate, port: int) -> ASGIApp:
    """The application that serves the page of a session on a port."""
    campaigning, setting_up = Campaigning(session), SettingUp(session)
    asked: dict[str, Answer] = {
        "state": session.state,
        "predict": session.predicted,
        "program": session.program,
        "save": session.saved,
        "search": session.search,
        "save-search": session.saved_search,
        "campaign": campaigning.state,
        "next-run": campaigning.next,
        "approve-run": campaigning.approve,
        "undo-run": campaigning.undo,
        "form": setting_up.form,
    }
    with_files: dict[str, Answer] = {
        "look-at-run": campaigning.look,
        "check-form": setting_up.check,
        "write-form": setting_up.write,
    }
    routes = [
        Route("/", _file("page.html")),
        *(
            Route(f"/static/{each.name}", _file(each.name))
            for each in STATIC.iterdir()
            if each.suffix in TYPES
        ),
        Route("/enter", _enter(gate), methods=["POST"]),
        *(Route(f"/ask/{name}", _ask(answer), methods=["POST"]) for name, answer in asked.items()),
        *(
            Route(f"/ask/{name}", _ask(answer, MOST_FILE), methods=["POST"])
            for name, answer in with_files.items()
        ),
    ]
    return Guard(Starlette(routes=routes), port, gate)


Endpoint = Callable[[Request], Awaitable[Response]]


def _file(name: str) -> Endpoint:
    path = STATIC / name

    async def serve(request: Request) -> Response:
        return Response(path.read_bytes(), media_type=TYPES[path.suffix])

    return serve


def _enter(gate: Gate) -> Endpoint:
    async def enter(request: Request) -> Response:
        try:
            given = parse_qs((await _body(request)).decode("utf-8", "replace")).get("code", [""])
        except TooLarge as error:
            return Response(f"{error}\n", 413)
        token = gate.exchange(given[0])
        posted_by_page = request.headers.get("origin") != "null"
        if token is None:
            return Response("this code is not the one that works now; the terminal shows it\n", 403)
        if posted_by_page:
            return JSONResponse({"token": token})
        return Response(_ENTERED.format(token=token), media_type="text/html")

    return enter


def _ask(answer: Answer, most: int = MOST_BODY) -> Endpoint:
    async def ask(request: Request) -> Response:
        try:
            asked: Any = json.loads(await _body(request, most) or b"{}")
            json.dumps(asked, ensure_ascii=False).encode()  # half a character, which no file can hold
        except TooLarge as error:
            return JSONResponse({"error": str(error)}, 413)
        except (ValueError, RecursionError):
            asked = None
        if not isinstance(asked, dict):
            return JSONResponse({"error": "the request is no JSON object of whole characters"}, 400)
        try:
            return JSONResponse(await run_in_threadpool(answer, asked))
        except RampwrightError as error:
            return JSONResponse({"error": fit_to_show(str(error))}, 422)

    return ask


async def _body(request: Request, most: int = MOST_BODY) -> bytes:
    found = bytearray()
    async for part in request.stream():
        found += part
        if len(found) > most:
            raise TooLarge(f"the request is larger than {most // 1024} kB")
    return bytes(found)


def bound(port: int) -> socket.socket:
    """A socket on this machine's own address; port 0 takes any that is free.

    Raises
    ------
    RampwrightError : when the port is taken or not allowed
    """
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        made.bind((HOST, port))
    except OSError as error:
        made.close()
        raise RampwrightError(
            f"--port {port}: cannot be used ({error.strerror}); leave it out to take any that is free"
        ) from error
    made.listen(64)
    return made


def serve(app: ASGIApp, listening: socket.socket) -> None:
    """Answer until a Ctrl-C."""
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        lifespan="off",
        server_header=False,
        timeout_graceful_shutdown=1,
    )
    uvicorn.Server(config).run(sockets=[listening])
