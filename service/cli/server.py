"""The web server of `serve` and of `demo`: waitress, one process, and a stop that finishes what it has begun."""

import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import waitress
from flask import Flask

from service.cli.refusals import invalid_option
from service.settings import Settings

DRAIN_SECONDS = 25
"""How long a stop waits for running requests; container platforms kill after 30 seconds."""

MOST_BODY_BYTES = 8 * 1024 * 1024
"""Beyond this a body is cut off unread; below it the service itself answers what is too large for it."""

_STOPPING = (signal.SIGINT, signal.SIGTERM)
_POLL_SECONDS = 0.05


def listen(host: str, port: int, *, option: str) -> socket.socket:
    """Return a socket that listens; port 0 takes a free one.

    Args:
        host: the address.
        port: its port.
        option: what the user would change.

    Raises:
        InvalidDocumentError: invalid_option: the address or port can't be had.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=1024)
    except OSError as error:
        why = (os.strerror(error.errno) if error.errno else str(error)).lower()
        detail = f"{host}:{port} can't be listened on ({why}); stop what uses it, or choose another"
        raise invalid_option(detail, option=option, code="conflicts") from None


def url_of(listening: socket.socket) -> str:
    """Return the address under which the service answers."""
    host, port = listening.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def serve(app: Flask, listening: socket.socket, settings: Settings, *, ready: Callable[[], None]) -> None:
    """Answer requests until SIGINT or SIGTERM; requests that are running by then are finished.

    Args:
        app: the service.
        listening: where it answers.
        settings: threads and proxies.
        ready: called once requests are answered.
    """
    server = waitress.create_server(
        app,
        sockets=[listening],
        threads=settings.threads,
        ident=None,
        max_request_body_size=MOST_BODY_BYTES,
        # The app itself believes as many proxies as the operator says, and so has to see what they say.
        clear_untrusted_proxy_headers=settings.trusted_proxies == 0,
        channel_timeout=60,
    )
    with until_stopped() as wait:
        # The loop has a thread of its own, so that it goes on sending while the main thread waits for the end.
        threading.Thread(target=server.run, daemon=True).start()
        ready()
        wait()
        _drain(server)


@contextmanager
def until_stopped() -> Iterator[Callable[[], None]]:
    """Return what waits for SIGINT or SIGTERM, which do nothing else meanwhile."""
    stopping = threading.Event()
    before = {one: signal.signal(one, lambda *_: stopping.set()) for one in _STOPPING}

    def wait() -> None:
        while not stopping.wait(timeout=60):
            pass

    try:
        yield wait
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _drain(server: Any) -> None:
    """Take no new connection, and wait until every request that was read is answered and sent."""
    server.accepting = False
    until = time.monotonic() + DRAIN_SECONDS
    while _is_busy(server) and time.monotonic() < until:
        time.sleep(_POLL_SECONDS)


def _is_busy(server: Any) -> bool:
    return any(one.requests or one.total_outbufs_len for one in [*server.active_channels.values()])
