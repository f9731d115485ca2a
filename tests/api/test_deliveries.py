"""Deliveries over HTTP: what is told of the record, thin and once, and what an administrator sees and sends again."""

from datetime import timedelta
from typing import Any

import pytest

from schemas.messages import MESSAGES
from service.store.database import Tx
from service.use_cases.context import ADMINISTRATOR, CLINICIAN
from service.use_cases.outbox import tell_people
from tests import builders
from tests.api.problem import assert_problem
from tests.clinic import ATHLETE, EPISODE, SET, Clinic, created, new_clinic, small, whole
from tests.console.statements import statements
from tests.tiny_set import own
from tests.world import Client, new_world

URL = "https://receiver.invalid/rts"
PATH = "/v1/deliveries"
SETTLED = {"attempts": 10, "claimed_by": "another claim", "status": 503, "error": "the receiver answered 503"}


@pytest.fixture
def clinic(database_url: str) -> Clinic:
    return new_clinic(database_url)


@pytest.fixture
def admin(clinic: Clinic) -> Client:
    return clinic.administrator


@pytest.fixture
def webhook(clinic: Clinic) -> str:
    """The id of a webhook that wants all."""
    return made(clinic)


def made(clinic: Clinic, *events: str) -> str:
    return str(created(clinic.administrator.post("/v1/webhooks", {"url": URL, "events": list(events)}))["id"])


def attempt(clinic: Clinic, webhook: str) -> dict[str, Any]:
    return created(clinic.administrator.post(f"/v1/webhooks/{webhook}/test"))


def listed(clinic: Clinic, **asked: str) -> list[dict[str, Any]]:
    return list(clinic.administrator.get(PATH, query_string=asked).json["items"])


def bodies(clinic: Clinic, type_: str) -> list[dict[str, Any]]:
    """What is told of a type, once for each delivery."""
    found = [clinic.administrator.get(f"{PATH}/{one['id']}").json["body"] for one in listed(clinic, type=type_)]
    assert [MESSAGES[type_]().validate(one) for one in found] == [{} for _ in found]
    return found


def data(clinic: Clinic, type_: str) -> list[dict[str, Any]]:
    return [one["data"] for one in bodies(clinic, type_)]


def sign(clinic: Clinic, decision: dict[str, Any], determination: str, **more: Any) -> dict[str, Any]:
    body = {"decision_digest": decision["digest"], "determination": determination, **more}
    return clinic.post(f"/v1/decisions/{decision['id']}/sign-offs", body)


# What is told


@pytest.mark.usefixtures("webhook")
def test_a_decision_is_told_by_its_ids_and_nothing_that_it_says(clinic):
    decision = clinic.post_battery(small("A"))

    [body] = bodies(clinic, "decision.made")

    assert body == {
        "type": "decision.made",
        "timestamp": decision["decided_at"],
        "data": {
            "decision_id": decision["id"],
            "athlete_id": decision["athlete_id"],
            "episode_id": decision["episode_id"],
            "href": f"/v1/decisions/{decision['id']}",
            "awaiting_sign_off": True,
        },
    }
    assert clinic.clinician.get(body["data"]["href"]).json["id"] == decision["id"]
    assert {one["type"] for one in listed(clinic)} == {"decision.made"}


@pytest.mark.usefixtures("webhook")
def test_a_decision_that_is_asked_for_is_told_too(clinic):
    first = clinic.post_battery(small("A"))
    second = clinic.decide(first["episode_id"])

    assert {one["decision_id"] for one in data(clinic, "decision.made")} == {first["id"], second["id"]}


@pytest.mark.usefixtures("webhook")
def test_the_same_battery_again_tells_nothing_more(clinic):
    for _ in range(2):
        clinic.post_battery(small("A"), key="once")

    assert len(listed(clinic)) == 1


