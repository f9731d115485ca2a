"""The calendar feed: what is due, as calendar programs read it, by a key that opens nothing else."""

import json
import logging
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

import pytest
import sqlalchemy as sa
from icalendar import Calendar

from service.api.access import ROLES
from service.api.routes import BLUEPRINTS
from service.app import joined
from service.settings import Settings
from service.use_cases.access import authenticate
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, PERSON, SUBMITTER, Context
from service.use_cases.criteria_reviews import follow_everywhere
from service.use_cases.rebuilding import rebuild
from tests.api.problem import assert_problem
from tests.builders import EPISODE
from tests.clinic import Clinic, new_clinic, small, whole
from tests.reminders.due import add_tasks, held
from tests.world import Client, World, new_key

KEYS, FEED = "/v1/calendar-keys", "/v1/retests.ics"
DUE = date(2026, 11, 22)


@pytest.fixture
def clinic(file_database_url: str) -> Clinic:
    return new_clinic(file_database_url)


def subscribe(clinic: Clinic, client: Client | None = None) -> str:
    """The address of a new calendar of the clinician's, below the host."""
    made = (client or clinic.clinician).post(KEYS, {})
    assert made.status_code == 201, made.text
    place = urlsplit(made.json["address"])
    assert place.path == FEED
    return f"{place.path}?{place.query}"


def asked(clinic: Clinic, address: str, **headers: str) -> Any:
    """What a calendar program is answered, which sends nothing but the address."""
    return clinic.world.client(None).get(address, headers=headers)


def events(clinic: Clinic, address: str) -> dict[str, Any]:
    """The events of the feed by their UID, as the icalendar package reads them."""
    answer = asked(clinic, address)
    assert (answer.status_code, answer.content_type) == (200, "text/calendar; charset=utf-8")
    found = Calendar.from_ical(answer.data)
    assert [one for part in found.walk() for one in part.errors] == []
    return {str(one["UID"]): one for one in found.walk("VEVENT")}


def change(clinic: Clinic, task: str, what: str, **body: Any) -> None:
    clinic.at((clinic.world.clock() + timedelta(hours=1)).isoformat())
    answer = clinic.clinician.post(f"/v1/retests/{task}/{what}", {"reason": "Travels.", **body})
    assert answer.status_code == 201, answer.text


# What it says


def test_what_is_due_is_in_the_calendar_by_its_ref_and_nothing_else_of_the_athlete(clinic):
    task = held(clinic)
    address = subscribe(clinic)

    found = events(clinic, address)
    event = found[task["id"]]

    assert set(found) == {one["id"] for one in clinic.clinician.get("/v1/retests").json["items"]}
    assert str(event["SUMMARY"]) == "Retest due: ref KB-1"
    assert (event["DTSTART"].dt, event["DTEND"].dt) == (DUE, DUE + timedelta(days=1))
    assert (event["STATUS"], event["CLASS"], event["TRANSP"]) == ("CONFIRMED", "PRIVATE", "TRANSPARENT")
    assert "In time until 2026-11-" in event["DESCRIPTION"]
    assert "no findings and no verdicts" in event["DESCRIPTION"]
    assert "URL" not in event
    text = asked(clinic, address).text
    assert [word for word in ("limp", "pain", "ankle", "sprain", "2000", "rebuild") if word in text.lower()] == []


def test_the_calendar_says_what_it_is_and_how_often_to_ask(clinic):
    text = asked(clinic, subscribe(clinic)).text
    found = Calendar.from_ical(text)

    assert (found["VERSION"], str(found["PRODID"])) == ("2.0", "-//rts-service//What is due//EN")
    assert str(found["X-WR-CALNAME"]) == str(found["NAME"])
    assert str(found["NAME"]).endswith(": what is due")
    assert "REFRESH-INTERVAL;VALUE=DURATION:PT1H\r\n" in text
    assert "METHOD" not in found
    assert found.walk("VEVENT") == []


