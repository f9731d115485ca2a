"""The page of a decision, and signing it off from there."""

import re
from html import unescape

import pytest

from service.console.words import dated, day
from service.use_cases.context import ADMINISTRATOR, CLINICIAN
from tests import builders
from tests.builders import SESSION_CHECK, measured, passing_measurements
from tests.clinic import new_clinic, small, whole
from tests.console.signed_in import Reader, signed_in, text_of, visitor
from tests.console.statements import statements
from tests.world import new_key

LIMPING = SESSION_CHECK | {"limp": True}


@pytest.fixture
def clinic(database_url):
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


@pytest.fixture
def held(clinic):
    return clinic.post_battery(small("A", session_check=LIMPING))


def address(decision, more=""):
    return f"/console/decisions/{decision['id']}{more}"


def form(reader, decision, **fields):
    html = reader.page(address(decision))
    key = re.search(r'name="idempotency_key" value="([0-9a-f]{32})"', html)
    digest = re.search(r'name="decision_digest" value="([^"]+)"', html)
    assert key is not None
    assert digest is not None
    return {"idempotency_key": key.group(1), "decision_digest": digest.group(1), **fields}


OVERRIDE = {
    "determination": "override",
    "stage": "rebuild",
    "participation": "modified_training",
    "criteria_overridden": ["walks-without-limp"],
    "rationale": "an old limp",
    "conditions": "no contact",
    "informed": "head coach, guardian",
    "valid_until": "2026-11-27",
}


def test_the_page_says_the_verdict_its_caution_and_every_reason(reader, clinic):
    decided = clinic.post_battery(whole("A"))

    html = reader.page(address(decided))
    said = text_of(html)

    assert f"{decided['outcome'].capitalize()} for" in said
    assert decided["caution"]["text"] in said
    assert all(point in said for point in decided["caution"]["points"])
    assert [one["statement"] for one in decided["reasons"] if one["statement"] not in said] == []
    assert decided["digest"] in said
    assert html.count('class="strip"') == sum(bool(one["measured"] and one["margin"]) for one in decided["reasons"])


def test_why_it_holds_is_read_with_the_verdict(reader, held):
    said = text_of(reader.page(address(held)))
    main = said[said.index("Sign out") :]

    assert main.index("Hold for") < main.index(held["summary"]) < main.index("Caution.")


def test_an_answer_that_is_required_is_told_in_words(reader, held):
    said = text_of(reader.page(address(held)))

    assert "Limp no is required" in said
    assert "is false" not in said


def test_the_working_is_shown_where_it_is_asked_for(reader, clinic):
    decided = clinic.post_battery(whole("A"))
    line = next(line for one in _working(clinic, decided) for line in one)

    assert "2026-11-20" in line
    assert dated(line) not in unescape(reader.page(address(decided)))
    assert dated(line) in unescape(reader.page(address(decided, "?working=yes")))


def _working(clinic, decided):
    from service.use_cases.reading_decisions import read_decision  # noqa: PLC0415 - one test asks the use case

    return read_decision(
        clinic.world.context, clinic.world.clinician, decided["id"], with_working=True
    ).working.values()


@pytest.mark.parametrize("more", ["", "?working=yes"])
@pytest.mark.parametrize("is_withdrawn", [False, True])
def test_the_page_takes_at_most_six_statements(clinic, more, is_withdrawn):
    decided = clinic.post_battery(small("A"))
    if is_withdrawn:
        clinic.post(f"/v1/episodes/{decided['episode_id']}/events", {"kind": "setback", "on": "2026-11-20"})
    reader = signed_in(clinic.world)
    reader.page(address(decided, more))
    with statements(clinic.world) as sent:
        reader.page(address(decided, more))

    assert len(sent) <= 6, sent


def test_a_decision_that_no_longer_stands_says_so_first_and_leads_on(clinic, held):
    clinic.at("2026-11-21T18:00:00+01:00")
    later = clinic.post_battery(small("second", at="2026-11-21T16:30:00+01:00"))

    reader = signed_in(clinic.world)
    said = text_of(reader.page(address(held)))
    main = said[said.index("Sign out") :]

    assert main.index("no longer stands: superseded") < main.index("for Rebuilding")
    assert f"/console/decisions/{later['id']}" in reader.page(address(held))
    assert "Sign off" not in main.replace("Sign-off", "")
    assert f'href="/console/decisions/{later["id"]}#sign-offs"' in reader.page(address(held))


