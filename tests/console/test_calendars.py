"""A person's own calendars: an address for each, shown once, and revoked."""

import re

from tests.clinic import new_clinic
from tests.console.signed_in import Reader, signed_in, text_of, visitor
from tests.console.statements import statements

PATH = "/console/calendars"
ADDRESS = re.compile(r'id="address" value="([^"]+)"')


def keyed(reader: Reader, label: str) -> dict[str, str]:
    """The fields of the form with the key that the page gives."""
    found = re.search(r'name="idempotency_key" value="([0-9a-f]{32})"', reader.page(PATH))
    assert found is not None
    return {"idempotency_key": found.group(1), "label": label}


def test_what_is_due_leads_there_and_where_there_is_none_the_page_says_so(reader):
    assert f'href="{PATH}"' in reader.page("/console/due")
    assert "No calendar of yours reads what is due" in text_of(reader.page(PATH))


def test_an_address_is_shown_once_reads_the_feed_and_is_revoked(clinic, reader):
    fields = keyed(reader, "Telephone")

    first, again = reader.send(PATH, fields), reader.send(PATH, fields)

    shown = ADDRESS.search(first.text)
    assert shown
    assert "it is shown this once" in text_of(first.text)
    assert not ADDRESS.search(again.text)
    feed = shown.group(1).replace("&amp;", "&").partition("localhost")[2]
    assert visitor(clinic.world).get(feed).mimetype == "text/calendar"
    said = text_of(reader.page(PATH))
    assert "Telephone Made Fri 20 Nov 2026, 18:00 Valid Fri 20 Nov 2026 Revoke" in said
    assert said.count("Telephone Made") == 1

    revoke = re.search(rf'action="({PATH}/[^"]+/revoke)"', reader.page(PATH))
    assert revoke
    where = reader.done(revoke.group(1), {})
    assert "The address is revoked" in text_of(reader.page(where))
    assert visitor(clinic.world).get(feed).status_code == 401


def test_a_label_that_is_too_long_is_refused_at_its_field(reader):
    response = reader.send(PATH, keyed(reader, "x" * 201))

    assert response.status_code == 422
    assert 'id="label-wrong"' in response.text
    assert 'href="#label"' in response.text
    assert not ADDRESS.search(response.text)


def test_nobody_revokes_the_calendar_of_somebody_else(reader, database_url):
    other = new_clinic(database_url)
    reader.send(PATH, keyed(reader, "Telephone"))
    revoke = re.search(rf'action="({PATH}/[^"]+/revoke)"', reader.page(PATH))
    assert revoke

    assert signed_in(other.world).send(revoke.group(1), {}).status_code == 404
    assert "Valid" in text_of(reader.page(PATH))


def test_the_page_takes_at_most_six_statements(clinic, reader):
    for label in ("One", "Other"):
        reader.send(PATH, keyed(reader, label))
    with statements(clinic.world) as sent:
        reader.page(PATH)

    assert len(sent) <= 6, sent
