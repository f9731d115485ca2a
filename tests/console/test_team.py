"""The team page: who is where, what holds, what is due."""

import pytest

from service.use_cases.showing_people import show_episode
from service.use_cases.team import read_team
from tests.builders import SESSION_CHECK
from tests.clinic import new_clinic, small, whole
from tests.console.signed_in import signed_in, text_of
from tests.console.statements import statements
from tests.world import new_world

LIMPING = SESSION_CHECK | {"limp": True}


@pytest.fixture
def clinic(database_url):
    return new_clinic(database_url)


@pytest.fixture
def reader(clinic):
    return signed_in(clinic.world)


def refs(reader, arguments=""):
    html = reader.page(f"/console/team{arguments}")
    return [ref for ref in ("A-ref", "B-ref", "C-ref") if f">{ref}</a>" in html]


def posted(clinic, name, **changes):
    """A battery of one more athlete."""
    body = small(None, **changes)
    body["athlete"] = body["athlete"] | {"ref": f"{name}-ref"}
    body["episode"] = body["episode"] | {"ref": f"{name}-ref-1"}
    return clinic.post_battery(body)


def test_before_there_is_anybody_the_page_says_how_to_begin(database_url):
    reader = signed_in(new_world(database_url))

    assert "No open episode yet" in text_of(reader.page("/console/team"))


def test_an_athlete_stands_there_with_what_holds_and_the_caution(reader, clinic):
    held = posted(clinic, "A", session_check=LIMPING)

    said = text_of(reader.page("/console/team"))

    assert "A-ref" in said
    assert held["caution"]["text"] in said
    assert "Hold for Rebuilding" in said
    assert "Awaiting sign-off" in said


def test_filters_and_search_leave_out_who_does_not_fit(reader, clinic):
    posted(clinic, "A", session_check=LIMPING)
    posted(clinic, "B")

    assert refs(reader, "?show=hold") == ["A-ref"]
    assert refs(reader, "?show=pass") == ["B-ref"]
    assert refs(reader, "?search=b-") == ["B-ref"]
    assert refs(reader, "?show=finding") == []
    assert "None of the 2 open episodes fits" in text_of(reader.page("/console/team?search=nobody"))


def test_a_closed_episode_is_on_the_team_page_no_more(clinic):
    passed = posted(clinic, "A")
    clinic.at("2026-11-21T18:00:00+01:00")
    clinic.post(
        f"/v1/episodes/{passed['episode_id']}/events", {"kind": "closed", "on": "2026-11-21", "cause": "returned"}
    )

    assert refs(signed_in(clinic.world)) == []


def test_another_organisations_athletes_are_not_there(reader, database_url):
    posted(new_clinic(database_url), "A")

    assert refs(reader) == []


def test_the_page_takes_at_most_six_statements_however_many_there_are(reader, clinic):
    for number in range(12):
        posted(clinic, f"N{number}", **({"session_check": LIMPING} if number % 2 else {}))
    reader.page("/console/team")

    with statements(clinic.world) as sent:
        reader.page("/console/team")

    assert len(sent) <= 6, sent


def test_the_supported_stage_is_that_of_the_record(clinic):
    """Compared with what the engine finds by reading the whole record."""
    first = posted(clinic, "A")
    posted(clinic, "B", session_check=LIMPING)
    body = whole("third", at="2026-11-20T17:00:00+01:00")
    clinic.post_battery(body)
    clinic.at("2026-11-21T18:00:00+01:00")
    clinic.post(f"/v1/episodes/{first['episode_id']}/events", {"kind": "setback", "on": "2026-11-21"})

    world = clinic.world
    items = read_team(world.context, world.clinician)["items"]

    shown = {one["episode_id"]: one["supported_stage"] for one in items}
    told = {id_: show_episode(world.context, world.clinician, id_)["supported_stage"] for id_ in shown}
    assert shown == told
    assert len(set(told.values())) > 1
