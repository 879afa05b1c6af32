"""The app put together: settings in, ASGI application out."""

from __future__ import annotations

import errno
import gc
import secrets
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime
from typing import Any

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.config import Settings
from app.log import logger
from app.storage.engine import Store, StoreBusy, StoreError, StoreFull
from app.web import dependencies
from app.web.dependencies import LinkNeeded, Refused, SignInNeeded
from app.web.lifter import sync
from app.web.lifter.door import door_page
from app.web.pages import ROOT, environment, page, problem, see_other
from app.web.routes import routers
from app.web.static_files import Static

# An empty <style> element has this hash; plotly makes one and fills it by script, which the policy allows.
EMPTY_STYLE = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' " + EMPTY_STYLE + "; "
    "img-src 'self' data: blob:; connect-src 'self'; font-src 'self'; manifest-src 'self'; "
    "worker-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EFBIG}
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def create_app(
    settings: Settings, *, store: Store | None = None, clock: Callable[[], datetime] = dependencies.clock
) -> FastAPI:
    """The application for these settings.

    ``store`` and ``clock`` are given by tests; otherwise the database of the settings is opened, migrated
    and closed with the application.
    """
    opened = store if store is not None else Store(settings.url)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        if store is None:
            opened.migrate()
        worker = _start_worker(opened, settings, clock) if settings.worker else None
        app.state.worker = worker
        # The heap of a started app never becomes garbage: without it the collector's pauses are a
        # tenth as long, and the slowest pages with them.
        gc.collect()
        gc.freeze()
        gc.set_threshold(50_000, 10, 10)
        # Hand the interpreter over often, or one long computation holds up every request.
        sys.setswitchinterval(0.0005)
        yield
        if worker is not None:
            worker.stop()
        if store is None:
            opened.close()

    app = FastAPI(
        title="Terrace",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        dependencies=[Depends(dependencies.guard)],
    )
    app.state.settings = settings
    app.state.store = opened
    app.state.clock = clock
    app.state.templates = environment()
    # Ahead of the included routers, each of which is a second look for every request that passes it.
    app.router.routes.append(sync.WAY)
    for router in routers():
        app.include_router(router)
    app.mount("/static", Static(directory=ROOT / "static"), name="static")
    _handle_errors(app)
    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=5)
    app.add_middleware(Gate, settings=settings)
    return app


def _start_worker(store: Store, settings: Settings, clock: Callable[[], datetime]) -> Any:
    from app.planning import housekeeping
    from app.planning.worker import Worker

    worker = Worker(store, clock, housekeeping=lambda now: housekeeping.daily(store, settings, now=now))
    worker.start()
    return worker


