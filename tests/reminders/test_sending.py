"""What is due reaches its receivers once, under one id, whatever the receivers do; real servers, and no sleeping."""

import json
from dataclasses import replace
from datetime import datetime, timedelta
from email import message_from_bytes, policy
from ipaddress import ip_address

import pytest
from standardwebhooks import Webhook

from service.reminders.mail import MailSender
from service.reminders.sender import Sender
from service.reminders.webhook import WebhookSender
from service.use_cases.reminding import hand_due, plan_missing
from service.use_cases.sending import PAUSES, claim
from tests.builders import SESSION_CHECK
from tests.clinic import new_clinic, small
from tests.reminders.due import LOOPBACK, NOW, SECRET, add_mail, add_webhook, held
from tests.reminders.receivers import mail_server, receiver


@pytest.fixture
def clinic(own_database):
    made = new_clinic(own_database.url)
    yield made
    made.assert_sound()
    made.world.context.database.close()


@pytest.fixture
def received():
    with receiver() as one:
        yield one


def sent(clinic, mail_url=None):
    """Hand over and send what is due by now."""
    context = clinic.world.context
    mails = MailSender(replace(context, public_url="https://rts.example.org"), mail_url, "rts@example.org")
    sender = Sender(context, WebhookSender(LOOPBACK, "0.0.0"), mails if mail_url else None)
    hand_due(context, has_mail=sender.has_mail)
    try:
        while sender.send_due():
            pass
    finally:
        sender.close()


def on(day, hour="07:00:00+01:00"):
    return f"{day.isoformat()}T{hour}"


def test_a_reminder_reaches_its_receiver_on_the_day_at_seven_and_not_before(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)

    clinic.at(on(task["due_on"], "06:59:59+01:00"))
    sent(clinic)
    before = [json.loads(body)["data"]["step"] for _, body in received.requests]
    clinic.at(on(task["due_on"]))
    sent(clinic)
    sent(clinic)

    steps = [json.loads(body)["data"]["step"] for _, body in received.requests]
    assert "on_day" not in before
    assert steps == [*before, "on_day"]
    headers, body = received.requests[-1]
    told = json.loads(body)
    assert (told["type"], told["data"]["task_id"], told["data"]["kind"]) == ("task.due", task["id"], "retest")
    assert "KB-1" not in body.decode()
    assert {one["state"] for one in clinic.found("deliveries")} == {"delivered"}
    assert headers["webhook-id"].startswith("msg_")


def test_a_receiver_can_verify_what_it_is_sent(clinic, received):
    id_ = add_webhook(clinic, received.url)
    clinic.at(datetime.now(NOW.tzinfo).isoformat())  # noqa: TID251 - the library looks at the clock itself
    assert clinic.administrator.post(f"/v1/webhooks/{id_}/test").status_code == 201
    sent(clinic)

    headers, body = received.requests[0]

    assert Webhook(SECRET).verify(body.decode(), headers) == json.loads(body)


def test_while_a_secret_is_replaced_both_sign(clinic, received):
    other = "whsec_" + "B" * 44
    until = NOW + timedelta(days=60)
    add_webhook(clinic, received.url, previous_secret=other, previous_until=until)
    task = held(clinic)
    clinic.at(on(task["due_on"]))
    sent(clinic)
    assert len(received.requests[-1][0]["webhook-signature"].split()) == 2

    clinic.at(until.isoformat())
    sent(clinic)

    assert len(received.requests[-1][0]["webhook-signature"].split()) == 1


def test_a_receiver_that_fails_for_a_day_gets_it_later_under_the_same_id(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)
    received.answer = lambda before: (500, {}) if before < 8 else (200, {})
    moment = datetime.fromisoformat(on(task["due_on"]))
    clinic.at(moment)
    sent(clinic)

    for pause in PAUSES:
        waiting = clinic.found("deliveries", state="waiting")
        if not waiting:
            break
        assert {one["error"] for one in waiting} == {"answered 500"}
        moment += pause * 1.2
        clinic.at(moment)
        sent(clinic)

    of_day = [one for (_, body), one in zip(received.requests, received.ids, strict=True) if b"on_day" in body]
    assert len(of_day) >= 8
    assert len(set(of_day)) == 1
    assert {one["state"] for one in clinic.found("deliveries")} == {"delivered"}


def test_a_delivery_that_never_arrives_is_dead_in_the_end(clinic):
    add_webhook(clinic, "http://127.0.0.1:9/hook")
    task = held(clinic)
    moment = datetime.fromisoformat(on(task["due_on"]))
    for pause in (timedelta(), *PAUSES, timedelta(days=2)):
        moment += pause * 1.2
        clinic.at(moment)
        sent(clinic)

    [first, *_] = sorted(clinic.found("deliveries"), key=lambda one: one["created_at"])

    assert (first["state"], first["attempts"], first["error"]) == ("dead", len(PAUSES) + 1, "refused the connection")


