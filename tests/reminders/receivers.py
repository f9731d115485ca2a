"""Real servers on this machine that webhooks and mails are sent to, started and stopped by the test.

Where they encrypt, they show `receiver.pem`: the certificate of receiver.example.org and 127.0.0.1 by `authority.pem`,
an invented authority that nobody trusts but who is told to, with its key. Both were made with openssl for a hundred
years.
"""

import asyncio
import contextlib
import socket
import ssl
import threading
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP

from tests.cli.serving import SECONDS

HOST = "receiver.example.org"


def shown() -> ssl.SSLContext:
    """What the servers below show of themselves."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(Path(__file__).with_name("receiver.pem"))
    return context


def trusting() -> ssl.SSLContext:
    """The checks of somebody who trusts the invented authority."""
    return ssl.create_default_context(cafile=Path(__file__).with_name("authority.pem"))


@dataclass
class Received:
    """What a receiver was sent, and how it answers: by the number of what came before."""

    url: str
    requests: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    answer: Callable[[int], tuple[int, dict[str, str]]] = lambda _: (204, {})

    @property
    def ids(self) -> list[str]:
        return [headers["webhook-id"] for headers, _ in self.requests]


@contextlib.contextmanager
def receiver(tls: ssl.SSLContext | None = None) -> Iterator[Received]:
    """A receiver of webhooks on a free port; with `tls` it is asked for by its name."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            length = int(self.headers["Content-Length"])
            body = self.rfile.read(length)
            if len(body) < length:
                raise ConnectionResetError  # whoever sent it was killed meanwhile
            status, headers = received.answer(len(received.requests))
            received.requests.append(({name.lower(): value for name, value in self.headers.items()}, body))
            self.send_response(status)
            for name, value in {"Content-Length": "0", **headers}.items():
                self.send_header(name, value)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    class Server(ThreadingHTTPServer):
        request_queue_size = 256
        daemon_threads = True

        def handle_error(self, *_: Any) -> None:
            """Say nothing of a sender that went away."""

    server = Server(("127.0.0.1", 0), Handler)
    port = server.server_address[1]
    received = Received(f"https://{HOST}:{port}/hook" if tls else f"http://127.0.0.1:{port}/hook")
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield received
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


class _OnAFreePort(Controller):
    """Runs a mail server where the system finds a port free."""

    def _create_server(self) -> Awaitable[asyncio.AbstractServer]:
        listening = socket.create_server(("127.0.0.1", 0))
        self.port = listening.getsockname()[1]
        return self.loop.create_server(self._factory_invoker, sock=listening)


@dataclass
class Mailbox:
    """What a mail server was handed, and what it answers to each."""

    url: str = ""
    mails: list[Any] = field(default_factory=list)
    answer: str = "250 OK"
    answer_to_sender: str | None = None
    answer_to_recipient: str | None = None
    answer_at_the_end: str = "221 Bye"


@contextlib.contextmanager
def mail_server(tls: ssl.SSLContext | None = None) -> Iterator[Mailbox]:
    """A mail server on a free port; with `tls` it takes mails only over an encrypted connection."""
    box = Mailbox()

    class Handler:
        async def handle_MAIL(  # noqa: N802 - so the server calls it
            self, _server: SMTP, _session: Any, envelope: Any, address: str, _options: Any
        ) -> str:
            envelope.mail_from = address
            return box.answer_to_sender or "250 OK"

        async def handle_QUIT(  # noqa: N802 - likewise
            self, _server: SMTP, _session: Any, _envelope: Any
        ) -> str:
            return box.answer_at_the_end

        async def handle_RCPT(  # noqa: N802 - likewise
            self, _server: SMTP, _session: Any, envelope: Any, address: str, _options: Any
        ) -> str:
            if box.answer_to_recipient is None:
                envelope.rcpt_tos.append(address)
            return box.answer_to_recipient or "250 OK"

        async def handle_DATA(  # noqa: N802 - likewise
            self, _server: SMTP, _session: Any, envelope: Any
        ) -> str:
            box.mails.append(envelope)
            return box.answer

    encrypted = {"tls_context": tls, "require_starttls": True} if tls else {}
    controller = _OnAFreePort(Handler(), hostname="127.0.0.1", ready_timeout=SECONDS, **encrypted)
    controller.start()
    box.url = f"smtp://127.0.0.1:{controller.port}"
    try:
        yield box
    finally:
        controller.stop()