def test_an_event_leads_to_the_page_of_its_athlete_where_the_service_has_an_address(clinic):
    task = held(clinic)
    context = clinic.world.context
    public = Context(context.database, context.clock, context.service_version, public_url="https://rts.example.org/x")
    app = joined(Settings(), public, blueprints=BLUEPRINTS, roles=ROLES, authenticate=authenticate)
    client = Client(app.test_client(), clinic.world.keys[CLINICIAN])

    address = client.post(KEYS, {}).json["address"]
    [event] = [
        one
        for one in Calendar.from_ical(client.get(address.removeprefix("https://rts.example.org/x")).data).walk("VEVENT")
        if one["UID"] == task["id"]
    ]

    assert address.startswith(f"https://rts.example.org/x{FEED}?key=rts_")
    assert event["URL"] == f"https://rts.example.org/x/console/athletes/{task['athlete_id']}"


def test_lines_end_and_fold_as_the_standard_says_also_within_letters_of_several_bytes(clinic):
    ref = "\N{LATIN SMALL LETTER O WITH DIAERESIS}, \N{GREEK SMALL LETTER ALPHA}; \\" * 8
    task = held(clinic, athlete={"ref": ref.strip(), "new": True, "birth_year": 2000})
    address = subscribe(clinic)

    assert str(events(clinic, address)[task["id"]]["SUMMARY"]) == f"Retest due: ref {ref.strip()}"
    lines = asked(clinic, address).data.split(b"\r\n")
    assert lines[-1] == b""
    assert [one for one in lines if len(one) > 75 or b"\n" in one or b"\r" in one] == []
    assert [one.decode() for one in lines]


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Pacific/Pago_Pago", "Australia/Lord_Howe"])
def test_a_day_is_the_same_day_in_every_time_zone(clinic, zone):
    task = held(clinic)
    address = subscribe(clinic)
    before = events(clinic, address)[task["id"]]

    body = {"name": "Invented club", "time_zone": zone}
    assert clinic.administrator.put("/v1/organisation", body).status_code == 200

    after = events(clinic, address)[task["id"]]
    assert after == before
    assert after["DTSTART"].params == {"VALUE": "DATE"}


def test_what_is_due_on_a_leap_day_ends_with_it(clinic):
    [id_] = add_tasks(clinic.at("2028-02-20T12:00:00+01:00"), 1, date(2028, 2, 29))

    event = events(clinic, subscribe(clinic))[id_]

    assert (event["DTSTART"].dt, event["DTEND"].dt) == (date(2028, 2, 29), date(2028, 3, 1))


# What changes


def test_an_event_that_changes_keeps_its_uid_and_its_sequence_rises(clinic):
    task = held(clinic)["id"]
    address = subscribe(clinic)
    first = events(clinic, address)[task]
    change(clinic, task, "reschedule", due_on="2026-11-25")
    second = events(clinic, address)[task]
    change(clinic, task, "cancel")
    third = events(clinic, address)[task]

    assert first["SEQUENCE"] < second["SEQUENCE"] < third["SEQUENCE"]
    for name in ("DTSTAMP", "LAST-MODIFIED"):
        assert first[name].dt < second[name].dt < third[name].dt
    assert [one["DTSTART"].dt for one in (first, second, third)] == [DUE, date(2026, 11, 25), date(2026, 11, 25)]
    assert [one["STATUS"] for one in (first, second, third)] == ["CONFIRMED", "CONFIRMED", "CANCELLED"]


def test_a_sequence_rises_too_where_a_change_is_taken_back(clinic):
    """The task is then as it was before the change, which a calendar takes only where the sequence is higher."""
    task = held(clinic)["id"]
    address = subscribe(clinic)
    change(clinic, task, "reschedule", due_on="2026-11-25")
    moved = events(clinic, address)[task]
    [entry] = [one for one in clinic.found("record_entries", kind="event") if "rescheduled" in one["document"]]
    clinic.post(f"/v1/entries/{entry['id']}/void", {"reason": "another athlete"})

    back = events(clinic, address)[task]

    assert back["DTSTART"].dt == DUE
    assert back["SEQUENCE"] > moved["SEQUENCE"]
    assert back["DTSTAMP"].dt >= moved["DTSTAMP"].dt


