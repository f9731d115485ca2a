"""A name with several addresses: each is checked, one after the other is tried, and all within one limit of time."""

import contextlib
import socket
from ipaddress import ip_address
from threading import Event, Thread

import pytest

from service.reminders import webhook
from service.reminders.sender import Sender
from service.reminders.webhook import WebhookSender
from service.use_cases.reminding import hand_due
from tests.reminders.due import LOOPBACK, add_webhook, held
from tests.reminders.receivers import HOST, receiver, shown, trusting


def sent(clinic, resolve, *, tls=None):
    """Send what is due to a name that is looked up like this."""
    clinic.at(f"{held(clinic)['due_on'].isoformat()}T07:00:00+01:00")
    sender = Sender(clinic.world.context, WebhookSender(LOOPBACK, "0.0.0", resolve=resolve, tls=tls), None)
    hand_due(clinic.world.context, has_mail=False)
    sender.send_due()
    sender.close()
    return clinic.row("deliveries")


def having(*addresses):
    return lambda *_: [ip_address(one) for one in addresses]


def test_where_the_first_address_takes_no_connection_the_next_is_tried(clinic):
    with receiver(shown()) as received:
        add_webhook(clinic, received.url)

        one = sent(clinic, having("127.0.0.2", "127.0.0.3", "127.0.0.1"), tls=trusting())

    assert (one["state"], one["attempts"], len(received.requests)) == ("delivered", 1, 1)


def test_an_address_that_is_silent_leaves_the_next_one_its_share_of_the_time(clinic, monkeypatch):
    monkeypatch.setattr(webhook, "SECONDS", 3)
    with receiver(shown()) as received:
        port = int(received.url.rpartition(":")[2].partition("/")[0])
        with socket.create_server(("127.0.0.2", port)):
            add_webhook(clinic, received.url)

            one = sent(clinic, having("127.0.0.2", "127.0.0.1"), tls=trusting())

    assert (one["state"], len(received.requests)) == ("delivered", 1)


def test_where_none_takes_a_connection_it_is_told_why_the_first_did_not(clinic):
    with receiver() as received:  # it does not encrypt
        add_webhook(clinic, received.url.replace("http://127.0.0.1", f"https://{HOST}"))

        one = sent(clinic, having("127.0.0.2", "127.0.0.1"), tls=trusting())

    assert (one["state"], one["error"], received.requests) == ("waiting", "refused the connection", [])


@pytest.mark.parametrize("addresses", [["127.0.0.1", "10.0.0.1"], ["10.0.0.1", "127.0.0.1"]])
def test_a_name_of_which_one_address_is_refused_is_not_sent_to(clinic, addresses):
    with receiver(shown()) as received:
        add_webhook(clinic, received.url)

        one = sent(clinic, having(*addresses), tls=trusting())

    assert (one["state"], received.requests) == ("waiting", [])
    assert one["error"].startswith("10.0.0.1 is private or reserved")


def test_a_name_that_nobody_looks_up_in_time_ends_the_try(clinic, monkeypatch):
    monkeypatch.setattr(webhook, "SECONDS", 0.05)
    is_over = Event()
    add_webhook(clinic, f"https://{HOST}/")

    one = sent(clinic, lambda *_: is_over.wait())

    is_over.set()
    assert (one["state"], one["error"]) == ("waiting", f"the addresses of {HOST} were not found within 0.05 s")


@pytest.mark.parametrize(
    ("begun", "piece"),
    [
        (b"", b""),
        (b"HTTP/1.1 200 OK\r\n", b"a: b\r\n"),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 65536\r\n\r\n", b"a"),
        (b"HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n", b"a"),
    ],
)
def test_a_receiver_that_never_answers_or_never_ends_its_answer_ends_the_try(clinic, monkeypatch, begun, piece):
    monkeypatch.setattr(webhook, "SECONDS", 0.5)
    is_over = Event()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve():
            connection, _ = server.accept()
            with connection, contextlib.suppress(OSError):
                connection.sendall(begun)
                while not is_over.wait(0.05):
                    connection.sendall(piece)

        serving = Thread(target=serve)
        serving.start()
        add_webhook(clinic, f"http://127.0.0.1:{server.getsockname()[1]}/")

        one = sent(clinic, having("127.0.0.1"))

        is_over.set()
        serving.join()
    assert (one["state"], one["error"]) == ("waiting", webhook.SLOW)
