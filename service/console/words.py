"""How the console writes dates, moments, ids and figures: the filters of its templates."""

import re
from contextlib import suppress
from datetime import date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import flask
from flask import g

from service.domain.numbers import Pair, readable
from service.domain.words import PLACES, listed, task_title

_DATE = re.compile(r"\b[0-9]{4}-[0-9]{2}-[0-9]{2}\b")
_ID = re.compile(r"(?<![\w./:@'\"-])[a-z][a-z0-9]*(?:_[a-z0-9]+)+(?![\w/:@'\"-])", re.ASCII)
_DAYS, _MONTHS = ("%d %b %Y", "%d %B %Y", "%a %d %b %Y", "%d.%m.%Y"), ("%b %Y", "%B %Y")
_MINUS = "\N{MINUS SIGN}"
_NARROW = "\N{NO-BREAK SPACE}"


def add_filters(blp: flask.Blueprint) -> None:
    """Make the filters known to every template."""
    for one in (words, day, dated, spoken, onset, task_title, month, moment, figure, beside, capitalised, listed, span):
        blp.add_app_template_filter(one, one.__name__)


def words(name: object) -> str:
    """Return an id as words.

    >>> words("side_hop_time"), words("pain-24h-low")
    ('side hop time', 'pain 24h low')
    """
    return str(name).replace("_", " ").replace("-", " ")


def as_id(text: str) -> str:
    """Return what was typed as the id that is read so.

    >>> as_id("High ankle sprain"), as_id("high_ankle_sprain")
    ('high_ankle_sprain', 'high_ankle_sprain')
    """
    return "_".join(text.lower().split())


def capitalised(text: object) -> str:
    """Return a text with a capital at its start; what follows stays as it is.

    >>> capitalised("side hop, BESS")
    'Side hop, BESS'
    """
    said = str(text)
    return said[:1].upper() + said[1:]


def day(told: date | str) -> str:
    """Return a date as it is read, the weekday first: rehabilitation is planned by the week.

    >>> day("2026-11-20")
    'Fri 20 Nov 2026'
    """
    on = date.fromisoformat(told[:10]) if isinstance(told, str) else told
    return f"{on:%a} {on.day} {on:%b %Y}"


def dated(text: object) -> str:
    """Return a sentence with its dates as they are read.

    >>> dated("Valid until 2026-11-20; 2026-99-99 is none.")
    'Valid until Fri 20 Nov 2026; 2026-99-99 is none.'
    """
    return _DATE.sub(_day_of, str(text))


def _day_of(found: re.Match[str]) -> str:
    with suppress(ValueError):
        return day(found[0])
    return found[0]


def spoken(text: object) -> str:
    """Return a sentence with its dates and ids as they are read; an address or what was quoted stays as it is.

    >>> spoken("team_training ends on 2026-11-20; 'my_name' and http://a/b_c stay.")
    "team training ends on Fri 20 Nov 2026; 'my_name' and http://a/b_c stay."
    """
    return _ID.sub(lambda found: words(found[0]), dated(text))


def onset(told: str) -> str:
    """Return a day or a month as it is read.

    >>> onset("2026-11-20"), onset("2026-11")
    ('Fri 20 Nov 2026', 'Nov 2026')
    """
    return day(told) if len(told) == len("2026-11-20") else month(told)


def as_onset(text: str) -> str:
    """Return a day or a month that was written as people do as the record has it; what is none stays, to be refused.

    >>> as_onset("4 Oct 2026"), as_onset("October 2026"), as_onset("4.10.2026"), as_onset("2026-10-04"), as_onset("may")
    ('2026-10-04', '2026-10', '2026-10-04', '2026-10-04', 'may')
    """
    for forms, kept in ((_DAYS, "%Y-%m-%d"), (_MONTHS, "%Y-%m")):
        for form in forms:
            with suppress(ValueError):
                return datetime.strptime(text, form).strftime(kept)  # noqa: DTZ007 - a date has no zone
    return text


def month(told: str) -> str:
    """Return a month as it is read.

    >>> month("2026-11")
    'Nov 2026'
    """
    return f"{date.fromisoformat(f'{told}-01'):%b %Y}"


def moment(told: str) -> str:
    """Return a moment as it is read in the organisation's zone."""
    zone: ZoneInfo = g.caller.zone
    then = datetime.fromisoformat(told).astimezone(zone)
    return f"{day(then.date())}, {then:%H:%M}"


def figure(value: object) -> str:
    """Return a number with a true minus sign.

    >>> figure("-1.5")
    '\u22121.5'
    """
    return str(value).replace("-", _MINUS)


def beside(value: str, threshold: str) -> str:
    """Return a value with as many places as its side of the threshold needs to show.

    >>> beside("95.2381", "90"), beside("89.96", "90")
    ('95.2', '89.96')
    """
    return readable(Pair(Decimal(value)), Pair(Decimal(threshold)), PLACES)


def span(amount: object, unit: str | None) -> str:
    r"""Return a value with its unit, kept on one line; a count has no unit.

    >>> span("90", "%"), span("6", "1")
    ('90\xa0%', '6')
    """
    shown = figure(format(amount.normalize(), "f") if isinstance(amount, Decimal) else amount)
    return shown if unit in {None, "1"} else f"{shown}{_NARROW}{unit}"
