"""The web application: `create_app(settings)`."""

from __future__ import annotations

import gc
import importlib
import pkgutil
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from typing import Annotated

from fastapi import APIRouter, FastAPI, Form, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from sqlalchemy.exc import SQLAlchemyError
from starlette.routing import Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Scope

from app import resources
from app.db.migrate import newest_revision, revision_of
from app.db.session import Database
from app.files import FileStore
from app.settings import Settings
from app.web import api, pages
from app.web.deps import Lab
from app.web.errors import add_handlers, said
from app.web.frame import frame_facts, keep_zone
from app.web.render import THEME_COOKIE, THEMES, FrameParts, FrameSource, make_environment
from app.web.security import Guard, local_path

YEAR_S = 365 * 24 * 3600
house = APIRouter()


class _Guarded(FastAPI):
    """The guard stands outside everything, so that even the page for a bug carries its headers."""

    def build_middleware_stack(self) -> ASGIApp:
        settings: Settings = self.state.settings
        stack = super().build_middleware_stack()
        return Guard(stack, settings.hosts, settings.upload_bytes, self._too_large)

    def _too_large(self, request: Request) -> Response:
        request.scope["app"] = self  # the guard stands before the framework has said so
        megabytes = self.state.settings.upload_bytes // 1024**2
        return said(request, 413, (f"At most {megabytes} MB are taken at once (MARVER_UPLOAD_MB).",))


def create_app(settings: Settings, *, frame_source: FrameSource = frame_facts) -> FastAPI:
    """The application for one lab; its schema must be up to date (`marver serve` sees to that)."""
    app = _Guarded(
        title="Marver",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
        telemetry={"auto_configure": False},
        max_body_size=settings.upload_bytes,
        lifespan=_lifespan,
    )
    app.state.settings = settings
    app.state.database = Database(settings.url)
    app.state.files = FileStore(settings.files)
    app.state.templates = make_environment(settings.zone)
    found = [(house, ""), *_routers()]
    for router, prefix in found:
        app.include_router(router, prefix=prefix)
    app.mount("/static", _Static(directory=resources.static()), name="static")
    add_handlers(app)
    paths = frozenset(f"{prefix}{path}" for router, prefix in found for path in _paths(router))
    app.state.frame = FrameParts(paths, frame_source)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    keep_zone(app)
    gc.collect()
    gc.freeze()  # what is loaded now stays; the collector need not look at it again
    yield
    app.state.database.close()


def _routers() -> Iterator[tuple[APIRouter, str]]:
    """The `router` of every module in pages and api: adding a page is adding a file."""
    for package, prefix in ((pages, ""), (api, "/api/v1")):
        for module in pkgutil.iter_modules(package.__path__):
            yield importlib.import_module(f"{package.__name__}.{module.name}").router, prefix


def _paths(router: APIRouter) -> Iterator[str]:
    """Address patterns of a router; asked of the router itself, since how an application nests them is its own."""
    for route in router.routes:
        if isinstance(route, Route):
            yield route.path


class _Static(StaticFiles):
    """Static files; those asked for with their digest never change."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        if response.status_code == 200 and b"v=" in scope["query_string"]:
            response.headers["cache-control"] = f"public, max-age={YEAR_S}, immutable"
        return response


@house.get("/alive", include_in_schema=False)
def alive() -> JSONResponse:
    """The server answers; it says nothing of the database."""
    return JSONResponse({"status": "alive"})


@house.get("/ready", include_in_schema=False)
def ready(lab: Lab) -> JSONResponse:
    """Whether the database answers and its schema is this version's: 200, else 503."""
    try:
        is_ready = revision_of(lab.engine) == newest_revision(lab.engine)
    except SQLAlchemyError:
        is_ready = False
    return JSONResponse({"status": "ready" if is_ready else "not ready"}, 200 if is_ready else 503)


@house.post("/theme", include_in_schema=False)
def set_theme(theme: Annotated[str, Form()] = "light", back: Annotated[str, Form()] = "/") -> Response:
    """Set this machine's theme and go back to the page."""
    response = RedirectResponse(local_path(back), status_code=303)
    chosen = theme if theme in THEMES else "light"
    response.set_cookie(THEME_COOKIE, chosen, max_age=YEAR_S, httponly=True, samesite="lax", path="/")
    return response
