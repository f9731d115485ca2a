"""A decision as text: verdict first, the caution always, then what is not met."""

import json
import re
from decimal import Decimal

import pytest

from service.cli.layout import Paper
from tests import builders
from tests.cli.commands import CAUTION, EXAMPLE, HELD, example, run, written

FORMS = [(), ("--working",), ("--sources",), ("--working", "--sources"), ("--json",), ("--json", "--working")]


@pytest.mark.parametrize("file", [EXAMPLE, HELD])
@pytest.mark.parametrize("form", FORMS)
def test_the_caution_travels_with_every_form(capsys, file, form):
    ran = run(capsys, "evaluate", file, *form)

    assert CAUTION in ran.words
    assert "Stop testing on pain beyond the stated limit" in ran.words


def test_what_a_clinician_reads_comes_in_order(capsys, tmp_path):
    body = json.loads(HELD.read_text(encoding="utf-8"), parse_float=Decimal)
    body["measurements"] = [one for one in body["measurements"] if one["test"] != "single_hops_on_the_spot"]
    out = run(capsys, "evaluate", written(tmp_path / "b.json", body)).out

    order = ["HOLD: Team training", "Athlete KB-0533", "11 of 13 required", "Caution: ", "NOT MET (1)"]
    order += ["NOT ASSESSED (1)", "MET (11)", "LOOK AGAIN", "WORK ON", "MAY CONTINUE", "NOT YET", "NEXT DATES"]
    order += ["CAUTION\n", "Criteria: Lateral ankle sprain, lateral-ankle-sprain/1", "--working shows"]
    places = [out.index(words) for words in order]
    assert places == sorted(places)


def test_the_verdict_names_athlete_condition_side_and_date(capsys):
    words = run(capsys, "evaluate", EXAMPLE).words

    assert "Athlete KB-0417, lateral ankle sprain, left, tested on 2026-11-20" in words


def test_a_criterion_is_a_line_with_its_figure_and_what_is_required(capsys):
    out = run(capsys, "evaluate", HELD).out

    row = r"^  Side hop, limb symmetry index \[side-hop-floor\] +75\.8 %  at least 80 %\n    4\.2 points short"
    assert re.search(row, out, re.MULTILINE)


def test_the_figures_of_all_sections_stand_in_one_column(capsys):
    out = run(capsys, "evaluate", HELD).out

    ends = {found.start() for line in out.splitlines() if (found := re.search(r"  at (least|most) ", line))}
    assert len(ends) == 1


def test_parts_are_indented_under_their_group_and_say_what_they_came_to(capsys):
    out = run(capsys, "evaluate", HELD).out

    group = out.index("  Hop choice (1 of 2) [hop-choice]")
    assert group < out.index("    not assessed: Figure-of-eight hop") < out.index("    met: Triple hop")


def test_what_was_not_done_says_why(capsys):
    assert "right: not done (time) on 2026-11-18" in run(capsys, "evaluate", HELD).words


def test_a_hold_says_whose_lines_its_conditioning_is(capsys):
    words = run(capsys, "evaluate", HELD).words

    assert "MAY CONTINUE, as in Protected loading" in words
    assert "(A file alone tells of no gate passed before, so this is the first stage.)" in words


def test_the_next_dates_say_when_and_why(capsys):
    words = run(capsys, "evaluate", HELD).words

    assert "Test again on 2026-11-22, or up to 2 days later; hops need time to change: side hop" in words
    assert "Sooner, from 2026-11-20: evertor strength" in words
    assert "Ask on the morning of 2026-11-19: pain at rest and medication" in words


def test_holds_come_before_the_criteria(capsys, tmp_path):
    body = example()
    body["referral"]["navicular_tender"] = True

    out = run(capsys, "evaluate", written(tmp_path / "b.json", body)).out
    action = "    DO: Radiographs of the foot before any loading."
    assert out.index("HOLDS, WHATEVER THE CRITERIA SAY") < out.index(action) < out.index("MET (13)")
    assert out.index("Radiographs of the foot") < out.index("13 required criteria are met")
    assert "MAY CONTINUE" not in out
    assert "NOT YET\n  - Anything that loads the joint" in out


