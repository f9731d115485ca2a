"""The team page: who is where, what holds, what is due."""

import re
from datetime import date, datetime

import pytest

from service.app import create_app
from service.demo.club import ZONE
from service.demo.loading import load_club
from service.settings import Settings
from service.store.database import Database
from service.use_cases.access import authenticate
from service.use_cases.context import CLINICIAN, Context
from service.use_cases.showing_people import show_episode
from service.use_cases.team import read_team
from tests.builders import SESSION_CHECK, referral_answers
from tests.clinic import new_clinic, small, whole
from tests.console.signed_in import Reader, signed_in, text_of
from tests.console.statements import statements
from tests.world import new_world

LIMPING = SESSION_CHECK | {"limp": True}
TODAY = date(2026, 11, 28)
NOW = datetime(2026, 11, 28, 9, 30, tzinfo=ZONE)


@pytest.fixture(scope="module")
def club(databases):
    """The invented club: a context, and a clinician's key."""
    with databases.copy("sqlite") as made:
        database = Database(made.url)
        context = Context(database, lambda: NOW, "0")
        keys = load_club(context, TODAY, tell=lambda _: None)
        yield context, keys[CLINICIAN], made.url
        database.close()


@pytest.fixture(scope="module")
def clubs_reader(club):
    _context, key, url = club
    flask = create_app(Settings(database_url=url), clock=lambda: NOW).test_client()
    assert flask.post("/console/sign-in", data={"key": key}).status_code == 303
    return Reader(flask)


def refs(reader, arguments="", among=("A-ref", "B-ref", "C-ref")):
    """The athletes on the page, in its order."""
    html = reader.page(f"/console/team{arguments}")
    places = {ref: html.find(f">{ref}</a>") for ref in among}
    return sorted((ref for ref in among if places[ref] >= 0), key=lambda ref: places[ref])


def posted(clinic, name, **changes):
    """A battery of one more athlete."""
    return clinic.post_battery(of(name, small(None, **changes)))


def of(name, body):
    """A battery as that of an athlete."""
    athlete, episode = body["athlete"] | {"ref": f"{name}-ref"}, body["episode"] | {"ref": f"{name}-ref-1"}
    return body | {"athlete": athlete, "episode": episode}


def as_shown(context, caller):
    """The supported stage, and whether a step back is proposed, of each episode: here, and from its whole record."""
    items = read_team(context, caller)["items"]
    here = {one["episode_id"]: (one["supported_stage"], one["step_back"]) for one in items}
    whole_records = {id_: show_episode(context, caller, id_) for id_ in here}
    return here, {id_: (one["supported_stage"], one["step_back_proposed"]) for id_, one in whole_records.items()}


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


def test_what_holds_most_is_told_as_the_decision_tells_it(reader, clinic):
    short = whole(measurements=[{"test": "pain_worst_24h", "value": 7}], target_stage="rebuild")
    held = clinic.post_battery(of("A", short))

    said = text_of(reader.page("/console/team"))

    assert held["summary"].removeprefix("Hold: ") in said
    assert "Worst pain in the last 24 hours: 7 of 10; at most" in said


def test_filters_and_search_leave_out_who_does_not_fit(reader, clinic):
    posted(clinic, "A", session_check=LIMPING)
    posted(clinic, "B")
    finding = referral_answers() | {"calf_squeeze_still_or_gap": True}
    posted(clinic, "C", referral=finding)

    assert refs(reader, "?show=hold") == ["A-ref", "C-ref"]
    assert refs(reader, "?show=pass") == ["B-ref"]
    assert refs(reader, "?show=finding") == ["C-ref"]
    assert refs(reader, "?show=undecided") == []
    assert refs(reader, "?search=b-") == ["B-ref"]
    assert refs(reader, "?search=b-&show=hold") == []
    assert "None of the 3 open episodes fits" in text_of(reader.page("/console/team?search=nobody"))
    assert "1 finding open" in text_of(reader.page("/console/team?search=C-ref"))


def test_search_finds_either_form_of_a_letter(reader, clinic):
    posted(clinic, "\N{LATIN CAPITAL LETTER O WITH DIAERESIS}zil")
    ref = "\N{LATIN CAPITAL LETTER O WITH DIAERESIS}zil-ref"

    assert refs(reader, "?search=O\N{COMBINING DIAERESIS}zil", among=(ref,)) == [ref]


def test_what_is_late_is_said_so_and_found(reader, clinic):
    posted(clinic, "A", session_check=LIMPING)
    posted(clinic, "B")
    assert refs(reader, "?show=overdue") == []
    clinic.at("2027-01-20T18:00:00+01:00")

    reader = signed_in(clinic.world)
    assert refs(reader, "?show=overdue") == ["A-ref"]
    assert "Retest, overdue" in text_of(reader.page("/console/team"))


def test_athletes_are_found_by_their_position(reader, clinic):
    passed = posted(clinic, "A")
    posted(clinic, "B")
    signed = {
        "decision_digest": passed["digest"],
        "determination": "agree",
        "position": {"stage": "rebuild", "participation": "modified_training"},
    }
    clinic.post(f"/v1/decisions/{passed['id']}/sign-offs", signed)

    assert refs(reader, "?stage=rebuild") == ["A-ref"]
    assert refs(reader, "?stage=not_set") == ["B-ref"]
    assert refs(reader, "?stage=team_training") == []
    assert refs(reader, "?stage=&sort=&show=&search=") == ["A-ref", "B-ref"]


