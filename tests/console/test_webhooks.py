"""Webhooks among the settings: made and changed as over the API, each secret shown once."""

import re

import pytest

from tests.console.signed_in import Reader, text_of
from tests.console.statements import statements

PATH = "/console/settings/webhooks"
URL = "https://receiver.invalid/rts"
SECRET = re.compile(r'value="(whsec_[^"]+)"')
KEY = re.compile(r'name="idempotency_key" value="([0-9a-f]{32})"')


@pytest.fixture
def webhook(admin: Reader) -> str:
    """The address of a webhook's page."""
    made = admin.send(PATH, keyed(admin, url=URL, label="Invented record system"))
    found = re.search(rf'href="({PATH}/[0-9a-f-]+)">To the webhook', made.text)
    assert found, text_of(made.text)
    return found.group(1)


def keyed(admin: Reader, path: str = PATH, **fields: object) -> dict[str, object]:
    """The fields of a form with the key that its page gives."""
    found = KEY.search(admin.page(path))
    assert found is not None
    return {"idempotency_key": found.group(1), **fields}


def changed(admin: Reader, webhook: str, **fields: object) -> dict[str, object]:
    """What the form of a webhook sends when these fields are changed."""
    etag = re.search(r'name="etag" value="(\d+)"', admin.page(webhook))
    assert etag is not None
    return {"etag": etag.group(1), "url": URL, "label": "Invented record system", "state": "on", **fields}


def test_where_there_is_no_webhook_the_page_says_so(admin):
    assert "No webhook yet" in text_of(admin.page(PATH))


def test_a_webhook_is_made_once_and_its_secret_is_shown_this_once(clinic, admin):
    fields = keyed(admin, url=URL, label="Invented record system", events=["decision.made", "task.due"])

    first, again = admin.send(PATH, fields), admin.send(PATH, fields)

    assert SECRET.search(first.text)
    assert not SECRET.search(again.text)
    assert "An earlier request was told this secret" in text_of(again.text)
    [row] = clinic.found("webhooks")
    assert row["url"] == URL
    said = text_of(admin.page(PATH))
    assert "Invented record system https://receiver.invalid/rts On Decision made, Task due 0 waiting, 0 dead" in said


@pytest.mark.parametrize(
    ("fields", "field", "fault"),
    [
        ({}, "url", "This field is required"),
        ({"url": "ftp://receiver.invalid/"}, "url", "https"),
        ({"url": "https://169.254.1.1/"}, "url", "169.254.1.1"),
        ({"url": URL, "label": "x" * 201}, "label", "1 to 200 characters"),
    ],
)
def test_what_can_not_be_sent_to_is_refused_at_its_field_and_stays_typed(clinic, admin, fields, field, fault):
    response = admin.send(PATH, keyed(admin, **fields))

    assert response.status_code == 422
    assert "Nothing was stored" in text_of(response.text)
    assert f'href="#{field}"' in response.text
    wrong = re.search(rf'id="{field}-wrong">([^<]*)', response.text)
    assert wrong
    assert fault in wrong.group(1)
    if "url" in fields:
        assert f'value="{fields["url"]}"' in response.text
    assert clinic.found("webhooks") == []


def test_a_webhook_is_changed_and_turned_off_and_on(clinic, admin, webhook):
    admin.done(webhook, changed(admin, webhook, state="off", events=["decision.made"], label="Another name"))

    said = text_of(admin.page(webhook))
    assert "State Off" in said
    assert "Turn the webhook on first." in said
    [row] = clinic.found("webhooks")
    assert (row["state"], row["events"], row["label"]) == ("off", "decision.made", "Another name")
    admin.done(webhook, changed(admin, webhook, state="on"))
    assert "State On" in text_of(admin.page(webhook))


def test_a_change_of_what_somebody_else_changed_meanwhile_is_refused(clinic, admin, webhook):
    mine = changed(admin, webhook, label="Mine")
    admin.done(webhook, changed(admin, webhook, label="Theirs"))

    response = admin.send(webhook, mine)

    assert response.status_code == 412
    assert "was changed meanwhile" in text_of(response.text)
    assert 'value="Mine"' in response.text
    assert clinic.found("webhooks")[0]["label"] == "Theirs"


def test_a_test_is_sent_once_and_its_delivery_is_shown(clinic, admin, webhook):
    fields = keyed(admin, webhook)

    where = admin.done(f"{webhook}/test", fields)
    admin.done(f"{webhook}/test", fields)

    said = text_of(admin.page(where))
    assert "The test is on its way." in said
    assert "Test Fri 20 Nov 2026" in said
    assert len(clinic.found("deliveries")) == 1


def test_a_webhook_that_is_off_is_sent_no_test(clinic, admin, webhook):
    fields = keyed(admin, webhook)
    admin.done(webhook, changed(admin, webhook, state="off"))

    response = admin.send(f"{webhook}/test", fields)

    assert response.status_code == 409
    assert "The webhook is off" in text_of(response.text)
    assert clinic.found("deliveries") == []


def test_a_new_secret_is_shown_once_and_the_old_one_signs_for_the_hours_that_were_typed(clinic, admin, webhook):
    before = clinic.found("webhooks")[0]["secret"]
    fields = keyed(admin, webhook, hours="2")

    first, again = admin.send(f"{webhook}/secret", fields), admin.send(f"{webhook}/secret", fields)

    [row] = clinic.found("webhooks")
    shown = SECRET.search(first.text)
    assert shown
    assert shown.group(1) == row["secret"] != before
    assert row["previous_secret"] == before
    assert "until Fri 20 Nov 2026, 20:00" in text_of(first.text)
    assert not SECRET.search(again.text)


@pytest.mark.parametrize("hours", ["", "-1", "169", "many"])
def test_hours_that_are_none_are_refused_and_the_secret_stays(clinic, admin, webhook, hours):
    before = clinic.found("webhooks")[0]["secret"]

    response = admin.send(f"{webhook}/secret", keyed(admin, webhook, hours=hours))

    assert response.status_code == 422
    assert 'id="hours-wrong"' in response.text
    assert clinic.found("webhooks")[0]["secret"] == before


def test_a_webhook_is_removed_and_not_missed_when_it_is_removed_again(clinic, admin, webhook):
    admin.done(f"{webhook}/remove", {})
    where = admin.done(f"{webhook}/remove", {})

    assert "The webhook was removed." in text_of(admin.page(where))
    assert clinic.found("webhooks")[0]["state"] == "removed"
    assert admin.get(webhook).status_code == 404


def test_the_pages_take_at_most_six_statements(clinic, admin, webhook):
    admin.page(webhook)
    for path in (PATH, webhook):
        with statements(clinic.world) as sent:
            admin.page(path)

        assert len(sent) <= 6, sent
