"""Whether a webhook may be sent to an address: its form, and every network address that its host has today."""

import socket
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from ipaddress import ip_address

from service.domain.addresses import Address, refused, target_of
from service.domain.errors import FieldError
from service.use_cases.context import Context

REFUSED_NETWORK = "refused_network"

_URL = "#/url"
_SECONDS = 5
"""How long somebody who names an address waits for its host to be looked up; practice."""

Resolve = Callable[[str, int], list[Address]]


def resolved(host: str, port: int) -> list[Address]:
    """Return every network address that a host has now, as the system resolves it.

    Raises:
        OSError, UnicodeError: it has none, or is no name that could have one.
    """
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(ip_address(place[0]) for *_, place in found))


def looked_up(host: str, port: int, *, seconds: float, resolve: Resolve = resolved) -> list[Address]:
    """Return the network addresses of a host; a look-up that takes longer is left to end by itself.

    Args:
        host: a name or an address.
        port: to which port.
        seconds: the system itself sets no limit to a look-up that can be given here.
        resolve: what looks up.

    Raises:
        TimeoutError: it takes longer.
        OSError, UnicodeError: as `resolve` does.
    """
    found: Future[list[Address]] = Future()

    def look_up() -> None:
        try:
            found.set_result(resolve(host, port))
        except Exception as error:  # noqa: BLE001 - whoever waits is told what it was
            found.set_exception(error)

    threading.Thread(target=look_up, daemon=True).start()
    return found.result(seconds)


def address_faults(context: Context, url: str) -> Iterator[FieldError]:
    """Yield what stands against an address; a host that has none today may have one when it is sent to."""
    try:
        target = target_of(url)
    except ValueError as error:
        yield FieldError(_URL, "bad_text", str(error))
        return
    try:
        found = looked_up(target.host, target.port, seconds=_SECONDS)
    except (OSError, UnicodeError):
        return
    for address in found:
        because = refused(address, context.webhook_networks, scheme=target.scheme)
        if because is not None:
            yield FieldError(_URL, REFUSED_NETWORK, because)
