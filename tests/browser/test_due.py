"""What is due, in a real browser: several at once with the keyboard, without scripts, on a phone."""

from datetime import timedelta

import pytest
from playwright.sync_api import expect

from tests.browser.site import DESKTOP, NOW, PHONE, assert_accessible, assert_no_sideways_scroll, tap_twice

DUE = "/console/due"


@pytest.mark.parametrize("settings", [{"viewport": PHONE, "color_scheme": "dark"}, {"viewport": DESKTOP}])
def test_the_page_and_its_faults_are_accessible_and_fit(visit, complaints, settings):
    page = visit(DUE, **settings)
    assert_accessible(page)
    assert_no_sideways_scroll(page)
    page.get_by_role("checkbox").first.check()
    page.get_by_text("With the ticked tasks").click()
    page.get_by_label("What to do").select_option("Reschedule")
    page.get_by_label("Reason").fill("Invented: away with the team")

    page.get_by_role("button", name="Do it").click()

    expect(page.locator("#refused")).to_be_focused()
    assert_accessible(page)
    assert_no_sideways_scroll(page)
    page.get_by_role("link", name="Date: this field is required").click()
    expect(page.get_by_label("On the date")).to_be_in_viewport()
    assert "422" in complaints.pop()


def test_the_narrowest_phone_shows_it_without_scrolling_sideways(visit):
    page = visit(DUE, viewport={"width": 320, "height": 640})
    page.get_by_role("checkbox").first.check()
    page.get_by_text("With the ticked tasks").click()

    assert_no_sideways_scroll(page)


def test_several_are_rescheduled_with_the_keyboard_and_sent_once(visit):
    page = visit(f"{DUE}?kind=retest")
    ticks = page.get_by_role("checkbox")
    names = [tick.get_attribute("value") for tick in ticks.all()[:2]]
    for tick in ticks.all()[:2]:
        tick.focus()
        page.keyboard.press("Space")
    panel = page.get_by_text("With the ticked tasks")
    expect(panel).to_be_in_viewport()
    panel.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_label("On the date")).to_be_hidden()
    page.get_by_label("What to do").focus()
    page.keyboard.type("Res")
    later = page.get_by_label("On the date")
    expect(later).to_be_visible()
    later.fill((NOW.date() + timedelta(days=20)).isoformat())
    page.get_by_label("Reason").fill("Invented: away with the team")

    tap_twice(page.get_by_role("button", name="Do it"))

    expect(page.get_by_text("2 tasks were rescheduled. It is on the record under your name.")).to_be_visible()
    page.wait_for_load_state()
    later_ones = page.get_by_role("heading", name="Later").locator("xpath=following-sibling::section")
    moved = [one.get_attribute("value") for one in later_ones.get_by_role("checkbox").all()]
    assert set(names) <= set(moved)


def test_without_scripts_a_task_is_cancelled(visit):
    page = visit(f"{DUE}?kind=check_in", java_script_enabled=False)
    count = page.get_by_role("checkbox").count()
    page.get_by_role("checkbox").first.check()
    page.get_by_text("With the ticked tasks").click()
    page.get_by_label("What to do").select_option("Cancel")
    page.get_by_label("Reason").fill("Invented: moved away")

    page.get_by_role("button", name="Do it").click()

    expect(page.get_by_text("1 task was cancelled.")).to_be_visible()
    expect(page.get_by_role("checkbox")).to_have_count(count - 1)


def test_what_can_not_be_done_is_told_and_stays_ticked(visit, complaints):
    page = visit(f"{DUE}?kind=retest")
    tick = page.get_by_role("checkbox").first
    tick.check()
    page.get_by_text("With the ticked tasks").click()
    page.get_by_label("What to do").select_option("Done (check-ins only)")
    page.get_by_label("Reason").fill("Invented: looked well")

    page.get_by_role("button", name="Do it").click()

    expect(page.get_by_role("alert")).to_contain_text("only a check-in is said to be done")
    expect(tick).to_be_checked()
    assert_accessible(page)
    assert "409" in complaints.pop()
