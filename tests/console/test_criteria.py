"""Criteria as a clinician reads them: which judges, what each stage asks and why, and how a test is done."""

import json
import re
from html import unescape
from typing import Any

import pytest

from service.domain.canonical import canonical
from service.domain.criteria import CriteriaSet, read_criteria_set
from service.use_cases.context import ADMINISTRATOR, SUBMITTER
from tests.clinic import SET, Clinic, adopt, ankle_set
from tests.console.signed_in import signed_in, text_of
from tests.console.statements import statements
from tests.world import new_world

CRITERIA, VERSION = "/console/criteria", f"/console/criteria/{SET}/1"
NEXT = "2026-12-24"


def second_version() -> CriteriaSet:
    """The ankle set with one threshold changed, one criterion less and one more."""
    document: dict[str, Any] = json.loads(canonical(ankle_set().document))
    document["version"] = 2
    document["criteria"]["pain-24h-moderate"]["at_most"] = 4
    asks = next(one["asks"] for one in document["stages"] if one["id"] == "running")
    asks.remove("walk-morning")
    asks.append("pain-in-tests")
    return read_criteria_set(document)


def card(html: str, criterion: str) -> str:
    """What the card of a criterion says."""
    found = re.search(rf'<article class="sheet criterion" id="criterion-{criterion}">.*?</article>', html, re.DOTALL)
    assert found, f"{criterion} has no card"
    return text_of(found.group(0))


# Which judges


def test_the_version_in_force_and_the_next_one_are_told(clinic, reader):
    adopt(clinic.world, second_version(), NEXT)

    said = text_of(reader.page(CRITERIA))

    assert "Read version 1 , which judges today." in said
    assert "Version 2 Not begun Thu 24 Dec 2026" in said
    assert "Version 1 In force Wed 1 Jan 2020" in said
    assert "In force since Wed 1 Jan 2020." in text_of(reader.page(VERSION))
    assert "In force from Thu 24 Dec 2026 , not before." in text_of(reader.page(f"{CRITERIA}/{SET}/2"))


def test_from_its_first_day_the_newer_one_judges(clinic, reader):
    adopt(clinic.world, second_version(), NEXT)
    clinic.at("2026-12-24T08:00:00+01:00")
    reader = signed_in(clinic.world)

    assert "Read version 2 , which judges today." in text_of(reader.page(CRITERIA))
    assert "Replaced by a newer version." in text_of(reader.page(VERSION))


def test_a_retired_version_says_since_when_and_why(clinic, reader):
    retire(clinic, "2026-11-20")

    assert "No version of this set is in force today." in text_of(reader.page(CRITERIA))
    for page in (CRITERIA, VERSION):
        assert "Fri 20 Nov 2026: Under review." in text_of(reader.page(page)).replace(" :", ":")


def test_a_version_withdrawn_before_it_began_says_so(clinic, reader):
    adopt(clinic.world, second_version(), NEXT)
    retire(clinic, NEXT, version=2)

    assert "Withdrawn before it began: Under review." in text_of(reader.page(f"{CRITERIA}/{SET}/2"))


def retire(clinic: Clinic, since: str, version: int = 1) -> None:
    body = {"retired_from": since, "reason": "Under review."}
    clinic.post(f"/v1/criteria-sets/{SET}/versions/{version}/retire", body, ADMINISTRATOR)


def test_what_ships_can_be_read_before_it_is_adopted(database_url):
    reader = signed_in(new_world(database_url))

    assert "No criteria set is adopted, so nothing can be judged." in text_of(reader.page(CRITERIA))
    assert f'href="{VERSION}"' in reader.page(CRITERIA)
    html = reader.page(VERSION)
    assert "Not adopted: it judges nothing here." in text_of(html)
    [test] = set(re.findall(r'href="(/console/tests/side_hop_time[^"]*)"', html))
    assert "Hop on one leg sideways" in text_of(reader.page(unescape(test)))