@pytest.mark.parametrize(
    ("status", "headers", "error"),
    [(302, {"Location": "http://127.0.0.1:1/"}, "answered 302, a redirect"), (404, {}, "answered 404")],
)
def test_what_is_no_success_is_tried_again_and_no_redirect_is_followed(clinic, received, status, headers, error):
    add_webhook(clinic, received.url)
    task = held(clinic)
    received.answer = lambda _: (status, headers)
    clinic.at(on(task["due_on"]))

    sent(clinic)

    [one] = clinic.found("deliveries")
    assert (one["state"], one["status"], one["attempts"]) == ("waiting", status, 1)
    assert one["error"].startswith(error)


def test_a_receiver_that_asks_for_a_pause_gets_it(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)
    received.answer = lambda _: (503, {"Retry-After": "3600"})
    clinic.at(on(task["due_on"]))

    sent(clinic)

    assert clinic.row("deliveries")["next_at"] >= clinic.world.clock() + timedelta(hours=1)


def test_a_receiver_that_is_gone_is_sent_nothing_more(clinic, received):
    id_ = add_webhook(clinic, received.url)
    task = held(clinic)
    received.answer = lambda _: (410, {})
    clinic.at(on(task["due_on"]))

    sent(clinic)

    assert clinic.row("deliveries")["state"] == "dead"
    row = clinic.row("webhooks", id=id_)
    assert row["state"] == "off"
    assert "410" in row["off_because"]


def test_a_refused_network_is_never_connected_to(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)
    clinic.at(on(task["due_on"]))
    context = clinic.world.context
    sender = Sender(context, WebhookSender((), "0.0.0"), None)
    hand_due(context, has_mail=False)

    sender.send_due()
    sender.close()

    assert received.requests == []
    assert "RTS_WEBHOOK_NETWORKS" in clinic.row("deliveries")["error"]


def test_a_name_is_connected_to_by_the_address_that_was_checked(clinic, received):
    """The name leads elsewhere by the time that it is asked again; it is asked once."""
    add_webhook(clinic, received.url.replace("127.0.0.1", "receiver.example.org"))
    task = held(clinic)
    clinic.at(on(task["due_on"]))
    context = clinic.world.context
    asked = []

    def resolve(host, port):
        asked.append((host, port))
        return [ip_address("127.0.0.1")]

    sender = Sender(context, WebhookSender(LOOPBACK, "0.0.0", resolve=resolve), None)
    hand_due(context, has_mail=False)
    sender.send_due()
    sender.close()

    assert [host for host, _ in asked] == ["receiver.example.org"]
    assert received.requests[0][0]["host"].startswith("receiver.example.org:")


def test_what_nobody_settled_is_tried_again_under_the_same_id_and_settled_once(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)
    clinic.at(on(task["due_on"]))
    hand_due(clinic.world.context, has_mail=False)
    [lost] = claim(clinic.world.context, limit=10, has_mail=False)

    sent(clinic)
    assert received.requests == [], "somebody else has it"
    clinic.at(clinic.world.clock() + timedelta(minutes=6))
    sent(clinic)

    assert received.ids == [f"msg_{lost.message.replace('-', '')}"]
    assert clinic.row("deliveries")["state"] == "delivered"


def test_a_clock_that_steps_back_while_something_is_sent_delays_it_and_loses_nothing(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)
    day = datetime.fromisoformat(on(task["due_on"]))
    clinic.at(day.isoformat())
    hand_due(clinic.world.context, has_mail=False)
    [lost] = claim(clinic.world.context, limit=10, has_mail=False)

    for hours in (-1, -24, 0, -1):
        clinic.at((day + timedelta(hours=hours)).isoformat())
        sent(clinic)
        assert received.requests == [], "somebody else has it"
    for minutes in (6, -60, 7):
        clinic.at((day + timedelta(minutes=minutes)).isoformat())
        sent(clinic)

    assert received.ids == [f"msg_{lost.message.replace('-', '')}"]
    assert clinic.row("deliveries")["state"] == "delivered"


def test_after_a_downtime_only_the_latest_step_is_sent(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)
    clinic.at(on(task["due_on"] + timedelta(days=task["window_days"] + 1)))

    sent(clinic)

    of_task = [json.loads(body)["data"] for _, body in received.requests]
    assert [one["step"] for one in of_task if one["task_id"] == task["id"]] == ["overdue:1"]
    states = {one["step"]: one["state"] for one in clinic.found("reminders", task_id=task["id"])}
    assert (states["on_day"], states["overdue:1"], states["overdue:7"]) == ("too_late", "handed", "planned")


