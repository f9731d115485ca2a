"""The delivery log: what was sent to whom and what became of it, sent again by hand."""

import re
from typing import Any

import pytest

from schemas.webhooks import DIGEST
from service.api.pages import cursor_of
from service.store.database import Tx
from service.use_cases.outbox import tell_people
from tests.clinic import Clinic, created
from tests.console.signed_in import text_of
from tests.console.statements import statements

PATH = "/console/settings/deliveries"
DEAD = {"state": "dead", "attempts": 10, "status": 503, "error": "answered 503"}


def webhook(clinic: Clinic, label: str = "Invented record system") -> str:
    sent = {"url": "https://receiver.invalid/rts", "label": label}
    return str(created(clinic.administrator.post("/v1/webhooks", sent))["id"])


def delivery(clinic: Clinic, webhook: str, **changes: Any) -> str:
    """The id of a test's delivery, of which this became."""
    id_ = str(created(clinic.administrator.post(f"/v1/webhooks/{webhook}/test"))["id"])
    if changes:
        now = clinic.world.clock.now
        clinic.update("deliveries", changes | {"attempted_at": now, "settled_at": now}, id=id_)
    return id_


def mail(clinic: Clinic) -> None:
    """A digest to the clinician on its way."""
    world = clinic.world

    def tell(tx: Tx) -> None:
        tell_people(
            tx,
            world.organisation,
            type_=DIGEST,
            data={"on": "2026-11-20", "tasks": []},
            actor_ids=[world.clinician.actor],
            now=world.clock.now,
        )

    world.context.database.write(tell)


def lines(html: str) -> list[str]:
    """What each delivery on a page says."""
    return [text_of(one) for one in re.findall(r"<tr>.*?</tr>", html.partition("<tbody>")[2], re.DOTALL)]


def test_where_nothing_was_sent_the_page_says_so(admin):
    assert "Nothing was sent yet" in text_of(admin.page(PATH))


def test_each_delivery_says_what_to_whom_and_what_became_of_it(clinic, admin):
    delivery(clinic, webhook(clinic), **DEAD)
    mail(clinic)

    said = sorted(lines(admin.page(PATH)))

    assert said[0].startswith("Daily mail of what is due Fri 20 Nov 2026, 18:00 Invented Clinician E-mail Waiting")
    assert "None yet Next: Fri 20 Nov 2026, 18:00" in said[0]
    assert said[1].startswith("Test Fri 20 Nov 2026, 18:00 Invented record system Webhook Dead 10 tries Answered 503")


def test_deliveries_are_found_by_state_and_webhook(clinic, admin):
    one, other = webhook(clinic, "One"), webhook(clinic, "Other")
    delivery(clinic, one, **DEAD)
    delivery(clinic, one)
    delivery(clinic, other, **DEAD)

    assert len(lines(admin.page(f"{PATH}?state=dead"))) == 2
    assert len(lines(admin.page(f"{PATH}?webhook={one}"))) == 2
    [line] = lines(admin.page(f"{PATH}?webhook={one}&state=dead"))
    assert "One Webhook Dead" in line
    assert "No delivery fits" in text_of(admin.page(f"{PATH}?state=dropped"))


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("state=lost", "there is no state “lost”"),
        ("webhook=1", "there is no webhook “1”"),
        ("sate=dead", "this page knows no “sate”"),
    ],
)
def test_what_an_address_asks_in_vain_is_told(admin, asked, told):
    response = admin.get(f"{PATH}?{asked}")

    assert response.status_code == 400
    assert told in text_of(response.text)


@pytest.mark.parametrize("cursor", ["nonsense", cursor_of(("2026-11-20", "a"), of="deliveries?")])
def test_a_place_that_is_none_is_refused(admin, cursor):
    response = admin.get(f"{PATH}?cursor={cursor}")

    assert response.status_code == 400
    assert "no cursor of this list" in text_of(response.text)


def test_the_log_is_read_page_by_page_within_a_filter(clinic, admin):
    one = webhook(clinic)
    for _ in range(51):
        delivery(clinic, one)

    html = admin.page(f"{PATH}?webhook={one}")
    older = re.search(r'href="([^"]*cursor=[^"]*)">Older', html)

    assert len(lines(html)) == 50
    assert older
    last = admin.page(older.group(1).replace("&amp;", "&"))
    assert len(lines(last)) == 1
    assert f"webhook={one}" in older.group(1)
    assert "Older" not in text_of(last)


def test_a_dead_delivery_is_sent_again_and_the_reader_stays_where_it_was(clinic, admin):
    id_ = delivery(clinic, webhook(clinic), **DEAD)

    where = admin.done(f"{PATH}/{id_}/replay?state=dead", {})

    assert "state=dead" in where
    assert "It is on its way again" in text_of(admin.page(where))
    row = clinic.row("deliveries", id=id_)
    assert (row["state"], row["attempts"]) == ("waiting", 0)


def test_what_a_webhook_that_was_removed_was_sent_stays_and_is_not_sent_again(clinic, admin):
    one = webhook(clinic)
    id_ = delivery(clinic, one, **DEAD)
    assert "Send again" in lines(admin.page(PATH))[0]
    clinic.administrator.delete(f"/v1/webhooks/{one}")

    [line] = lines(admin.page(PATH))
    assert "A webhook that was removed" in line
    assert "Send again" not in line
    response = admin.send(f"{PATH}/{id_}/replay", {})
    assert response.status_code == 409
    assert "The webhook was removed" in text_of(response.text)
    assert clinic.row("deliveries", id=id_)["state"] == "dead"


def test_the_page_takes_at_most_six_statements_however_many_there_are(clinic, admin):
    for label in ("One", "Other"):
        one = webhook(clinic, label)
        for _ in range(5):
            delivery(clinic, one)
    admin.page(PATH)

    with statements(clinic.world) as sent:
        admin.page(PATH)

    assert len(sent) <= 6, sent