def test_a_task_that_is_open_again_is_confirmed_again_with_a_higher_sequence(clinic):
    task = held(clinic)["id"]
    address = subscribe(clinic)
    later = clinic.at("2026-11-22T18:00:00+01:00").post_battery(small("B", "2026-11-22T16:30:00+01:00"))
    done = events(clinic, address)[task]
    clinic.post(f"/v1/entries/{later['id']}/void", {"reason": "another athlete"})

    again = events(clinic, address)[task]

    assert (done["STATUS"], again["STATUS"]) == ("CANCELLED", "CONFIRMED")
    assert again["SEQUENCE"] > done["SEQUENCE"]


def test_a_rebuild_finds_every_event_as_it_was(clinic):
    task = held(clinic)["id"]
    address = subscribe(clinic)
    change(clinic, task, "reschedule", due_on="2026-11-25")
    before = asked(clinic, address)
    clinic.update("tasks", {"due_on": DUE}, id=task)
    assert asked(clinic, address).headers["ETag"] != before.headers["ETag"]

    rebuild(clinic.world.context, clinic.world.organisation)

    after = asked(clinic, address)
    assert (after.data, after.headers["ETag"]) == (before.data, before.headers["ETag"])


def test_a_new_ref_is_in_the_events_and_their_sequence_rises(clinic):
    task = held(clinic)
    address = subscribe(clinic)
    before = events(clinic, address)[task["id"]]
    clinic.post(f"/v1/athletes/{task['athlete_id']}/events", {"kind": "ref_changed", "ref": "KB-2"})

    after = events(clinic, address)[task["id"]]

    assert str(after["SUMMARY"]) == "Retest due: ref KB-2"
    assert after["SEQUENCE"] > before["SEQUENCE"]


def test_an_erased_athletes_events_are_cancelled_and_name_nobody(clinic):
    task = held(clinic)
    address = subscribe(clinic)
    clinic.post(f"/v1/athletes/{task['athlete_id']}/erasure", {"scope": "default", "reason": "asked"}, ADMINISTRATOR)

    event = events(clinic, address)[task["id"]]

    assert (str(event["SUMMARY"]), event["STATUS"]) == ("Retest due", "CANCELLED")
    assert "KB-1" not in asked(clinic, address).text


def test_what_is_closed_stays_for_ninety_days_after_it_was_due(clinic):
    task = held(clinic)["id"]
    address = subscribe(clinic)
    change(clinic, task, "cancel")

    clinic.at((datetime.fromisoformat("2026-11-22T12:00:00+01:00") + timedelta(days=90)).isoformat())
    assert events(clinic, address)[task]["STATUS"] == "CANCELLED"
    clinic.at((datetime.fromisoformat("2026-11-22T12:00:00+01:00") + timedelta(days=91)).isoformat())
    assert task not in events(clinic, address)


def test_what_is_overdue_stays_and_a_question_that_can_not_be_answered_any_more_does_not(clinic):
    held(clinic)
    another = {"ref": "KB-2", "new": True}
    clinic.post_battery(whole("B", athlete=another | {"birth_year": 2000}, episode=another | EPISODE))
    address = subscribe(clinic)
    kinds = {one["id"]: one["kind"] for one in clinic.found("tasks")}
    assert sorted(kinds.values()) == ["follow_up", "retest"]

    clinic.at("2027-06-01T12:00:00+02:00")

    assert [kinds[uid] for uid in events(clinic, address)] == ["retest"]


def test_a_review_of_criteria_is_not_for_clinicians_and_not_in_their_calendar(clinic):
    follow_everywhere(clinic.world.context)
    assert clinic.found("tasks", kind="criteria_review") != []

    assert events(clinic, subscribe(clinic)) == {}


def test_many_tasks_are_bounded_and_found_with_as_many_statements_as_one(clinic, monkeypatch):
    monkeypatch.setattr("service.use_cases.calendar.MOST", 20)
    address = subscribe(clinic)
    add_tasks(clinic, 1, DUE)
    asked(clinic, address)  # the day of the key's first use is written
    one, _ = counted(clinic, address)

    first = add_tasks(clinic, 19, DUE - timedelta(days=1))
    add_tasks(clinic, 30, DUE + timedelta(days=1))

    many, found = counted(clinic, address)
    assert many == one
    assert len(found) == 20
    assert set(first) < set(found)


