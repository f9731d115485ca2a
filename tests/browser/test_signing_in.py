"""The way in and out."""

from playwright.sync_api import expect

from tests.browser.site import PHONE, assert_accessible, assert_no_sideways_scroll


def test_who_asks_for_a_page_signs_in_and_comes_back_to_it(visit, site):
    page = visit("/console/due", signed_in=False)
    expect(page).to_have_title("Sign in – Return-to-sport criteria")
    assert_accessible(page)

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

    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    assert page.evaluate("localStorage.length") == 0
    page.goto(f"{site.url}/console/team")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
