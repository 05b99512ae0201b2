"""The page and what it asks, over the loopback only: a random token begins every address, and other hosts are refused.

No state is kept here: each request carries its own, so that two pages do not disturb one another, and nothing is written.
"""

import asyncio
import base64
import json
import secrets
import socket
import threading
import time
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tsfit.base.errors import TsfitError
from tsfit.base.forms import plain
from tsfit.live.knobs import setup_of
from tsfit.live.shown import distorted, show
from tsfit.live.state import PageState, Tried, read_state, said
from tsfit.live.take import TAKES

LOOPBACK = "127.0.0.1"
MOST_BYTES = 100_000
BEAT_S = 5.0
GRACE_S = 6.0
"""How long the server waits for a page to come back once the last is gone: a reload is no farewell."""
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
}
_FOLDER = Path(__file__).parent


@dataclass(frozen=True)
class Trial:
    """What is tried: the drivers, and the state that the page begins with."""

    drivers: Sequence[Tried]
    start: PageState


class Visitors:
    """How many pages are open, and since when none is."""

    def __init__(self) -> None:
        self.open = 0
        self.left: float | None = None

    async def stay(self) -> AsyncIterator[bytes]:
        """Beat as long as a page listens; a page that is closed stops listening."""
        self.open += 1
        try:
            while True:
                yield b"."
                await asyncio.sleep(BEAT_S)
        finally:
            self.open -= 1
            self.left = time.monotonic()

    @property
    def gone(self) -> bool:
        """Whether there were pages and all have been closed for a while."""
        return self.open == 0 and self.left is not None and time.monotonic() - self.left > GRACE_S


class Guard:
    """Refuses what does not know the token or comes by another name than the loopback's, and sends the headers."""

    def __init__(self, inner: ASGIApp, token: str) -> None:
        self._inner, self._token = inner, token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
                message = {**message, "headers": [*message["headers"], *own]}
            await send(message)

        if scope["type"] != "http":
            return
        answer = self._inner if self._allowed(scope) else PlainTextResponse("Not here.\n", 404)
        await answer(scope, receive, with_headers)

    def _allowed(self, scope: Scope) -> bool:
        headers = dict(scope["headers"])
        names = {f"{name}:{scope['server'][1]}".encode() for name in (LOOPBACK, "localhost")}
        origin = headers.get(b"origin")
        given = scope["path"].split("/")[1].encode("utf-8", "replace")
        return (
            headers.get(b"host") in names
            and (origin is None or origin.removeprefix(b"http://") in names)
            and secrets.compare_digest(given, self._token.encode())
        )


def application(trial: Trial, token: str, visitors: Visitors) -> ASGIApp:
    """Return the application that answers below ``/token/``."""
    setup = to_text(setup_of(trial.drivers, trial.start))

    async def page(_: Request) -> Response:
        from tsfit.live.page import page_of

        return Response(page_of([one.driver.name for one in trial.drivers], setup), media_type="text/html")

    async def shown(request: Request) -> Response:
        return await _answered(request, lambda state: _json(show(state, trial.drivers)), quick=True)

    async def harmonics(request: Request) -> Response:
        return await _answered(request, lambda state: _json(distorted(state, trial.drivers)))

    async def taken(request: Request) -> Response:
        take = TAKES.get(request.path_params["what"])
        chosen = request.query_params.get("driver", "0")
        if take is None or not chosen.isdecimal() or int(chosen) >= len(trial.drivers):
            return PlainTextResponse("Not here.\n", 404)

        def make(state: PageState) -> Response:
            file = take(state, trial.drivers, trial.drivers[int(chosen)])
            named = {"Content-Disposition": f'attachment; filename="{file.name}"'}
            return Response(file.content, media_type=file.kind, headers=named)

        return await _answered(request, make)

    async def presence(_: Request) -> Response:
        return StreamingResponse(visitors.stay(), media_type="text/plain")

    async def style(_: Request) -> Response:
        from tsfit.live.page import style

        return Response(style(), media_type="text/css")

    async def script(_: Request) -> Response:
        return Response((_FOLDER / "page.js").read_bytes(), media_type="text/javascript")

    routes = [
        Route("/{token}/", page),
        Route("/{token}/page.css", style),
        Route("/{token}/page.js", script),
        Route("/{token}/presence", presence),
        Route("/{token}/show", shown, methods=["POST"]),
        Route("/{token}/harmonics", harmonics, methods=["POST"]),
        Route("/{token}/take/{what}", taken, methods=["POST"]),
    ]
    return Guard(Starlette(routes=routes), token)


async def _answered(request: Request, answer: Callable[[PageState], Response], *, quick: bool = False) -> Response:
    """Answer a request by the state that it sends, or say in one sentence why not; what is not `quick` in a thread."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MOST_BYTES:
            return PlainTextResponse("Too large.\n", 413)

    def work() -> Response:
        try:
            return answer(read_state(body.decode("utf-8", "replace")))
        except TsfitError as error:
            return _json({"refused": said(error)}, 422)

    return work() if quick else await run_in_threadpool(work)


def _json(record: object, status: int = 200) -> Response:
    return Response(to_text(record), status, media_type="application/json")


def to_text(record: object) -> str:
    """Return JSON of a record; an array as base64 of its 32-bit floats, low byte first: digits take ten times as long."""

    def inner(value: object) -> object:
        if isinstance(value, np.ndarray):
            return base64.b64encode(value.astype("<f4").tobytes()).decode()
        return dict(vars(value)) if hasattr(value, "__dict__") else plain(value)

    return json.dumps(record, default=inner, allow_nan=False)


class Served:
    """A server with its address; `run` serves until the pages are closed or it is interrupted."""

    def __init__(self, trial: Trial, *, keep: bool = False, port: int = 0, token: str | None = None) -> None:
        # Named as TCP, it sends at once what is small: else every answer would wait 40 ms for an acknowledgement.
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind((LOOPBACK, port))
        self._socket.listen()
        self.port: int = self._socket.getsockname()[1]
        self.token = token or secrets.token_urlsafe(24)
        self._visitors, self._keep = Visitors(), keep
        config = uvicorn.Config(
            application(trial, self.token, self._visitors), log_config=None, lifespan="off", server_header=False,
            access_log=False, timeout_graceful_shutdown=1, ws="none", http="h11", loop="asyncio",
        )  # fmt: skip
        self._server = uvicorn.Server(config)

    @property
    def address(self) -> str:
        """Address of the page."""
        return f"http://{LOOPBACK}:{self.port}/{self.token}/"

    def run(self) -> None:
        """Serve."""
        watch = threading.Thread(target=self._watch, daemon=True)
        watch.start()
        try:
            self._server.run(sockets=[self._socket])
        except KeyboardInterrupt:
            pass
        finally:
            self.stop()

    def stop(self) -> None:
        """End it."""
        self._server.should_exit = True
        if not self._server.started:
            self._socket.close()

    def _watch(self) -> None:
        while not self._server.should_exit:
            time.sleep(0.25)
            if self._visitors.gone and not self._keep:
                self.stop()