def counted(clinic: Clinic, address: str) -> tuple[int, dict[str, Any]]:
    """How many statements an answer takes, and its events."""
    statements: list[str] = []

    def see(*told: Any) -> None:
        statements.append(told[2])

    engine = clinic.world.context.database.engine
    sa.event.listen(engine, "before_cursor_execute", see)
    found = events(clinic, address)
    sa.event.remove(engine, "before_cursor_execute", see)
    return len(statements), found


# Asked again


def test_who_has_it_already_is_told_so_and_nothing_is_noted(clinic):
    held(clinic)
    address = subscribe(clinic)
    first = asked(clinic, address)
    reads = len(clinic.found("audit_log", action="read_calendar"))

    again = asked(clinic, address, **{"If-None-Match": first.headers["ETag"]})
    weak = asked(clinic, address, **{"If-None-Match": f"W/{first.headers['ETag']}"})

    assert reads == 1
    for answer in (again, weak):
        assert (answer.status_code, answer.data, answer.headers["ETag"]) == (304, b"", first.headers["ETag"])
    assert len(clinic.found("audit_log", action="read_calendar")) == 1
    assert first.headers["Cache-Control"] == "private, no-cache"


def test_once_something_changed_it_is_told_whole(clinic):
    task = held(clinic)["id"]
    address = subscribe(clinic)
    tag = asked(clinic, address).headers["ETag"]
    clinic.at("2026-11-21T18:00:00+01:00")
    assert asked(clinic, address, **{"If-None-Match": tag}).status_code == 304

    change(clinic, task, "reschedule", due_on="2026-11-25")

    answer = asked(clinic, address, **{"If-None-Match": tag})
    assert (answer.status_code, answer.headers["ETag"] == tag) == (200, False)


# Its keys


def test_a_key_is_told_once_listed_and_revoked_by_its_holder(clinic):
    client = clinic.clinician
    made = client.post(KEYS, {"label": "Telephone"}, headers={"Idempotency-Key": "k"})
    again = client.post(KEYS, {"label": "Telephone"}, headers={"Idempotency-Key": "k"})

    assert (made.status_code, made.json["label"], made.json["state"]) == (201, "Telephone", "valid")
    assert again.json == made.json | {"address": None, "note": again.json["note"]}
    assert again.headers["Idempotency-Replayed"] == "true"
    address = made.json["address"].removeprefix("http://localhost")
    assert asked(clinic, address).status_code == 200
    [listed] = client.get(KEYS).json["items"]
    assert listed == client.get(made.headers["Location"]).json
    assert (listed["last_used_on"], "address" in listed) == ("2026-11-20", False)
    assert address.split("_")[-1] not in json.dumps(clinic.found("access_keys"), default=str)
    revoked = client.post(f"{made.headers['Location']}/revoke")
    assert (revoked.status_code, revoked.json["state"]) == (200, "revoked")
    assert client.post(f"{made.headers['Location']}/revoke").json == revoked.json
    assert_problem(asked(clinic, address), 401, "unauthenticated")


def test_a_key_of_a_calendar_is_its_holders_own_and_an_administrator_can_take_it_away(clinic):
    world = clinic.world
    made = clinic.clinician.post(KEYS, {}).json
    place = f"{KEYS}/{made['id']}"
    told = {"kind": PERSON, "display_name": "Another", "profession": "nurse", "roles": [CLINICIAN]}
    other = world.client_with(new_key(world.context, world.organisation, **told))

    assert other.get(KEYS).json["items"] == []
    assert_problem(other.get(place), 404, "not_found")
    assert_problem(other.post(f"{place}/revoke"), 404, "not_found")
    [api_key] = [
        one["id"]
        for one in clinic.administrator.get("/v1/access-keys?limit=200").json["items"]
        if one["actor"]["id"] == world.clinician.actor and one["purpose"] == "api"
    ]
    assert_problem(clinic.clinician.get(f"{KEYS}/{api_key}"), 404, "not_found")
    shown = clinic.administrator.get(f"/v1/access-keys/{made['id']}").json
    assert (shown["purpose"], shown["actor"]["id"]) == ("calendar", world.clinician.actor)
    assert clinic.administrator.post(f"/v1/access-keys/{made['id']}/revoke").status_code == 200
    assert_problem(asked(clinic, made["address"].removeprefix("http://localhost")), 401, "unauthenticated")


