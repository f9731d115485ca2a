"""The console as a person meets it: the invented club behind a real server, and real Chromium before it.

def test_a_page(visit):
    page = visit("/console/team")
    page.get_by_role("link", name="NU-101").click()
    wait_for_page(page, "NU-101")
    assert_accessible(page)

A click only begins to go elsewhere, and a slow machine takes long to arrive: what doesn't wait by itself (`count`,
`evaluate`, `url`, `pdf`), and what a script must hear of, comes after `wait_for_page`.
"""

import json
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, Locator, Page, Request, expect
from werkzeug.serving import WSGIRequestHandler, make_server

from service.app import create_app
from service.demo.club import ZONE
from service.demo.loading import load_club
from service.settings import Settings
from service.store.database import Database
from service.store.migrating import upgrade
from service.use_cases.context import Context

PHONE, DESKTOP = {"width": 360, "height": 740}, {"width": 1280, "height": 900}

NOW = datetime(2026, 11, 28, 12, tzinfo=ZONE)
"""When the club's stories end and each test begins, so that no hour and no day of the year matters."""

PATIENCE = 120_000
"""How many milliseconds a page may take for anything, on a machine that has other work."""

# Chromium as root in a sandbox of its own, without the calls that it makes home by itself, and knowing no other host.
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
        "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
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
        keys = load_club(Context(database, lambda: NOW, "0.0.0"), NOW.date())
    finally:
        database.close()
    return Club(file, dict(keys))


@contextmanager
def serve(club: Club, folder: Path) -> Iterator[Site]:
    """Serve a copy of the club, so that what a test does to it no other test sees."""
    file = folder / "record.sqlite"
    shutil.copy(club.file, file)
    began = time.monotonic()
    app = create_app(
        Settings(database_url=f"sqlite:///{file}", log_level="error"),
        clock=lambda: NOW + timedelta(seconds=time.monotonic() - began),
    )
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

    def note(request: Request) -> None:
        if not request.url.startswith((site.url, "data:", "blob:")):
            seen.append(f"a request would leave the service: {request.url}")

    context.on("request", note)
    context.on("console", lambda told: seen.append(told.text) if told.type in {"error", "warning"} else None)
    context.on("weberror", lambda told: seen.append(str(told.error)))


def sign_in(page: Page, site: Site, role: str = "clinician") -> None:
    """Sign in as the club's clinician, or as somebody of another role."""
    page.goto(f"{site.url}/console/sign-in")
    page.get_by_label("Access key").fill(site.keys[role])
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()


def wait_for_page(page: Page, heading: str) -> None:
    """Wait until the page with this heading is there, and what it loads."""
    expect(page.get_by_role("heading", level=1, name=heading)).to_be_visible()
    page.wait_for_load_state()


def tap_twice(button: Locator) -> None:
    """Tap again before anything can have come of the first time."""
    button.evaluate("one => { one.click(); one.click(); }")


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
