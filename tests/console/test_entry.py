"""Entering a battery at the console: what is typed is what the API would have been sent, and refusals lose nothing."""

import re
from collections.abc import Mapping
from decimal import Decimal
from html import unescape
from html.parser import HTMLParser
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schemas.battery import BatterySchema
from schemas.measurements import BECAUSE, INVALID_BECAUSE
from service.console.entry_form import body_of, number_of, typed_of
from service.use_cases.audit import list_audit
from service.use_cases.template import template_of
from tests import builders
from tests.clinic import ATHLETE, Clinic, small, whole
from tests.console.signed_in import Reader, signed_in, text_of

BERLIN = ZoneInfo("Europe/Berlin")
SET = "lateral-ankle-sprain"
ATHLETE_2 = {"ref": "KB-2", "new": True}
EPISODE_2 = {"ref": "KB-2-1", "new": True, **builders.EPISODE}


class _Fields(HTMLParser):
    """The fields of the form `entry` of a page, as a browser would send them."""

    def __init__(self) -> None:
        super().__init__()
        self.fields: dict[str, str] = {}
        self.ids: set[str] = set()
        self.is_inside = False
        self._select = ""

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        one = dict(attrs)
        self.ids |= {one["id"]} if "id" in one else set()
        if tag == "form":
            self.is_inside = "/console/sign-out" not in one.get("action", "")
        if not self.is_inside:
            return
        if tag == "input" and (one.get("type") not in ("radio", "checkbox") or "checked" in one):
            self.fields[one["name"]] = one.get("value", "")
        if tag == "select":
            self._select = one["name"]
        if tag == "option" and (self._select not in self.fields or "selected" in one):
            self.fields[self._select] = one["value"]


def fields_of(html: str) -> dict[str, str]:
    reading = _Fields()
    reading.feed(html)
    return reading.fields


def begun(clinic: Clinic, **changes: Any) -> dict[str, Any]:
    """An episode with one battery, of the day before."""
    return clinic.post_battery(small("first", at="2026-11-19T16:30:00+01:00", **changes))


def address(answer: Mapping[str, Any], stage: str | None = "competition") -> str:
    path = f"/console/episodes/{answer['episode_id']}/battery"
    return path if stage is None else f"{path}?stage={stage}"


def typed(body: Mapping[str, Any]) -> dict[str, str]:
    return typed_of(body, BERLIN)


def kept(clinic: Clinic, decision: str) -> dict[str, Any]:
    """The battery behind a decision, as the API answers it."""
    battery = clinic.decision(decision)["battery_id"]
    answer: dict[str, Any] = clinic.clinician.get(f"/v1/batteries/{battery}").json["battery"]
    return answer


def sent_on(location: str) -> str:
    found = re.search(r"/console/decisions/([0-9a-f-]{36})(?:#|$)", location)
    assert found is not None, location
    return found.group(1)


# What is typed becomes a body


def test_a_whole_battery_that_is_typed_is_kept_and_judged_as_the_api_would_have_done(clinic, reader):
    answer = begun(clinic)
    body = whole("typed", at="2026-11-20T17:00:00+01:00")
    form = fields_of(reader.page(address(answer)))

    location = reader.done(address(answer), form | typed(body))

    decision = clinic.decision(sent_on(location))
    assert decision["target_stage"] == "competition"
    assert decision["hold_because"] == ["awaiting_response"]
    battery = kept(clinic, decision["id"])
    assert len(battery["measurements"]) == len(body["measurements"])
    assert battery["performed_at"] == "2026-11-20T16:00:00.000000Z"
    assert battery["since_last"]["sessions"] == body["since_last"]["sessions"]
    clinic.assert_sound()


def test_a_stored_battery_is_shown_for_correction_and_comes_back_as_it_was(clinic, reader):
    first = clinic.post_battery(whole("wrong", at="2026-11-20T17:00:00+01:00", occasion="friday"))
    page = f"{address(first, None)}?corrects={first['battery_id']}"

    location = reader.done(address(first), fields_of(reader.page(page)))

    before = clinic.clinician.get(f"/v1/batteries/{first['battery_id']}").json
    after = kept(clinic, sent_on(location))
    assert before["state"] == "superseded"
    assert {key: one for key, one in after.items() if key != "supersedes"} == before["battery"]
    assert after["supersedes"] == {"id": first["battery_id"]}