def test_a_key_of_a_calendar_opens_nothing_else(clinic):
    key = subscribe(clinic).partition("key=")[2]
    client = clinic.world.client_with(key)

    for path in ("/v1/retests", KEYS, "/v1/tests", FEED):
        assert_problem(client.get(path), 401, "unauthenticated")
    page = clinic.world.client(None).flask.post("/console/sign-in", data={"key": key})
    assert page.status_code == 401


def no_keys(world: World, address: str) -> Iterator[str]:
    """Addresses that open nothing."""
    yield FEED
    yield f"{FEED}?key="
    yield f"{FEED}?key=%F0%9F%8F%83"
    yield address[:-4] + "AAAA"
    yield address.replace("rts_", "rts_0")
    yield from (f"{FEED}?key={key}" for key in world.keys.values())


def test_what_is_no_key_of_a_calendar_opens_nothing(clinic):
    address = subscribe(clinic)

    for one in no_keys(clinic.world, address):
        problem = assert_problem(asked(clinic, one), 401, "unauthenticated")
        assert "key of a calendar" in problem["detail"]
    assert_problem(clinic.clinician.get(FEED), 401, "unauthenticated")


def test_a_disabled_persons_calendar_is_closed(clinic):
    world = clinic.world
    told = {"kind": PERSON, "display_name": "Another", "profession": "nurse", "roles": [CLINICIAN]}
    client = world.client_with(new_key(world.context, world.organisation, **told))
    address = subscribe(clinic, client)
    assert asked(clinic, address).status_code == 200
    [id_] = [one["id"] for one in clinic.found("actors", display_name="Another")]

    clinic.administrator.post(f"/v1/actors/{id_}/disable")

    assert_problem(asked(clinic, address), 401, "unauthenticated")


def test_a_calendar_is_of_one_organisation(clinic, file_database_url):
    held(clinic)
    other = new_clinic(file_database_url)

    assert events(other, subscribe(other)) == {}


@pytest.mark.parametrize("role", [SUBMITTER, ADMINISTRATOR])
def test_only_clinicians_have_calendars(clinic, role):
    assert_problem(clinic.world.client(role).post(KEYS, {}), 403, "forbidden")
    assert_problem(clinic.world.client(role).get(KEYS), 403, "forbidden")


def test_an_argument_that_is_not_read_is_refused_and_the_key_not_repeated(clinic):
    address = subscribe(clinic)
    key = address.partition("key=")[2]

    for more in ("kind=retest", f"key={key}"):
        answer = asked(clinic, f"{address}&{more}")
        assert_problem(answer, 400, "invalid_query")
        assert key not in answer.text


def test_a_faulty_label_is_refused(clinic):
    problem = assert_problem(clinic.clinician.post(KEYS, {"label": "two\nlines"}), 422, "invalid_body")
    assert [one["pointer"] for one in problem["errors"]] == ["#/label"]
    assert_problem(clinic.clinician.post(KEYS, {"actor_id": "x"}), 422, "invalid_body")


def test_the_key_is_in_no_log_and_in_no_answer(clinic, caplog):
    address = subscribe(clinic)
    secret = address.split("_")[-1]
    for name in (None, "rts"):
        caplog.set_level(logging.DEBUG, logger=name)

    answers = [asked(clinic, address), asked(clinic, f"{address}x"), asked(clinic, f"{address}&more=1")]

    lines = [json.loads(one.message) for one in caplog.records if one.name == "rts.access"][1:]
    assert [(one["route"], one["status"]) for one in lines] == [(FEED, 200), (FEED, 401), (FEED, 400)]
    assert lines[0]["actor"] == clinic.world.clinician.actor
    assert secret not in caplog.text
    assert [one for one in answers if secret in f"{one.headers}{one.text}"] == []
    assert secret not in json.dumps(clinic.found("audit_log"), default=str)
