"""What a person sees who enters a battery: the gate's questions and tests, what is due, what was said last time."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from service.domain import record
from service.domain.chain import Link
from service.domain.criteria import CriteriaSet, Criterion, Gate
from service.domain.errors import NotFoundError
from service.domain.evidence import Evidence
from service.domain.record import ASSESSMENT
from service.store import people
from service.store.database import Tx
from service.use_cases.audit import note
from service.use_cases.context import Caller, Context
from service.use_cases.in_force import choose, sets_in_force
from service.use_cases.lapses import has_lapsed
from service.use_cases.reads import Seen, watched
from service.use_cases.showing_batteries import BATTERY, as_sent
from service.use_cases.showing_criteria import about
from service.use_cases.showing_people import ATHLETE, EPISODE, Looking
from service.use_cases.template import (
    OTHERWISE,
    SESSION_CHECK,
    SETUP,
    SINCE_LAST,
    question_template,
    referral_due,
    template_of,
    test_template,
)

_UNIT_WORDS = {"[in_i]": "in", "[ft_i]": "ft", "[lb_av]": "lb", "[lbf_av]": "lbf"}
_FACTS = ("condition", "involved_side", "onset_on", "other_side")


class Asked(NamedTuple):
    """What a battery is entered for.

    Attributes:
        stage: the stage asked about; without one the stages are answered, to choose from.
        set_id: the criteria set, where several fit the condition.
        corrects: the battery that is sent again, as it should have been.
        also: tests that stand in the form whatever the gate reads, since something was typed there.
        is_open: the same person has the form open, so that the reading is noted already.
    """

    stage: str | None = None
    set_id: str | None = None
    corrects: str | None = None
    also: Sequence[str] = ()
    is_open: bool = False


def entry_of_episode(context: Context, caller: Caller, episode: str, asked: Asked) -> dict[str, Any]:
    """Return what is needed to enter a battery of an episode; that the record was read is noted.

    Returns:
        `{athlete, episode, position, sets, form, sent}`: `form` is None without a stage; `sent` is the battery that is
        corrected, else None.

    Raises:
        NotFoundError: there is no such episode, or it has no such battery.
        NoCriteriaInForceError: no version judges its condition today.
        UnknownStageError: the set has no such stage.
    """
    now = context.clock()

    def read(tx: Tx) -> Seen:
        row = people.with_athletes_ref(tx, caller.organisation, episode=episode)
        if row is None:
            raise NotFoundError(EPISODE, episode)
        looking = Looking(tx, caller, now, row.athlete_id)
        sent = None if asked.corrects is None else _sent(looking, episode, asked.corrects)
        sets = _fitting(tx, caller, row.condition, looking.today)
        chosen = _chosen(sets, asked.set_id, asked.stage or (sent or {}).get("target_stage"))
        answer = {
            "athlete": {"id": row.athlete_id, "ref": row.athlete_ref},
            "episode": {"id": row.id, "ref": row.ref, **{name: getattr(row, name) for name in _FACTS}},
            "position": None if has_lapsed(row.position_until, looking.today) else row.stage,
            "sets": [_set(one) for one in sets],
            "form": None if chosen is None else _form(looking, row, *chosen, _extra(sent or {}, asked.also)),
            "sent": sent,
        }
        return Seen(answer, episode, row.athlete_id)

    if asked.is_open:
        return context.database.read(read).answer
    return watched(context, caller, read, action="read_episode", kind=EPISODE)


def entry_of_new(context: Context, caller: Caller, body: Mapping[str, Any], asked: Asked) -> dict[str, Any]:
    """Return what is needed to enter the first battery of an episode that is not on record yet.

    Args:
        context: the service.
        caller: who enters it; that the record of a known athlete is read is noted.
        body: `athlete` and `episode` as they will be posted.
        asked: the set and the stage.

    Raises:
        NoCriteriaInForceError: no version of the set is in force today.
        UnknownStageError: the set has no such stage.
    """
    now, organisation, facts = context.clock(), caller.organisation, body["episode"]
    on = now.astimezone(caller.zone).date()

    def read(tx: Tx) -> tuple[CriteriaSet, str | None]:
        known = people.athlete_of_ref(tx, organisation, body["athlete"]["ref"])
        return choose(tx, organisation, condition=facts["condition"], on=on, set_id=asked.set_id), known

    criteria, known = context.database.read(read)
    if known is not None and not asked.is_open:
        # What is worked out while typing reads this athlete's record.
        context.database.write(
            lambda tx: note(
                tx, caller, at=now, action="read_athlete", object_kind=ATHLETE, object_id=known, athlete=known
            )
        )
    due = [one.id for one in criteria.referral]
    return {
        "athlete": {"id": known, "ref": body["athlete"]["ref"]},
        "episode": {"id": None, **facts},
        "position": None,
        "sets": [_set(criteria)],
        "form": _asked(criteria, criteria.gate(asked.stage), facts["involved_side"], _extra({}, asked.also))
        | _said_before(due, None, {}),
        "sent": None,
    }


def sets_to_begin(context: Context, caller: Caller) -> list[dict[str, Any]]:
    """Return every set in force today with its stages and conditions."""
    on = context.clock().astimezone(caller.zone).date()
    sets = context.database.read(lambda tx: sets_in_force(tx, caller.organisation, on))
    return [_set(one) for one in sets]


def morning_after(context: Context, caller: Caller, battery: str) -> dict[str, Any]:
    """Return the questions of the morning after a battery.

    Raises:
        NotFoundError: there is no such battery of an episode.
        NoCriteriaInForceError: no version judges its condition today.
    """
    now = context.clock()

    def read(tx: Tx) -> Seen:
        row = people.battery(tx, caller.organisation, battery)
        found = None if row is None else people.with_athletes_ref(tx, caller.organisation, episode=row.episode_id)
        if row is None or found is None:
            raise NotFoundError(BATTERY, battery)
        looking = Looking(tx, caller, now, found.athlete_id)
        link = looking.of(battery)
        criteria = _fitting(tx, caller, found.condition, looking.today)[0]
        catalogue = criteria.catalogue
        form = template_of(criteria, None, found.involved_side)
        answer = {
            "athlete": {"id": found.athlete_id, "ref": found.athlete_ref},
            "episode": {"id": found.id, "ref": found.ref, **{name: getattr(found, name) for name in _FACTS}},
            "battery": {"id": link.id, "on": link.occurred_on.isoformat(), "kind": link.content["kind"]},
            "answered_at": [
                one.occurred_at for one in looking.chain if _answers(one, battery) and one.id not in looking.gone
            ],
            "days": [criteria.follow_up_after, criteria.follow_up_days],
            "form": {
                "questions": {name: form["questions"][name] for name in (SESSION_CHECK, SINCE_LAST)},
                "sessions": _sessions(criteria, None),
                "medication": list(catalogue.questions["medication_24h"].answers),
                "tests": [],
            },
        }
        return Seen(answer, battery, found.athlete_id)

    return watched(context, caller, read, action="read_battery", kind=BATTERY)


def _answers(link: Link, battery: str) -> bool:
    return link.kind == record.BATTERY and bool(link.content) and link.content.get("follows") == battery


def _sent(looking: Looking, episode: str, battery: str) -> dict[str, Any]:
    link = next((one for one in looking.chain if one.id == battery and one.episode == episode), None)
    if link is None or link.kind != record.BATTERY or link.content.get("kind") != ASSESSMENT:
        raise NotFoundError(BATTERY, battery)
    return as_sent(link)


def _fitting(tx: Tx, caller: Caller, condition: str, on: date) -> list[CriteriaSet]:
    """Return the sets that judge a condition today, at least one."""
    fitting = [one for one in sets_in_force(tx, caller.organisation, on) if condition in one.conditions]
    return fitting or [choose(tx, caller.organisation, condition=condition, on=on)]


def _chosen(sets: list[CriteriaSet], set_id: str | None, stage: str | None) -> tuple[CriteriaSet, Gate] | None:
    if stage is None:
        return None
    named = [one for one in sets if one.id == set_id] or sets
    criteria = next((one for one in named if stage in one.gates), named[0])
    return criteria, criteria.gate(stage)


def _set(criteria: CriteriaSet) -> dict[str, Any]:
    stages = [{"id": one.id, "title": one.title, "criteria": len(one.asks)} for one in criteria.gates.values()]
    return {"id": criteria.id, "version": criteria.version, **about(criteria.document), "stages": stages}


def _extra(sent: Mapping[str, Any], also: Iterable[str]) -> dict[str, Any]:
    """Return what the form shows beside what the gate reads: measurements and setup of the battery corrected."""
    return {
        "setup": sent.get("setup", {}),
        "measurements": [*sent.get("measurements", ()), *({"test": test} for test in also)],
    }


def _form(looking: Looking, row: Any, criteria: CriteriaSet, gate: Gate, extra: Mapping[str, Any]) -> dict[str, Any]:
    evidence = looking.evidence(row.id)
    due = referral_due(criteria, evidence)
    asked = _asked(criteria, gate, row.involved_side, extra)
    return asked | _said_before(due, _last_assessment(looking, row.id), _last_attempts(evidence))


def _asked(criteria: CriteriaSet, gate: Gate, involved_side: str, extra: Mapping[str, Any]) -> dict[str, Any]:
    """Return the template of a gate with `extra` and every kind of session that can be told."""
    form = template_of(criteria, gate.id, involved_side)
    _add_tests(criteria, form, extra["measurements"])
    _add_setup(criteria, form, extra["setup"])
    titles = {key: one.title for key, one in criteria.catalogue.tests.items()}
    for one in form["tests"]:
        one["unit_choices"] = [(unit, _UNIT_WORDS.get(unit, unit)) for unit in one["units"]]
        one["after_titles"] = [titles[name] for name in one.get("after", ())]
    return form | {
        "sessions": _sessions(criteria, gate),
        "medication": list(criteria.catalogue.questions["medication_24h"].answers),
    }


def _add_tests(criteria: CriteriaSet, form: dict[str, Any], sent: Iterable[Mapping[str, Any]]) -> None:
    catalogue, there = criteria.document["catalogue"], {one["id"]: one for one in form["tests"]}
    for key in dict.fromkeys(one["test"] for one in sent):
        if key in catalogue["tests"] and key not in there:
            added = test_template(key, catalogue["tests"][key], catalogue["questions"])
            there[key] = added | {"need": OTHERWISE}
    for one in sent:
        own = there[one["test"]]["setup"] if one["test"] in there else []
        own += _questions_added(criteria, own, one.get("setup", ()))
    form["tests"] = list(there.values())


def _add_setup(criteria: CriteriaSet, form: dict[str, Any], sent: Mapping[str, Any]) -> None:
    """Add the setup that goes with tests and answers that the gate itself does not ask."""
    named = [*sent, *(question["id"] for test in form["tests"] for question in test["setup"])]
    form["questions"][SETUP] += _questions_added(criteria, form["questions"][SETUP], named)


def _questions_added(
    criteria: CriteriaSet, there: Iterable[Mapping[str, Any]], named: Iterable[str]
) -> list[dict[str, Any]]:
    known, asked = criteria.document["catalogue"]["questions"], {one["id"] for one in there}
    return [question_template(key, known[key]) for key in dict.fromkeys(named) if key in known and key not in asked]


def _sessions(criteria: CriteriaSet, gate: Gate | None) -> list[dict[str, Any]]:
    """Return every kind of session, and whether the gate reads it."""
    members = [criteria.criteria[key] for key in (gate.members if gate is not None else ())]
    read = {kind for one in members if isinstance(one, Criterion) for kind in one.sessions}
    known = criteria.catalogue.sessions.values()
    return [{"kind": one.id, "title": one.title, "takes": one.takes, "is_read": one.id in read} for one in known]


def _said_before(due: list[str], last: Link | None, attempts: Mapping[str, str]) -> dict[str, Any]:
    """Return what the record says already: the screen's questions due, the last setup, when each test was last done."""
    return {
        "referral_due": due,
        "last": None if last is None else {"on": last.occurred_on.isoformat(), "setup": last.content.get("setup", {})},
        "last_attempts": attempts,
    }


def _last_assessment(looking: Looking, episode: str) -> Link | None:
    own = [
        one
        for one in looking.chain
        if one.episode == episode and one.id not in looking.gone and one.content.get("kind") == ASSESSMENT
    ]
    return max(own, key=lambda one: (one.occurred_at, one.sequence), default=None)


def _last_attempts(evidence: Evidence | None) -> dict[str, str]:
    attempts = {} if evidence is None else evidence.attempts
    latest: dict[str, date] = {}
    for (test, _side), found in attempts.items():
        latest[test] = max(found[-1].on, latest.get(test, date.min))
    return {test: on.isoformat() for test, on in latest.items()}