def test_a_withdrawn_decision_says_why(clinic):
    passed = clinic.post_battery(small("A"))
    clinic.post(f"/v1/episodes/{passed['episode_id']}/events", {"kind": "setback", "on": "2026-11-20"})
    because = clinic.decision(passed["id"])["standing"]["because"]["detail"]

    said = text_of(signed_in(clinic.world).page(address(passed)))

    assert "Pass for" not in said
    main = said[said.index("Sign out") :]
    assert main.index("no longer stands: withdrawn") < main.index(because[1:]) < main.index("Pass (withdrawn) for")


def test_what_a_withdrawn_pass_said_is_told_as_what_it_said_then(reader, clinic):
    passed = clinic.post_battery(small("A"))
    reader.done(
        address(passed, "/sign-offs"),
        form(reader, passed, determination="agree", stage="rebuild", participation="modified_training"),
    )
    standing = text_of(reader.page(address(passed)))
    clinic.post(f"/v1/episodes/{passed['episode_id']}/events", {"kind": "setback", "on": "2026-11-20"})
    withdrawn = text_of(reader.page(address(passed)))

    assert "Position now Rebuilding range, balance and strength, modified training" in standing
    assert "It said then" not in standing
    assert "Stands until" in standing
    assert f"It said then: {passed['summary']}" in withdrawn
    assert "Supported stage then" in withdrawn
    assert "Next steps then This decision no longer stands: withdrawn. These steps are not for today." in withdrawn
    assert "Stands until" not in withdrawn
    assert "Position now Rebuilding range, balance and strength, modified training" in withdrawn


def test_the_page_names_the_side_as_the_decision_knew_it(reader, clinic):
    passed = clinic.post_battery(small("A"))
    assert "lateral ankle sprain, left . As of" in text_of(reader.page(address(passed)))

    corrected = {"kind": "corrected", "on": "2026-11-20", "involved_side": "right"}
    clinic.post(f"/v1/episodes/{passed['episode_id']}/events", corrected)

    assert "lateral ankle sprain, left . As of" in text_of(reader.page(address(passed)))


def test_a_position_that_has_lapsed_says_so_before_it_is_read(clinic, held):
    reader = signed_in(clinic.world)
    reader.done(address(held, "/sign-offs"), form(reader, held, **OVERRIDE))
    assert "Lapsed" not in text_of(reader.page(address(held)))
    assert "the position now" in reader.page(f"/console/episodes/{held['episode_id']}/battery")
    clinic.at("2026-11-28T09:00:00+01:00")

    reader = signed_in(clinic.world)
    lapsed = "Position {}Lapsed: Rebuilding range, balance and strength"
    assert lapsed.format("now ") in text_of(reader.page(address(held)))
    athlete = reader.page(f"/console/athletes/{held['athlete_id']}")
    assert lapsed.format("") in text_of(athlete)
    assert "selected" not in athlete.partition("Position without a decision")[2].partition("</form>")[0]
    assert "Lapsed: Rebuilding range, balance and strength" in text_of(reader.page("/console/team"))
    assert "the position now" not in reader.page(f"/console/episodes/{held['episode_id']}/battery")


def test_who_agrees_sets_the_position_from_the_page(reader, clinic):
    passed = clinic.post_battery(small("A"))
    fields = form(reader, passed, determination="agree", stage="rebuild", participation="modified_training")

    reader.done(address(passed, "/sign-offs"), fields)

    assert clinic.row("episodes", id=passed["episode_id"])["stage"] == "rebuild"
    said = text_of(reader.page(address(passed)))
    assert "Agree by Invented Clinician, physiotherapist" in said


def test_an_override_names_what_it_overrides(reader, held):
    reader.done(address(held, "/sign-offs"), form(reader, held, **OVERRIDE))

    said = text_of(reader.page(address(held)))
    assert "Override by Invented Clinician" in said
    assert "until Fri 27 Nov 2026" in said
    assert "Informed: head coach, guardian" in said


def test_where_sides_look_swapped_the_way_to_confirm_them_is_one_tap(clinic):
    odd = [measured("side_hop_time", side, *[time] * 3) for side, time in {"left": 8, "right": 10}.items()]
    held = clinic.post_battery(whole("A", target_stage="competition", measurements=odd, confirmed=None))
    way = f'href="/console/episodes/{held["episode_id"]}/battery?corrects={held["battery_id"]}"'
    reader = signed_in(clinic.world)

    assert "look swapped" in text_of(reader.page(address(held)))
    assert way in reader.page(address(held))
    assert 'name="confirmed"' in reader.page(way[6:-1])

    clinic.post(
        f"/v1/episodes/{held['episode_id']}/events",
        {"kind": "closed", "at": "2026-11-20T17:30:00+01:00", "cause": "moved"},
    )
    assert way not in reader.page(address(held))
    assert "closed on Fri 20 Nov 2026" in text_of(reader.page(address(held)))
    assert "Position at the end of the episode Not set" in text_of(reader.page(address(held)))


