"""The team, a decision and what is due, in a real browser."""

import io

import pytest
from playwright.sync_api import expect
from pypdf import PdfReader

from tests.browser.site import DESKTOP, PHONE, assert_accessible, assert_no_sideways_scroll, wait_for_page

LOOKS = [{"viewport": PHONE, "color_scheme": "dark"}, {"viewport": DESKTOP}]


@pytest.mark.parametrize("settings", LOOKS)
def test_the_pages_are_accessible_and_fit(visit, site, settings):
    page = visit("/console/team", **settings)
    decisions = page.locator("a.to").evaluate_all("all => [all[0].href, all[1].href, all.at(-1).href]")
    for address in (f"{site.url}/console/team", f"{site.url}/console/due", *decisions):
        page.goto(address)
        assert_accessible(page)
        assert_no_sideways_scroll(page)


def test_a_clinician_finds_an_athlete_reads_why_and_signs_with_the_keyboard(visit):
    page = visit("/console/team")
    page.get_by_role("searchbox", name="Athlete").fill("NU-110")
    page.keyboard.press("Enter")
    link = page.get_by_role("link", name="Hold for Straight running")
    link.focus()
    page.keyboard.press("Enter")
    wait_for_page(page, "Hold for Straight running")
    expect(page.get_by_text("Caution.")).to_be_visible()

    page.get_by_role("radio", name="Defer").focus()
    page.keyboard.press("Space")
    page.get_by_label("Rationale").fill("Invented: looked at again on Monday.")
    page.get_by_role("button", name="Sign off").focus()
    page.keyboard.press("Enter")

    expect(page.get_by_text("Signed off. It is on the record under your name.")).to_be_visible()
    expect(page.get_by_text("Invented: looked at again on Monday.").first).to_be_visible()


def test_a_refused_sign_off_leads_to_its_field(visit, complaints):
    page = visit("/console/team?search=NU-110")
    page.get_by_role("link", name="Hold for Straight running").click()
    wait_for_page(page, "Hold for Straight running")
    page.get_by_role("radio", name="Defer").check()

    page.get_by_role("button", name="Sign off").click()

    expect(page.get_by_role("alert")).to_contain_text("Nothing was stored.")
    page.get_by_role("alert").get_by_role("link").first.click()
    expect(page.get_by_label("Rationale")).to_be_in_viewport()
    assert len(complaints) == 1
    assert "422" in complaints.pop()


@pytest.mark.parametrize("athlete", ["NU-101", "NU-102", "NU-116"])
def test_a_decision_prints_on_two_pages_with_caution_and_digest(visit, athlete):
    page = visit(f"/console/team?search={athlete}")
    page.locator("a.to").click()
    wait_for_page(page, "for ")
    digest = page.locator(".proof code").inner_text()
    carried = page.locator(".is-group-met .depth-0 .printed").evaluate_all("all => all.map(one => one.textContent)")

    printed = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))

    texts = ["".join(one.extract_text().split()) for one in printed.pages]
    text = "".join(texts)
    assert len(texts) <= 2
    for number, one in enumerate(texts, 1):
        assert f"Digest{digest}" in one
        assert "Decisionsupport,notpermissiontoplay" in one
        assert f"Page{number}of{len(texts)}" in one
    assert "Caution." in texts[0]
    assert all("".join(day.split()) in text for day in carried)
    assert "Signoff" not in text.replace("Sign-off", "")


def test_a_sign_off_asks_for_no_more_than_its_determination_needs(visit):
    page = visit("/console/team?search=NU-110")
    page.get_by_role("link", name="Hold for Straight running").click()
    wait_for_page(page, "Hold for Straight running")
    position, overridden = page.get_by_label("Position: stage"), page.get_by_role("group", name="Criteria overridden")

    for determination, is_positioned, is_overridden in (
        ("Agree", True, False),
        ("Override", True, True),
        ("Stricter", True, False),
        ("Defer", False, False),
    ):
        page.get_by_role("radio", name=determination).check()
        expect(position).to_be_visible(visible=is_positioned)
        expect(position).to_be_enabled(enabled=is_positioned)
        expect(overridden).to_be_visible(visible=is_overridden)


def test_without_scripts_all_of_a_sign_off_is_there(visit):
    page = visit("/console/team?search=NU-110", java_script_enabled=False)
    page.get_by_role("link", name="Hold for Straight running").click()

    for label in ("Position: stage", "Rationale", "Conditions", "Valid until", "Informed"):
        expect(page.get_by_label(label, exact=True)).to_be_visible()
    expect(page.get_by_role("group", name="Criteria overridden")).to_be_visible()


def test_nothing_is_said_by_colour_alone(visit):
    page = visit("/console/team?search=NU-102")
    page.locator("a.to").click()
    wait_for_page(page, "for ")

    for name in ("Not met", "Met"):
        expect(page.get_by_role("heading", name=name).first).to_be_visible()
    marks = page.locator(".reason .status").count()
    assert marks == page.locator(".reason .unseen:text-is('Met:'), .reason .unseen:text-is('Not met:')").count() + (
        page.locator(".reason .unseen:text-is('Not assessed:')").count()
    )