@pytest.mark.parametrize(("sent", "meant"), [("9,65", "9.65"), ("9.65", "9.65"), (" 10 ", "10"), (",5", "0.5")])
def test_a_number_has_a_comma_or_a_point(clinic, reader, sent, meant):
    answer = begun(clinic)
    form = fields_of(reader.page(address(answer)))

    location = reader.done(address(answer), form | {"m.side_hop_time.left.trial.0.value": sent})

    [one] = kept(clinic, sent_on(location))["measurements"]
    assert one["trials"] == [{"value": meant}]


@pytest.mark.parametrize("sent", ["1.234,5", "nine", "-", ".", "1e5", "1234567890123", "٩"])
def test_what_is_no_number_is_left_as_it_was_typed_and_so_refused(sent):
    assert number_of(sent) == sent


def test_a_negative_number_may_have_a_true_minus_sign():
    assert number_of("\N{MINUS SIGN}1,5") == Decimal("-1.5")


def test_a_test_about_which_nothing_is_typed_is_left_out_and_not_done_says_why(clinic, reader):
    answer = begun(clinic)
    form = fields_of(reader.page(address(answer, "team_training")))

    location = reader.done(address(answer), form | {"m.evertor_strength.left.result": "not_done.no_equipment"})

    sent = kept(clinic, sent_on(location))["measurements"]
    assert sent == [{"test": "evertor_strength", "side": "left", "result": "not_done", "because": "no_equipment"}]


def _measurements() -> st.SearchStrategy[list[dict[str, Any]]]:
    tests = template_of(builders.criteria(), "team_training", "left")["tests"]
    return st.tuples(*(_of_test(one, side) for one in tests for side in one["sides"] or (None,))).map(
        lambda found: [one for one in found if one is not None]
    )


def _of_test(test: Mapping[str, Any], side: str | None) -> st.SearchStrategy[dict[str, Any] | None]:
    place = {"test": test["id"]} | ({} if side is None else {"side": side})
    value = st.integers(0, 999).map(Decimal) | st.decimals(0, 999, places=2)
    valid = st.fixed_dictionaries({"value": value})
    invalid = st.fixed_dictionaries(
        {"valid": st.just(value=False), "invalid_because": st.sampled_from(INVALID_BECAUSE)}, optional={"value": value}
    )
    ratings = {"pain": st.integers(0, 10), "instability": st.integers(0, 10)}
    setup = {"setup": st.fixed_dictionaries({one["id"]: st.sampled_from(one["answers"]) for one in test["setup"]})}
    more = ratings | (setup if test["setup"] else {})
    unit = {} if test["unit"] == "1" else {"unit": st.sampled_from(test["units"])}
    tried = st.lists(valid | invalid, min_size=1, max_size=test["trials"]["maximum"])
    measured = st.fixed_dictionaries(
        {"trials": tried.filter(lambda all_: any("value" in one for one in all_)), **unit}, optional=more
    )
    summed = st.fixed_dictionaries({"value": value, "trials_summarised": st.integers(2, 6), **unit}, optional=more)
    causes = [(result, because) for result, because in BECAUSE.items() if result != "unable"]
    left = st.sampled_from([{"result": key, "because": one} for key, all_ in causes for one in all_])
    unable = st.fixed_dictionaries(
        {"result": st.just("unable"), "because": st.sampled_from(BECAUSE["unable"])}, optional=ratings
    )
    return st.none() | (measured | summed | left | unable).map(lambda one: place | one)


def _questions(asked_in: str) -> st.SearchStrategy[dict[str, Any]]:
    asked = template_of(builders.criteria(), "team_training", "left")["questions"][asked_in]
    return st.fixed_dictionaries(
        {},
        optional={
            one["id"]: st.integers(0, 10) if isinstance(one["answers"], Mapping) else st.sampled_from(one["answers"])
            for one in asked
        },
    )