def test_a_task_that_is_closed_is_not_reminded_of(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)
    clinic.post(f"/v1/retests/{task['id']}/cancel", {"reason": "moved away"})
    clinic.at(on(task["due_on"]))

    sent(clinic)

    assert received.requests == []
    assert clinic.found("reminders", task_id=task["id"], state="planned") == []


def test_a_task_that_is_moved_is_reminded_of_on_its_new_day(clinic, received):
    add_webhook(clinic, received.url)
    task = held(clinic)
    clinic.post(f"/v1/retests/{task['id']}/reschedule", {"due_on": "2026-12-15", "reason": "away"})

    clinic.at(on(task["due_on"]))
    sent(clinic)
    assert received.requests == []
    clinic.at("2026-12-15T07:00:00+01:00")
    sent(clinic)

    assert json.loads(received.requests[-1][1])["data"]["due_on"] == "2026-12-15"


def test_a_record_from_before_reminders_is_planned_for(clinic):
    task = held(clinic)
    planned = clinic.found("reminders", task_id=task["id"])
    clinic.world.context.database.write(lambda tx: tx.exec_driver_sql("DELETE FROM reminders"))

    plan_missing(clinic.world.context)
    plan_missing(clinic.world.context)

    assert clinic.found("reminders", task_id=task["id"]) == planned


def test_a_person_gets_one_mail_a_day_without_anything_clinical(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    for number in range(3):
        athlete, episode = {"ref": f"N{number}", "new": True}, small()["episode"] | {"ref": f"N{number}-1"}
        limping = SESSION_CHECK | {"limp": True}
        clinic.post_battery(small(None, session_check=limping, athlete=athlete, episode=episode))
    day = clinic.found("tasks", kind="retest")[0]["due_on"]
    with mail_server() as box:
        clinic.at(on(day))
        sent(clinic, box.url)
        sent(clinic, box.url)

        [envelope] = box.mails
    mail = message_from_bytes(envelope.content, policy=policy.default)
    text = mail.get_body(("plain",)).get_content()
    assert envelope.rcpt_tos == ["kim@example.org"]
    assert mail["Subject"] == "3 things are due"
    assert [f"N{number}: retest" in text for number in range(3)] == [True] * 3
    assert text.count("https://rts.example.org/console/athletes/") == 3
    assert "limp" not in envelope.content.decode().lower()
    assert mail.get_body(("html",)).get_content().count("<li>") == 3


def test_a_mail_that_the_server_can_not_take_now_is_tried_again_under_the_same_id(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    task = held(clinic)
    with mail_server() as box:
        box.answer = "451 come again"
        clinic.at(on(task["due_on"]))
        sent(clinic, box.url)
        assert clinic.row("deliveries")["state"] == "waiting"
        box.answer = "250 OK"
        clinic.at(clinic.world.clock() + timedelta(minutes=1))
        sent(clinic, box.url)

        ids = [message_from_bytes(one.content)["Message-ID"] for one in box.mails]
    assert len(ids) == 2
    assert len(set(ids)) == 1
    assert clinic.row("deliveries")["state"] == "delivered"


def test_an_address_that_is_refused_for_good_is_not_tried_again(clinic):
    add_mail(clinic, "clinician", "gone@example.org")
    task = held(clinic)
    with mail_server() as box:
        box.answer_to_recipient = "550 no such user"
        clinic.at(on(task["due_on"]))
        sent(clinic, box.url)

    one = clinic.row("deliveries")
    assert (one["state"], one["status"]) == ("dead", 550)
    assert "no such user" in one["error"]


def test_without_a_mail_server_no_mail_waits(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    task = held(clinic)
    clinic.at(on(task["due_on"]))

    sent(clinic)

    assert clinic.found("deliveries") == []


def test_a_mail_server_that_is_not_there_is_tried_again(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    task = held(clinic)
    clinic.at(on(task["due_on"]))

    sent(clinic, "smtp://127.0.0.1:9")

    one = clinic.row("deliveries")
    assert one["state"] == "waiting"
    assert "not reached" in one["error"]


def test_the_operator_sees_how_long_what_is_due_waits_and_what_is_not_delivered(clinic, received):
    def figures():
        lines = clinic.world.client(None).get("/metrics").text.splitlines()
        told = (line.rsplit(" ", 1) for line in lines if line.startswith(("rts_reminders", "rts_deliveries")))
        return {name: float(value) for name, value in told}

    add_webhook(clinic, received.url)
    task = held(clinic)
    clinic.at(on(task["due_on"], "08:00:00+01:00"))
    late = figures()
    hand_due(clinic.world.context, has_mail=False)
    waiting = figures()
    sent(clinic)

    assert late["rts_reminders_late_seconds"] >= 3600
    assert (waiting["rts_reminders_late_seconds"], waiting['rts_deliveries{state="waiting"}']) == (0, 1)
    assert figures()['rts_deliveries{state="waiting"}'] == 0
