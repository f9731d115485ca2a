"""The outbox: a message for whoever wants it, once, in the transaction of what it tells of."""

import json
from collections.abc import Sequence
from datetime import datetime
from uuid import uuid4

import pytest
import sqlalchemy as sa

from service.store.database import Tx
from service.store.ids import new_id
from service.store.outbox import events_text
from service.store.sending_tables import webhooks
from service.use_cases.outbox import News, tell, tell_all, tell_people
from tests.clinic import Clinic
from tests.console.statements import statements_to
from tests.world import new_world

AT = datetime.fromisoformat("2026-11-20T16:30:00+01:00")
DATA = {"task_id": "01990a5d-ac96-774b-bcce-b302099a8057", "href": "/v1/retests/01990a5d-ac96-774b-bcce-b302099a8057"}


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return Clinic(new_world(database_url))


def webhook(clinic: Clinic, *events: str, state: str = "on") -> str:
    """A webhook's row, whatever its address."""
    now = clinic.world.clock()
    row = {
        "organisation_id": clinic.world.organisation,
        "id": new_id(now),
        "url": "https://receiver.example.org/rts",
        "events": events_text(events),
        "secret": "whsec_invented",
        "state": state,
        "revision": 1,
        "created_at": now,
        "updated_at": now,
    }
    clinic.world.context.database.write(lambda tx: tx.execute(sa.insert(webhooks).values(row)))
    return str(row["id"])


def news(type_: str = "task.due") -> News:
    return News(str(uuid4()), type_, AT, DATA)


def told(clinic: Clinic, several: Sequence[News]) -> None:
    world = clinic.world
    world.context.database.write(lambda tx: tell_all(tx, world.organisation, several, world.clock()))


def test_a_message_is_the_text_that_is_sent_and_waits_for_each_webhook(clinic):
    first, second = webhook(clinic), webhook(clinic, "task.due")
    one = news()

    told(clinic, [one])

    kept = clinic.row("messages")
    assert (kept["id"], kept["type"], kept["created_at"]) == (one.id, "task.due", clinic.world.clock())
    assert kept["document"] == (
        '{"type":"task.due","timestamp":"2026-11-20T15:30:00.000000Z","data":'
        '{"task_id":"01990a5d-ac96-774b-bcce-b302099a8057",'
        '"href":"/v1/retests/01990a5d-ac96-774b-bcce-b302099a8057"}}'
    )
    waiting = clinic.found("deliveries")
    assert {one["webhook_id"] for one in waiting} == {first, second}
    assert {(one["message_id"], one["channel"], one["state"], one["attempts"]) for one in waiting} == {
        (one.id, "webhook", "waiting", 0)
    }
    assert {one["next_at"] for one in waiting} == {clinic.world.clock()}


def test_one_thing_is_told_as_several_are(clinic):
    webhook(clinic)
    one, world = news(), clinic.world

    def work(tx: Tx) -> None:
        tell(tx, world.organisation, id_=one.id, type_=one.type, at=one.at, data=one.data, now=world.clock())

    world.context.database.write(work)

    assert json.loads(clinic.row("messages", id=one.id)["document"])["data"] == DATA


def test_each_webhook_is_told_what_it_wants_and_only_while_it_is_on(clinic):
    wants_all, wants_one = webhook(clinic), webhook(clinic, "decision.made")
    webhook(clinic, state="off")
    webhook(clinic, state="removed")
    due, made = news("task.due"), news("decision.made")

    told(clinic, [due, made])

    assert {(one["message_id"], one["webhook_id"]) for one in clinic.found("deliveries")} == {
        (due.id, wants_all),
        (made.id, wants_all),
        (made.id, wants_one),
    }


def test_what_nobody_wants_is_not_kept(clinic):
    webhook(clinic, "decision.made")

    told(clinic, [news("task.due")])

    assert clinic.found("messages") == clinic.found("deliveries") == []


def test_what_is_told_again_is_kept_and_sent_once(clinic):
    webhook(clinic)
    one = news()

    told(clinic, [one, one])
    told(clinic, [one._replace(data={"task_id": "another"})])

    assert "another" not in clinic.row("messages")["document"]
    assert len(clinic.found("deliveries")) == 1


def test_ten_thousand_are_told_together(clinic):
    webhook(clinic)
    several = [news() for _ in range(10_000)]

    told(clinic, several)

    assert clinic.rows()["messages"] == clinic.rows()["deliveries"] == len(several)


def test_without_a_webhook_it_costs_one_statement_and_without_news_none(clinic):
    engine = clinic.world.context.database.engine

    with statements_to(engine) as sent:
        told(clinic, [news(), news("decision.made")])
    assert [one.split()[0] for one in sent] == ["SELECT"]

    with statements_to(engine) as sent:
        told(clinic, [])
    assert sent == []


def test_nothing_is_told_of_what_was_not_done(clinic):
    webhook(clinic)
    world = clinic.world

    def work(tx: Tx) -> None:
        tell_all(tx, world.organisation, [news()], world.clock())
        raise KeyError

    with pytest.raises(KeyError):
        world.context.database.write(work)

    assert clinic.found("messages") == clinic.found("deliveries") == []


def test_a_mail_waits_for_each_person_whatever_webhooks_there_are(clinic):
    webhook(clinic)
    world = clinic.world
    actors = [world.clinician.actor, world.administrator.actor]

    def work(tx: Tx) -> None:
        tell_people(tx, world.organisation, type_="digest", data={"tasks": []}, actor_ids=actors, now=world.clock())

    world.context.database.write(work)

    message = clinic.row("messages", type="digest")
    waiting = clinic.found("deliveries")
    assert {(one["channel"], one["actor_id"], one["webhook_id"]) for one in waiting} == {
        ("email", actor, None) for actor in actors
    }
    assert {one["message_id"] for one in waiting} == {message["id"]}


def test_another_organisations_webhooks_are_told_nothing(clinic, database_url):
    other = Clinic(new_world(database_url))
    webhook(other)

    told(clinic, [news()])

    assert other.found("deliveries") == clinic.found("deliveries") == []
