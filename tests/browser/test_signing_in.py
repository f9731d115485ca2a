"""The way in and out."""

from playwright.sync_api import expect

from tests.browser.site import PHONE, assert_accessible, assert_no_sideways_scroll, wait_for_page


def test_who_asks_for_a_page_signs_in_and_comes_back_to_it(visit, site):
    page = visit("/console/due", signed_in=False)
    expect(page).to_have_title("Sign in – Return-to-sport criteria")
    assert_accessible(page)
    expect(page.locator("[autocomplete=username]")).to_have_count(1)

    page.get_by_label("Access key").fill(site.keys["clinician"])
    page.keyboard.press("Enter")

    expect(page.get_by_role("heading", level=1, name="Due")).to_be_visible()


def test_the_page_fits_a_phone_in_the_dark(visit):
    page = visit("/console/sign-in", signed_in=False, viewport=PHONE, color_scheme="dark")

    assert_accessible(page)
    assert_no_sideways_scroll(page)


def test_who_signs_out_is_out_and_what_was_typed_is_forgotten(visit, site):
    page = visit("/console/team")
    page.evaluate("localStorage.setItem('draft', 'something')")

    page.get_by_role("button", name="Sign out").click()

    wait_for_page(page, "Sign in")
    assert page.evaluate("localStorage.length") == 0
    page.goto(f"{site.url}/console/team")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()


def test_what_was_typed_when_the_session_had_ended_is_put_back_after_signing_in(visit, site):
    page = visit("/console/team?search=NU-110")
    page.get_by_role("link", name="Hold for Straight running").click()
    wait_for_page(page, "Hold for Straight running")
    page.get_by_role("radio", name="Defer").check()
    page.get_by_label("Rationale").fill("Invented: a long reason.")
    page.context.clear_cookies()
    decision = page.url

    page.get_by_role("button", name="Sign off").click()
    page.get_by_label("Access key").fill(site.keys["clinician"])
    page.keyboard.press("Enter")

    expect(page).to_have_url(decision)
    expect(page.get_by_role("status")).to_contain_text("What was typed is put back")
    expect(page.get_by_label("Rationale")).to_have_value("Invented: a long reason.")
    page.get_by_role("button", name="Sign off").click()
    expect(page.get_by_text("Signed off. It is on the record under your name.")).to_be_visible()
    page.goto(decision)
    expect(page.get_by_text("What was typed is put back")).to_have_count(0)
