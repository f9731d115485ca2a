"""The console as a person meets it: the invented club behind a real server, and real Chromium before it.

def test_a_page(visit):
    page = visit("/console/team")
    page.get_by_role("link", name="NU-101").click()
    assert_accessible(page)
"""

import json
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, Page, Route
from werkzeug.serving import WSGIRequestHandler, make_server

from service.app import create_app
from service.demo.club import ZONE
from service.demo.loading import load_club
from service.settings import Settings
from service.store.database import Database
from service.store.migrating import upgrade
from service.use_cases.context import Context

PHONE, DESKTOP = {"width": 360, "height": 740}, {"width": 1280, "height": 900}

# Chromium as root in a sandbox of its own, and without the calls that it makes home by itself.
LAUNCH = {
    "chromium_sandbox": False,
    "args": [
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-dev-shm-usage",
    ],
}


@dataclass(frozen=True)
class Club:
    """The invented club in a file, with its keys by role."""

    file: Path
    keys: dict[str, str] = field(repr=False)


@dataclass(frozen=True)
class Site:
    """One server of one copy of the club."""

    url: str
    keys: dict[str, str] = field(repr=False)
    context: Context


class _Quiet(WSGIRequestHandler):
    def log(self, *_: Any) -> None:
        pass


def load(folder: Path) -> Club:
    """Load the club as the demonstration does."""
    file = folder / "club.sqlite"
    url = f"sqlite:///{file}"
    upgrade(url)
    database = Database(url)
    try:
        now = datetime.now(UTC)  # noqa: TID251 - the club's stories end today
        context = Context(database, lambda: now, "0.0.0")
        keys = load_club(context, now.astimezone(ZONE).date(), tell=lambda _: None)
    finally:
        database.close()
    return Club(file, dict(keys))


@contextmanager
def serve(club: Club, folder: Path) -> Iterator[Site]:
    """Serve a copy of the club, so that what a test does to it no other test sees."""
    file = folder / "record.sqlite"
    shutil.copy(club.file, file)
    app = create_app(Settings(database_url=f"sqlite:///{file}", log_level="error"))
    server = make_server("127.0.0.1", 0, app, threaded=True, request_handler=_Quiet)
    answering = threading.Thread(target=server.serve_forever, daemon=True)
    answering.start()
    try:
        yield Site(f"http://127.0.0.1:{server.port}", club.keys, app.extensions["rts"])
    finally:
        server.shutdown()
        answering.join()
        server.server_close()
        app.extensions["rts"].database.close()


def watch(context: BrowserContext, site: Site, seen: list[str]) -> None:
    """Note in `seen` whatever a page complains of, and every request that would leave the service."""

    def stay(route: Route) -> None:
        if route.request.url.startswith((site.url, "data:", "blob:")):
            route.continue_()
        else:
            seen.append(f"a request left the service: {route.request.url}")
            route.abort()

    context.route("**/*", stay)
    context.on("console", lambda told: seen.append(told.text) if told.type in {"error", "warning"} else None)
    context.on("weberror", lambda told: seen.append(str(told.error)))


def sign_in(page: Page, site: Site, role: str = "clinician") -> None:
    """Sign in as the club's clinician, or as somebody of another role."""
    page.goto(f"{site.url}/console/sign-in")
    page.get_by_label("Access key").fill(site.keys[role])
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()


def assert_accessible(page: Page) -> None:
    """Nothing that axe-core knows of stands against WCAG 2.2 AA."""
    page.evaluate(_axe())
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = page.evaluate("tags => axe.run({runOnly: tags}).then(told => told.violations)", tags)
    told = [
        f"{one['id']} ({one['impact']}): {one['help']}: {json.dumps([node['html'][:200] for node in one['nodes'][:3]])}"
        for one in found
    ]
    assert not told, "\n".join(told)


def assert_no_sideways_scroll(page: Page) -> None:
    """The page fits the width of the window; wide tables scroll by themselves."""
    over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert over <= 0, f"{page.url} is {over} px wider than the window"


@cache
def _axe() -> str:
    return (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