def test_a_refused_sign_off_names_stages_in_words(reader, clinic):
    passed = clinic.post_battery(small("A"))
    fields = form(reader, passed, determination="agree", stage="team_training", participation="full_training")

    response = reader.send(address(passed, "/sign-offs"), fields)

    assert response.status_code == 422
    assert "Stage: team training lies above" in text_of(response.text)


def test_where_a_finding_is_open_no_override_is_offered(reader, clinic):
    told = builders.referral_answers() | {"navicular_tender": True}
    held = clinic.post_battery(small("A", session_check=LIMPING, referral=told))

    assert 'value="override"' not in reader.page(address(held))


def test_a_referral_sign_says_what_to_do(reader, clinic):
    told = builders.referral_answers() | {"calf_swollen_vein_tender": True}
    held = clinic.post_battery(small("A", referral=told))
    [action] = [one["action"] for one in held["holds"]]

    _, _, said = text_of(reader.page(address(held))).partition("What holds")

    assert "deep vein thrombosis" in action
    assert action in said


def test_what_ends_the_hold_without_testing_comes_first_of_the_next_steps(reader, clinic):
    held = clinic.post_battery(small("A", since_last=None))
    [step] = held["next_steps"]["now"]

    assert f"Next steps Now, without testing {step}" in text_of(reader.page(address(held)))


def test_the_retest_says_from_when_until_when_and_what_can_be_done_sooner(reader, clinic):
    low = [measured("heel_rise_repetitions", "left", 5), measured("heel_rise_repetitions", "right", 25)]
    held = clinic.post_battery(whole("A", measurements=low, session_check=None))
    retest = held["retest"]
    said = text_of(reader.page(address(held)))

    assert f"Test again on {day(retest['due_on'])}, or up to {retest['window_days']} days later." in said
    by_day = {}
    for one in retest["sooner"]:
        by_day.setdefault(one["due_on"], []).append(one["what"])
    assert len(by_day) < len(retest["sooner"])
    told = [f"Sooner, from {day(on)}: {'; '.join(what)}." for on, what in sorted(by_day.items())]
    assert " ".join(told) in said


def test_only_what_was_not_met_is_worked_on_and_lines_of_another_stage_say_which(reader, clinic):
    held = clinic.post_battery(whole("A", measurements=[]))
    missing = [one for one in held["reasons"] if one["status"] == "not_assessed" and one["work_on"]]
    assert missing

    said = text_of(reader.page(address(held)))

    assert [one["work_on"] for one in missing if one["work_on"] in said] == []
    assert "May continue, as in Protected loading" in said


def test_what_holds_besides_criteria_is_offered_for_an_override(reader, clinic):
    held = clinic.post_battery(small("A", session_check=LIMPING, since_last=None))

    offered = re.findall(r'name="criteria_overridden" value="([^"]+)"', reader.page(address(held)))

    assert offered == ["walks-without-limp", "since_last"]


def test_a_form_sent_twice_signs_once(reader, clinic, held):
    fields = form(reader, held, **OVERRIDE)

    reader.done(address(held, "/sign-offs"), fields)
    before = clinic.rows()
    reader.done(address(held, "/sign-offs"), fields)

    assert clinic.rows() | {"audit_log": 0} == before | {"audit_log": 0}


@pytest.mark.parametrize("left_out", ["rationale", "conditions", "informed", "valid_until", "criteria_overridden"])
def test_a_refused_sign_off_is_shown_again_as_it_was_typed(reader, clinic, held, left_out):
    fields = form(reader, held, **{key: value for key, value in OVERRIDE.items() if key != left_out})

    response = reader.send(address(held, "/sign-offs"), fields)

    assert response.status_code == 422
    assert "Nothing was stored" in response.text
    assert clinic.found("record_entries", kind="sign_off") == []
    kept = [OVERRIDE[key] for key in ("rationale", "conditions", "informed") if key != left_out]
    assert [text for text in kept if text not in unescape(response.text)] == []
    assert re.search(r'value="override" required checked', response.text)


@pytest.mark.parametrize("key", ["", "again", "0" * 31, "Ä" * 32])
def test_a_form_without_the_key_that_it_was_made_with_signs_nothing(reader, clinic, held, key):
    fields = form(reader, held, **OVERRIDE) | {"idempotency_key": key}

    assert reader.send(address(held, "/sign-offs"), fields).status_code == 422
    assert clinic.found("record_entries", kind="sign_off") == []


