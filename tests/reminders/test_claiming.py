"""What is claimed at once: some of each webhook, so that who is slow keeps nobody else waiting."""

from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date, datetime, timedelta
from threading import Barrier

import pytest

from service.reminders.sender import AT_ONCE, Sender
from service.reminders.webhook import WebhookSender
from service.store.database import Database
from service.use_cases.reminding import hand_due
from service.use_cases.sending import DEAD_IN_A_ROW, GONE, LEASE, MAIL_WAITS, MOST_OF_ONE, Tried, claim, settle
from tests.clinic import new_clinic
from tests.reminders.due import LOOPBACK, add_mail, add_tasks, add_webhook
from tests.reminders.receivers import receiver

DAY = date(2026, 12, 1)
SEVEN = datetime.fromisoformat("2026-12-01T07:00:00+01:00")
PROCESSES = 4


@pytest.fixture
def clinic(own_database):
    made = new_clinic(own_database.url)
    yield made
    made.world.context.database.close()


def hand(clinic, moment, *, has_mail=False):
    clinic.at(moment)
    hand_due(clinic.world.context, has_mail=has_mail)


def test_a_webhook_with_much_to_be_sent_keeps_no_other_and_no_mail_waiting(clinic):
    slow = add_webhook(clinic, "https://slow.example.org/")
    add_tasks(clinic, 2 * MOST_OF_ONE, DAY)
    add_tasks(clinic, 1, DAY + timedelta(days=1))
    hand(clinic, SEVEN)
    other = add_webhook(clinic, "https://other.example.org/")
    add_mail(clinic, "clinician", "kim@example.org")
    hand(clinic, SEVEN + timedelta(days=1), has_mail=True)

    claimed = claim(clinic.world.context, limit=3 * MOST_OF_ONE, has_mail=True)

    assert Counter(one.webhook for one in claimed) == {slow: MOST_OF_ONE, other: MOST_OF_ONE, None: 1}


def test_where_many_webhooks_wait_each_has_its_share(clinic):
    ids = [add_webhook(clinic, f"https://receiver{number}.example.org/") for number in range(8)]
    add_tasks(clinic, MOST_OF_ONE, DAY)
    hand(clinic, SEVEN)

    claimed = claim(clinic.world.context, limit=4 * MOST_OF_ONE, has_mail=False)

    assert Counter(one.webhook for one in claimed) == dict.fromkeys(ids, MOST_OF_ONE // 2)


def test_what_the_address_before_answers_does_not_turn_off_the_one_that_took_its_place(clinic):
    id_ = add_webhook(clinic, "https://before.example.org/")
    add_tasks(clinic, DEAD_IN_A_ROW, DAY)
    hand(clinic, SEVEN)
    claimed = claim(clinic.world.context, limit=DEAD_IN_A_ROW, has_mail=False)
    clinic.update("webhooks", {"url": "https://after.example.org/"}, id=id_)

    for one in claimed:
        settle(clinic.world.context, one, Tried(status=GONE, is_final=True), lambda: 0.5)

    assert {one["state"] for one in clinic.found("deliveries")} == {"dead"}
    assert clinic.row("webhooks")["state"] == "on"


def test_what_can_not_be_begun_before_the_claim_is_over_is_left_to_the_next_one(clinic):
    with receiver() as received:
        received.answer = lambda _: (clinic.at(SEVEN + LEASE), (204, {}))[1]
        add_webhook(clinic, received.url)
        add_tasks(clinic, MOST_OF_ONE, DAY)
        hand(clinic, SEVEN)
        sender = Sender(clinic.world.context, WebhookSender(LOOPBACK, "0.0.0"), None)
        sender.send_due()
        begun = len(received.ids)
        while sender.send_due():
            pass
        sender.close()

    assert 0 < begun <= AT_ONCE
    assert len(received.ids) == len(set(received.ids)) == MOST_OF_ONE


def test_who_is_to_stop_finishes_what_is_being_sent_and_begins_nothing_more(clinic):
    with receiver() as received:
        sender = Sender(clinic.world.context, WebhookSender(LOOPBACK, "0.0.0"), None)
        received.answer = lambda _: (sender.stop(), (204, {}))[1]
        add_webhook(clinic, received.url)
        add_tasks(clinic, MOST_OF_ONE, DAY)
        hand(clinic, SEVEN)
        sender.send_due()
        assert sender.send_due() == 0
        sender.close()

    assert 0 < len(received.ids) <= AT_ONCE
    assert len(clinic.found("deliveries", state="delivered")) == len(received.ids)
    waiting = clinic.found("deliveries", state="waiting")
    assert {(one["attempts"], one["attempted_at"], one["claimed_by"]) for one in waiting} == {(0, None, None)}
    left = claim(clinic.world.context, limit=MOST_OF_ONE, has_mail=False)
    assert len(left) == MOST_OF_ONE - len(received.ids)
    assert {one.attempts for one in left} == {1}, "the first try of each is still to come, and at once"


def test_a_mail_that_no_mail_server_is_handed_in_time_is_too_late_until_somebody_sends_it_again(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    add_tasks(clinic, 1, DAY)
    hand(clinic, SEVEN, has_mail=True)

    for moment, state in ((MAIL_WAITS - timedelta(seconds=1), "waiting"), (MAIL_WAITS, "dropped")):
        clinic.at(SEVEN + moment)
        assert claim(clinic.world.context, limit=MOST_OF_ONE, has_mail=False) == []
        assert clinic.row("deliveries")["state"] == state
    assert claim(clinic.world.context, limit=MOST_OF_ONE, has_mail=True) == []
    [one] = clinic.administrator.get("/v1/deliveries").json["items"]
    assert (one["attempts"], one["error"]) == (0, "too late: no mail server was handed it within 3 days")

    clinic.administrator.post(f"/v1/deliveries/{one['id']}/replay")
    assert len(claim(clinic.world.context, limit=MOST_OF_ONE, has_mail=True)) == 1


def test_a_mail_that_somebody_is_at_is_not_too_late(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    add_tasks(clinic, 1, DAY)
    hand(clinic, SEVEN, has_mail=True)
    clinic.at(SEVEN + MAIL_WAITS - timedelta(seconds=1))
    [one] = claim(clinic.world.context, limit=MOST_OF_ONE, has_mail=True)

    clinic.at(SEVEN + MAIL_WAITS)
    claim(clinic.world.context, limit=MOST_OF_ONE, has_mail=True)
    settle(clinic.world.context, one, Tried(is_done=True), lambda: 0.5)

    assert clinic.row("deliveries")["state"] == "delivered"


def test_processes_that_claim_at_once_claim_what_the_others_have_not(clinic):
    add_webhook(clinic, "https://receiver.example.org/")
    add_tasks(clinic, PROCESSES * MOST_OF_ONE, DAY)
    hand(clinic, SEVEN)
    contexts = [replace(clinic.world.context, database=Database(clinic.world.url)) for _ in range(PROCESSES)]
    together = Barrier(PROCESSES)

    def look(number):
        together.wait()
        return claim(contexts[number], limit=64, has_mail=False)

    with ThreadPoolExecutor(PROCESSES) as pool:
        shares = list(pool.map(look, range(PROCESSES)))
    for one in contexts:
        one.database.close()

    assert [len(share) for share in shares] == [MOST_OF_ONE] * PROCESSES
    assert len({one.id for share in shares for one in share}) == PROCESSES * MOST_OF_ONE