@pytest.mark.parametrize("path", [f"{SET}/2", f"{SET}/99999999999", "no-such-set/1", f"{SET}/1?beside=7", "a%00b/1"])
def test_a_version_that_is_none_is_a_page_that_is_not_there(reader, path):
    assert reader.get(f"{CRITERIA}/{path}").status_code == 404


def test_another_organisations_version_is_not_there(clinic, database_url):
    adopt(clinic.world, second_version(), NEXT)

    assert signed_in(new_world(database_url)).get(f"{CRITERIA}/{SET}/2").status_code == 404


# One version


def test_stages_stand_in_their_order_with_what_each_asks(reader):
    html = reader.page(VERSION)
    document = ankle_set().document

    headings = re.findall(r'<h3 id="stage-(\w+)">(\d)\. ([^<]+)</h3>', html)
    assert headings == [(one["id"], str(n), one["title"]) for n, one in enumerate(document["stages"], start=1)]
    asked = text_of(html).partition("2. Rebuilding range, balance and strength")[2].partition("3. Straight")[0]
    assert "Limp the answer is no up to 1 day old" in asked
    assert "Worst pain in the last 24 hours at most 5 up to 1 day old" in asked
    assert "May go on in it Intervals on the bike and in water." in asked
    assert "Not yet Impact." in asked


def test_every_criterion_has_one_card_with_its_reason_and_what_it_rests_on(reader):
    html = reader.page(VERSION)
    document = ankle_set().document

    for key, one in document["criteria"].items():
        said = card(html, key)
        assert f"Why. {one['why']}" in said
        assert f"Work on. {one['work_on']}" in said
        if one.get("evidence") == "practice":
            assert "Source. Common practice, no published source." in said
        for name in one.get("sources", ()):
            assert document["catalogue"]["sources"][name]["citation"].rstrip(".") in said
        if "grade" in one:
            assert f"Grade {one['grade']}." in said
    assert html.count('<article class="sheet criterion"') == len(document["criteria"])


def test_a_card_says_test_threshold_age_stages_and_what_is_judged_without_a_reference(reader):
    said = card(reader.page(VERSION), "lunge-symmetry")

    assert said.startswith("Weight-bearing lunge, side difference At most 1.5 cm Test Weight-bearing lunge")
    assert "Evidence up to 21 days old" in said
    assert "Asked for Hops and planned turns, Team training, Competition" in said
    assert "Without a reference , judged in its place: Lunge alone (all 2)" in said


def test_a_group_lists_its_parts_and_what_is_only_shown_says_so(reader):
    html = reader.page(VERSION)

    assert "2 of these 3" in card(html, "hops-two-of-three")
    assert "Giving way within 5 days None Evidence the last 5 days" in card(html, "no-giving-way-5-days")
    assert "Side hop, limb symmetry index at least 90 %" in card(html, "hops-two-of-three")
    assert "Shown only, decides nothing" in card(html, "anterior-reach")
    assert "Shown at Hops and planned turns, Team training, Competition" in card(html, "anterior-reach")


def test_screens_rules_and_retest_days_are_told(reader):
    said = text_of(reader.page(VERSION))
    document = ankle_set().document

    for one in document["referral"]:
        assert unescape(one["ask"]) in said
        assert f"If yes: {one['action']}" in said
    assert "Asked in the first 14 days after the injury." in said
    assert "Asked at the age up to 17." in said
    assert "Limp: yes Common practice, no published source." in said
    assert "Pain at rest: above 5" in said
    assert "During the load up to 2 up to 5 above 5" in said
    assert "Rise by the next morning none up to 1 above 1" in said
    assert "After 7 to 9 days: strength needs time to change" in said
    assert "A pass stands for 7 days from the day of the test." in said


def test_the_caution_and_the_limits_stand_before_the_stages(reader):
    said = text_of(reader.page(VERSION))

    caution = ankle_set().document["caution"]["text"]
    assert 0 < said.index(caution) < said.index("1. Protected loading")
    assert "has been validated from end to end" in said


