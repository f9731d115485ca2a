"""Who may call what: the one table, and the door that keeps it.

A route without a row is closed to everybody, and a test fails.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

from flask import Flask, current_app, g, request

from service.domain.errors import ForbiddenError, UnauthenticatedError
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER, Caller, Context

OPEN: Final = frozenset({"anybody"})
EVERYBODY: Final = frozenset({SUBMITTER, CLINICIAN, ADMINISTRATOR})
ADMINISTRATION: Final = frozenset({ADMINISTRATOR})
CLINIC: Final = frozenset({CLINICIAN})
SENDERS: Final = frozenset({SUBMITTER, CLINICIAN})
CONSOLE: Final = frozenset({CLINICIAN, ADMINISTRATOR})

# Endpoint (blueprint.function) -> the roles that may call it. Add a row with each route, in the order of api.md.
ROLES: Mapping[str, frozenset[str]] = {
    "evaluations.create": EVERYBODY,
    "batteries.create": SENDERS,
    "batteries.find": SENDERS,
    "batteries.show": SENDERS,
    "batteries.confirm": CLINIC,
    "episodes.decide": SENDERS,
    "episodes.show": CLINIC,
    "episodes.tell": CLINIC,
    "episodes.resolve": CLINIC,
    "episodes.waive": CLINIC,
    "episodes.sign": CLINIC,
    "decisions.every": SENDERS,
    "decisions.show": SENDERS,
    "decisions.battery": SENDERS,
    "decisions.verify": EVERYBODY,
    "decisions.sign": CLINIC,
    "entries.void": CLINIC,
    "athletes.find": CLINIC,
    "athletes.show": CLINIC,
    "athletes.tell": CLINIC,
    "athletes.erase": ADMINISTRATION,
    "retests.every": CLINIC,
    "retests.show": CLINIC,
    "retests.reschedule": CLINIC,
    "retests.cancel": CLINIC,
    "retests.done": CLINIC,
    "calendar.feed": CLINIC,
    "calendar_keys.every": CLINIC,
    "calendar_keys.create": CLINIC,
    "calendar_keys.show": CLINIC,
    "calendar_keys.revoke": CLINIC,
    "criteria_reviews.every": ADMINISTRATION,
    "criteria_reviews.show": ADMINISTRATION,
    "criteria_reviews.reschedule": ADMINISTRATION,
    "criteria_reviews.cancel": ADMINISTRATION,
    "criteria_reviews.done": ADMINISTRATION,
    "reminder_plans.of_episode": CLINIC,
    "reminder_plans.change_of_episode": CLINIC,
    "reminder_plans.drop_of_episode": CLINIC,
    "tests.every_test": EVERYBODY,
    "criteria_sets.every": EVERYBODY,
    "criteria_sets.take": ADMINISTRATION,
    "criteria_sets.show": EVERYBODY,
    "criteria_sets.version": EVERYBODY,
    "criteria_sets.end": ADMINISTRATION,
    "criteria_sets.what_to_send": EVERYBODY,
    "criteria_drafts.drafted": ADMINISTRATION,
    "criteria_drafts.begin": ADMINISTRATION,
    "criteria_drafts.show_one": ADMINISTRATION,
    "criteria_drafts.change": ADMINISTRATION,
    "criteria_drafts.delete": ADMINISTRATION,
    "criteria_drafts.check": ADMINISTRATION,
    "criteria_drafts.release": ADMINISTRATION,
    "organisation.show": ADMINISTRATION,
    "organisation.change": ADMINISTRATION,
    "reminder_plans.of_organisation": CONSOLE,
    "reminder_plans.change_of_organisation": ADMINISTRATION,
    "actors.every": ADMINISTRATION,
    "actors.create": ADMINISTRATION,
    "actors.show": ADMINISTRATION,
    "actors.change_address": EVERYBODY,
    "actors.disable": ADMINISTRATION,
    "access_keys.every": ADMINISTRATION,
    "access_keys.create": ADMINISTRATION,
    "access_keys.show": ADMINISTRATION,
    "access_keys.revoke": ADMINISTRATION,
    "webhooks.every": ADMINISTRATION,
    "webhooks.create": ADMINISTRATION,
    "webhooks.show": ADMINISTRATION,
    "webhooks.change": ADMINISTRATION,
    "webhooks.remove": ADMINISTRATION,
    "webhooks.rotate": ADMINISTRATION,
    "webhooks.try_out": ADMINISTRATION,
    "deliveries.every": ADMINISTRATION,
    "deliveries.show": ADMINISTRATION,
    "deliveries.replay": ADMINISTRATION,
    "audit.every": ADMINISTRATION,
    "console.home": CONSOLE,
    "console.sign_in": OPEN,
    "console.signed_in": OPEN,
    "console.sign_out": CONSOLE,
    "console.team": CLINIC,
    "console.athlete": CLINIC,
    "console.rename": CLINIC,
    "console.tell_what_happened": CLINIC,
    "console.resolve": CLINIC,
    "console.waive": CLINIC,
    "console.set_position": CLINIC,
    "console.take_back": CLINIC,
    "console.judge_now": CLINIC,
    "console.decision": CLINIC,
    "console.print_margin": OPEN,
    "console.sign": CLINIC,
    "console.due": CLINIC,
    "console.change_tasks": CLINIC,
    "console.calendars": CLINIC,
    "console.make_calendar": CLINIC,
    "console.revoke_calendar": CLINIC,
    "console.reminders": CLINIC,
    "console.save_own_plan": CLINIC,
    "console.drop_own_plan": CLINIC,
    "console.settings": ADMINISTRATION,
    "console.save_plan": ADMINISTRATION,
    "console.reviews": ADMINISTRATION,
    "console.change_reviews": ADMINISTRATION,
    "console.people": ADMINISTRATION,
    "console.save_email": ADMINISTRATION,
    "console.webhooks": ADMINISTRATION,
    "console.make_webhook": ADMINISTRATION,
    "console.webhook": ADMINISTRATION,
    "console.save_webhook": ADMINISTRATION,
    "console.test_webhook": ADMINISTRATION,
    "console.new_secret": ADMINISTRATION,
    "console.drop_webhook": ADMINISTRATION,
    "console.deliveries": ADMINISTRATION,
    "console.send_again": ADMINISTRATION,
    "console.alive": CLINIC,
    "console.battery_form": CLINIC,
    "console.send_battery": CLINIC,
    "console.battery_values": CLINIC,
    "console.new_athlete": CLINIC,
    "console.begin_athlete": CLINIC,
    "console.first_values": CLINIC,
    "console.follow_up_form": CLINIC,
    "console.send_follow_up": CLINIC,
    "console.criteria": CONSOLE,
    "console.criteria_version": CONSOLE,
    "console.test_help": CONSOLE,
    "console.terms": CONSOLE,
    "console.nowhere": OPEN,
    "console.static": OPEN,
    "docs.page": OPEN,
    "docs.static": OPEN,
    "docs.openapi": OPEN,
    "operation.live": OPEN,
    "operation.ready": OPEN,
    "operation.metrics": OPEN,
}

Authenticate = Callable[[Context, str], Caller | None]
Identify = Callable[[Context], Caller]

_BEARER = re.compile(r"bearer +(rts_[0-9a-f]{32}_[A-Za-z0-9_-]{16,128})", re.ASCII | re.IGNORECASE)
_SEND_KEY = "send your access key: Authorization: Bearer rts_..."
_NOT_VALID = "this access key is not known or no longer valid; ask your administrator for another"


def keep_the_door(
    app: Flask,
    context: Context,
    roles: Mapping[str, frozenset[str]],
    authenticate: Authenticate,
    others: Mapping[str, Identify],
) -> None:
    """Let nobody call a route that the table does not give to one of the caller's roles.

    Args:
        app: the app.
        context: the parts of the service that runs.
        roles: the table.
        authenticate: tells who presents an access key.
        others: the blueprints whose callers are known otherwise than by a key in the request.
    """
    app.extensions["rts-roles"] = roles

    @app.before_request
    def admit() -> None:
        if request.endpoint is None:
            return  # there is no such address or method, and the answer says so
        allowed = roles.get(request.endpoint, frozenset())
        if allowed == OPEN:
            return
        identify = others.get(request.blueprint or "")
        known = identify(context) if identify else _who(context, authenticate)
        g.caller = replace(known, request_id=g.request_id)
        if not allowed & g.caller.roles:
            raise ForbiddenError(_may_not(allowed, g.caller), roles=sorted(allowed))


def caller() -> Caller:
    """Return who asks."""
    known: Caller = g.caller
    return known


def context() -> Context:
    """Return the parts of the service that answers."""
    parts: Context = current_app.extensions["rts"]
    return parts


def may(endpoint: str, who: Caller) -> bool:
    """Return whether somebody may call a route."""
    roles: Mapping[str, frozenset[str]] = current_app.extensions["rts-roles"]
    return bool(roles.get(endpoint, frozenset()) & who.roles)


def who_may(allowed: frozenset[str]) -> str:
    """Return in words who may call."""
    if allowed == OPEN:
        return "anybody, without an access key"
    return ", ".join(role for role in (SUBMITTER, CLINICIAN, ADMINISTRATOR) if role in allowed) or "nobody"


def _who(context: Context, authenticate: Authenticate) -> Caller:
    sent = request.headers.get("Authorization", "").strip()
    if not sent:
        raise UnauthenticatedError(_SEND_KEY)
    presented = _BEARER.fullmatch(sent)
    known = authenticate(context, presented.group(1)) if presented else None
    if known is None:
        raise UnauthenticatedError(_NOT_VALID)
    return known


def _may_not(allowed: frozenset[str], known: Caller) -> str:
    has = ", ".join(sorted(known.roles)) or "no role"
    return f"this needs one of these roles: {who_may(allowed)}; this access key has {has}"
