"""Whatever a receiver answers, the delivery log says in words what it was, and no fault of the service."""

import gzip
import socket
import threading
from http.client import parse_headers

import pytest

from service.reminders.sender import Sender
from service.reminders.webhook import WebhookSender
from service.use_cases.reminding import hand_due
from tests.cli.serving import SECONDS
from tests.reminders.due import LOOPBACK, add_webhook, held

NO_HTTP = "answered something that is no HTTP"
BROKEN_OFF = "broke the connection off"


def answered(clinic, answer):
    """What becomes of a delivery that is answered these bytes."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(SECONDS)

        def serve():
            connection, _ = server.accept()
            with connection, connection.makefile("rb") as asked:
                asked.readline()
                asked.read(int(parse_headers(asked)["Content-Length"]))
                connection.sendall(answer)

        serving = threading.Thread(target=serve)
        serving.start()
        add_webhook(clinic, f"http://127.0.0.1:{server.getsockname()[1]}/")
        clinic.at(f"{held(clinic)['due_on'].isoformat()}T07:00:00+01:00")
        hand_due(clinic.world.context, has_mail=False)
        sender = Sender(clinic.world.context, WebhookSender(LOOPBACK, "0.0.0"), None)
        sender.send_due()
        sender.close()
        serving.join()
    return clinic.row("deliveries")


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        (b"SSH-2.0-invented\r\n", NO_HTTP),
        (b"HTTP/1.1 fine\r\n\r\n", NO_HTTP),
        (b"HTTP/1.1 200 OK\r\n" + b"a: b\r\n" * 200 + b"\r\n", NO_HTTP),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nfew", BROKEN_OFF),
        (b"", BROKEN_OFF),
        (
            b"HTTP/1.1 429 No\r\nRetry-After: Fri, 31 Dec 9999 23:59:59 -2359\r\nContent-Length: 0\r\n\r\n",
            "answered 429",
        ),
    ],
)
def test_what_is_no_success_is_told_in_words_and_tried_again(clinic, answer, error):
    one = answered(clinic, answer)

    assert (one["state"], one["error"]) == ("waiting", error)


@pytest.mark.parametrize("body", [b"no gzip at all", gzip.compress(bytes(5_000_000))])
def test_what_a_success_says_is_not_unpacked(clinic, body):
    head = f"HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nContent-Length: {len(body)}\r\n\r\n"

    assert answered(clinic, head.encode() + body)["state"] == "delivered"
