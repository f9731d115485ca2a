"""Encrypted on the way: the name is checked though the address is pinned, and nobody is told anything else."""

import ssl
import time
from dataclasses import replace
from email import message_from_bytes
from ipaddress import ip_address
from pathlib import Path

import pytest

from service.reminders import webhook
from service.reminders.mail import MailSender
from service.reminders.sender import Sender
from service.reminders.webhook import WebhookSender
from service.use_cases.reminding import hand_due
from tests.reminders.due import LOOPBACK, add_mail, add_webhook, held
from tests.reminders.receivers import HOST, mail_server, receiver, shown, trusting


@pytest.fixture
def asked():
    """The names that a client asks for as it begins to encrypt."""
    return []


@pytest.fixture
def received(asked):
    tls = shown()
    tls.sni_callback = lambda _socket, name, _context: asked.append(name)
    with receiver(tls) as one:
        yield one


def sent(clinic, *, tls=None, mail_url=None):
    """Send what is due at the hour of a task, to names that all lead to this machine."""
    clinic.at(f"{held(clinic)['due_on'].isoformat()}T07:00:00+01:00")
    context = replace(clinic.world.context, public_url="https://rts.example.org")
    webhooks = WebhookSender(LOOPBACK, "0.0.0", resolve=lambda *_: [ip_address("127.0.0.1")], tls=tls)
    mails = MailSender(context, mail_url, "rts@example.org", tls=tls) if mail_url else None
    sender = Sender(context, webhooks, mails)
    hand_due(context, has_mail=sender.has_mail)
    sender.send_due()
    sender.close()
    return clinic.row("deliveries")


def test_a_receiver_that_shows_the_certificate_of_its_name_is_told(clinic, received, asked):
    add_webhook(clinic, received.url)

    one = sent(clinic, tls=trusting())

    assert (one["state"], one["error"]) == ("delivered", None)
    assert asked == [HOST], "the address was connected to, and the name was asked for"
    [(headers, _)] = received.requests
    assert headers["host"] == received.url.removeprefix("https://").removesuffix("/hook")


def test_a_receiver_that_shows_the_certificate_of_another_name_is_told_nothing(clinic, received):
    add_webhook(clinic, received.url.replace(HOST, "other.example.org"))

    one = sent(clinic, tls=trusting())

    assert (one["state"], received.requests) == ("waiting", [])
    assert one["error"].startswith("its certificate is not trusted (Hostname mismatch")


def test_a_receiver_whose_authority_nobody_trusts_is_told_nothing(clinic, received):
    add_webhook(clinic, received.url)

    one = sent(clinic)

    assert (one["state"], received.requests) == ("waiting", [])
    assert one["error"].startswith("its certificate is not trusted (")


def test_no_redirect_is_followed_though_it_leads_to_a_trusted_name(clinic, received):
    add_webhook(clinic, received.url)
    received.answer = lambda _: (308, {"Location": received.url + "/elsewhere"})

    one = sent(clinic, tls=trusting())

    assert (one["state"], one["status"], len(received.requests)) == ("waiting", 308, 1)
    assert "a redirect; none is followed" in one["error"]


def test_a_receiver_that_does_not_encrypt_is_told_nothing(clinic):
    with receiver() as plain:
        add_webhook(clinic, plain.url.replace("http://127.0.0.1", f"https://{HOST}"))

        one = sent(clinic, tls=trusting())

    assert (one["state"], one["error"], plain.requests) == ("waiting", "broke the connection off", [])


def test_a_receiver_that_takes_too_long_to_begin_to_encrypt_is_cut_off(clinic, received, monkeypatch):
    class Slow(ssl.SSLContext):
        def wrap_socket(self, *args, **settings):
            made = super().wrap_socket(*args, **settings)
            time.sleep(0.5)
            return made

    tls = Slow(ssl.PROTOCOL_TLS_CLIENT)
    tls.load_verify_locations(Path(__file__).with_name("authority.pem"))
    monkeypatch.setattr(webhook, "SECONDS", 0.25)
    add_webhook(clinic, received.url)

    one = sent(clinic, tls=tls)

    assert (one["state"], one["error"]) == ("waiting", webhook.SLOW)
    assert received.requests == []


def test_a_mail_goes_over_a_connection_that_the_server_encrypts(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    with mail_server(shown()) as box:
        one = sent(clinic, tls=trusting(), mail_url=box.url)

    assert (one["state"], one["error"]) == ("delivered", None)
    assert message_from_bytes(box.mails[0].content)["To"] == "kim@example.org"


def test_a_mail_server_whose_authority_nobody_trusts_is_handed_nothing(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    with mail_server(shown()) as box:
        one = sent(clinic, tls=ssl.create_default_context(), mail_url=box.url)

    assert (one["state"], box.mails) == ("waiting", [])
    assert one["error"].startswith("the mail server's certificate is not trusted (")


@pytest.mark.parametrize(("answer", "state"), [("554 no", "dead"), ("452 full", "waiting"), ("421 closing", "waiting")])
def test_a_mail_that_is_refused_is_dead_for_good_or_tried_again_as_the_server_says(clinic, answer, state):
    add_mail(clinic, "clinician", "kim@example.org")
    with mail_server() as box:
        box.answer = answer
        one = sent(clinic, mail_url=box.url)

    assert (one["state"], one["status"]) == (state, int(answer.split()[0]))
    assert one["error"] == f"the mail server answered {answer}"


def test_what_the_server_says_of_this_service_is_final_for_no_mail(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    with mail_server() as box:
        box.answer_to_sender = "550 nobody known"
        one = sent(clinic, mail_url=box.url)

    assert (one["state"], one["error"]) == ("waiting", "the mail server answered 550 nobody known")


def test_a_mail_that_was_taken_is_not_sent_again_whatever_is_said_at_the_end(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    with mail_server() as box:
        box.answer_at_the_end = "421 too long"
        one = sent(clinic, mail_url=box.url)

    assert (one["state"], len(box.mails)) == ("delivered", 1)


def test_an_address_that_the_server_can_not_take_now_is_tried_again(clinic):
    add_mail(clinic, "clinician", "kim@example.org")
    with mail_server() as box:
        box.answer_to_recipient = "450 come again"
        one = sent(clinic, mail_url=box.url)

    assert (one["state"], one["status"], box.mails) == ("waiting", 450, [])