_DAYS = st.dates().filter(lambda on: 1900 <= on.year < 2200).map(str)
_SESSIONS = st.lists(
    st.sampled_from(list(builders.criteria().catalogue.sessions.values())).flatmap(
        lambda kind: st.fixed_dictionaries(
            {"kind": st.just(kind.id), "on": _DAYS},
            optional={
                kind.takes: st.integers(1, 500),
                "worst_pain": st.integers(0, 10),
                "next_morning_rise": st.integers(-10, 10),
                "medication": st.sampled_from(["none", "paracetamol"]),
            },
        )
    ),
    max_size=5,
)
_EVENTS = st.lists(
    st.fixed_dictionaries({"kind": st.sampled_from(["giving_way", "setback", "re_injury"]), "on": _DAYS}), max_size=4
)
_BODIES = st.fixed_dictionaries(
    {"performed_at": st.just("2026-11-20T16:30:00+01:00"), "measurements": _measurements()},
    optional={
        "occasion": st.just("friday"),
        "tester": st.just("staff-12"),
        "session_check": _questions("session_check"),
        "setup": _questions("setup"),
        "referral": st.fixed_dictionaries({}, optional={one.id: st.booleans() for one in builders.criteria().referral}),
        "since_last": st.fixed_dictionaries({"events": _EVENTS, "sessions": _SESSIONS}),
        "confirmed": st.just(["sides"]),
    },
)


@given(_BODIES)
@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
def test_what_the_form_shows_for_a_body_comes_back_as_the_same_body(body):
    criteria = builders.criteria()
    sessions = [{"kind": one.id, "takes": one.takes} for one in criteria.catalogue.sessions.values()]
    form = template_of(criteria, "team_training", "left") | {"sessions": sessions}

    filled = body_of(typed(body), form, BERLIN, {})

    wanted = {key: one for key, one in body.items() if one not in ({}, [])}
    assert filled.body == wanted
    assert not filled.faults


# What is refused loses nothing


def refused(clinic: Clinic, reader: Reader, path: str, fields: Mapping[str, str], status: int = 422) -> str:
    """Send a form that is refused, and see that nothing of it is stored; the page that comes back."""
    before = {key: one for key, one in clinic.rows().items() if key not in ("audit_log", "console_sessions")}
    response = reader.send(path, fields)
    assert response.status_code == status, text_of(response.text)
    after = {key: one for key, one in clinic.rows().items() if key not in ("audit_log", "console_sessions")}
    assert after == before
    return str(response.text)


@pytest.mark.parametrize(
    ("field", "sent", "said"),
    [
        ("m.side_hop_time.left.trial.1.value", "quick", "Side hop, left, trial 2: a number is wanted"),
        ("m.side_hop_time.right.trial.0.value", "900", "Side hop, right, trial 1: can only be at"),
        ("m.side_hop_time.left.pain", "11", "Side hop, left, pain: a whole number from 0 to 10"),
        ("m.heel_rise_repetitions.left.trial.0.value", "22,5", "Single-leg heel rise, left, trial 1: is counted"),
        ("m.side_hop_time.left.summary.trials", "3", "Side hop, left"),
        ("session_check.pain_at_rest", "12", "Pain at rest: "),
        ("performed_at", "2026-11-21T18:00", "lies after now"),
        ("performed_at", "", "Date and time: this field is required"),
        ("event.0.kind", "setback", "Event 1, date: this field is required"),
        ("session.9.on", "2026-11-18", "Session 10, kind: this field is required"),
        ("occasion", "not one word", "an occasion has letters"),
    ],
)
def test_a_fault_is_told_at_its_field_and_everything_typed_is_still_there(clinic, reader, field, sent, said):
    answer = begun(clinic)
    fields = fields_of(reader.page(address(answer))) | typed(whole("A", at="2026-11-20T17:00:00+01:00")) | {field: sent}

    html = refused(clinic, reader, address(answer), fields)

    assert said in text_of(html)
    reading = _Fields()
    reading.feed(html)
    linked = re.findall(r'<li><a href="#([^"]+)"', html)
    assert linked
    assert {unescape(one) for one in linked} <= reading.ids
    assert 'aria-invalid="true"' in html
    again = {key: one for key, one in fields.items() if one}
    assert again == {key: one for key, one in reading.fields.items() if one} | {"form_token": again["form_token"]}


def test_nothing_happened_and_something_did_can_not_both_be_sent(clinic, reader):
    answer = begun(clinic)
    told = {"since": "none", "event.0.kind": "setback", "event.0.on": "2026-11-20"}

    html = refused(clinic, reader, address(answer), fields_of(reader.page(address(answer))) | told)

    assert "take one of the two back" in text_of(html)


