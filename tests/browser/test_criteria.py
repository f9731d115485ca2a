"""Criteria, terms and protocols, one tap away from each other."""

import pytest
from playwright.sync_api import expect

from tests.browser.site import DESKTOP, PHONE, assert_accessible, assert_no_sideways_scroll, wait_for_page

VERSION = "/console/criteria/lateral-ankle-sprain/1"


@pytest.mark.parametrize("settings", [{"viewport": PHONE, "color_scheme": "dark"}, {"viewport": DESKTOP}])
def test_the_pages_are_accessible_and_fit(visit, site, settings):
    page = visit("/console/criteria", **settings)
    for path in ("/console/criteria", VERSION, f"{VERSION}?beside=1", "/console/terms", "/console/tests/side_hop_time"):
        page.goto(f"{site.url}{path}")
        assert_accessible(page)
        assert_no_sideways_scroll(page)


def test_a_version_fits_the_narrowest_phone(visit):
    assert_no_sideways_scroll(visit(VERSION, viewport={"width": 320, "height": 640}))


def test_from_a_stage_to_its_criterion_to_how_the_test_is_done(visit):
    page = visit("/console/criteria", viewport=PHONE)
    page.get_by_role("link", name="Read version 1").click()
    stage = page.get_by_role("region", name="5. Team training")

    stage.get_by_role("link", name="Side hop, limb symmetry index").click()

    card = page.locator("#criterion-side-hop-floor")
    expect(card).to_be_in_viewport()
    expect(card).to_contain_text("Common practice, no published source.")
    card.get_by_role("link", name="Side hop", exact=True).click()
    wait_for_page(page, "Side hop")
    expect(page.get_by_text("over two lines 30 cm apart")).to_be_visible()


def test_a_word_says_what_it_means_to_who_hears_it_and_leads_to_the_terms(visit):
    page = visit(VERSION)
    word = page.get_by_role("link", name="finding", exact=True)
    expect(word).to_have_accessible_description(
        "A question of the referral screen that was answered yes: it holds until a named person resolves it."
    )

    word.focus()
    page.keyboard.press("Enter")

    expect(page.locator("#finding")).to_be_in_viewport()
