"""What can be sent: every test, and for one gate its questions and a battery ready to be filled in."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from schemas.governance import NEEDS
from service.domain.catalogue import OPPOSITE, SIDES, CatalogueTest
from service.domain.criteria import CriteriaSet, Criterion, Gate, Group
from service.domain.errors import NotFoundError
from service.domain.evidence import Evidence
from service.domain.holds import screen_due
from service.domain.judging import Judging
from service.domain.units import of_dimension
from service.store import criteria as store
from service.store import people
from service.store.database import Tx
from service.use_cases.any_version import any_version
from service.use_cases.context import Caller, Context
from service.use_cases.criteria_text import Named
from service.use_cases.governance import today
from service.use_cases.in_force import by_digest, choose
from service.use_cases.reads import Seen, may_see, watched
from service.use_cases.showing_criteria import about
from service.use_cases.showing_people import EPISODE, Looking

SESSION_CHECK, SINCE_LAST, SETUP = "session_check", "since_last", "setup"
ASKED, CHOICE, OTHERWISE, SHOWN = NEEDS


def list_tests(context: Context, caller: Caller) -> dict[str, Any]:
    """Return every test that a version adopted by the organisation defines; the newest definition wins."""

    def work(tx: Tx) -> dict[str, Any]:
        digests = store.in_order_of_publication(tx, caller.organisation)
        sets = [by_digest(tx, caller.organisation, one) for one in digests]
        questions = {key: one for each in sets for key, one in each.document["catalogue"]["questions"].items()}
        tests = {key: one for each in sets for key, one in each.document["catalogue"]["tests"].items()}
        return {"items": [test_template(key, tests[key], questions) for key in sorted(tests)], "next": None}

    return context.database.read(work)


def template(  # noqa: PLR0913 - what of which version, for whom
    context: Context,
    caller: Caller,
    set_id: str,
    *,
    version: int | None = None,
    stage: str | None = None,
    involved_side: str | None = None,
    episode: str | None = None,
) -> dict[str, Any]:
    """Return what to send for a gate of a version, by default of the one in force today.

    For an episode it has the refs filled in, the well side first, and of the referral screen what is due today; that
    the record was read is noted.

    Args:
        context: the parts of the service that runs.
        caller: who asks.
        set_id: the set.
        version: adopted, shipped or a draft, whatever the day.
        stage: by default the first one.
        involved_side: the side that is measured last.
        episode: of whom; it says the side itself.

    Raises:
        NotFoundError: there is no such episode, or a submitter has posted no battery of it.
        NoCriteriaInForceError: no version of the set is in force today, and none is named.
        UnknownCriteriaSetError: there is no such version.
        UnknownStageError: the set has no such stage.
    """
    if version is None:
        criteria = _in_force(context, caller, set_id)
    else:
        criteria = any_version(context, caller, Named(set_id, version))
    if episode is None:
        return template_of(criteria, stage, involved_side)
    now = context.clock()

    def read(tx: Tx) -> Seen:
        row = people.with_athletes_ref(tx, caller.organisation, episode=episode)
        looking = None if row is None else Looking(tx, caller, now, row.athlete_id)
        if row is None or looking is None or not may_see(caller, looking.chain, episode):
            raise NotFoundError(EPISODE, episode)
        return Seen(_of_episode(looking, row, criteria, stage), row.id, row.athlete_id)

    return watched(context, caller, read, action="read_episode", kind=EPISODE)


def _of_episode(looking: Looking, row: Any, criteria: CriteriaSet, stage: str | None) -> dict[str, Any]:
    found = template_of(criteria, stage, row.involved_side)
    due = referral_due(criteria, looking.evidence(row.id))
    known = {"athlete": {"ref": row.athlete_ref}, "episode": {"ref": row.ref}, "referral": dict.fromkeys(due)}
    return found | {
        "referral": [one for one in found["referral"] if one["id"] in due],
        "battery": found["battery"] | known,
    }


def referral_due(criteria: CriteriaSet, evidence: Evidence | None) -> list[str]:
    """Return the questions of the referral screen to be answered today; before the first battery, all of them."""
    return [one.id for one in (criteria.referral if evidence is None else screen_due(Judging(evidence, criteria)))]


def _in_force(context: Context, caller: Caller, set_id: str) -> CriteriaSet:
    on = today(context.clock(), caller)
    # A set is named, so that the condition plays no part in the choice.
    return context.database.read(lambda tx: choose(tx, caller.organisation, condition="", on=on, set_id=set_id))


def template_of(criteria: CriteriaSet, stage: str | None, involved_side: str | None) -> dict[str, Any]:
    """Return what to send for a gate of a version; without a stage, for the first one.

    Raises:
        UnknownStageError: the set has no such stage.
    """
    gate = criteria.gate(stage or criteria.stages[0], pointer="?stage")
    catalogue = criteria.document["catalogue"]
    tests, needed = _in_order(criteria, gate), dict(_needed(criteria, gate))
    return {
        "criteria_set": {
            "id": criteria.id,
            "version": criteria.version,
            "digest": criteria.digest,
            **about(criteria.document),
        },
        "stage": {"id": gate.id, "title": gate.title, "asks": list(gate.asks)},
        "questions": {
            SESSION_CHECK: _questions(catalogue, SESSION_CHECK),
            SINCE_LAST: _questions(catalogue, SINCE_LAST),
            SETUP: _questions(catalogue, SETUP, only={name for one in tests for name in one.must_match}),
        },
        "referral": [_referral(one) for one in criteria.document["referral"]],
        "sessions": _sessions(criteria, gate),
        "tests": [
            test_template(one.id, catalogue["tests"][one.id], catalogue["questions"])
            | {"need": needed.get(one.id, OTHERWISE)}
            for one in tests
        ],
        "battery": _battery(criteria, gate, [one for one in tests if one.id in needed], involved_side),
    }


def test_template(key: str, one: Mapping[str, Any], questions: Mapping[str, Any]) -> dict[str, Any]:
    """Return a test as its sender needs it: `units` can be sent, and are converted exactly."""
    names = ("title", "quantity", "unit", "better", "loading", "trials", "protocol")
    more = ("classes", "possible", "plausible", "after", "rest_days", "measurement_error", "sources", "see", "evidence")
    return {
        "id": key,
        **{name: one[name] for name in names},
        "units": list(of_dimension(one["unit"])) if one["unit"] != "1" else ["1"],
        "sides": list(SIDES) if one["sides"] == "each" else [],
        "setup": [question_template(name, questions[name]) for name in one.get("must_match", ())],
        **{name: one[name] for name in more if name in one},
    }


def _questions(catalogue: Mapping[str, Any], asked_in: str, only: Iterable[str] | None = None) -> list[dict[str, Any]]:
    return [
        question_template(key, one)
        for key, one in catalogue["questions"].items()
        if one["asked_in"] == asked_in and (only is None or key in only)
    ]


def question_template(key: str, one: Mapping[str, Any]) -> dict[str, Any]:
    """Return a question of the catalogue as it is asked."""
    return {"id": key, "title": one["title"], "ask": one["ask"], "answers": one["answers"]}


def _referral(one: Mapping[str, Any]) -> dict[str, Any]:
    return {"id": one["id"], "ask": one["ask"], "action": one["action"], "when": one.get("when")}


def _sessions(criteria: CriteriaSet, gate: Gate) -> list[dict[str, Any]]:
    """Return the kinds of session that the gate reads or shows, in their rising order."""
    read = {name for one in _plain(criteria, gate) for name in one.sessions}
    known = criteria.document["catalogue"]["sessions"]
    return [
        {"kind": key, "title": known[key]["title"], "takes": known[key]["takes"]}
        for key in sorted(read, key=lambda key: known[key]["rank"])
    ]


def _plain(criteria: CriteriaSet, gate: Gate) -> Iterator[Criterion]:
    """Yield what the gate asks, with parts and routes, in the order in which it asks; then what it shows."""
    waiting, seen = list(reversed((*gate.asks, *gate.shows))), set[str]()
    while waiting:
        name = waiting.pop()
        one = criteria.criteria[name]
        if name in seen:
            continue
        seen.add(name)
        routes = [route for route in (one.without_reference, one.without_equipment) if route is not None]
        waiting += reversed([*(one.parts if isinstance(one, Group) else ()), *routes])
        if isinstance(one, Criterion):
            yield one


def _in_order(criteria: CriteriaSet, gate: Gate) -> list[CatalogueTest]:
    """Return the tests that the gate reads or shows: those that do not load first, then in the order of the gate."""
    tests = {test.id: test for one in _plain(criteria, gate) for test in (*one.tests, *one.after)}
    return sorted(tests.values(), key=lambda test: test.is_loading)


def _needed(criteria: CriteriaSet, gate: Gate) -> Iterator[tuple[str, str]]:
    """Yield tests with how the gate needs them, the strongest need last."""
    yield from ((test, SHOWN) for key in gate.shows for test in _named(criteria.criteria[key]))
    asked = [criteria.criteria[key] for key in gate.asks]
    groups = [one for one in asked if isinstance(one, Group)]
    parts = [(part, CHOICE if one.needed < len(one.parts) else ASKED) for one in groups for part in one.parts]
    for key, need in sorted(parts, key=lambda part: part[1] == ASKED):
        yield from ((test, need) for test in _named(criteria.criteria[key]))
    yield from ((test, ASKED) for one in asked for test in _named(one))


def _named(one: Criterion | Group) -> list[str]:
    return [test.id for test in one.tests] if isinstance(one, Criterion) and not one.is_class else []


def _battery(
    criteria: CriteriaSet, gate: Gate, tests: list[CatalogueTest], involved_side: str | None
) -> dict[str, Any]:
    """Return a body whose nulls are to be filled in, or left out.

    A test that the gate does not need by itself is left out: it may belong to a later stage.
    """
    questions = criteria.catalogue.questions.values()
    setup = {name for one in tests for name in one.must_match}
    return {
        "kind": "assessment",
        "athlete": {"ref": None},
        "episode": {"ref": None},
        "criteria_set": criteria.id,
        "criteria_version": criteria.version,
        "target_stage": gate.id,
        "performed_at": None,
        SESSION_CHECK: {one.id: None for one in questions if one.asked_in == SESSION_CHECK},
        "referral": {one.id: None for one in criteria.referral},
        SINCE_LAST: {"events": None, "sessions": [_session(one) for one in _sessions(criteria, gate)]},
        SETUP: {one.id: None for one in questions if one.asked_in == SETUP and one.id in setup},
        "measurements": [one for test in tests for one in _measurements(test, involved_side)],
    }


def _session(one: Mapping[str, Any]) -> dict[str, Any]:
    asked = (one["takes"], "worst_pain", "next_morning_rise", "medication")
    return {"kind": one["kind"], "on": None, **dict.fromkeys(asked)}


def _measurements(test: CatalogueTest, involved_side: str | None) -> Iterator[dict[str, Any]]:
    """Yield one for each side, the other side first: a test is learnt on the leg that is well."""
    involved = involved_side if involved_side in SIDES else None
    sides = (OPPOSITE[involved], involved) if involved else SIDES
    for side in sides if test.is_sided else (None,):
        measured: dict[str, Any] = {"test": test.id}
        if side is not None:
            measured["side"] = side
        if test.unit != "1":
            measured["unit"] = test.unit
        measured["trials"] = [{"value": None} for _ in range(test.trials.scored)]
        if test.is_loading and (involved is None or side in (None, involved)):
            measured |= {"pain": None, "instability": None}
        yield measured