def test_something_happened_without_saying_what_is_refused(clinic, reader):
    answer = begun(clinic)
    html = refused(clinic, reader, address(answer), fields_of(reader.page(address(answer))) | {"since": "some"})

    assert 'href="#event.0.kind">Event 1, kind: this field is required' in html
    assert 'href="#event.0.on">Event 1, date: this field is required' in html


def test_what_was_measured_on_this_occasion_before_is_a_conflict_at_its_field(clinic, reader):
    first = clinic.post_battery(whole("A", at="2026-11-20T16:00:00+01:00", occasion="friday"))
    again = {"occasion": "friday", "m.side_hop_time.left.trial.0.value": "9"}

    html = refused(clinic, reader, address(first), fields_of(reader.page(address(first))) | again, 409)

    assert 'href="#m.side_hop_time.left.trial.0.value"' in html


def test_sent_twice_is_kept_once_and_leads_to_the_same_decision(clinic, reader):
    answer = begun(clinic)
    fields = fields_of(reader.page(address(answer))) | {"session_check.limp": "false"}

    locations = [reader.done(address(answer), fields) for _ in range(2)]

    assert sent_on(locations[0]) == sent_on(locations[1])
    assert clinic.rows()["batteries"] == 2


def test_a_form_that_was_sent_and_then_changed_leads_to_what_was_stored_and_is_then_one_of_its_own(clinic, reader):
    answer = begun(clinic)
    fields = fields_of(reader.page(address(answer)))
    reader.done(address(answer), fields)

    html = refused(clinic, reader, address(answer), fields | {"session_check.limp": "true"})

    assert "perhaps from another tab, and stored with other values" in text_of(html)
    assert f'href="/console/athletes/{answer["athlete_id"]}">Look at what was stored' in html
    again = fields_of(html) | {"session_check.limp": "true"}
    assert 'href="#performed_at"' in refused(clinic, reader, address(answer), again)
    for _ in range(2):
        reader.done(address(answer), again | {"performed_at": "2026-11-20T17:30"})
    assert clinic.rows()["batteries"] == 3


def test_a_form_without_its_key_is_refused(clinic, reader):
    answer = begun(clinic)
    fields = fields_of(reader.page(address(answer))) | {"idempotency_key": "mine"}

    assert reader.send(address(answer), fields).status_code == 400
    assert clinic.rows()["batteries"] == 1


def test_more_rows_are_given_without_storing_anything(clinic, reader):
    answer = begun(clinic)
    rows = {f"session.{row}.kind": "easy_run" for row in range(3)}

    response = reader.send(address(answer), fields_of(reader.page(address(answer))) | rows | {"step": "more"})

    assert response.status_code == 200
    assert "session.5.kind" in fields_of(response.text)
    assert clinic.rows()["batteries"] == 1


# What the form shows


def test_without_a_stage_the_stages_are_there_to_choose_from(clinic, reader):
    answer = begun(clinic)

    html = reader.page(address(answer, None))

    assert "Hops and planned turns" in text_of(html)
    assert f"/console/episodes/{answer['episode_id']}/battery?stage=team_training" in unescape(html)


def test_an_answer_of_the_athlete_has_its_range_and_no_trial_that_could_be_invalid(clinic, reader):
    html = reader.page(address(begun(clinic)))
    _, _, of_pain = html.partition('id="t-pain_worst_24h"')
    pain, _, after = of_pain.partition("</section>")

    assert "Value (0 to 10)" in text_of(pain)
    assert "Valid?" not in text_of(pain)
    assert "trial" not in text_of(pain)
    assert "Valid? Trial 1" in text_of(after)


def test_the_other_side_comes_first_and_both_sides_are_named(clinic, reader):
    html = reader.page(address(begun(clinic)))

    other, injured = html.index("Other side (right)"), html.index("Injured side (left)")
    assert other < injured


def test_where_both_sides_are_injured_there_is_no_other_one(clinic, reader):
    episode = {"ref": "KB-1-1", "new": True, **builders.EPISODE, "involved_side": "both"}
    html = reader.page(address(begun(clinic, episode=episode)))

    assert "Other side (" not in html
    assert html.index("Injured side (left)") < html.index("Injured side (right)")