class Gate:
    """What holds for every request: a size limit, security headers, a request id, a log line."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self.app = app
        self.limit = settings.upload_limit_mb * 1_000_000 + 100_000
        extra = {"Strict-Transport-Security": "max-age=31536000"} if settings.https else {}
        self.headers = [(k.lower().encode(), v.encode()) for k, v in (HEADERS | extra).items()]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        scope["state"] = {**scope.get("state", {}), "request_id": secrets.token_hex(6)}
        began, received, status = time.monotonic(), 0, 0

        async def counted() -> Message:
            nonlocal received
            message = await receive()
            if message["type"] == "http.request":
                received += len(message.get("body", b""))
                if received > self.limit:
                    raise TooLarge
            return message

        async def with_headers(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = [*message.get("headers", ()), *self.headers]
            await send(message)

        declared = dict(scope["headers"]).get(b"content-length", b"0")
        try:
            if declared.isdigit() and int(declared) > self.limit:
                raise TooLarge
            await self.app(scope, counted, with_headers)
        except TooLarge:
            size = self.limit // 1_000_000
            await problem(413, "Too large", f"A request may hold {size} MB. Send a smaller file.")(
                scope, receive, with_headers
            )
        finally:
            if not scope["path"].startswith(("/static/", "/lib/", "/health", "/live")):
                logger.info(
                    "request",
                    method=scope["method"],
                    path=_without_secrets(scope["path"]),
                    status=status,
                    ms=round((time.monotonic() - began) * 1000, 1),
                    id=scope["state"]["request_id"],
                )


class TooLarge(Exception):
    """The request body is larger than allowed."""


def _without_secrets(path: str) -> str:
    """The path without the part that lets its holder in."""
    head, _, rest = path.removeprefix("/").partition("/")
    return f"/{head}/..." if head in {"open", "sign-in", "set-up", "join", "feed"} and rest else path


def _handle_errors(app: FastAPI) -> None:
    def say(request: Request, status: int, title: str, words: str, retry: int | None = None) -> Response:
        wants_json = "application/json" in request.headers.get("Accept", "") or request.url.path.startswith(
            "/api/"
        )
        if wants_json:
            answer = problem(status, title, words, request_id=request.state.request_id)
        else:
            answer = page(request, "error.html", status=status, title=title, words=words)
        if retry is not None:
            answer.headers["Retry-After"] = str(retry)
        return answer

    @app.exception_handler(SignInNeeded)
    def sign_in_needed(request: Request, _error: Exception) -> Response:
        if request.headers.get("HX-Request") == "true":
            return see_other(request, "/sign-in")
        if request.method != "GET":
            return say(request, 401, "Sign in", "Your session has ended. Sign in and repeat the change.")
        return RedirectResponse("/sign-in", status_code=303)

    @app.exception_handler(LinkNeeded)
    def link_needed(request: Request, _error: Exception) -> Response:
        if "application/json" in request.headers.get("Accept", ""):
            words = "This phone's link was ended or has expired. Open the link your coach sent you."
            return problem(401, "Open your private link", words, request_id=request.state.request_id)
        return door_page(request, "phone/closed.html", status=401)

    @app.exception_handler(Refused)
    def refused(request: Request, error: Exception) -> Response:
        return say(request, 403, "Not done", str(error))

    @app.exception_handler(LookupError)
    def not_found(request: Request, error: Exception) -> Response:
        if not type(error).__name__.endswith("NotFound"):
            return unexpected(request, error)
        return say(request, 404, "Not found", NOT_HERE)

    @app.exception_handler(HTTPException)
    def http(request: Request, error: HTTPException) -> Response:
        if error.status_code == 404:
            return say(request, 404, "Not found", NOT_HERE)
        if error.status_code == 405:
            answer = say(request, 405, "Not done", "This address does not take that kind of request.")
            answer.headers.update(error.headers or {})
            return answer
        answer = say(request, error.status_code, "Not done", str(error.detail))
        answer.headers.update(error.headers or {})
        return answer

    @app.exception_handler(RequestValidationError)
    def not_valid(request: Request, error: RequestValidationError) -> Response:
        if request.url.path.startswith("/api/") or "json" in request.headers.get("Content-Type", ""):
            found = [
                {"where": [str(one) for one in item["loc"]], "expected": item["msg"]}
                for item in error.errors()
            ]
            return problem(422, "Not understood", "Some values cannot be taken.", errors=found)
        # An id in an address that is no number is an address that does not exist.
        return say(request, 404, "Not found", NOT_HERE)

    @app.exception_handler(StoreBusy)
    def busy(request: Request, _error: Exception) -> Response:
        return say(
            request,
            503,
            "Busy",
            "The database is held by another program. Nothing was stored; try again in a moment.",
            retry=5,
        )

    @app.exception_handler(StoreFull)
    def full(request: Request, _error: Exception) -> Response:
        return say(
            request,
            507,
            "No room",
            "It cannot be written: the disk is full, read-only or failing. Nothing was stored. "
            "Make room, then try again; the app needs no restart.",
        )

    @app.exception_handler(OSError)
    def disk(request: Request, error: Exception) -> Response:
        if isinstance(error, OSError) and error.errno in NO_ROOM:
            return full(request, error)
        return unexpected(request, error)

    @app.exception_handler(StoreError)
    def store_failed(request: Request, error: Exception) -> Response:
        logger.error("storage failed", id=request.state.request_id, error=str(error))
        return say(
            request, 503, "Storage failed", "The database did not answer. Nothing was stored.", retry=5
        )

    @app.exception_handler(Exception)
    def unexpected(request: Request, error: Exception) -> Response:
        logger.exception("unexpected", error, id=request.state.request_id)
        return say(
            request,
            500,
            "Something failed here",
            f"The fault is the program's. Nothing was stored. Its number is {request.state.request_id}.",
        )


NOT_HERE = "There is nothing at this address, or it is not yours."
