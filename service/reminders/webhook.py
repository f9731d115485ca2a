"""Send one webhook: to an address that was looked up, checked and is then connected to; no redirect is followed.

Looking up, connecting and being answered share one limit of time. Encryption may take once more what connecting may,
so that a try is over within twice the limit.
"""

import contextlib
import re
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from http.client import HTTPException, IncompleteRead
from typing import Any, NamedTuple

from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.exceptions import HTTPError

from service.domain.addresses import HTTPS, Address, Network, Target, refused, target_of
from service.reminders.signing import signature
from service.store.sending import Claimed
from service.use_cases.sending import GONE, Tried
from service.use_cases.webhook_address import Resolve, looked_up, resolved

SECONDS = 15
MOST_READ = 64 * 1024
_CHUNK = 4096
_FINAL = frozenset({GONE})
_SUCCESS, _REDIRECT = range(200, 300), range(300, 400)
_ASKING = frozenset({429, 503})
_WHOLE = re.compile(r"[0-9]{1,6}")

_FAULTS = (HTTPError, HTTPException, OSError)

SLOW = f"did not answer within {SECONDS} s"


class _UnreachableError(Exception):
    """Nothing can be sent; the message says why, in words for the delivery log."""


class _Answered(NamedTuple):
    """What a receiver answered: the status, and when it asks to be tried again."""

    status: int
    retry_after: str | None