def test_the_screen_is_due_until_it_was_answered_and_after_a_re_injury(clinic, reader):
    answer = begun(clinic, referral=None)
    assert "It is due" in text_of(reader.page(address(answer)))

    clinic.post_battery(small("second", at="2026-11-20T10:00:00+01:00"))
    assert "It was answered for this episode" in text_of(reader.page(address(answer)))

    clinic.post(f"/v1/episodes/{answer['episode_id']}/events", {"kind": "re_injury", "on": "2026-11-20"})
    assert "It is due" in text_of(reader.page(address(answer)))


def test_the_setup_of_last_time_stands_there_to_be_changed(clinic, reader):
    answer = clinic.post_battery(whole("A", at="2026-11-19T16:30:00+01:00"))

    fields = fields_of(reader.page(address(answer)))

    assert fields["setup.footwear"] == "court_shoe"
    assert fields["performed_at"] == "2026-11-20T18:00"


def test_tests_that_are_asked_stand_apart_from_those_that_are_not(clinic, reader):
    said = text_of(reader.page(address(begun(clinic), "team_training")))

    asked, apart = said.index("Side hop 3 valid trials"), said.index("Not asked by themselves")
    assert asked < apart
    assert "Triple hop – one way of several" in said


@pytest.mark.parametrize("path", ["/console/episodes/{}/battery", "/console/batteries/{}/follow-up"])
def test_what_is_not_there_is_not_found(reader, path):
    assert reader.get(path.format(uuid4())).status_code == 404


def test_a_stage_that_is_none_is_refused(clinic, reader):
    assert reader.get(address(begun(clinic), "olympics")).status_code == 422


def test_opening_the_form_is_noted_and_asks_at_most_six_statements(clinic, reader):
    answer = begun(clinic)
    reader.page(address(answer))
    engine = clinic.world.context.database.engine
    said: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        said.append(statement)

    sa.event.listen(sa.engine.Engine, "before_cursor_execute", note)
    try:
        reader.page(address(answer))
    finally:
        sa.event.remove(sa.engine.Engine, "before_cursor_execute", note)

    assert engine is not None
    assert len([one for one in said if not one.startswith(("BEGIN", "PRAGMA"))]) <= 6, "\n".join(said)
    rows = list_audit(clinic.world.context, clinic.world.administrator, {}, limit=20).items
    assert "read_episode" in [one["action"] for one in rows]


# Values while typing


def values(reader: Reader, path: str, fields: Mapping[str, str]) -> Any:
    headers = {"Sec-Fetch-Site": "same-origin", "X-Form-Token": fields["form_token"]}
    return reader.flask.post(f"{path.partition('?')[0]}/values", json=dict(fields), headers=headers)


def test_values_are_told_while_typing_and_no_verdict(clinic, reader):
    answer = begun(clinic)
    fields = fields_of(reader.page(address(answer))) | typed(whole("A", at="2026-11-20T17:00:00+01:00"))
    before = clinic.rows()

    response = values(reader, address(answer), fields)

    told = {one["criterion"]: one for one in response.json["criteria"]}
    assert told["lunge-symmetry"]["value"] == "0.8 cm"
    assert not re.search(r"\bmet\b|pass|hold|required|allowed|outcome|status", response.text)
    assert clinic.rows() == before


def test_what_is_to_be_looked_at_again_has_its_date_as_people_read_it(clinic, reader):
    answer = begun(clinic)
    times = {"left": 8, "right": 10}
    odd = [builders.measured("side_hop_time", side, *[time] * 3) for side, time in times.items()]
    sent = typed(whole("A", at="2026-11-20T17:00:00+01:00", measurements=odd, confirmed=None))

    told = values(reader, address(answer), fields_of(reader.page(address(answer))) | sent).json["look_again"]

    assert any("Fri 20 Nov 2026" in one for one in told)
    assert not any("2026-" in one for one in told)


def test_a_fault_while_typing_is_told_at_its_field(clinic, reader):
    answer = begun(clinic)
    fields = fields_of(reader.page(address(answer))) | {"m.side_hop_time.left.pain": "11"}

    [fault] = [one for one in values(reader, address(answer), fields).json["faults"] if one["field"].endswith("pain")]

    assert "from 0 to 10" in fault["detail"]