def test_what_was_not_seen_is_not_signed(reader, clinic, held):
    fields = form(reader, held, **OVERRIDE) | {"decision_digest": f"sha256:{'0' * 64}"}

    assert reader.send(address(held, "/sign-offs"), fields).status_code == 409
    assert clinic.found("record_entries", kind="sign_off") == []


def test_another_organisations_decision_is_not_there(reader, database_url):
    theirs = new_clinic(database_url).post_battery(small("A"))

    assert reader.get(address(theirs)).status_code == 404


# What a reader is told beside the verdict


def test_the_page_says_who_posted_it(reader, clinic):
    decided = clinic.post_battery(small("A"))
    again = clinic.decide(decided["episode_id"])

    assert "posted by Invented record system" in text_of(reader.page(address(decided)))
    assert "asked for by Invented Clinician" in text_of(reader.page(address(again)))


def test_a_figure_just_below_its_threshold_never_reads_as_the_threshold(reader, clinic):
    own = [one for one in passing_measurements() if one["test"] != "evertor_strength"]
    sides = (("left", "179.92"), ("right", "200"))
    strength = [measured("evertor_strength", side, *[force] * 3) for side, force in sides]
    decided = clinic.post_battery(whole("A", target_stage="team_training", measurements=[*own, *strength]))

    html = unescape(reader.page(address(decided))).replace("\N{NO-BREAK SPACE}", " ")

    assert "<strong>89.96 %</strong>" in html
    assert "<strong>90 %</strong>" not in html


def test_an_exception_is_shown_with_its_end_its_reason_and_who_gave_it(clinic, held):
    waiver = {"stage": "rebuild", "criterion": "walks-without-limp", "until": "2026-12-20", "reason": "an old limp"}
    clinic.post(f"/v1/episodes/{held['episode_id']}/exceptions", waiver)
    again = clinic.decide(held["episode_id"])

    reader = signed_in(clinic.world)
    said = text_of(reader.page(address(again)))

    assert "(exception)" in said
    assert "Exception until Sun 20 Dec 2026 by Invented Clinician, physiotherapist. an old limp" in said
    assert "Exception until" not in text_of(reader.page(address(held)))


def test_who_has_no_profession_reads_and_is_told_who_signs(clinic, held):
    person = {"kind": "person", "display_name": "Invented Reader"}
    reader = Reader(visitor(clinic.world))
    key = new_key(clinic.world.context, clinic.world.organisation, roles=[CLINICIAN], **person)
    assert reader.flask.post("/console/sign-in", data={"key": key}).status_code == 303

    html = reader.page(address(held))

    assert "Only a person with a profession signs off" in html
    assert 'name="determination"' not in html


def test_a_decision_made_void_leads_to_none_that_is_void(clinic):
    first, second = clinic.post_battery(small("A")), clinic.post_battery(small("B", at="2026-11-20T16:40:00+01:00"))
    clinic.post(f"/v1/entries/{second['id']}/void", {"reason": "mistaken"})

    html = signed_in(clinic.world).page(address(first))

    assert address(second) not in html


def test_a_decision_whose_athlete_was_erased_by_name_keeps_its_figures(clinic, held):
    clinic.post(f"/v1/athletes/{held['athlete_id']}/erasure", {"scope": "default", "reason": "asked"}, ADMINISTRATOR)

    html = signed_in(clinic.world).page(address(held))

    assert "Erased athlete" in html
    assert held["digest"] in html
    assert "KB-1" not in html


def test_an_erased_decision_is_told_to_be_erased(clinic, held):
    clinic.post(f"/v1/athletes/{held['athlete_id']}/erasure", {"scope": "full", "reason": "asked"}, ADMINISTRATOR)

    response = signed_in(clinic.world).get(address(held))

    assert response.status_code == 409
    assert "The athlete's record was erased" in unescape(response.text)
    assert "This decision was erased with its athlete's record" in unescape(response.text)


def test_the_sheet_that_prints_a_digest_takes_nothing_but_a_digest(reader, held):
    html = reader.page(address(held))
    sheet = re.search(r'media="print" href="([^"]+)"', html)
    assert sheet is not None

    response = reader.get(sheet.group(1))

    assert response.mimetype == "text/css"
    assert held["digest"] in response.text
    for other in ("sha256:0", f"sha256:{'0' * 63}%22", f"sha256:{'0' * 64}%0A"):
        assert reader.get(f"/console/print/{other}.css").status_code == 404
