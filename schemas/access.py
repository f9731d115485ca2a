"""Organisations, actors and access keys: what is sent and what is answered."""

import zoneinfo
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from functools import cache
from typing import Any

from schemas import fields, query_fields
from schemas.document import DocumentSchema, list_of, nested
from schemas.rules import Broken, RuledSchema, all_of, none_of

PERSON, SYSTEM = "person", "system"
KINDS = (PERSON, SYSTEM)
SUBMITTER, CLINICIAN, ADMINISTRATOR = "submitter", "clinician", "administrator"
ROLES = (SUBMITTER, CLINICIAN, ADMINISTRATOR)
STATES = ("valid", "expired", "revoked", "actor_disabled")

MOST_NAME, MOST_PROFESSION = 200, 100
MOST_ZONE = 64
_NOT_PLACES = frozenset({"Factory", "localtime"})
_ONE_LINE = r"[^\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]+"


def line(most: int, **settings: Any) -> fields.Text:
    """Return a field for text on one line, of 1 to `most` characters."""
    return fields.Text(most=most, pattern=_ONE_LINE, wanted="text on one line is wanted", **settings)


class TimeZone(fields.Text):
    """A name of the time zone database."""

    default_error_messages = {"zone": "unknown_name: there is no time zone {name!r}; {meant}"}

    def __init__(self, **settings: Any) -> None:
        super().__init__(most=MOST_ZONE, **settings)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **_: Any) -> str:
        name = super()._deserialize(value, attr, data)
        if name not in time_zones():
            raise self.make_error("zone", name=name, meant=_meant(name))
        return name


@cache
def time_zones() -> frozenset[str]:
    """Return the names of the time zones that there are."""
    return frozenset(zoneinfo.available_timezones()) - _NOT_PLACES


def _meant(name: str) -> str:
    near = get_close_matches(name, sorted(time_zones()), n=1)
    return f"did you mean {near[0]}?" if near else "give a place of the time zone database, such as Europe/Berlin"


class OrganisationSchema(DocumentSchema):
    """What an organisation is called, and the time zone in which its days begin."""

    name = line(MOST_NAME, required=True)
    time_zone = TimeZone(required=True)


class OrganisationAnswerSchema(OrganisationSchema):
    """An organisation."""

    id = query_fields.Id(required=True)
    created_at = fields.Moment(required=True)


class ActorSchema(RuledSchema):
    """A person or a system that is to act; a person who is to be a clinician has a profession."""

    kind = fields.Choice(KINDS, required=True)
    display_name = line(MOST_NAME, required=True)
    profession = line(MOST_PROFESSION)
    registration = line(MOST_PROFESSION)
    email = fields.Email()
    roles = list_of(fields.Choice(ROLES), required=True)

    def rules(self, loaded: Mapping[str, Any], sent: Mapping[str, Any], /) -> Iterator[Broken]:
        """Ask for roles, for a clinician's profession, and for none of a system."""
        roles = loaded.get("roles")
        if roles is not None:
            yield from _faulty_roles(roles)
        if loaded.get("kind") == SYSTEM:
            yield from none_of(sent, ("profession", "registration", "email"), "only a person has that")
        elif loaded.get("kind") == PERSON and CLINICIAN in (roles or ()):
            yield from all_of(sent, ("profession",), "a person with the role clinician has a profession, to sign with")


def _faulty_roles(roles: list[str]) -> Iterator[Broken]:
    if not roles:
        yield Broken(("roles",), f"missing: give one or more of {', '.join(ROLES)}")
    for place, role in enumerate(roles):
        if role in roles[:place]:
            yield Broken(("roles", place), f"duplicate: {role} stands here twice")


class EmailSchema(DocumentSchema):
    """Where a person is sent mails; null where nowhere."""

    email = fields.Email(required=True, allow_none=True)


class ActorAnswerSchema(DocumentSchema):
    """Who acts: a person or a system."""

    id = query_fields.Id(required=True)
    kind = fields.Choice(KINDS, required=True)
    display_name = fields.Text(required=True)
    profession = fields.Text(required=True, allow_none=True)
    registration = fields.Text(required=True, allow_none=True)
    email = fields.Text(required=True, allow_none=True)
    roles = list_of(fields.Choice(ROLES), required=True)
    created_at = fields.Moment(required=True)
    disabled_at = fields.Moment(required=True, allow_none=True)


class AccessKeySchema(DocumentSchema):
    """Who is to hold a key, what it is for, and the moment at which it ends, if it does."""

    actor_id = query_fields.Id(required=True)
    label = line(MOST_NAME)
    expires_at = fields.Moment()


class GivenKeySchema(DocumentSchema):
    """What the operator says of a key: what it is for, and the last day on which it is valid."""

    label = line(MOST_NAME)
    expires = fields.Day()


class HolderSchema(DocumentSchema):
    """Who holds a key, or did something."""

    id = query_fields.Id(required=True)
    display_name = fields.Text(required=True)


class AccessKeyAnswerSchema(DocumentSchema):
    """An access key; its secret is never told again."""

    id = query_fields.Id(required=True)
    actor = nested(HolderSchema, required=True)
    roles = list_of(fields.Choice(ROLES), required=True)
    purpose = fields.Choice(("api", "calendar", "share"), required=True)
    label = fields.Text(required=True, allow_none=True)
    state = fields.Choice(STATES, required=True)
    created_at = fields.Moment(required=True)
    expires_at = fields.Moment(required=True, allow_none=True)
    revoked_at = fields.Moment(required=True, allow_none=True)
    last_used_on = fields.Day(required=True, allow_none=True)


class CreatedAccessKeySchema(AccessKeyAnswerSchema):
    """A new access key: `secret` is what is sent as `Authorization: Bearer`, and is told this once."""

    secret = fields.Text(required=True, allow_none=True)
    note = fields.Text(required=True)


class CalendarKeySchema(DocumentSchema):
    """Which calendar is to have a key."""

    label = line(MOST_NAME)


class CalendarKeyAnswerSchema(DocumentSchema):
    """The key of a calendar; the address with it is never told again."""

    id = query_fields.Id(required=True)
    label = fields.Text(required=True, allow_none=True)
    state = fields.Choice(STATES, required=True)
    created_at = fields.Moment(required=True)
    revoked_at = fields.Moment(required=True, allow_none=True)
    last_used_on = fields.Day(required=True, allow_none=True)


class CreatedCalendarKeySchema(CalendarKeyAnswerSchema):
    """The new key of a calendar: `address` is what the calendar subscribes to, and is told this once."""

    address = fields.Text(required=True, allow_none=True)
    note = fields.Text(required=True)


class FeedQuerySchema(DocumentSchema):
    """Which calendar asks."""

    key = fields.Text(required=True)


class AuditQuerySchema(query_fields.PageQuerySchema):
    """Which rows of the audit log; days are the organisation's, and `to` is the last one."""

    actor = query_fields.Id()
    action = query_fields.name()
    athlete = query_fields.Id()
    from_ = query_fields.Day(data_key="from")
    to = query_fields.Day()


class AuditRowSchema(DocumentSchema):
    """Who did what, and when."""

    id = query_fields.Id(required=True)
    at = fields.Moment(required=True)
    actor = nested(HolderSchema, required=True)
    action = fields.name(required=True)
    object_kind = fields.name(required=True)
    object_id = fields.Text(required=True, allow_none=True)
    athlete_id = query_fields.Id(required=True, allow_none=True)
    request_id = fields.Text(required=True, allow_none=True)
    detail = fields.Text(required=True, allow_none=True)
