"""The page as an ASGI application: its routes, its templates, its faults."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import secrets
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode

import anyio.to_thread
import jinja2
import structlog
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from platemark.app.page.guard import BROWSER, KEPT, SESSION, Guard
from platemark.app.page.keys import SESSION_S, Keys
from platemark.app.page.limits import ENTERING, Rates
from platemark.app.page.metrics import CONTENT_TYPE, health, metrics_text
from platemark.app.page.studio_seen import StudioSeen
from platemark.app.page.words import PARCEL_SHAPES, PARCEL_STATES, STATES, kind_words
from platemark.intake.plain_text import flat
from platemark.ledger.search import Search
from platemark.model.errors import PlatemarkError
from platemark.model.job import job_number
from platemark.model.page import Page

THREADS = 4
"""Questions to the record at once; more would only take turns."""
ASSETS = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "mark.svg": "image/svg+xml",
}


@dataclass(slots=True)
class Site:
    """What every view works with."""

    seen: StudioSeen
    page: Page
    keys: Keys
    guard: Guard | None = None

    def show(self, request: Request, name: str, status: int = 200, **what: Any) -> HTMLResponse:
        """Answer with a page; a browser that is new here gets a mark of its own."""
        browser = request.cookies.get(BROWSER, "")
        fresh = not browser
        browser = browser or secrets.token_hex(16)
        text = (
            _pages()
            .get_template(f"{name}.html.j2")
            .render(
                studio=self.seen.settings.studio.name,
                here=name,
                held_count=self._held_count(),
                mark_of_form=self.keys.mark_form(browser),
                asks_token=self.keys.asks,
                **what,
            )
        )
        response = HTMLResponse(text, status)
        if fresh:
            response.set_cookie(BROWSER, browser, httponly=True, samesite="strict")
        return response

    def is_our_form(self, request: Request, mark: str) -> bool:
        """Whether a form was given to this browser by this page, not too long ago."""
        return self.keys.is_our_form(request.cookies.get(BROWSER, ""), mark)

    def _held_count(self) -> int | None:
        try:
            with self.seen.reading() as reader:
                return Search(reader, self.seen.zone).counts().get("held", 0)
        except PlatemarkError:
            return None


View = Callable[[Site, Request], Response]


def make_app(seen: StudioSeen, page: Page, token: str | None) -> Guard:
    """The whole page of one studio, guarded.

    Args:
        seen: The studio.
        page: Its settings.
        token: What is asked for; None for this computer alone.
    """
    # They import this module.
    from platemark.app.page import views_jobs, views_now, views_record, views_strips, views_tests

    site = Site(seen, page, Keys(token))
    entering = Rates(ENTERING, ENTERING)
    routes = [
        *(_route(site, path, view) for path, view in views_now.VIEWS),
        *(_route(site, path, view) for path, view in views_record.VIEWS),
        *(_route(site, path, view) for path, view in views_jobs.VIEWS),
        *(_route(site, path, view) for path, view in views_strips.VIEWS),
        Route("/answer", functools.partial(views_jobs.answer, site), methods=["POST"]),
        Route("/approve", functools.partial(views_tests.approve, site), methods=["POST"]),
        _route(site, "/assets/{name}", _asset),
        _route(site, "/healthz", _healthz),
        _route(site, "/metrics", _metrics),
        _route(site, "/enter", _ask_token),
        Route(
            "/enter",
            functools.partial(_enter, site, entering, views_tests.show_again),
            methods=["POST"],
        ),
        Route(KEPT, functools.partial(_keep_answer, site), methods=["POST"]),
    ]
    app = Starlette(
        routes=routes,
        exception_handlers={
            HTTPException: functools.partial(_not_there, site),
            PlatemarkError: functools.partial(_fault, site),
            Exception: functools.partial(_mistake, site),
        },
        lifespan=_few_threads,
    )
    site.guard = Guard(app, page, site.keys)
    return site.guard


@contextlib.asynccontextmanager
async def _few_threads(_: Starlette) -> AsyncIterator[None]:
    anyio.to_thread.current_default_thread_limiter().total_tokens = THREADS
    yield


def _route(site: Site, path: str, view: View) -> Route:
    async def endpoint(request: Request) -> Response:
        return await run_in_threadpool(view, site, request)

    return Route(path, endpoint, methods=["GET"])


@functools.cache
def _pages() -> jinja2.Environment:
    pages = jinja2.Environment(
        loader=jinja2.PackageLoader("platemark.app.page", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_seen,
    )
    pages.filters["number"] = job_number
    pages.filters["kind"] = kind_words
    pages.globals["STATES"] = STATES
    pages.globals["PARCEL_STATES"] = PARCEL_STATES
    pages.globals["PARCEL_SHAPES"] = PARCEL_SHAPES
    pages.globals["asset"] = _asset_address
    return pages


def _seen(value: object) -> object:
    """Make hidden and turning signs of any text visible; it is escaped after that."""
    return flat(value) if type(value) is str else value


@functools.cache
def _asset_data(name: str) -> bytes:
    return resources.files("platemark.app.page").joinpath(f"assets/{name}").read_bytes()


def _asset_address(name: str) -> str:
    return f"/assets/{name}?{hashlib.sha256(_asset_data(name)).hexdigest()[:12]}"


def _asset(_: Site, request: Request) -> Response:
    name = request.path_params["name"]
    if name not in ASSETS:
        raise HTTPException(404)
    headers = {"cache-control": "private, max-age=31536000, immutable"}
    return Response(_asset_data(name), media_type=ASSETS[name], headers=headers)


def _healthz(site: Site, _: Request) -> Response:
    good, sentence = health(site.seen)
    # Whoever has no token learns no more than that.
    said = sentence if not site.keys.asks else "ok" if good else "not ok"
    return PlainTextResponse(f"{said}\n", 200 if good else 503)


def _metrics(site: Site, _: Request) -> Response:
    with site.seen.reading() as reader:
        data = metrics_text(site.seen, reader, site.guard)
    return Response(data, headers={"content-type": CONTENT_TYPE})


def _ask_token(site: Site, request: Request) -> Response:
    if not site.keys.asks:
        return RedirectResponse("/", 303)
    to = _inside(request.query_params.get("to", "/"))
    return site.show(request, "enter", to=to, wrong="", kept="")


async def _keep_answer(site: Site, request: Request) -> Response:
    """Ask for the token, with an answer that came without it, or with one that has run out."""
    kept = urlencode(await form_fields(request))
    wrong = (
        "The token was asked for too long ago. Your answer is kept: give the token, look at the "
        "answer once more and send it again."
    )
    return await run_in_threadpool(
        site.show, request, "enter", 401, to="/held", wrong=wrong, kept=kept
    )


Again = Callable[[Site, Request, list[tuple[str, str]]], Response]
"""Shows an answer that was kept."""


async def _enter(site: Site, entering: Rates, again: Again, request: Request) -> Response:
    fields = dict(await form_fields(request))
    to, kept = _inside(fields.get("to", "/")), fields.get("kept", "")
    caller = request.client.host if request.client is not None else ""
    if not entering.allows(caller):
        wrong = "Too many were tried. Wait a minute, then try again."
        return await run_in_threadpool(
            site.show, request, "enter", 429, to=to, wrong=wrong, kept=kept
        )
    if not site.keys.is_token(fields.get("token", "")):
        structlog.get_logger().warning("page-wrong-token", caller=caller)
        wrong = "That is not the studio's token. It stands in the file page-token of the studio."
        return await run_in_threadpool(
            site.show, request, "enter", 401, to=to, wrong=wrong, kept=kept
        )
    response: Response = RedirectResponse(to, 303)
    if kept:
        response = await run_in_threadpool(again, site, request, _fields_of(kept))
    secure = request.headers.get("origin", "").startswith("https://")
    response.set_cookie(
        SESSION, site.keys.new_session(), max_age=SESSION_S, httponly=True, samesite="strict",
        secure=secure,
    )  # fmt: skip
    return response


async def form_fields(request: Request) -> list[tuple[str, str]]:
    """The fields of a form as browsers send it (`application/x-www-form-urlencoded`).

    Raises:
        HTTPException: it is sent in another way, or has too many fields.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().casefold()
    if kind != "application/x-www-form-urlencoded":
        raise HTTPException(415)
    return _fields_of((await request.body()).decode("utf-8", "replace"))


