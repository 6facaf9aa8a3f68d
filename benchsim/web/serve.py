"""The server: a stand that moves with the wall clock, a page for each browser, a guard before everything."""

import asyncio
from contextlib import asynccontextmanager
from pathlib import Path
from time import perf_counter

import uvicorn
from fastapi import FastAPI, Request, Response
from nicegui import ui

from benchsim.web.drill_page import DrillPage
from benchsim.web.guard import Guard
from benchsim.web.mentor_page import RESULTS, mentor_page, results
from benchsim.web.page import Page, add_look
from benchsim.web.shown import Shown

BEAT = 0.05  # seconds between two moves of the stand
DARK = (
    "<script>document.documentElement.dataset.look = localStorage.getItem('bench-look') || "
    "(matchMedia('(prefers-color-scheme: dark)').matches ? 'dark' : 'light');</script>"
)


def make_app(stand: Shown, hosts: list[str], token: str, dictionary: Path | None, book: Path) -> Guard:
    """The whole application, guarded. `dictionary`, `book`: files of drills."""

    @asynccontextmanager
    async def alive(app):
        mover = asyncio.create_task(_move(stand))
        try:
            yield
        finally:
            mover.cancel()

    app = FastAPI(lifespan=alive, docs_url=None, redoc_url=None, openapi_url=None)

    @ui.page("/")
    def bench() -> None:
        ui.add_head_html(DARK)
        Page(stand)

    @ui.page("/drill", title="Drill")
    def drill(request: Request) -> None:
        ui.add_head_html(DARK)
        add_look()
        DrillPage(stand, dictionary, book, request.query_params.get("as", "")[:30])

    @ui.page("/mentor", title="Drills")
    def mentor() -> None:
        ui.add_head_html(DARK)
        add_look()
        mentor_page(book)

    @app.get(RESULTS)
    def all_results() -> Response:
        return Response(results(book), media_type="text/csv")

    ui.run_with(app, title=f"Bench: {stand.settings.title}", tailwind=False, language="en-GB",
                show_welcome_message=False, reconnect_timeout=30)  # fmt: skip
    return Guard(app, hosts, token)


async def _move(stand: Shown) -> None:
    last = perf_counter()
    while True:
        await asyncio.sleep(BEAT)
        now = perf_counter()
        stand.advance(min(now - last, 1.0))
        last = now


def serve(app: Guard, host: str, port: int) -> None:
    """Until Ctrl-C."""
    config = uvicorn.Config(app, host=host, port=port, log_level="error", access_log=False, ws_max_size=65_536,
                            timeout_graceful_shutdown=1)  # fmt: skip
    uvicorn.Server(config).run()
