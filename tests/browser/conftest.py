"""Chromium, the club and a page that is watched."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.browser.site import DESKTOP, LAUNCH, PATIENCE, Club, Site, load, serve, sign_in, watch

MISSING = "Chromium is not installed: apt-get install --no-install-recommends chromium"


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The system's Chromium; where there is none the tests are left out, but never in CI."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        (pytest.fail if os.environ.get("RTS_TEST_NEEDS_BROWSER") else pytest.skip)(MISSING)
    expect.set_options(timeout=PATIENCE)
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=found, timeout=PATIENCE, **LAUNCH)
        yield launched
        launched.close()


@pytest.fixture(scope="session")
def club(tmp_path_factory: pytest.TempPathFactory) -> Club:
    return load(tmp_path_factory.mktemp("club"))


@pytest.fixture
def site(club: Club, tmp_path: Path) -> Iterator[Site]:
    with serve(club, tmp_path) as answering:
        yield answering


@pytest.fixture
def complaints() -> list[str]:
    """What pages complained of; a test that provokes a complaint takes it out."""
    return []


@pytest.fixture
def visit(browser: Browser, site: Site, complaints: list[str]) -> Iterator[Callable[..., Page]]:
    """Opens an address as somebody signed in, the clinician if nobody is named; settings of the browser may be given.

    The test fails where a page complains or asks anybody else for anything.
    """
    contexts = []

    def open_(path: str, *, signed_in: bool = True, role: str = "clinician", **settings: Any) -> Page:
        context = browser.new_context(**{"viewport": DESKTOP, "locale": "en-GB", **settings})
        contexts.append(context)
        context.set_default_timeout(PATIENCE)
        watch(context, site, complaints)
        page = context.new_page()
        if signed_in:
            sign_in(page, site, role)
        page.goto(f"{site.url}{path}")
        return page

    yield open_
    for context in contexts:
        context.close()
    assert complaints == []
