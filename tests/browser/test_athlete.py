"""An athlete over time, in a real browser."""

import io

import pytest
from playwright.sync_api import expect
from pypdf import PdfReader

from tests.browser.site import DESKTOP, PHONE, assert_accessible, assert_no_sideways_scroll, wait_for_page


@pytest.mark.parametrize("settings", [{"viewport": PHONE, "color_scheme": "dark"}, {"viewport": DESKTOP}])
@pytest.mark.parametrize("athlete", ["NU-104", "NU-114"])
def test_the_page_is_accessible_and_fits(visit, athlete, settings):
    page = visit(f"/console/team?search={athlete}", **settings)
    page.get_by_role("link", name=athlete, exact=True).first.click()
    wait_for_page(page, athlete)

    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")

    assert_accessible(page)
    assert_no_sideways_scroll(page)


def test_a_setback_is_told_with_the_keyboard_and_the_pass_says_that_it_stands_no_more(visit):
    page = visit("/console/team?search=NU-101")
    page.get_by_role("link", name="NU-101", exact=True).click()
    wait_for_page(page, "NU-101")
    page.get_by_text("What happened, or closing the episode").focus()
    page.keyboard.press("Enter")
    page.get_by_label("What", exact=True).select_option("setback")

    page.get_by_role("button", name="Put on record").first.focus()
    page.keyboard.press("Enter")

    expect(page.get_by_text("It is on the record.")).to_be_visible()
    expect(page.locator(".latest")).to_contain_text("withdrawn")


@pytest.mark.parametrize("athlete", ["NU-101", "NU-104", "NU-114"])
def test_a_story_prints_as_a_history_with_its_caution(visit, athlete):
    page = visit(f"/console/team?search={athlete}")
    page.get_by_role("link", name=athlete, exact=True).first.click()
    wait_for_page(page, athlete)
    entries = page.locator(".timeline li").count()

    printed = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))

    text = " ".join("".join(one.extract_text() for one in printed.pages).split())
    assert entries > 5
    assert "Caution." in text
    assert "Time line" in text
    assert "Take back" not in text
    assert "Sign out" not in text
