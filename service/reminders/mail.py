"""Mails: once a day and person how much is due, with links; refs and dates, and nothing clinical."""

import contextlib
import json
import smtplib
import ssl
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime
from email.message import EmailMessage
from email.utils import format_datetime
from html import escape
from typing import Any, NamedTuple
from urllib.parse import unquote, urlsplit

from schemas.webhooks import DIGEST
from service.domain.words import REMINDS_ONLY, task_title
from service.reminders.webhook import message_id
from service.store.sending import Claimed
from service.use_cases.context import Context
from service.use_cases.digests import digest_of
from service.use_cases.sending import Tried

SECONDS = 30
_PORTS = {"smtp": 587, "smtps": 465}
_LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
_PERMANENT = range(500, 600)


class Said(NamedTuple):
    """What a mail says: its subject, its paragraphs, and a list of lines, each with where it leads."""

    subject: str
    lead: str
    lines: Sequence[tuple[str, str]] = ()


class MailSender:
    """Sends mails through the operator's server.

    Args:
        context: the parts of the service that runs.
        smtp_url: the server; `smtp` begins to encrypt with STARTTLS, on this machine itself it may do without.
        mail_from: from whom mails come.
        tls: how certificates are checked; by default as the system trusts.
    """

    def __init__(self, context: Context, smtp_url: str, mail_from: str, *, tls: ssl.SSLContext | None = None) -> None:
        self._context = context
        self._server = urlsplit(smtp_url)
        self._from = mail_from
        self._tls = tls or ssl.create_default_context()

    def send(self, one: Claimed, now: datetime) -> Tried:
        """Return what became of one try at a moment."""
        if not one.is_on or one.email is None:
            return Tried(is_needless=True, error="the person is disabled, or has no e-mail address any more")
        said = self._said(one)
        if said is None:
            return Tried(is_needless=True, error="nothing of it is due any more")
        try:
            self._sent(self._mail(one, one.email, said, now))
        except (smtplib.SMTPException, OSError) as error:
            return _failed(error)
        return Tried(is_done=True)

    def _said(self, one: Claimed) -> Said | None:
        base = self._context.public_url
        if one.type != DIGEST:
            because = json.loads(one.document)["data"]["because"]
            lead = f"Messages to a webhook are no longer sent: {because}. Mend its receiver and turn it on again."
            page = [("Webhooks", f"{base}/console/settings/webhooks")] if base else ()
            return Said("A webhook was turned off", lead, page)
        found = digest_of(self._context, one)
        return _digest(found["tasks"], found["organisation"], base) if found["tasks"] else None

    def _mail(self, one: Claimed, to: str, said: Said, now: datetime) -> EmailMessage:
        mail = EmailMessage()
        mail["From"], mail["To"], mail["Subject"] = self._from, to, said.subject
        mail["Date"] = format_datetime(now)
        mail["Message-ID"] = f"<{message_id(one.message)}.{one.id}@{self._from.rpartition('@')[2].strip('>')}>"
        mail["Auto-Submitted"] = "auto-generated"
        mail.set_content("\n".join(_text(said)))
        mail.add_alternative("".join(_html(said)), subtype="html")
        return mail

    def _sent(self, mail: EmailMessage) -> None:
        server, host = self._server, self._server.hostname or ""
        port = server.port or _PORTS[server.scheme]
        with contextlib.closing(self._connected(host, port)) as smtp:
            if server.scheme == "smtp" and (host not in _LOOPBACK or smtp.has_extn("starttls")):
                smtp.starttls(context=self._tls)
            if server.username:
                smtp.login(unquote(server.username), unquote(server.password or ""))
            smtp.send_message(mail)
            with contextlib.suppress(smtplib.SMTPException, OSError):
                smtp.quit()  # it was taken, whatever is said at the end

    def _connected(self, host: str, port: int) -> smtplib.SMTP:
        if self._server.scheme == "smtps":
            return smtplib.SMTP_SSL(host, port, timeout=SECONDS, context=self._tls)
        smtp = smtplib.SMTP(host, port, timeout=SECONDS)
        smtp.ehlo_or_helo_if_needed()
        return smtp


def _digest(tasks: Sequence[Mapping[str, Any]], organisation: str, base: str) -> Said:
    overdue = sum(one["overdue"] for one in tasks)
    count = "1 thing is due" if len(tasks) == 1 else f"{len(tasks)} things are due"
    subject = f"{count} ({overdue} overdue)" if overdue else count
    lines = [(_line(one), _place(one, base)) for one in tasks]
    return Said(subject, f"{organisation}: {count} or will be soon.", lines)


def _line(one: Mapping[str, Any]) -> str:
    whom = one["athlete_ref"] or one["about"] or "erased"
    until = f", in time until {_day(one['last_day'])}" if one["window_days"] else ""
    late = ", overdue" if one["overdue"] else ""
    return f"{whom}: {task_title(one['kind'])}, due {_day(one['due_on'])}{until}{late}"


def _day(text: str) -> str:
    on = date.fromisoformat(text)
    return f"{on:%a} {on.day} {on:%b %Y}"


def _place(one: Mapping[str, Any], base: str) -> str:
    if not base:
        return ""
    return f"{base}/console/athletes/{one['athlete_id']}" if one["athlete_id"] else f"{base}/console/settings/reviews"


def _text(said: Said) -> Iterator[str]:
    yield said.lead
    yield ""
    for line, place in said.lines:
        yield f"- {line}" + (f"\n  {place}" if place else "")
    yield ""
    yield REMINDS_ONLY


def _html(said: Said) -> Iterator[str]:
    yield f"<!doctype html><html lang=en><title>{escape(said.subject)}</title><p>{escape(said.lead)}</p><ul>"
    for line, place in said.lines:
        shown = f'<a href="{escape(place)}">{escape(line)}</a>' if place else escape(line)
        yield f"<li>{shown}</li>"
    yield f"</ul><p>{escape(REMINDS_ONLY)}</p></html>"


def _failed(error: smtplib.SMTPException | OSError) -> Tried:
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return _refused(*next(iter(error.recipients.values())), is_of_mail=True)
    if isinstance(error, smtplib.SMTPResponseException):
        return _refused(error.smtp_code, error.smtp_error, is_of_mail=isinstance(error, smtplib.SMTPDataError))
    if isinstance(error, ssl.SSLCertVerificationError):
        return Tried(error=f"the mail server's certificate is not trusted ({error.verify_message})")
    return Tried(error=f"the mail server was not reached ({_plain(error)})")


def _refused(code: int, text: bytes | str, *, is_of_mail: bool) -> Tried:
    """Return what a server refused: final is what it says of one mail, and not what it says of this service."""
    said = text.decode(errors="replace") if isinstance(text, bytes) else text
    error = f"the mail server answered {code} {said}"[:300]
    return Tried(status=code, error=error, is_final=is_of_mail and code in _PERMANENT)


def _plain(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) and error.strerror else str(error)).lower() or "no answer"