def test_values_are_told_to_who_opened_the_form_only(clinic, reader):
    answer = begun(clinic)
    fields = fields_of(reader.page(address(answer)))
    other = clinic.post_battery(small("other", athlete=ATHLETE_2, episode=EPISODE_2))

    assert values(reader, address(answer), fields | {"opened": ""}).status_code == 403
    assert values(reader, address(other), fields).status_code == 403
    assert values(reader, address(answer), fields | {"form_token": "0" * 64}).status_code == 403


# A new athlete, the morning after


FACTS = {
    "athlete.ref": "KB-9",
    "athlete.birth_year": "2001",
    "athlete.sex": "female",
    "episode.ref": "KB-9-1",
    "episode.condition": "lateral_ankle_sprain",
    "episode.involved_side": "right",
    "episode.onset_on": "2026-11",
    "episode.other_side": "healthy",
    "gate": f"{SET}/running",
}
NEW = "/console/athletes/new"


def test_a_new_athlete_is_made_with_the_first_battery_and_not_before(clinic, reader):
    assert fields_of(reader.page(NEW))["gate"] == f"{SET}/protected_loading"
    response = reader.send(NEW, FACTS | {"step": "facts"})
    assert clinic.rows()["athletes"] == 0
    fields = fields_of(response.text) | {"step": "battery", "session_check.limp": "false"}

    decision = clinic.decision(sent_on(reader.done(NEW, fields)))

    assert decision["created"] == ["athlete", "episode"]
    assert kept(clinic, decision["id"])["episode"]["involved_side"] == "right"
    assert kept(clinic, decision["id"])["athlete"]["birth_year"] == 2001
    assert "Other side (left)" in response.text


@pytest.mark.parametrize(("typed", "kept"), [("4 Oct 2026", "2026-10-04"), ("October 2026", "2026-10")])
def test_an_onset_is_written_as_people_write_it(clinic, reader, typed, kept):
    shown = reader.send(NEW, FACTS | {"step": "facts", "episode.onset_on": typed})
    reader.done(NEW, fields_of(shown.text) | {"step": "battery", "session_check.limp": "false"})

    assert "Onset Sun 4 Oct 2026" in text_of(shown.text) or "Onset Oct 2026" in text_of(shown.text)
    assert [one["onset_on"] for one in clinic.found("episodes")] == [kept]


def test_facts_with_faults_are_asked_again(reader):
    response = reader.send(NEW, FACTS | {"step": "facts", "athlete.birth_year": "x", "episode.onset_on": "spring"})

    assert response.status_code == 422
    assert re.findall(r'<li><a href="#([^"]+)"', response.text) == ["athlete.birth_year", "episode.onset_on"]
    assert fields_of(response.text)["episode.onset_on"] == "spring"


def test_a_known_athlete_whose_ref_is_mistyped_is_not_made_anew(clinic, reader):
    fields = fields_of(reader.send(NEW, FACTS | {"athlete.known": "true", "step": "facts"}).text)

    html = refused(clinic, reader, NEW, fields | {"step": "battery"})

    assert "mend the ref" in text_of(html)


def test_going_back_to_the_facts_keeps_what_was_typed_of_the_battery(reader):
    fields = fields_of(reader.send(NEW, FACTS | {"step": "facts"}).text) | {"session_check.limp": "true"}
    back = fields_of(reader.send(NEW, fields | {"step": "back"}).text)

    again = fields_of(reader.send(NEW, back | {"step": "facts", "episode.involved_side": "left"}).text)

    assert again["session_check.limp"] == "true"
    assert again["episode.involved_side"] == "left"


@pytest.mark.parametrize("ref", ["KB-3", ATHLETE["ref"]])
def test_a_first_battery_that_was_stored_and_is_sent_again_for_another_athlete_says_so(clinic, reader, ref):
    begun(clinic)
    fields = fields_of(reader.send(NEW, FACTS | {"step": "facts"}).text) | {"step": "battery"}
    reader.done(NEW, fields)

    html = refused(clinic, reader, NEW, fields | {"athlete.ref": ref, "episode.ref": "KB-3-1"})

    assert "stored with other values" in text_of(html)
    assert '">Look at what was stored' not in html, "of this athlete it was not"


