"""The athlete page: what stands there, and what is entered from there."""

import re
from html import unescape

import pytest

from tests.api.test_signing import override, sign_offs
from tests.builders import SESSION_CHECK
from tests.clinic import new_clinic, small, whole
from tests.console.signed_in import signed_in, text_of
from tests.console.statements import statements

LIMPING = SESSION_CHECK | {"limp": True}


@pytest.fixture
def clinic(database_url):
    made = new_clinic(database_url)
    yield made
    made.assert_sound()


@pytest.fixture
def passed(clinic):
    return clinic.post_battery(small("A"))


def address(decided):
    return f"/console/athletes/{decided['athlete_id']}"


def fields(reader, decided, **typed):
    key = re.search(r'name="idempotency_key" value="([0-9a-f]{32})"', reader.page(address(decided)))
    assert key is not None
    return {"athlete_id": decided["athlete_id"], "idempotency_key": key.group(1), **typed}


def of_episode(decided, what):
    return f"/console/episodes/{decided['episode_id']}/{what}"


EVENT = {"kind": "setback", "on": "2026-11-20"}
POSITION = {"stage": "rebuild", "participation": "modified_training", "rationale": "as agreed with the coach"}
WAIVED = {"waived": "rebuild/walks-without-limp", "until": "2026-12-01", "reason": "an old limp"}


def test_the_page_says_where_the_athlete_stands_with_the_caution(reader, passed):
    said = text_of(reader.page(address(passed)))

    assert passed["caution"]["text"] in said
    assert "Pass for Rebuilding" in said
    assert "Not set" in said
    assert f"/console/decisions/{passed['id']}" in reader.page(address(passed))


def test_a_metric_is_drawn_over_time_with_every_value_in_a_table(reader, clinic):
    decided = clinic.post_battery(whole("A"))
    html = reader.page(address(decided))

    drawn = [one for one in decided["reasons"] if one["measured"] and one["threshold"] and one["inputs"]]
    assert html.count("<figure") == len({one["criterion"] for one in drawn})
    assert html.count('role="img"') == html.count("<figure")


def test_a_chart_tells_its_threshold(reader, clinic):
    decided = clinic.post_battery(whole("A"))

    assert ">at most 1.5\xa0cm</text>" in reader.page(address(decided))


def test_charts_of_stages_that_the_latest_decision_does_not_ask_about_are_folded_away(reader, clinic):
    decided = clinic.post_battery(whole("A"))
    reader.done(of_episode(decided, "decisions"), fields(reader, decided, target_stage="rebuild"))

    shown, _, folded = reader.page(address(decided)).partition("more, of other stages")

    assert "<figcaption>Hops on the spot" not in shown
    assert "<figcaption>Hops on the spot" in folded


def test_the_page_takes_at_most_six_statements_however_long_the_record_is(reader, clinic, passed):
    for day in range(21, 25):
        clinic.at(f"2026-11-{day}T18:00:00+01:00")
        clinic.post_battery(small(f"B{day}", at=f"2026-11-{day}T16:30:00+01:00"))
    reader = signed_in(clinic.world)
    reader.page(address(passed))

    with statements(clinic.world) as sent:
        reader.page(address(passed))

    assert len(sent) <= 6, sent


def test_a_setback_is_told_once_and_withdraws_the_pass(reader, clinic, passed):
    typed = fields(reader, passed, **EVENT)

    reader.done(of_episode(passed, "events"), typed)
    reader.done(of_episode(passed, "events"), typed)

    assert len(clinic.found("record_entries", kind="event")) == 1
    assert clinic.state_of(passed["id"]) == "withdrawn"
    _, _, told = text_of(reader.page(address(passed))).partition("Time line")
    assert "(withdrawn since)" in told


def test_a_pass_that_stands_no_more_does_not_read_as_one_that_does(clinic, passed):
    expired, superseded = "It no longer stands. It said then: Pass:", "(superseded since)"
    said = text_of(signed_in(clinic.world).page(address(passed)))
    assert expired not in said
    assert superseded not in said

    clinic.at("2026-12-20T09:00:00+01:00")
    for page in (address(passed), "/console/team"):
        assert "It no longer stands. It said then:" in text_of(signed_in(clinic.world).page(page))
    assert "(expired since)" in text_of(signed_in(clinic.world).page(address(passed)))

    clinic.post_battery(small("B", at="2026-12-20T08:30:00+01:00"))
    said = text_of(signed_in(clinic.world).page(address(passed)))
    assert superseded in said
    assert expired not in said


