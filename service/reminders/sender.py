"""Send what is due: a batch is claimed, tried by a few threads at once, and settled try by try."""

import logging
import random
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress

from service.domain.errors import DatabaseUnavailableError
from service.reminders.mail import MailSender
from service.reminders.webhook import WebhookSender
from service.settings import Settings
from service.store.outbox import EMAIL
from service.store.sending import Claimed
from service.use_cases import sending
from service.use_cases.context import Context
from service.use_cases.sending import LEASE, Tried

_LOG = logging.getLogger("rts.reminders")

BATCH, AT_ONCE = 64, 8
"""How much is claimed and tried at once: 64 tries of 30 s by 8 threads are over before the claim is."""

_IN_TIME = LEASE / 2
"""How long a claim must still hold for a try to begin: a mail server may take its time at each of its answers."""


class Sender:
    """Sends deliveries of every organisation.

    Args:
        context: the parts of the service that runs.
        webhooks: sends webhooks.
        mails: sends mails; None where there is no mail server, and mails wait.
    """

    def __init__(self, context: Context, webhooks: WebhookSender, mails: MailSender | None) -> None:
        self.has_mail = mails is not None
        self._context = context
        self._webhooks = webhooks
        self._mails = mails
        self._threads = ThreadPoolExecutor(AT_ONCE, thread_name_prefix="rts-send")
        self._stopping = threading.Event()

    def send_due(self) -> int:
        """Try a batch of what is due, and return how much that was; nothing after `stop`."""
        if self._stopping.is_set():
            return 0
        claimed = sending.claim(self._context, limit=BATCH, has_mail=self.has_mail)
        list(self._threads.map(self._try, claimed))
        return len(claimed)

    def stop(self) -> None:
        """Begin nothing more; what is claimed and was not begun is due again at once, for whoever sends then."""
        self._stopping.set()

    def close(self) -> None:
        """Wait until what is being sent is settled."""
        self._threads.shutdown(wait=True)

    def _try(self, one: Claimed) -> None:
        with suppress(DatabaseUnavailableError):  # the claim runs out, and it is tried again under the same id
            if self._stopping.is_set() or one.until - self._context.clock() < _IN_TIME:
                sending.give_back(self._context, one)  # this is the end, or those before it took too long
            else:
                sending.settle(self._context, one, self._tried(one), random.random)

    def _tried(self, one: Claimed) -> Tried:
        try:
            return self._sent(one)
        except DatabaseUnavailableError:
            raise
        except Exception:  # noqa: BLE001 - one that can't be sent must not be tried for ever
            _LOG.exception("delivery %s failed", one.id)
            return Tried(error="it could not be sent, by a fault of the service; its log says more")

    def _sent(self, one: Claimed) -> Tried:
        now = self._context.clock()
        if one.channel == EMAIL:
            assert self._mails is not None, "mails are claimed only where they can be sent"  # noqa: S101
            return self._mails.send(one, now)
        return self._webhooks.send(one, now)


@contextmanager
def sender(context: Context, settings: Settings) -> Iterator[Sender]:
    """Return what sends as the operator says, closed at the end."""
    webhooks = WebhookSender(settings.webhook_networks, context.service_version)
    mails = MailSender(context, settings.smtp_url, settings.mail_from) if settings.smtp_url else None
    made = Sender(context, webhooks, mails)
    try:
        yield made
    finally:
        made.close()