def _fields_of(text: str) -> list[tuple[str, str]]:
    try:
        return parse_qsl(text, keep_blank_values=True, errors="replace", max_num_fields=1000)
    except ValueError as error:
        raise HTTPException(400) from error


def _inside(to: str) -> str:
    """An address of this page; anything else is its first view."""
    is_ours = to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable()
    return to if is_ours else "/"


_SAID = {
    404: ("There is nothing here", "Perhaps the address was typed, or what it was about is gone."),
    405: ("That cannot be done here", "Go back and use the page's own links and buttons."),
}


async def _not_there(site: Site, request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    title, sentence = _SAID.get(status, ("That could not be read", "Go back and try once more."))
    return await run_in_threadpool(
        site.show, request, "trouble", status, title=title, sentence=sentence, hint=""
    )


async def _fault(site: Site, request: Request, error: Exception) -> Response:
    if not isinstance(error, PlatemarkError):
        raise error
    return await run_in_threadpool(
        site.show, request, "trouble", 503, title="The record cannot be read just now",
        sentence=error.sentence, hint=error.hint,
    )  # fmt: skip


async def _mistake(site: Site, request: Request, error: Exception) -> Response:
    structlog.get_logger().error("page-mistake", path=request.url.path, exc_info=error)
    return await run_in_threadpool(
        site.show, request, "trouble", 500, title="Platemark made a mistake",
        sentence="This view could not be made. Nothing was changed, and the work goes on.",
        hint="The log says more; give it to whoever looks after Platemark.",
    )  # fmt: skip


def studio_of(root: Path) -> StudioSeen:
    """A studio by its folder.

    Raises:
        SettingsError: its settings have mistakes.
    """
    return StudioSeen.of(root)