class WebhookSender:
    """Sends webhooks of this release.

    Args:
        allowed: networks inside the operator's own that may be reached.
        version: the release, told to receivers.
        resolve: returns the addresses of a host.
        tls: how certificates are checked; by default as the system trusts.
    """

    def __init__(
        self,
        allowed: Sequence[Network],
        version: str,
        *,
        resolve: Resolve = resolved,
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self._allowed = allowed
        self._agent = f"rts-service/{version}"
        self._resolve = resolve
        self._tls = tls or ssl.create_default_context()

    def send(self, one: Claimed, now: datetime) -> Tried:
        """Return what became of one try at a moment."""
        if not one.is_on or one.url is None or one.secret is None:
            return Tried(is_needless=True, error="the webhook is turned off")
        until = time.monotonic() + SECONDS
        try:
            target = target_of(one.url)
            headers = _headers(one, now, self._agent, target)
            with contextlib.closing(self._connected(target, until)) as connection:
                answered = _posted(connection, target.path, one.document.encode(), headers, until)
        except _FAULTS as error:  # first, because a certificate that is not trusted is a ValueError, too
            return Tried(error=_why(error))
        except (_UnreachableError, ValueError) as error:
            return Tried(error=str(error))
        return _tried(answered, now)

    def _connected(self, target: Target, until: float) -> HTTPConnection:
        """Return a connection to the first address that takes one; each has its share of the time that is left.

        Where none does, why the first did not is raised: the system puts first what it can reach best.
        """
        addresses, faults = self._addresses(target, until), []
        for place, address in enumerate(addresses):
            connection = self._connection(target, address, _left(until) / (len(addresses) - place))
            try:
                connection.connect()
            except _FAULTS as error:
                connection.close()
                faults.append(error)
            else:
                return connection
        raise faults[0]

    def _addresses(self, target: Target, until: float) -> list[Address]:
        """Return the addresses of a host, in the order in which the system would try them; each must be allowed."""
        try:
            found = looked_up(target.host, target.port, seconds=_left(until), resolve=self._resolve)
        except TimeoutError:
            message = f"the addresses of {target.host} were not found within {SECONDS} s"
            raise _UnreachableError(message) from None
        except (OSError, UnicodeError):
            message = f"the name {target.host} has no address"
            raise _UnreachableError(message) from None
        for one in found:
            because = refused(one, self._allowed, scheme=target.scheme)
            if because is not None:
                raise _UnreachableError(because)
        return found

    def _connection(self, target: Target, address: Address, seconds: float) -> HTTPConnection:
        if target.scheme != HTTPS:
            return HTTPConnection(str(address), target.port, timeout=seconds)
        return HTTPSConnection(
            str(address), target.port, timeout=seconds, ssl_context=self._tls, server_hostname=target.host
        )


def _left(until: float) -> float:
    """Return how many seconds are left of a try.

    Raises:
        TimeoutError: none.
    """
    left = until - time.monotonic()
    if left <= 0:
        raise TimeoutError
    return left


def _posted(connection: HTTPConnection, path: str, body: bytes, headers: Mapping[str, str], until: float) -> _Answered:
    connection.timeout = _left(until)
    with _cut_after(_left(until), connection) as is_cut:
        try:
            connection.request("POST", path, body, headers, preload_content=False, decode_content=False)
            response = connection.getresponse()
            _read(response)
        finally:
            if is_cut():  # what then looks like the end of an answer is none
                raise TimeoutError from None
    return _Answered(response.status, response.headers.get("Retry-After"))


def _headers(one: Claimed, now: datetime, agent: str, target: Target) -> dict[str, str]:
    assert one.secret is not None  # noqa: S101 - a webhook that is on has one
    id_, timestamp = message_id(one.message), int(now.timestamp())
    secrets = [one.secret]
    if one.previous_secret is not None and one.previous_until is not None and now < one.previous_until:
        secrets.append(one.previous_secret)
    host = f"[{target.host}]" if ":" in target.host else target.host
    return {
        "Host": f"{host}:{target.port}",
        "Content-Type": "application/json",
        "User-Agent": agent,
        "webhook-id": id_,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature(secrets, id_=id_, timestamp=timestamp, body=one.document.encode()),
    }


def message_id(id_: str) -> str:
    """Return how a message is named on the way, the same at each try."""
    return f"msg_{id_.replace('-', '')}"


@contextlib.contextmanager
def _cut_after(seconds: float, connection: HTTPConnection) -> Iterator[Callable[[], bool]]:
    """Cut a connection that takes too long in all: a timeout of its own starts anew with every byte."""
    cut, sock = threading.Event(), connection.sock  # which the connection lets go where the answer ends with it

    def end() -> None:
        cut.set()
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(seconds, end)
    timer.daemon = True
    timer.start()
    try:
        yield cut.is_set
    finally:
        timer.cancel()


def _read(response: Any) -> None:
    """Read what is answered, and no more than anybody needs to say."""
    left = MOST_READ
    while left > 0 and (read := response.read(min(_CHUNK, left))):
        left -= len(read)


def _tried(answered: _Answered, now: datetime) -> Tried:
    status = answered.status
    if status in _SUCCESS:
        return Tried(is_done=True, status=status)
    error = f"answered {status}"
    if status in _REDIRECT:
        error += ", a redirect; none is followed, so give the address that it leads to"
    pause = _pause(answered.retry_after, now) if status in _ASKING else None
    return Tried(status=status, error=error, is_final=status in _FINAL, pause=pause)


def _pause(retry_after: str | None, now: datetime) -> timedelta | None:
    """Return how long a receiver asks to be left alone: in seconds, or until a date."""
    said = (retry_after or "").strip()
    if _WHOLE.fullmatch(said):
        return timedelta(seconds=int(said))
    try:
        return max(parsedate_to_datetime(said).astimezone(UTC) - now, timedelta())
    except (ValueError, TypeError, OverflowError):
        return None


def _why(error: Exception) -> str:
    """Return in words why nothing was answered."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"its certificate is not trusted ({cause.verify_message})"
        if isinstance(cause, ConnectionRefusedError):
            return "refused the connection"
        if isinstance(cause, TimeoutError):
            return SLOW
        if isinstance(cause, HTTPException) and not isinstance(cause, (OSError, IncompleteRead)):
            return "answered something that is no HTTP"
        cause = cause.__cause__ or cause.__context__
    return SLOW if "timed out" in str(error) else "broke the connection off"