def test_lines_are_sorted_as_asked(reader, clinic):
    posted(clinic, "A")
    posted(clinic, "B", session_check=LIMPING)
    posted(clinic, "C", referral=referral_answers() | {"calf_squeeze_still_or_gap": True})

    assert refs(reader, "?sort=athlete") == ["A-ref", "B-ref", "C-ref"]
    assert refs(reader, "?sort=holds") == ["C-ref", "B-ref", "A-ref"]
    assert refs(reader, "?sort=due")[-1] == "A-ref"


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("?sort=colour", "“colour” is nothing to sort by"),
        ("?show=everything", "there is no show “everything”"),
        ("?stage=moon", "there is no stage “moon”"),
        ("?strage=rebuild", "this page knows no “strage”"),
    ],
)
def test_an_address_that_asks_for_what_is_not_there_is_told_so_and_shown_all_else(reader, clinic, address, said):
    posted(clinic, "A")

    response = reader.get(f"/console/team{address}")

    assert response.status_code == 400
    assert said in text_of(response.text)
    assert ">A-ref</a>" in response.text


def test_the_trend_is_that_of_the_latest_two_decisions_for_a_stage(reader, clinic):
    first = posted(clinic, "A", session_check=LIMPING)
    assert "The first for this stage" in text_of(reader.page("/console/team"))

    def again(name, at, check):
        clinic.at(at.replace("16:30", "18:00"))
        clinic.post_battery(of("A", small(name, at, session_check=check)))
        return text_of(signed_in(clinic.world).page("/console/team"))

    assert first["outcome"] == "hold"
    assert "Better than before" in again("B", "2026-11-21T16:30:00+01:00", SESSION_CHECK)
    assert "The same as before" in again("C", "2026-11-22T16:30:00+01:00", SESSION_CHECK)
    assert "Worse than before" in again("D", "2026-11-23T16:30:00+01:00", LIMPING)


def test_a_battery_that_was_corrected_tells_no_trend(reader, clinic):
    wrong = posted(clinic, "A", session_check=LIMPING)
    posted(clinic, "A", supersedes={"id": wrong["battery_id"]})

    assert "The first for this stage" in text_of(reader.page("/console/team"))


def test_the_days_since_the_onset_are_counted_where_the_day_is_known(reader, clinic):
    posted(clinic, "A")
    clinic.post_battery(of("B", small(None, episode=small()["episode"] | {"onset_on": "2026-10"})))

    said = text_of(reader.page("/console/team"))

    onset = date.fromisoformat(small()["episode"]["onset_on"])
    assert f"{(date(2026, 11, 20) - onset).days} days since" in said
    assert "since Oct 2026" in said


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
    for number in range(60):
        posted(clinic, f"N{number}", **({"session_check": LIMPING} if number % 2 else {}))
    reader.page("/console/team")

    with statements(clinic.world) as sent:
        said = text_of(reader.page("/console/team"))

    assert "60 of 60 open episodes" in said
    assert len(sent) <= 6, sent


def test_who_looks_at_the_team_is_noted_once(reader, clinic):
    posted(clinic, "A")
    posted(clinic, "B")
    reader.page("/console/team")

    [noted] = clinic.found("audit_log", action="read_team")
    assert noted["detail"] == "2 shown"


def test_the_supported_stage_is_that_of_the_record(clinic):
    """Compared with what the engine finds by reading the whole record."""
    first = posted(clinic, "A")
    posted(clinic, "B", session_check=LIMPING)
    body = whole("third", at="2026-11-20T17:00:00+01:00")
    clinic.post_battery(body)
    clinic.at("2026-11-21T18:00:00+01:00")
    clinic.post(f"/v1/episodes/{first['episode_id']}/events", {"kind": "setback", "on": "2026-11-21"})

    here, record = as_shown(clinic.world.context, clinic.world.clinician)
    assert here == record
    assert len(set(record.values())) > 1


@pytest.mark.parametrize("voided", [["battery_id"], ["id"], ["id", "battery_id"]])
def test_the_supported_stage_is_that_of_the_record_whatever_is_taken_back_of_a_hold(clinic, voided):
    """A hold lowers it while it counts, though its battery was taken back."""
    clinic.post_battery(whole("A", "2026-11-19T16:30:00+01:00", target_stage="running"))
    held = clinic.post_battery(small("B", session_check=LIMPING))
    assert held["outcome"] == "hold"
    for name in voided:
        clinic.post(f"/v1/entries/{held[name]}/void", {"reason": "another athlete's"})

    here, record = as_shown(clinic.world.context, clinic.world.clinician)
    assert here == record


def test_the_supported_stages_of_the_club_are_those_of_its_records(club):
    context, key, _url = club
    here, record = as_shown(context, authenticate(context, key))

    assert here == record
    assert len(set(record.values())) > 5


def test_the_club_is_found_by_what_is_proposed_and_what_is_late(clubs_reader):
    numbers = [f"NU-{number}" for number in range(101, 120)]

    assert refs(clubs_reader, "?show=step_back&sort=athlete", numbers) == ["NU-104", "NU-116"]
    assert refs(clubs_reader, "?show=overdue", numbers) == ["NU-112"]
    assert refs(clubs_reader, "?sort=stage", numbers)[0] == "NU-101"
    said = text_of(clubs_reader.page("/console/team?search=NU-112"))
    assert "Lapsed: Team training" in said
    assert "Review of an override, overdue" in said


def test_who_is_back_in_competition_takes_part_in_it_and_it_is_said_once(clubs_reader):
    found = re.search(r'href="(/console/athletes/[^"]+)">NU-101<', clubs_reader.page("/console/team?search=NU-101"))
    assert found is not None
    said = text_of(clubs_reader.page(found[1]))

    assert "Position Competition Ida Probe (invented), physician" in said
    assert "Decision signed off (agree): Competition." in said
    assert "Competition, competition" not in said
