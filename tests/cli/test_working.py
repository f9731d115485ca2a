"""The working can be followed with a pocket calculator: every equation in it holds, over every example of the set."""

import re
from collections.abc import Iterator
from fractions import Fraction
from functools import cache
from typing import Any

import pytest

from schemas.decision import DecisionSchema
from schemas.faults import load
from service.cli.decision_text import Options, decision_text
from service.cli.layout import Paper
from service.criteria_files import examples_beside, load_examples
from service.domain.judging import Judging
from service.domain.working import working
from service.use_cases.answer import evaluation_answer, with_working
from service.use_cases.evaluate import Evaluation, evaluate
from service.use_cases.reading_entries import Clock
from tests import builders
from tests.cli.commands import CAUTION, EXAMPLE, SET, run

EQUATION = re.compile(
    r"(?:= |: )([0-9(][0-9x/+\-(). ]*|-[0-9][0-9x/+\-(). ]*) = (-?[0-9.]*[0-9])( \S+)?( \(rounded\))?[.;]?"
)
CHOSEN = re.compile(r"Best, the (highest|lowest), of ([0-9., ]+): ([0-9.]*[0-9])")
SIGNIFICANT = 6


def calculated(expression: str) -> Fraction:
    """What a pocket calculator shows, without its rounding."""
    tokens = re.findall(r"\d+(?:\.\d+)?|[x/+\-()]", expression)
    words = [f"Fraction('{token}')" if token[0].isdigit() else token.replace("x", "*") for token in tokens]
    return Fraction(eval("".join(words), {"Fraction": Fraction}))  # noqa: S307 - digits and signs only


def equations(line: str) -> Iterator[tuple[Fraction, Fraction, bool]]:
    for found in EQUATION.finditer(line):
        expression, result, unit, is_rounded = found.groups()
        yield calculated(expression), Fraction(result), "rounded" in f"{unit}{is_rounded}"


def agree(line: str) -> bool:
    for exact, printed, is_rounded in equations(line):
        if is_rounded:
            if abs(exact - printed) > abs(exact) / 10 ** (SIGNIFICANT - 1):
                return False
        elif exact != printed:
            return False
    for best, values, chosen in CHOSEN.findall(line):
        pick = max if best == "highest" else min
        if pick(map(Fraction, values.split(", "))) != Fraction(chosen):
            return False
    return True


@cache
def evaluations() -> list[Evaluation]:
    """Every expectation of every example of the set, evaluated."""
    found = []
    for example in load_examples(examples_beside(SET / "1.yaml")):
        file = builders.loaded({key: example.document[key] for key in ("athlete", "episode", "entries")})
        for expected in example.expect:
            one = evaluate(file, builders.criteria(), stage=expected["stage"], clock=Clock(), as_of=expected.get("at"))
            found += [one] if one is not None else []
    return found


def lines(document: dict[str, Any], criterion: str, stage: str = "competition", at: str | None = None) -> list[str]:
    """The working of a criterion over a file."""
    moment = None if at is None else builders.datetime.fromisoformat(at)
    found = evaluate(builders.loaded(document), builders.criteria(), stage=stage, clock=Clock(), as_of=moment)
    assert found is not None
    told = working(Judging(found.evidence, found.criteria), criterion)
    assert all(agree(line) for line in told)
    return told


def test_every_equation_of_every_example_holds():
    counted = 0
    for one in evaluations():
        judging = Judging(one.evidence, one.criteria)
        for key in one.criteria.criteria:
            for line in working(judging, key):
                assert agree(line), (key, line)
                counted += sum(1 for _ in equations(line))

    assert counted > 5_000


def test_every_figure_of_a_verdict_is_the_result_of_its_working():
    for one in evaluations():
        judging = Judging(one.evidence, one.criteria)
        for key, _part_of, _status, _code, numerator, denominator, _excepted in one.verdict["reasons"]:
            criterion = one.criteria.criteria[key]
            if numerator is None or not hasattr(criterion, "metric") or criterion.metric != "limb_symmetry_index":
                continue
            results = [exact for line in working(judging, key) if " index = " in line for exact, *_ in equations(line)]
            assert Fraction(int(numerator), int(denominator)) in results


def test_every_example_is_a_decision_by_its_schema_and_shows_the_caution():
    for one in evaluations():
        answer = with_working(evaluation_answer(one, service_version="0.0.0"), one)
        assert load(DecisionSchema(), answer)[1] == []
        text = decision_text(answer, one, {"athlete": {}, "entries": []}, Options(), Paper())
        assert CAUTION in " ".join(text.split())


def test_the_example_battery_is_followed_to_the_end(capsys):
    words = run(capsys, "evaluate", EXAMPLE, "--working").words

    assert "Involved side, left, 2026-11-20: valid 9.8, 9.6, 9.7 s; 1 invalid (balance)." in words
    assert "Best, the lowest, of 9.8, 9.6, 9.7: 9.6 s." in words
    assert "Limb symmetry index = 100 x uninvolved / involved = 100 x 8.64 / 9.6 = 90 %." in words
    assert "90 %; at least 80 % is asked: met. Margin = 90 - 80 = 10 %." in words
    assert "2026-11-20 lies 0 days before 2026-11-20; at most 7 are allowed." in words