@pytest.mark.parametrize(
    ("name", "chosen"), [("kind", None), ("waived", None), ("participation", None), ("involved_side", "left")]
)
def test_what_was_never_said_is_not_the_first_of_a_list(reader, passed, name, chosen):
    html = reader.page(address(passed))
    found = re.search(rf'<select id="[^"]+" name="{name}" required>(.*?)</select>', html, re.DOTALL)

    assert found is not None
    assert ('<option value="">Choose</option>' in found[1]) is (chosen is None)
    assert re.findall(r'value="([^"]+)" selected', found[1]) == ([] if chosen is None else [chosen])


@pytest.mark.parametrize(("what", "sent"), [("events", EVENT | {"kind": ""}), ("exceptions", WAIVED | {"waived": ""})])
def test_what_was_not_chosen_is_asked_for(reader, passed, what, sent):
    response = reader.send(of_episode(passed, what), fields(reader, passed, **sent))

    assert response.status_code == 422
    assert "Nothing was stored." in text_of(response.text)


def test_a_position_is_signed_without_a_decision(reader, clinic, passed):
    reader.done(of_episode(passed, "sign-offs"), fields(reader, passed, **POSITION))

    assert clinic.row("episodes", id=passed["episode_id"])["stage"] == "rebuild"
    assert "Invented Clinician, physiotherapist" in text_of(reader.page(address(passed)))


def test_an_exception_stands_there_until_its_date(reader, clinic, passed):
    reader.done(of_episode(passed, "exceptions"), fields(reader, passed, **WAIVED))

    said = text_of(reader.page(address(passed)))
    assert "an old limp" in said
    clinic.at("2026-12-02T10:00:00+01:00")
    assert "no longer in force" in text_of(signed_in(clinic.world).page(address(passed)))


def test_a_finding_is_resolved_with_its_rationale(clinic):
    body = small("A")
    finding = next(iter(body["referral"]))
    held = clinic.post_battery(body | {"referral": body["referral"] | {finding: True}})
    reader = signed_in(clinic.world)
    assert "open, and it holds" in text_of(reader.page(address(held)))

    typed = fields(reader, held, **{"as": "ruled_out", "rationale": "imaging was clear"})
    reader.done(of_episode(held, f"findings/{finding}/resolution"), typed)

    assert "imaging was clear" in text_of(reader.page(address(held)))
    assert clinic.row("findings", finding=finding)["resolved_by"] is not None


def test_what_is_on_record_is_judged_and_the_decision_shown(reader, clinic, passed):
    sent_to = reader.done(of_episode(passed, "decisions"), fields(reader, passed, target_stage="rebuild"))

    assert sent_to.startswith("/console/decisions/")
    assert not sent_to.endswith(passed["id"])
    assert len(clinic.found("decisions")) == 2


def test_what_was_entered_on_a_later_day_says_so(clinic, passed):
    assert "entered on" not in text_of(signed_in(clinic.world).page(address(passed)))
    clinic.at("2026-11-22T18:00:00+01:00")
    reader = signed_in(clinic.world)
    reader.done(of_episode(passed, "events"), fields(reader, passed, kind="setback", on="2026-11-21"))

    said = text_of(reader.page(address(passed)))
    assert "Sat 21 Nov 2026 Invented Clinician, physiotherapist, entered on Sun 22 Nov 2026, 18:00" in said


def test_an_entry_is_taken_back_with_a_reason(reader, clinic, passed):
    reader.done(f"/console/entries/{passed['battery_id']}/void", fields(reader, passed, reason="the wrong athlete"))

    assert "no longer counts" in text_of(reader.page(address(passed)))
    assert clinic.row("batteries", id=passed["battery_id"])["state"] == "void"


@pytest.mark.parametrize(
    ("what", "typed"),
    [
        ("events", EVENT | {"on": "2027-01-01"}),
        ("events", {"kind": "closed", "on": "2026-11-20"}),
        ("sign-offs", POSITION | {"rationale": ""}),
        ("exceptions", WAIVED | {"until": "2020-01-01"}),
        ("decisions", {"target_stage": "nowhere"}),
    ],
)
def test_what_is_refused_is_said_and_nothing_is_stored(reader, clinic, passed, what, typed):
    before = clinic.rows()
    response = reader.send(of_episode(passed, what), fields(reader, passed, **typed))

    assert response.status_code in {409, 422}
    assert "Nothing was stored" in response.text
    assert clinic.rows() | {"audit_log": 0} == before | {"audit_log": 0}
    kept = [value for key, value in typed.items() if key in {"reason", "rationale"} and value]
    assert [text for text in kept if text not in unescape(response.text)] == []


