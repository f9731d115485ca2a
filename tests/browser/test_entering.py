"""A battery entered in Chromium: values while typing, a draft that outlives the page, and a connection that is lost."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.site import PHONE, assert_accessible, assert_no_sideways_scroll, tap_twice, wait_for_page

DRAFTS = "Object.keys(localStorage).filter(one => one.startsWith('draft-')).length"
TRIAL = "m.side_hop_time.left.trial.{}.value"
PAIN = "m.pain_worst_24h.person.trial.0.value"


def an_episode(page, site):
    """Where a battery for team training of an episode with a healthy other side is entered."""
    headers = {"Authorization": f"Bearer {site.keys['clinician']}"}
    answer = page.request.get(f"{site.url}/v1/decisions?athlete_ref=NU-106&limit=1", headers=headers).json()
    return f"/console/episodes/{answer['items'][0]['episode_id']}/battery?stage=team_training"


def wait_until_kept(page, name, value):
    """A person takes longer than this to go elsewhere; the draft is written a moment after the last letter."""
    there = "([name, value]) => Object.values(localStorage).some(one => JSON.parse(one).fields?.[name] === value)"
    page.wait_for_function(there, arg=[name, value])


def field(page, name):
    return page.locator(f"[id='{name}']")


def test_values_follow_what_is_typed_and_are_no_verdict(visit, site):
    page = visit("/console/team")
    page.goto(site.url + an_episode(page, site))

    for row, value in enumerate(("9,6", "9.7")):
        field(page, TRIAL.format(row)).fill(value)
        field(page, TRIAL.format(row).replace("left", "right")).fill(value)

    so_far = page.get_by_role("complementary", name="So far")
    expect(so_far).to_contain_text("100 %")
    assert not re.search(r"\b(not )?met\b|\bpass\b|\bhold\b", so_far.inner_text(), re.IGNORECASE)
    assert_accessible(page)
    assert_no_sideways_scroll(page)


def test_what_was_typed_is_put_back_until_it_is_sent_or_forgotten(visit, site):
    page = visit("/console/team")
    address = site.url + an_episode(page, site)
    page.goto(address)
    field(page, TRIAL.format(0)).fill("9,6")
    page.get_by_role("group", name="Does the athlete limp when walking?").get_by_label("No").check()
    wait_until_kept(page, "session_check.limp", "false")

    page.goto(address)
    expect(page.get_by_role("status")).to_contain_text("put back")
    expect(field(page, TRIAL.format(0))).to_have_value("9,6")
    expect(page.get_by_role("group", name="Does the athlete limp when walking?").get_by_label("No")).to_be_checked()

    page.get_by_role("button", name="Forget it").click()
    expect(field(page, TRIAL.format(0))).to_have_value("")
    expect(page.get_by_role("status").filter(has_text="put back")).to_have_count(0)
    assert page.evaluate(DRAFTS) == 0


def begin(page, site, ref, side="left"):
    page.goto(f"{site.url}/console/athletes/new")
    page.get_by_label("Ref of the athlete").fill(ref)
    page.get_by_label("Ref of the episode").fill(f"{ref}-1")
    page.get_by_label("Onset").fill("2026-11-02")
    for label, chosen in (
        ("Condition", "lateral_ankle_sprain"),
        ("Injured side", side),
        ("The other side", "healthy"),
        ("Stage asked about", "lateral-ankle-sprain/running"),
    ):
        page.get_by_label(label).select_option(chosen)
    page.get_by_role("button", name="Go on to the battery").click()
    wait_for_page(page, "Battery for Straight running")


def test_what_was_typed_of_one_new_athlete_is_not_put_into_the_battery_of_another(visit, site):
    page = visit("/console/team")
    begin(page, site, "DR-1")
    field(page, PAIN).fill("7")
    wait_until_kept(page, PAIN, "7")

    begin(page, site, "DR-2")

    expect(field(page, PAIN)).to_have_value("")
    page.get_by_role("button", name="Send the battery").click()
    expect(page.get_by_role("link", name="DR-2", exact=True)).to_be_visible()


def test_a_draft_puts_back_what_was_measured_and_never_whose_it_is(visit, site):
    page = visit("/console/team")
    begin(page, site, "DR-1", side="left")
    field(page, PAIN).fill("7")
    wait_until_kept(page, PAIN, "7")

    begin(page, site, "DR-1", side="right")

    expect(field(page, PAIN)).to_have_value("7")
    expect(page.locator("input[name='episode.involved_side']")).to_have_value("right")


def test_a_correction_that_was_begun_is_not_put_into_a_new_battery(visit):
    page = visit("/console/team?search=NU-109")
    page.get_by_role("link", name="NU-109", exact=True).click()
    wait_for_page(page, "NU-109")
    page.get_by_role("link", name="Correct the battery of").last.click()
    wait_for_page(page, "Battery for ")
    expect(page.get_by_text("This takes the place of the battery")).to_be_visible()
    field(page, PAIN).fill("7")
    wait_until_kept(page, PAIN, "7")
    corrected = page.url

    page.goto(f"{corrected.partition('?')[0]}?stage=hop_and_cut&set_id=lateral-ankle-sprain")
    expect(field(page, PAIN)).to_have_value("")

    page.goto(corrected)
    expect(field(page, PAIN)).to_have_value("7")


def test_rows_that_were_added_are_put_back_with_what_was_typed_in_them(visit, site):
    page = visit("/console/team")
    address = site.url + an_episode(page, site)
    page.goto(address)
    for row in range(3):
        field(page, f"session.{row}.amount").fill("30")
    page.get_by_role("button", name="More rows").click()
    field(page, "session.4.amount").fill("45")
    wait_until_kept(page, "session.4.amount", "45")

    page.goto(address)

    expect(field(page, "session.4.amount")).to_have_value("45")
    expect(page.get_by_role("status")).to_contain_text("put back")


def test_what_is_typed_before_the_script_has_come_is_kept_and_not_written_over(visit, site):
    page = visit("/console/team")
    address = site.url + an_episode(page, site)
    page.goto(address)
    field(page, PAIN).fill("3")
    field(page, TRIAL.format(0)).fill("9,6")
    wait_until_kept(page, TRIAL.format(0), "9,6")

    def come_late(route):
        field(page, PAIN).fill("7")
        route.continue_()

    page.route("**/entry.js*", come_late)
    page.goto(address)

    wait_until_kept(page, PAIN, "7")
    expect(field(page, PAIN)).to_have_value("7")
    expect(field(page, TRIAL.format(0))).to_have_value("9,6")


def test_a_battery_that_was_sent_leaves_no_draft(visit, site):
    page = visit("/console/team")
    page.goto(site.url + an_episode(page, site))
    field(page, TRIAL.format(0)).fill("9,6")

    page.get_by_role("button", name="Send the battery").click()

    wait_for_page(page, "Hold for Team training")
    assert page.evaluate(DRAFTS) == 0


def test_without_a_connection_nothing_is_lost_and_it_is_sent_once_afterwards(visit, site, complaints):
    page = visit("/console/team")
    page.goto(site.url + an_episode(page, site))
    field(page, TRIAL.format(0)).fill("9,6")
    expect(page.get_by_role("complementary", name="So far")).to_contain_text("missing")
    page.context.set_offline(True)

    page.get_by_role("button", name="Send the battery").click()

    expect(page.get_by_role("alert")).to_contain_text("can't be reached")
    expect(field(page, TRIAL.format(0))).to_have_value("9,6")
    page.context.set_offline(False)
    tap_twice(page.get_by_role("button", name="Send the battery"))
    wait_for_page(page, "Hold for Team training")
    assert all("ERR_INTERNET_DISCONNECTED" in one for one in complaints)
    complaints.clear()


def test_what_is_refused_is_told_and_reached_with_the_keyboard(visit, site, complaints):
    page = visit("/console/team")
    page.goto(site.url + an_episode(page, site))
    field(page, TRIAL.format(0)).fill("quick")

    page.get_by_role("button", name="Send the battery").click()

    expect(page.locator("#refused")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(field(page, TRIAL.format(0))).to_be_focused()
    expect(field(page, TRIAL.format(0))).to_have_value("quick")
    assert_accessible(page)
    assert all("422" in one for one in complaints)
    complaints.clear()


@pytest.mark.parametrize("settings", [{}, {"viewport": PHONE, "color_scheme": "dark"}])
def test_every_entry_page_is_for_everybody_and_fits_a_phone(visit, site, settings):
    page = visit("/console/athletes/new", **settings)
    assert_accessible(page)
    assert_no_sideways_scroll(page)
    form = an_episode(page, site)
    headers = {"Authorization": f"Bearer {site.keys['clinician']}"}
    episode = form.split("/")[3]
    made = page.request.get(f"{site.url}/v1/decisions?episode={episode}", headers=headers).json()["items"]
    battery = next(one["battery_id"] for one in made if one["battery_id"])

    for address in (form.partition("?")[0], form, f"/console/batteries/{battery}/follow-up"):
        page.goto(site.url + address)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        assert_accessible(page)
        assert_no_sideways_scroll(page)