def test_what_ends_a_hold_without_testing_is_to_be_done_now(capsys, tmp_path):
    body = example()
    body["episode"]["other_side"] = "unknown"

    words = run(capsys, "evaluate", written(tmp_path / "b.json", body)).words
    assert "DO NOW, without testing - State whether the other side is healthy" in words
    assert "the other side is stated as unknown" in words
    assert "Test again" not in words


def test_on_narrow_paper_a_figure_stands_under_its_name(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")

    assert "\n    75.8 %; at least 80 %\n    4.2 points short" in run(capsys, "evaluate", HELD).out


def test_what_is_only_shown_decides_nothing(capsys, tmp_path):
    body = example()
    body["measurements"].append({"test": "instability_score", "value": 24})

    out = run(capsys, "evaluate", written(tmp_path / "b.json", body)).out
    assert "ONLY SHOWN, decides nothing\n  Instability score: 24 of 30. [instability-score]" in out


def test_a_route_says_what_was_judged_in_its_place(capsys, tmp_path):
    body = example()
    body["episode"]["other_side"] = "previously_injured"

    words = run(capsys, "evaluate", written(tmp_path / "b.json", body)).words
    assert "no usable other side or baseline; judged in its place:" in words
    assert words.count("Clean hops (all 4) [clean-hops]") > words.count("not met: Side hop, failed landings") == 1
    assert "its parts are listed at [eversion-symmetry], for which they were judged too" in words


def test_an_exception_shows_the_true_status_and_its_end(capsys, tmp_path):
    weak = [one for one in builders.passing_measurements() if one["test"] != "evertor_strength"]
    waived = {
        "exception": {
            "stage": "team_training",
            "criterion": "eversion-symmetry",
            "at": "2026-11-10T09:00:00+01:00",
            "until": "2026-12-01",
        }
    }
    document = builders.file(waived, builders.battery(measurements=weak)) | {"target_stage": "team_training"}

    ran = run(capsys, "evaluate", written(tmp_path / "e.json", document))
    assert ran.code == 0
    assert "EXCEPTED (1)" in ran.out
    assert "excepted until 2026-12-01; it is not assessed" in ran.words


def test_an_older_figure_says_its_date_and_a_baseline_that_it_is_one(capsys, monkeypatch, tmp_path):
    monkeypatch.setenv("COLUMNS", "110")
    lunge = [builders.measured("weight_bearing_lunge_distance", "left", "10.9", "10.9", "10.9")]
    first = builders.battery("KB-1", "2026-11-19T10:00:00+01:00")
    second = builders.battery("KB-2", measurements=[builders.measured("pain_worst_24h", None, 1)])
    document = builders.file(builders.baseline("KB-0", "2026-08-01T10:00:00+02:00", lunge), first, second)

    words = run(capsys, "evaluate", written(tmp_path / "e.json", document), "--stage", "team_training").words
    assert "Foot lifts, eyes closed, side difference, of 2026-11-19 [foot-lifts]" in words
    assert "Weight-bearing lunge, side difference, against the baseline, of 2026-11-19" in words


def test_sources_are_shown_on_demand(capsys):
    plain, sources = run(capsys, "evaluate", EXAMPLE), run(capsys, "evaluate", EXAMPLE, "--sources")

    assert "Physiother Can" not in plain.out
    assert "chisholm-2012: Chisholm MD et al. Physiother Can 2012;64(4):347-355. doi:10.3138/" in sources.words
    assert "[pain-24h-low]: practice, no publication gives this figure; grade C" in sources.words
    assert "Intended user: Qualified professionals" in sources.words


@pytest.mark.parametrize("form", FORMS[:4])
@pytest.mark.parametrize("width", [40, 60, 80, 110])
def test_no_line_is_wider_than_the_terminal(capsys, monkeypatch, form, width):
    monkeypatch.setenv("COLUMNS", str(width))

    lines = run(capsys, "evaluate", HELD, *form).out.splitlines()
    assert max(map(len, lines)) <= width


def test_on_a_terminal_bold_only_repeats_what_the_words_say():
    paper = Paper(is_terminal=True)

    assert paper.heading("NOT MET (1)") == "\033[1mNOT MET (1)\033[0m"
    assert paper.wrapped("Side hop [side-hop-floor]") == ["Side hop \033[2m[side-hop-floor]\033[0m"]


def test_elsewhere_nothing_but_text_is_printed(capsys):
    assert "\033" not in run(capsys, "evaluate", HELD, "--working", "--sources").out