def battery_of(*measurements: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return builders.battery(measurements=measurements, **changes)


def test_a_mean_that_does_not_end_stands_as_a_fraction():
    left = builders.measured("weight_bearing_lunge_distance", "left", "9", "9", "9.1")
    right = builders.measured("weight_bearing_lunge_distance", "right", "10", "10", "10")

    told = lines(builders.file(battery_of(left, right)), "lunge-symmetry")
    assert "Mean = (9 + 9 + 9.1) / 3 = 9.03333 cm (rounded)." in told
    assert "Side difference = uninvolved - involved = 10 - (271 / 30) = 0.966667 cm (rounded)." in told


def test_a_unit_is_converted_step_by_step():
    left = builders.measured("weight_bearing_lunge_distance", "left", "4", "4", "4", unit="[in_i]")
    right = builders.measured("weight_bearing_lunge_distance", "right", "10", "10", "10")

    told = lines(builders.file(battery_of(left, right)), "lunge-symmetry")
    assert "In cm: 4 x 2.54 = 10.16 cm." in told


def test_only_the_first_trials_count_and_too_few_give_no_figure():
    many = builders.measured("side_hop_time", "left", "9.9", "9.6", "9.7", "9.1")
    few = builders.measured("weight_bearing_lunge_distance", "left", "9.5")

    document = builders.file(battery_of(many, few))
    assert any("The first 3 count." in line for line in lines(document, "side-hop-alone"))
    told = lines(document, "lunge-range")
    assert any("At least 3 are needed." in line for line in told)
    assert told[-1].startswith("No figure is judged: has too few valid trials")


def test_a_value_that_the_sender_summed_up_says_so():
    left = builders.measured("side_hop_time", "left", trials=None, value=builders.quantity("9.6"), trials_summarised=3)

    told = lines(builders.file(battery_of(left)), "side-hop-alone")
    assert any("which the sender says sums up 3 trials" in line for line in told)


def test_unable_and_an_unable_other_side_are_said():
    left = builders.not_measured("side_hop_time", "left", "unable", "could_not")
    right = builders.not_measured("side_hop_time", "right", "unable", "could_not")
    able = builders.measured("side_hop_time", "left", "9.9", "9.6", "9.7")

    assert lines(builders.file(battery_of(left)), "side-hop-floor")[0] == (
        "Involved side, left: unable (could not) on 2026-11-20; no valid trial."
    )
    told = lines(builders.file(battery_of(able, right)), "side-hop-floor")
    assert "Other side, right: unable (could not) on 2026-11-20; no valid trial." in told


def test_what_is_missing_of_the_other_side_is_said():
    able = builders.measured("side_hop_time", "left", "9.9", "9.6", "9.7")
    not_done = builders.not_measured("side_hop_time", "right", "not_done", "time")

    assert "Other side: nothing was sent." in lines(builders.file(battery_of(able)), "side-hop-floor")
    told = lines(builders.file(battery_of(able, not_done)), "side-hop-floor")
    assert "Other side: not done (time) on 2026-11-20." in told


def test_a_setup_that_differs_is_named():
    left = builders.measured("side_hop_time", "left", "9.9", "9.6", "9.7", setup={"support": "tape"})
    right = builders.measured("side_hop_time", "right", "9.1", "8.9", "9.0")

    assert "Support differs: tape, none." in lines(builders.file(battery_of(left, right)), "side-hop-floor")


def test_both_comparisons_are_shown_and_which_decides():
    hops = [builders.measured("side_hop_time", "left", "8", "8", "8")]
    base = builders.baseline("KB-0", "2026-08-01T10:00:00+02:00", hops)

    told = lines(builders.file(base, builders.battery()), "side-hop-symmetry")
    assert "Limb symmetry index = 100 x uninvolved / involved = 100 x 8.9 / 9.6 = 92.7083 % (rounded)." in told
    assert "Limb symmetry index = 100 x baseline / involved = 100 x 8 / 9.6 = 83.3333 % (rounded)." in told
    assert "What decides is the baseline." in told
    assert "not met, of the baseline. Margin" in told[-1]


def test_the_other_side_decides_where_it_has_the_smaller_margin():
    hops = [builders.measured("side_hop_time", "left", "9.5", "9.5", "9.5")]
    base = builders.baseline("KB-0", "2026-08-01T10:00:00+02:00", hops)

    assert "What decides is the other side." in lines(builders.file(base, builders.battery()), "side-hop-symmetry")


def test_nothing_is_divided_by_zero():
    left = builders.measured("evertor_strength", "left", "180", "188", "184")
    right = builders.measured("evertor_strength", "right", "0", "0", "0")

    told = lines(builders.file(battery_of(left, right)), "eversion-symmetry")
    assert "Other side: nothing can be divided by 0." in told


def test_age_and_setback_are_told():
    old = builders.battery("KB-1", "2026-11-02T10:00:00+01:00", since_last={"events": []})
    new = battery_of(builders.measured("pain_worst_24h", None, 1), ref="KB-2")
    setback = {"event": {"kind": "setback", "on": "2026-11-05"}}

    told = lines(builders.file(old, new), "side-hop-floor")
    assert "2026-11-02 lies 18 days before 2026-11-20; at most 7 are allowed." in told
    told = lines(builders.file(old, setback, new), "side-hop-floor")
    assert "2026-11-02 lies 18 days before 2026-11-20, and a setback came after it." in told


def test_medication_that_masks_pain_is_told():
    check = {**builders.SESSION_CHECK, "medication_24h": "paracetamol"}

    told = lines(builders.file(builders.battery(session_check=check)), "pain-24h-low")
    assert "Medication on 2026-11-20: paracetamol, which masks pain." in told
    del check["medication_24h"]
    told = lines(builders.file(builders.battery(session_check=check)), "pain-24h-low")
    assert "Medication on 2026-11-20: not answered." in told


def test_failed_landings_are_counted_and_pain_not_answered_is_said():
    hop = builders.measured("side_hop_time", "left", "9.9", "9.6", "9.7", pain=None)
    hop["trials"].append({"valid": False, "invalid_because": "balance"})
    hop["trials"].append({"valid": False, "invalid_because": "technique"})

    document = builders.file(battery_of(hop))
    assert "Trials invalid because of balance or an extra hop: 1." in lines(document, "no-failed-landing")
    assert any("pain not answered" in line for line in lines(document, "pain-in-tests"))


def test_a_trial_that_gave_way_says_so():
    hop = builders.measured("side_hop_time", "left", "9.9", "9.6", "9.7")
    hop["trials"].append({"valid": False, "invalid_because": "giving_way"})

    document = builders.file(battery_of(hop))
    assert any("ended by giving way" in line for line in lines(document, "pain-in-tests"))
    told = lines(document, "no-giving-way-7-days")
    assert "Giving way in Side hop, 2026-11-20." in told
    assert "Reports of giving way within 7 days before 2026-11-20: 1." in told


def test_sessions_are_listed_with_dose_pain_and_morning():
    told = lines(builders.file(), "drill-pain")

    assert told[0] == "Planned cutting drill, 2026-11-09: 3 efforts; pain 0; rise the next morning 0; medication none."
    assert lines(builders.file(), "training-sessions")[-2] == "Days counted: 3."


def test_sessions_without_answers_and_without_any_are_said():
    bare = builders.session("cutting_drill", "2026-11-18", worst_pain=None, next_morning_rise=None, medication=None)
    longer = builders.session("cutting_drill", "2026-11-17", efforts=3)
    since = {"events": [], "sessions": [bare, longer]}

    told = lines(builders.file(builders.battery(since_last=since)), "drill-pain")
    expected = "length not told; pain not answered; rise the next morning not answered; medication not answered."
    assert any(expected in line for line in told)
    told = lines(builders.file(builders.battery(since_last={"events": [], "sessions": []})), "drill-pain")
    assert told[0] == "No session serves: Planned cutting drill of 3 efforts or more, since the last setback."


@pytest.mark.parametrize(("limp", "said"), [(False, "no"), (True, "yes"), (None, "not answered")])
def test_an_answer_is_told_beside_the_one_required(limp, said):
    check = {key: one for key, one in {**builders.SESSION_CHECK, "limp": limp}.items() if one is not None}

    told = lines(builders.file(builders.battery(session_check=check)), "walks-without-limp", "rebuild")
    assert told[0] == f"Limp, 2026-11-20: {said}."
    assert told[-1].startswith("Required is no: ")


def test_a_rise_is_the_morning_less_the_start():
    morning = {**builders.SESSION_CHECK, "pain_at_rest": 2}
    document = builders.file(builders.battery(), builders.follow_up(session_check=morning))

    told = lines(document, "morning-after-test")
    assert "Pain at rest: 0 at the start on 2026-11-20, 2 on the morning after." in told
    assert "Rise = 2 - 0 = 2." in told
    assert "Medication on the morning after: none." in told
    told = lines(builders.file(builders.battery()), "morning-after-test")
    assert "Pain at rest: 0 at the start on 2026-11-20, not answered on the morning after." in told


def test_of_two_involved_sides_the_worse_stands():
    told = lines(builders.file(builders.battery(), episode={"involved_side": "both"}), "side-hop-alone")

    assert "Both sides are involved: each was judged, and the worse stands here." in told


def test_what_is_only_shown_needs_no_limit():
    score = builders.measured("instability_score", None, 24, pain=None)

    assert lines(builders.file(battery_of(score)), "instability-score")[-1] == "Only shown: nothing is required."


def test_a_group_counts_its_parts():
    told = lines(builders.file(builders.battery()), "hops-two-of-three")

    assert told[-1] == "2 of 3 met, 2 needed: met."
    assert "Triple hop, limb symmetry index: not assessed." in told