@pytest.mark.usefixtures("webhook")
@pytest.mark.parametrize(
    ("determination", "more", "is_awaiting"),
    [("agree", {}, False), ("defer", {"rationale": "The surgeon is asked."}, True)],
)
def test_a_sign_off_is_told_with_what_still_waits(clinic, determination, more, is_awaiting):
    decision = clinic.post_battery(small("A"))

    signed = sign(clinic, decision, determination, **more)

    assert data(clinic, "sign_off.recorded") == [
        {
            "sign_off_id": signed["id"],
            "athlete_id": decision["athlete_id"],
            "episode_id": decision["episode_id"],
            "decision_id": decision["id"],
            "href": f"/v1/decisions/{decision['id']}",
            "awaiting_sign_off": is_awaiting,
        }
    ]


@pytest.mark.usefixtures("webhook")
def test_a_position_without_a_decision_is_told_of_its_episode(clinic):
    decision = clinic.post_battery(small("A"))
    body = {"position": {"stage": "protected_loading", "participation": "none"}, "rationale": "Swollen since."}

    signed = clinic.post(f"/v1/episodes/{decision['episode_id']}/sign-offs", body)

    assert data(clinic, "sign_off.recorded") == [
        {
            "sign_off_id": signed["id"],
            "athlete_id": decision["athlete_id"],
            "episode_id": decision["episode_id"],
            "href": f"/v1/episodes/{decision['episode_id']}",
        }
    ]


@pytest.mark.usefixtures("webhook")
def test_an_answered_follow_up_is_told_beside_the_decision_that_it_made(clinic):
    evening = clinic.post_battery(whole(target_stage="team_training"))
    clinic.at("2026-11-21T09:00:00+01:00")

    morning = clinic.post_battery(builders.follow_up("A")["battery"] | {"athlete": {"ref": "KB-1"}})

    assert data(clinic, "follow_up.answered") == [
        {
            "battery_id": morning["battery_id"],
            "athlete_id": evening["athlete_id"],
            "episode_id": evening["episode_id"],
            "href": f"/v1/batteries/{morning['battery_id']}",
        }
    ]
    assert {one["decision_id"] for one in data(clinic, "decision.made")} == {evening["id"], morning["id"]}


@pytest.mark.usefixtures("webhook")
def test_a_decision_that_no_longer_stands_is_told_each_time(clinic):
    decision = clinic.post_battery(small("A"))
    address = f"/v1/episodes/{decision['episode_id']}/events"
    told = {key: decision[key] for key in ("athlete_id", "episode_id")} | {
        "decision_id": decision["id"],
        "href": f"/v1/decisions/{decision['id']}",
    }

    first = clinic.post(address, {"kind": "re_injury", "on": "2026-11-20"})
    assert first["withdrawn"] == [decision["id"]]
    assert data(clinic, "decision.withdrawn") == [told]

    clinic.post(f"/v1/entries/{first['id']}/void", {"reason": "entered twice"})
    clinic.post(address, {"kind": "re_injury", "on": "2026-11-20"})
    assert data(clinic, "decision.withdrawn") == [told, told]


@pytest.mark.usefixtures("webhook")
def test_a_published_version_is_told_once(clinic):
    text = own("wombat-sprain")
    clinic.post("/v1/criteria-drafts", {"source": text.source, "examples": text.examples}, ADMINISTRATOR)
    begins = {"in_force_from": "2026-12-01"}
    clinic.post("/v1/criteria-drafts/wombat-sprain/1/publish", begins, ADMINISTRATOR)
    again = clinic.administrator.post("/v1/criteria-drafts/wombat-sprain/1/publish", begins)

    assert again.status_code == 200
    href = "/v1/criteria-sets/wombat-sprain/versions/1"
    assert data(clinic, "criteria.published") == [{"set_id": "wombat-sprain", "version": 1, "href": href}]


def test_an_adopted_version_is_told(database_url):
    clinic = Clinic(new_world(database_url))
    made(clinic)

    clinic.post("/v1/criteria-sets", {"id": SET, "version": 1, "in_force_from": "2020-01-01"}, ADMINISTRATOR)

    href = f"/v1/criteria-sets/{SET}/versions/1"
    assert data(clinic, "criteria.published") == [{"set_id": SET, "version": 1, "href": href}]


