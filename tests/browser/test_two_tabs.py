"""The same battery open in two tabs of one browser."""

import pytest
from playwright.sync_api import expect

from tests.browser.site import assert_accessible
from tests.browser.test_entering import DRAFTS, PAIN, an_episode, field, wait_until_kept

EARLIER = "2026-11-28T09:30"
MEANWHILE = "This battery was stored meanwhile"


@pytest.fixture
def tabs(visit, site):
    """Two tabs with the same draft: the one that it was typed in, and one that was opened afterwards."""
    first = visit("/console/team")
    address = site.url + an_episode(first, site)
    first.goto(address)
    field(first, PAIN).fill("3")
    wait_until_kept(first, PAIN, "3")
    second = first.context.new_page()
    second.goto(address)
    expect(second.get_by_role("status")).to_contain_text("put back")
    return first, second


def send(page):
    page.get_by_role("button", name="Send the battery").click()


def decided(page):
    """Where the decision is that came of it."""
    page.wait_for_url("**/console/decisions/*")
    return page.url.partition("#")[0]


def test_the_other_tab_says_that_it_was_stored_and_leads_to_it_or_begins_anew(tabs):
    first, second = tabs
    send(first)
    stored = decided(first)

    expect(second.get_by_role("status")).to_contain_text(MEANWHILE)
    assert_accessible(second)
    expect(second.get_by_role("link", name="Look at what was stored")).to_have_attribute(
        "href", stored[stored.index("/console") :]
    )
    second.get_by_role("button", name="Begin anew").click()

    expect(field(second, PAIN)).to_have_value("")
    expect(second.get_by_text(MEANWHILE)).to_have_count(0)
    assert second.evaluate(DRAFTS) == 0
    field(second, "performed_at").fill(EARLIER)
    send(second)
    assert decided(second) != stored


def test_sent_from_both_tabs_it_is_stored_once(tabs):
    first, second = tabs
    send(first)
    stored = decided(first)
    expect(second.get_by_role("status")).to_contain_text(MEANWHILE)

    send(second)

    assert decided(second) == stored


def test_what_was_typed_in_the_other_tab_alone_is_kept_told_of_and_sent_once_more(tabs, complaints):
    first, second = tabs
    field(second, PAIN).fill("7")
    wait_until_kept(second, PAIN, "7")
    send(first)
    stored = decided(first)
    send(second)

    expect(second.get_by_role("alert")).to_contain_text("stored with other values")
    expect(field(second, PAIN)).to_have_value("7")
    wait_until_kept(second, PAIN, "7")
    assert all("422" in one for one in complaints)
    complaints.clear()
    field(second, "performed_at").fill(EARLIER)
    send(second)
    assert decided(second) != stored