def test_values_of_a_first_battery_are_told_and_reading_a_known_athlete_is_noted(clinic, reader):
    begun(clinic)
    known = FACTS | {"athlete.ref": ATHLETE["ref"], "athlete.birth_year": "2000", "athlete.sex": ""}
    fields = fields_of(reader.send(NEW, known | {"step": "facts"}).text)

    response = values(
        reader, NEW, fields | {"m.pain_worst_24h.person.trial.0.value": "2", "session_check.medication_24h": "none"}
    )

    assert {"2 of 10"} <= {one["value"] for one in response.json["criteria"]}
    rows = list_audit(clinic.world.context, clinic.world.administrator, {}, limit=20).items
    assert "read_athlete" in [one["action"] for one in rows]
    assert values(reader, NEW, fields | {"athlete.ref": "KB-2"}).status_code == 403


def test_reading_a_known_athlete_is_noted_whichever_form_of_the_ref_is_typed(clinic, reader):
    composed, decomposed = "\N{LATIN CAPITAL LETTER O WITH DIAERESIS}zil", "O\N{COMBINING DIAERESIS}zil"
    begun(clinic, athlete={"ref": composed, "new": True, "birth_year": 2000})

    reader.send(NEW, FACTS | {"athlete.ref": decomposed, "athlete.birth_year": "2000", "step": "facts"})

    rows = list_audit(clinic.world.context, clinic.world.administrator, {}, limit=20).items
    assert "read_athlete" in [one["action"] for one in rows]


def test_the_morning_after_is_answered_and_judged(clinic, reader):
    evening = clinic.post_battery(whole("A", target_stage="competition"))
    clinic.at("2026-11-21T08:00:00+01:00")
    reader = signed_in(clinic.world)
    path = f"/console/batteries/{evening['battery_id']}/follow-up"
    told = {"session_check.pain_at_rest": "1", "session_check.medication_24h": "none", "since": "none"}

    asked = reader.page(path)
    location = reader.done(path, fields_of(asked) | told)

    assert "answered before" not in asked
    assert "It was answered before: Sat 21 Nov 2026, 08:00" in text_of(reader.page(path))
    decision = clinic.decision(sent_on(location))
    assert decision["target_stage"] == "competition"
    [one] = [one for one in decision["reasons"] if one["criterion"] == "morning-after-test"]
    assert one["measured"] == {"value": "1", "unit": "1"}


def test_a_morning_that_comes_after_a_later_battery_is_kept_and_says_that_it_is_not_judged(clinic):
    evening = clinic.post_battery(whole("A", at="2026-11-18T16:30:00+01:00"))
    clinic.post_battery(small("B", at="2026-11-19T09:00:00+01:00"))
    clinic.at("2026-11-19T10:00:00+01:00")
    reader = signed_in(clinic.world)
    path = f"/console/batteries/{evening['battery_id']}/follow-up"

    location = reader.done(path, fields_of(reader.page(path)) | {"session_check.pain_at_rest": "1"})

    assert "not judged" in text_of(reader.page(location))
    assert clinic.rows()["batteries"] == 3


def test_a_morning_on_the_same_day_is_refused_at_its_time(clinic, reader):
    evening = clinic.post_battery(whole("A"))
    path = f"/console/batteries/{evening['battery_id']}/follow-up"

    html = refused(clinic, reader, path, fields_of(reader.page(path)) | {"session_check.pain_at_rest": "1"})

    assert 'href="#performed_at"' in html
    more = reader.send(path, fields_of(html) | {"step": "more"})
    assert more.status_code == 200


def test_a_body_from_the_form_is_loaded_by_the_schema_of_the_api():
    body = whole("A")
    form = template_of(builders.criteria(), "competition", "left")
    form |= {
        "sessions": [{"kind": one.id, "takes": one.takes} for one in builders.criteria().catalogue.sessions.values()]
    }
    fixed = {key: body[key] for key in ("kind", "ref", "athlete", "episode", "target_stage")}

    filled = body_of(typed(body), form, BERLIN, fixed)

    loaded, wanted = (BatterySchema().load(one) for one in (filled.body, body))
    for one in (loaded, wanted):
        one["measurements"].sort(key=lambda each: (each["test"], each.get("side", "")))
    assert loaded == wanted
