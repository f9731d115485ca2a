"""Settings, an episode's reminders and calendars, in a real browser: with the keyboard, without scripts, on a phone."""

import re
from uuid import uuid4

import pytest
from playwright.sync_api import expect

from service.use_cases.access import authenticate
from service.use_cases.webhooks import create_webhook, send_test
from tests.browser.site import DESKTOP, PHONE, assert_accessible, assert_no_sideways_scroll, tap_twice, wait_for_page

SETTINGS = "/console/settings"
LOOKS = [
    {"viewport": PHONE, "color_scheme": "dark"},
    {"viewport": DESKTOP},
    {"viewport": {"width": 320, "height": 640}},
]
LONG = "https://a-rather-long-name-of-a-receiver.invalid/hooks/incoming/return-to-sport/0123456789abcdef0123456789"


@pytest.fixture
def webhook(site):
    """The id of a webhook with a test on its way."""
    administrator = authenticate(site.context, site.keys["administrator"])
    made = create_webhook(site.context, administrator, {"url": LONG, "events": []}, key=uuid4().hex)
    send_test(site.context, administrator, made.id, key=uuid4().hex)
    return made.id


@pytest.mark.parametrize("settings", LOOKS)
def test_the_pages_of_administrators_are_accessible_and_fit(visit, site, webhook, settings):
    page = visit(SETTINGS, role="administrator", **settings)
    for path in (
        "",
        "/people",
        "/webhooks",
        f"/webhooks/{webhook}",
        "/deliveries",
        "/deliveries?state=dead",
        "/reviews",
    ):
        page.goto(f"{site.url}{SETTINGS}{path}")
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        for more in page.locator("main details").all():
            more.evaluate("one => one.open = true")
        assert_accessible(page)
        assert_no_sideways_scroll(page)


@pytest.mark.parametrize("settings", LOOKS)
def test_calendars_and_an_episodes_reminders_are_accessible_and_fit(visit, settings):
    page = visit("/console/due", **settings)
    page.get_by_role("link", name="In your calendar").click()
    wait_for_page(page, "Calendars")
    assert_accessible(page)
    page.get_by_role("button", name="Make an address").click()
    expect(page.get_by_label("Address", exact=True)).to_have_value(re.compile(r"/v1/retests\.ics\?key="))
    page.wait_for_load_state()
    assert_accessible(page)
    assert_no_sideways_scroll(page)
    page.get_by_role("link", name="Team").click()
    page.get_by_role("link", name="NU-102", exact=True).click()
    wait_for_page(page, "NU-102")
    page.get_by_role("link", name="Reminders").click()
    wait_for_page(page, "Reminders of NU-102")
    assert_accessible(page)
    assert_no_sideways_scroll(page)


def test_a_plan_gets_a_step_more_with_the_keyboard(visit):
    page = visit(SETTINGS, role="administrator")
    more = page.get_by_role("group", name="One more step")
    more.get_by_label("When").focus()
    page.keyboard.type("Ove")
    more.get_by_label("Days").focus()
    page.keyboard.type("14")
    more.get_by_label("All administrators").focus()
    page.keyboard.press("Space")

    page.keyboard.press("Enter")

    expect(page.get_by_text("The reminder plan is kept.")).to_be_visible()
    added = page.get_by_role("group", name="Step 5")
    expect(added.get_by_label("Days")).to_have_value("14")
    expect(added.get_by_label("All administrators")).to_be_checked()


def test_without_scripts_a_step_is_removed_and_a_fault_leads_to_its_field(visit, complaints):
    page = visit(SETTINGS, role="administrator", java_script_enabled=False)
    page.get_by_role("group", name="Step 2").get_by_label("When").select_option("Remove this step")
    page.get_by_role("group", name="Step 1").get_by_label("All clinicians").uncheck()

    page.get_by_role("button", name="Save the plan").click()

    fault = page.get_by_role("link", name="Step 1, to: a step goes to somebody")
    expect(fault).to_have_attribute("href", "#step.0.to")
    assert "422" in complaints.pop()
    page.get_by_role("group", name="Step 1").get_by_label("All administrators").check()
    page.get_by_role("button", name="Save the plan").click()
    expect(page.get_by_text("The reminder plan is kept.")).to_be_visible()
    expect(page.get_by_role("group", name="Step 4")).to_have_count(0)


def test_a_webhook_is_made_tested_and_found_in_the_log(visit):
    page = visit(f"{SETTINGS}/webhooks", role="administrator")
    page.get_by_text("New webhook").click()
    page.get_by_label("Address").fill("https://receiver.invalid/rts")
    page.get_by_label("Task due").check()
    page.get_by_label("Label").fill("Invented team app")
    tap_twice(page.get_by_role("button", name="Make the webhook"))

    expect(page.get_by_role("textbox", name="Secret")).to_have_value(re.compile("^whsec_"))
    page.get_by_role("link", name="To the webhook").click()
    page.get_by_role("button", name="Send a test").click()

    expect(page.get_by_text("The test is on its way.")).to_be_visible()
    line = page.get_by_role("row", name="Test")
    expect(line).to_contain_text("Invented team app")
    expect(line).to_contain_text("Waiting")


def test_a_refused_address_is_told_where_it_was_typed(visit, complaints):
    page = visit(f"{SETTINGS}/webhooks", role="administrator")
    page.get_by_text("New webhook").click()
    page.get_by_label("Address").fill("https://10.0.0.1/rts")

    page.get_by_role("button", name="Make the webhook").click()

    expect(page.locator("#refused")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Address")).to_be_focused()
    expect(page.get_by_label("Address")).to_have_value("https://10.0.0.1/rts")
    assert_accessible(page)
    assert "422" in complaints.pop()


def test_what_is_not_for_an_administrator_says_for_whom_it_is(visit, complaints):
    page = visit("/console/team", role="administrator")

    wait_for_page(page, "Only for clinicians")
    assert_accessible(page)
    page.get_by_role("link", name="To the first page").click()
    expect(page.get_by_role("heading", name="Reminder plan")).to_be_visible()
    assert "403" in complaints.pop()