def test_an_erased_athlete_has_no_name_and_no_forms(clinic, passed):
    body = {"scope": "default", "reason": "asked for"}
    clinic.post(f"/v1/athletes/{passed['athlete_id']}/erasure", body, role="administrator")

    html = signed_in(clinic.world).page(address(passed))
    assert "Erased athlete" in text_of(html)
    assert "Put on record" not in html


def test_another_organisations_athlete_is_not_there(reader, database_url):
    theirs = new_clinic(database_url).post_battery(small("A"))

    assert reader.get(address(theirs)).status_code == 404


def test_a_refused_form_is_open_where_it_was_typed_and_nowhere_else(reader, clinic, passed):
    other = small("B")
    episode = other["episode"] | {"ref": "KB-1-2", "involved_side": "right"}
    second = clinic.post_battery(other | {"episode": episode})
    typed = fields(reader, passed, kind="closed", on="2026-11-20", cause="")

    html = reader.send(of_episode(second, "events"), typed).text

    assert len(re.findall(r'<details class="sheet" open>', html)) == 1
    cause = f"event-{second['episode_id']}-cause"
    assert f'<a href="#{cause}">Cause of closing: an event closed needs this</a>' in html
    assert f'aria-describedby="{cause}-hint {cause}-wrong"' in html
    assert html.count('aria-invalid="true"') == 1


@pytest.mark.parametrize("reason", ["", "x" * 2001])
def test_taking_back_without_a_reason_is_refused_in_its_place(reader, clinic, passed, reason):
    response = reader.send(f"/console/entries/{passed['battery_id']}/void", fields(reader, passed, reason=reason))

    assert response.status_code == 422
    assert f'href="#void-{passed["battery_id"]}-reason"' in response.text
    assert response.text.count('<details class="screen" open>') == 1
    assert clinic.row("batteries", id=passed["battery_id"])["state"] == "standing"


def test_an_episode_is_closed_on_the_day_of_its_last_battery_which_came_before(clinic, passed):
    reader = signed_in(clinic.world)
    opened = re.search(r'name="opened_at" value="([^"]+)"', reader.page(address(passed)))
    typed = fields(reader, passed, kind="closed", on="2026-11-20", cause="moved away", opened_at=opened.group(1))

    reader.done(of_episode(passed, "events"), typed)
    reader.done(of_episode(passed, "events"), typed)

    assert str(clinic.row("episodes", id=passed["episode_id"])["closed_on"]) == "2026-11-20"
    assert len(clinic.found("record_entries", kind="event")) == 1


def test_the_time_line_calls_things_by_their_names_and_dates_as_the_page_does(reader, passed):
    reader.done(of_episode(passed, "exceptions"), fields(reader, passed, **WAIVED))
    reader.done(of_episode(passed, "sign-offs"), fields(reader, passed, **POSITION | {"participation": "none"}))
    reader.done(of_episode(passed, "events"), fields(reader, passed, kind="re_injury", on="2026-11-20"))

    _, _, said = text_of(reader.page(address(passed))).partition("Time line")
    rebuild = "Rebuilding range, balance and strength"
    assert f"posted for {rebuild}" in said
    assert f"Decision on {rebuild}. Pass" in said
    assert f"Position set without a decision: {rebuild}, no participation." in said
    assert f"Limp is waived for {rebuild} until Tue 1 Dec 2026." in said
    assert "Re-injury reported." in said


def test_a_battery_without_measurements_counts_none(reader, clinic):
    decided = clinic.post_battery(small("A", measurements=[]))

    assert "Assessment without measurements, posted for Rebuilding" in text_of(reader.page(address(decided)))


def test_a_position_by_override_says_so(clinic):
    held = clinic.post_battery(small("A", session_check=LIMPING))
    clinic.post(sign_offs(held), override(held))

    assert ", by override" in text_of(signed_in(clinic.world).page(address(held)))


def test_the_end_of_an_override_stands_in_the_time_line_as_computed_and_nobody_takes_it_back(clinic):
    held = clinic.post_battery(small("A", session_check=LIMPING))
    clinic.post(sign_offs(held), override(held))
    clinic.at("2026-11-28T08:00:00+01:00")

    _, _, html = signed_in(clinic.world).page(address(held)).rpartition('<ol class="timeline">')

    [*_, last] = html.partition("</ol>")[0].split("<li>")
    assert text_of(last).startswith(
        "Sat 28 Nov 2026 computed from its date, entered by nobody The override of Fri 20 Nov"
    )
    assert "Take back" not in last