def test_sources_are_plain_links_that_tell_nobody_where_they_come_from_and_nothing_else_leaves(reader):
    html = reader.page(VERSION)
    links = re.findall(r"<a [^>]*https://[^>]*>", html)

    assert links
    assert all(link.startswith('<a href="https://doi.org/10.') and 'rel="noreferrer"' in link for link in links)
    assert "https://" not in re.sub(r"<a [^>]*https://[^>]*>", "", html)
    assert "From memory: no figure rests on it." in text_of(html)


def test_every_link_inside_the_page_leads_somewhere(reader):
    html = reader.page(VERSION)
    ids = re.findall(r'\bid="([^"]+)"', html)

    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', html)) <= set(ids)


# Side by side


def test_two_versions_stand_side_by_side(clinic, reader):
    adopt(clinic.world, second_version(), NEXT)
    path = f"{VERSION}?beside=2"
    assert path in unescape(reader.page(VERSION))

    said = text_of(reader.page(path))

    assert "Worst pain in the last 24 hours at most 5 at most 4 Differs in at most" in said
    assert "at most 1 not asked Asked in one of them only" in said
    assert "Worst pain in loading tests not asked at most 2 Asked in one of them only" in said
    assert "Limp the answer is no the answer is no The same" in said
    assert ankle_set().document["caution"]["text"] in said


# A test


def test_how_a_test_is_done_is_told_as_the_version_says(reader):
    html = reader.page("/console/tests/weight_bearing_lunge_distance")
    said = text_of(html)
    test = ankle_set().document["catalogue"]["tests"]["weight_bearing_lunge_distance"]

    assert test["protocol"] in said
    assert "Measured in centimetres;" in said
    assert "Sides each side" in said
    assert "Trials 3 to 6 trials; the mean of the first 3 valid ones counts" in said
    assert "Measurement error standard error 0.6 cm (Konor MM et al." in said
    assert "Support. What supports the ankle in the test? None, tape or brace." in said
    assert f"{VERSION}#criterion-lunge-symmetry" in html


@pytest.mark.parametrize("test", ankle_set().document["catalogue"]["tests"])
def test_every_test_has_its_page_and_says_where_no_error_is_published(reader, test):
    said = text_of(reader.page(f"/console/tests/{test}?digest={ankle_set().digest}"))

    has_error = "measurement_error" in ankle_set().document["catalogue"]["tests"][test]
    assert ("no published figure is known to this version" in said) is not has_error


@pytest.mark.parametrize("path", ["no_such_test", "side_hop_time?digest=sha256:" + "0" * 64, "side_hop_time?digest=x"])
def test_a_test_that_is_none_is_a_page_that_is_not_there(reader, path):
    assert reader.get(f"/console/tests/{path}").status_code == 404


def test_a_test_is_told_as_the_digest_asks_and_else_as_the_newest_version_does(clinic, reader):
    document: dict[str, Any] = json.loads(canonical(ankle_set().document))
    document["version"] = 2
    document["catalogue"]["tests"]["side_hop_time"]["protocol"] = "Another way."
    clinic.at("2026-11-21T08:00:00+01:00")
    adopt(clinic.world, read_criteria_set(document), NEXT)
    reader = signed_in(clinic.world)

    assert "Another way." in text_of(reader.page("/console/tests/side_hop_time"))
    old = reader.page(f"/console/tests/side_hop_time?digest={ankle_set().digest}")
    assert "Another way." not in text_of(old)


# The door, and the work


@pytest.mark.parametrize("path", [CRITERIA, VERSION, "/console/tests/side_hop_time"])
def test_nobody_else_reads_it(clinic, path):
    assert clinic.world.client(None).flask.get(path).status_code == 303
    assert clinic.world.client(SUBMITTER).get(path).status_code == 303


@pytest.mark.parametrize("path", [CRITERIA, VERSION, f"{VERSION}?beside=1", "/console/tests/side_hop_time"])
def test_a_page_takes_six_statements_at_most(clinic, reader, path):
    with statements(clinic.world) as sent:
        reader.page(path)

    assert 0 < len(sent) <= 6
