"""To where a webhook may be sent: an address in the one form that is taken, and networks that are refused.

`ipaddress.is_global` is not enough: on Python 3.11 it holds for multicast and for addresses that lead to an IPv4
address by translation or tunnel. IPv6 is therefore held to what is given out for the public network.

Sources: IANA IPv4 and IPv6 Special-Purpose Address Registries; RFC 6052, RFC 8215 (translation), RFC 3056, RFC 7526
(6to4), RFC 4380 (Teredo), RFC 9637 (documentation).
"""

import re
from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_network
from typing import NamedTuple

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

HTTP, HTTPS = "http", "https"
ALLOWING = "RTS_WEBHOOK_NETWORKS"
"""The setting by which the operator names networks that may be reached."""

_PORTS = {HTTP: 80, HTTPS: 443}
_HIGHEST_PORT = 65535
_HOST = r"\[[0-9a-f:.]+\]|[a-z0-9_-]{1,63}(\.[a-z0-9_-]{1,63})*\.?"
_URL = re.compile(
    rf"(?P<scheme>https?)://(?P<host>{_HOST})(:(?P<port>[0-9]{{1,5}}))?(?P<path>[/?][!-\[\]-~]*)?",
    re.ASCII | re.IGNORECASE,
)
_EXAMPLE = "https://receiver.example.org/rts"

_PUBLIC_IPV6 = ip_network("2000::/3")
_TUNNELLED = "leads to an IPv4 address by translation or tunnel"
_RESERVED = "is private or reserved"
_REFUSED: tuple[tuple[Network, str], ...] = (
    (ip_network("64:ff9b::/96"), _TUNNELLED),
    (ip_network("64:ff9b:1::/48"), _TUNNELLED),
    (ip_network("2002::/16"), _TUNNELLED),
    (ip_network("2001::/32"), _TUNNELLED),
    (ip_network("192.88.99.0/24"), _TUNNELLED),
    (ip_network("2001::/23"), _RESERVED),
    (ip_network("3fff::/20"), _RESERVED),
    (ip_network("192.0.0.0/24"), _RESERVED),
)


class Target(NamedTuple):
    """Where a webhook is sent: scheme, host without brackets, port, and what stands in the request line."""

    scheme: str
    host: str
    port: int
    path: str


def target_of(url: str) -> Target:
    """Return the parts of a webhook's address.

    Only one plain form is taken, so that no two readers can find different hosts in it.

    >>> target_of("https://receiver.example.org/rts?club=7")
    Target(scheme='https', host='receiver.example.org', port=443, path='/rts?club=7')

    Raises:
        ValueError: it is none that is taken; the message says what mends it.
    """
    authority = url.partition("://")[2].partition("/")[0]
    if not url.lower().startswith((f"{HTTP}://", f"{HTTPS}://")):
        message = f"an address of http or https is wanted, such as {_EXAMPLE}"
        raise ValueError(message)
    if "#" in url:
        message = "leave out # and what follows; it is never sent"
        raise ValueError(message)
    if "@" in authority:
        message = "leave out user and password; a receiver knows this service by the signature"
        raise ValueError(message)
    return _parts(url)


def _parts(url: str) -> Target:
    found = _URL.fullmatch(url)
    if found is None:
        message = f"host, port and path in ASCII are wanted, such as {_EXAMPLE}; write all else percent-encoded"
        raise ValueError(message)
    scheme, path = found["scheme"].lower(), found["path"] or "/"
    port = int(found["port"] or _PORTS[scheme])
    if not 1 <= port <= _HIGHEST_PORT:
        message = f"a port from 1 to {_HIGHEST_PORT} is wanted"
        raise ValueError(message)
    return Target(scheme, found["host"].strip("[]").lower(), port, path if path.startswith("/") else f"/{path}")


def refused(address: Address, allowed: Iterable[Network], *, scheme: str = HTTPS) -> str | None:
    """Return why nothing is sent to an address, in words that name it and what would allow it; None where it is.

    Args:
        address: one that the host has.
        allowed: the networks that the operator allows.
        scheme: http goes to these networks only, as anybody on the way can read it.
    """
    judged = getattr(address, "ipv4_mapped", None) or address
    if any(one in network for network in allowed for one in (address, judged)):
        return None
    because = _because(judged)
    if because is not None:
        return f"{address} {because}; the operator can allow its network with {ALLOWING}"
    if scheme == HTTP:
        return f"{address} is outside the networks of {ALLOWING}, so that http is refused; use https"
    return None


def _because(address: Address) -> str | None:
    if address.is_loopback or address.is_unspecified:
        return "is this machine itself"
    if address.is_link_local:
        return "is link-local"
    if address.is_multicast:
        return "is multicast"
    for network, because in _REFUSED:
        if address in network:
            return because
    is_public = address.is_global and (isinstance(address, IPv4Address) or address in _PUBLIC_IPV6)
    return None if is_public else _RESERVED