def test_what_is_told_is_small_and_names_no_ref_no_figure_and_no_outcome(clinic, webhook):
    decision = clinic.post_battery(small("ref-of-battery"))
    sign(clinic, decision, "agree", conditions="no contact")
    clinic.post(f"/v1/episodes/{decision['episode_id']}/events", {"kind": "re_injury", "on": "2026-11-20"})
    attempt(clinic, webhook)

    documents = [row["document"] for row in clinic.found("messages")]

    assert len(documents) == 4
    for document in documents:
        assert len(document.encode()) < 1000
        for word in ("ref-of-battery", ATHLETE["ref"], EPISODE["ref"], "pass", "rebuild", "no contact", "re_injury"):
            assert word not in document


def test_a_test_is_told_to_its_webhook_alone(clinic, webhook):
    made(clinic)
    attempt(clinic, webhook)

    assert data(clinic, "webhook.test") == [{"webhook_id": webhook, "href": f"/v1/webhooks/{webhook}"}]


def test_a_refused_request_tells_nothing(clinic, webhook):
    clinic.refused("/v1/batteries", small("A", target_stage="no_such_stage"), CLINICIAN)

    assert listed(clinic, webhook=webhook) == []


def test_without_a_webhook_a_post_asks_one_statement_more_and_keeps_nothing(clinic):
    with statements(clinic.world) as sent:
        clinic.post_battery(small("A"))

    of_sending = [one for one in sent if any(name in one for name in ("webhooks", "messages", "deliveries"))]
    assert [one.split()[0] for one in of_sending] == ["SELECT"]
    assert listed(clinic) == []


def test_each_webhook_is_told_what_it_wants(clinic):
    wants_all, wants_one = made(clinic), made(clinic, "sign_off.recorded")

    sign(clinic, clinic.post_battery(small("A")), "agree")

    assert {one["type"] for one in listed(clinic, webhook=wants_all)} == {"decision.made", "sign_off.recorded"}
    assert {one["type"] for one in listed(clinic, webhook=wants_one)} == {"sign_off.recorded"}


# What is listed


def test_a_delivery_says_what_became_of_it(clinic, admin, webhook):
    one = attempt(clinic, webhook)
    assert one == {
        "id": one["id"],
        "message_id": one["message_id"],
        "type": "webhook.test",
        "channel": "webhook",
        "webhook_id": webhook,
        "actor": None,
        "state": "waiting",
        "attempts": 0,
        "attempted_at": None,
        "next_at": "2026-11-20T17:00:00.000000Z",
        "status": None,
        "error": None,
        "created_at": "2026-11-20T17:00:00.000000Z",
        "settled_at": None,
    }
    now = clinic.world.clock()
    clinic.update("deliveries", SETTLED | {"state": "dead", "attempted_at": now, "settled_at": now}, id=one["id"])

    dead = one | {
        "state": "dead",
        "attempts": 10,
        "attempted_at": "2026-11-20T17:00:00.000000Z",
        "next_at": None,
        "status": 503,
        "error": "the receiver answered 503",
        "settled_at": "2026-11-20T17:00:00.000000Z",
    }
    assert listed(clinic) == [dead]
    shown = admin.get(f"{PATH}/{one['id']}").json
    assert shown == dead | {"body": shown["body"]}


def test_a_mail_names_whom_it_goes_to(clinic):
    world = clinic.world

    def work(tx: Tx) -> None:
        actors = [world.clinician.actor]
        tell_people(tx, world.organisation, type_="digest", data={"tasks": []}, actor_ids=actors, now=world.clock())

    world.context.database.write(work)

    [one] = listed(clinic, channel="email")
    assert (one["type"], one["webhook_id"]) == ("digest", None)
    assert one["actor"] == {"id": world.clinician.actor, "display_name": world.clinician.name}


def test_filters_leave_out_what_is_not_asked_for(clinic, webhook):
    dead, waiting = attempt(clinic, webhook), attempt(clinic, webhook)
    clinic.update("deliveries", {"state": "dead"}, id=dead["id"])
    other = attempt(clinic, made(clinic, "task.due"))
    clinic.post_battery(small("A"))

    def ids(**asked: str) -> set[str]:
        return {one["id"] for one in listed(clinic, **asked)}

    assert ids(state="dead") == {dead["id"]}
    assert ids(type="webhook.test") == {dead["id"], waiting["id"], other["id"]}
    assert ids(webhook=other["webhook_id"]) == {other["id"]}
    assert ids(webhook=webhook, state="waiting", type="webhook.test", channel="webhook") == {waiting["id"]}
    assert ids(channel="email") == set()


