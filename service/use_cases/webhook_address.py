"""Whether a webhook may be sent to an address: its form, and every network address that its host has today."""

import socket
from collections.abc import Iterator
from ipaddress import ip_address

from service.domain.addresses import Address, refused, target_of
from service.domain.errors import FieldError
from service.use_cases.context import Context

REFUSED_NETWORK = "refused_network"

_URL = "#/url"


def resolved(host: str, port: int) -> list[Address]:
    """Return every network address that a host has now, as the system resolves it.

    Raises:
        OSError, UnicodeError: it has none, or is no name that could have one.
    """
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(ip_address(place[0]) for *_, place in found))


def address_faults(context: Context, url: str) -> Iterator[FieldError]:
    """Yield what stands against an address; a host that has none today may have one when it is sent to."""
    try:
        target = target_of(url)
    except ValueError as error:
        yield FieldError(_URL, "bad_text", str(error))
        return
    try:
        found = resolved(target.host, target.port)
    except (OSError, UnicodeError):
        return
    for address in found:
        because = refused(address, context.webhook_networks, scheme=target.scheme)
        if because is not None:
            yield FieldError(_URL, REFUSED_NETWORK, because)