def test_facts_that_were_wrong_are_corrected_and_withdraw_what_rests_on_them(reader, clinic, passed):
    typed = fields(reader, passed, kind="corrected", on="2026-11-20", involved_side="both", other_side="symptomatic")

    reader.done(of_episode(passed, "events"), typed)

    assert clinic.row("episodes", id=passed["episode_id"])["involved_side"] == "both"
    assert clinic.state_of(passed["id"]) == "withdrawn"


def test_an_episode_is_reclassified_as_people_write_it_and_what_rests_on_the_old_condition_is_withdrawn(
    reader, clinic, passed
):
    typed = fields(reader, passed, kind="reclassified", on="2026-11-20", condition="High ankle sprain")

    reader.done(of_episode(passed, "events"), typed)

    assert clinic.row("episodes", id=passed["episode_id"])["condition"] == "high_ankle_sprain"
    assert clinic.state_of(passed["id"]) == "withdrawn"
    said = text_of(reader.page(address(passed)))
    assert "High ankle sprain, left" in said
    assert "The criteria set that judged last is not for high ankle sprain." in said
    assert "Reclassified as high ankle sprain." in said


@pytest.mark.parametrize(
    ("condition", "told"),
    [
        ("", "an event reclassified needs this"),
        ("lateral ankle sprain", "this is in force already; nothing would change"),
        ("sprain!", "an id has small letters, digits and underscores"),
    ],
)
def test_a_condition_that_is_none_or_no_other_is_refused_at_its_field(reader, passed, condition, told):
    typed = fields(reader, passed, kind="reclassified", on="2026-11-20", condition=condition)

    html = reader.send(of_episode(passed, "events"), typed).text

    assert f'href="#reclassified-{passed["episode_id"]}-condition">Condition: {told}' in html
    assert f'name="condition" value="{condition}"' in html


def test_an_episode_gets_another_ref(reader, passed):
    reader.done(of_episode(passed, "events"), fields(reader, passed, kind="ref_changed", ref="KB-9"))

    assert "(KB-9)" in text_of(reader.page(address(passed)))


def test_an_athlete_gets_another_ref_unless_it_is_taken(reader, clinic, passed):
    other = small("B")
    clinic.post_battery(
        other | {"athlete": other["athlete"] | {"ref": "KB-8"}, "episode": other["episode"] | {"ref": "KB-8-1"}}
    )
    refused = reader.send(f"{address(passed)}/ref", fields(reader, passed, ref="KB-8"))
    assert refused.status_code == 409
    assert f'href="#renamed-{passed["athlete_id"]}-ref">Ref of the athlete: ' in refused.text

    reader.done(f"{address(passed)}/ref", fields(reader, passed, ref="KB-9"))

    assert "<h1>KB-9</h1>" in reader.page(address(passed))


def test_the_question_of_the_morning_after_is_answered_from_the_athlete(clinic):
    decided = clinic.post_battery(whole("A"))

    assert f'href="/console/batteries/{decided["battery_id"]}/follow-up">Answer<' in signed_in(clinic.world).page(
        address(decided)
    )


def test_an_onset_is_read_and_corrected_as_people_write_it(reader, clinic, passed):
    reader.done(
        of_episode(passed, "events"), fields(reader, passed, kind="corrected", on="2026-11-20", onset_on="Oct 2026")
    )

    assert clinic.row("episodes", id=passed["episode_id"])["onset_on"] == "2026-10"
    html = reader.page(address(passed))
    assert "Onset Oct 2026" in text_of(html)
    assert 'name="onset_on" value="Oct 2026"' in html


def test_an_onset_that_can_not_be_is_refused_at_its_field(reader, passed):
    typed = fields(reader, passed, kind="corrected", on="2026-11-20", onset_on="last week")

    html = reader.send(of_episode(passed, "events"), typed).text

    assert f'href="#corrected-{passed["episode_id"]}-onset_on">Onset: ' in html
    assert 'value="last week"' in html


def test_an_episode_is_closed_with_its_cause(reader, clinic, passed):
    clinic.at("2026-11-21T18:00:00+01:00")
    reader = signed_in(clinic.world)
    reader.done(
        of_episode(passed, "events"), fields(reader, passed, kind="closed", on="2026-11-21", cause="back in matches")
    )

    assert "closed on Sat 21 Nov 2026" in text_of(reader.page(address(passed)))


def test_where_the_browser_goes_on_to_is_whom_the_entry_is_about(reader, passed):
    typed = fields(reader, passed, **EVENT) | {"athlete_id": "nobody"}

    assert passed["athlete_id"] in reader.done(of_episode(passed, "events"), typed)