@pytest.mark.parametrize(
    "asked",
    [
        {"state": "lost"},
        {"channel": "post"},
        {"webhook": "mine"},
        {"type": "decision.undone"},
        {"about": "all"},
        {"cursor": "x"},
    ],
)
def test_a_filter_that_can_not_be_meant_is_refused_by_name(admin, asked):
    problem = assert_problem(admin.get(PATH, query_string=asked), 400, "invalid_query")

    assert [one["pointer"] for one in problem["errors"]] == [f"?{name}" for name in asked]


def test_the_list_is_newest_first_in_pages(clinic, admin, webhook):
    several = []
    for _ in range(3):
        clinic.at(clinic.world.clock() + timedelta(minutes=1))
        several.append(attempt(clinic, webhook)["id"])

    first = admin.get(f"{PATH}?limit=2&webhook={webhook}").json
    rest = admin.get(first["next"]).json

    assert [one["id"] for one in first["items"] + rest["items"]] == several[::-1]
    assert rest["next"] is None


def test_what_is_not_there_is_not_found(admin):
    address = f"{PATH}/01990a5d-ac96-774b-bcce-b302099a8057"

    assert_problem(admin.get(address), 404, "not_found")
    assert_problem(admin.post(f"{address}/replay"), 404, "not_found")


# Sent again


def notes_of_replay(clinic: Clinic) -> list[str]:
    found = clinic.administrator.get("/v1/audit?action=replay_delivery").json["items"]
    return [one["object_id"] for one in found]


@pytest.mark.parametrize("state", ["dead", "delivered", "dropped"])
def test_what_is_settled_is_sent_again_under_the_same_id(clinic, admin, webhook, state):
    one = attempt(clinic, webhook)
    now = clinic.world.clock()
    clinic.update("deliveries", SETTLED | {"state": state, "attempted_at": now, "settled_at": now}, id=one["id"])
    clinic.at("2026-11-21T18:00:00+01:00")

    response = admin.post(f"{PATH}/{one['id']}/replay")

    assert response.status_code == 200
    again = one | {"next_at": "2026-11-21T17:00:00.000000Z", "attempted_at": "2026-11-20T17:00:00.000000Z"}
    assert response.json == again | {"body": response.json["body"]}
    assert listed(clinic) == [again]
    assert clinic.row("deliveries")["claimed_by"] is None
    assert notes_of_replay(clinic) == [one["id"]]


def test_what_waits_stays_as_it_is(clinic, admin, webhook):
    one = attempt(clinic, webhook)
    later = clinic.world.clock() + timedelta(hours=2)
    clinic.update("deliveries", {"attempts": 3, "claimed_by": "a claim", "next_at": later}, id=one["id"])
    before = clinic.row("deliveries")

    assert admin.post(f"{PATH}/{one['id']}/replay").status_code == 200

    assert clinic.row("deliveries") == before
    assert notes_of_replay(clinic) == []


def test_nothing_is_sent_again_to_a_webhook_that_is_off_or_removed(clinic, admin, webhook):
    one = attempt(clinic, webhook)
    clinic.update("deliveries", {"state": "dead"}, id=one["id"])
    clinic.update("webhooks", {"state": "off"}, id=webhook)

    off = clinic.refused(f"{PATH}/{one['id']}/replay", None, ADMINISTRATOR)
    assert "turn it on" in assert_problem(off, 409, "conflicts")["detail"]

    admin.delete(f"/v1/webhooks/{webhook}")
    removed = clinic.refused(f"{PATH}/{one['id']}/replay", None, ADMINISTRATOR)
    assert "removed" in assert_problem(removed, 409, "conflicts")["detail"]
    assert clinic.row("deliveries")["state"] == "dead"
