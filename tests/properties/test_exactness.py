"""A figure exactly on its limit is met, and the least bit beside it is not, whatever numbers it is made of."""

from decimal import Decimal
from fractions import Fraction

from hypothesis import assume, given
from hypothesis import strategies as st

from tests import builders
from tests.builders import code_of, criteria
from tests.properties.changes import with_change
from tests.properties.judging import answers
from tests.properties.places import measurements, own_bodies
from tests.properties.stories import stories

INDEX_TESTS = {
    "evertor_strength": ("eversion-symmetry", 90),
    "triple_hop_distance": ("triple-hop-85", 85),
    "side_hop_time": ("side-hop-floor", 80),
    "figure_of_eight_hop_time": ("figure-of-eight-85", 85),
}
LOWER = ("side_hop_time", "figure_of_eight_hop_time")
HUNDREDTHS = st.integers(100, 20000)
LEAST = Decimal("0.0000001")
FACTORS = ("0.001", "0.3", "0.7", "1.1", "1.7", "0.333333", "1.234567")


def code(test, involved, other):
    """Return the code of the index of a test whose best trials are these."""
    sides = {"left": involved, "right": other}
    pair = [builders.measured(test, side, value, value) for side, value in sides.items()]
    file = builders.file(builders.battery(measurements=pair))
    return code_of(builders.judge_file(file, "team_training"), INDEX_TESTS[test][0])


@given(st.sampled_from(sorted(INDEX_TESTS)), HUNDREDTHS)
def test_an_index_exactly_on_its_limit_is_met_and_the_least_bit_below_is_not(test, hundredths):
    limit = INDEX_TESTS[test][1]
    whole = Decimal(hundredths) / 100
    part = whole * limit / 100
    involved, other = (whole, part) if test in LOWER else (part, whole)
    worse = involved + LEAST if test in LOWER else involved - LEAST

    assert code(test, involved, other) == "met"
    assert code(test, worse, other) == "below"


@given(st.lists(st.integers(800, 1200), min_size=3, max_size=3), st.integers(-200, 200), st.integers(-200, 200))
def test_a_mean_of_three_exactly_on_its_limit_is_met_and_the_least_bit_beside_it_is_not(other, first, second):
    """Three lunges whose mean lies exactly 1.5 cm below that of three others, in hundredths of a centimetre."""
    involved = [other[0] - 150 + first, other[1] - 150 + second, other[2] - 150 - first - second]
    assume(min(involved) > 0)

    def lunges(values):
        sides = {"left": values, "right": other}
        pair = [
            builders.measured("weight_bearing_lunge_distance", side, *[Decimal(one) / 100 for one in of_side])
            for side, of_side in sides.items()
        ]
        verdict = builders.judge_file(builders.file(builders.battery(measurements=pair)), "team_training")
        return code_of(verdict, "lunge-symmetry")

    assert lunges(involved) == "met"
    assert lunges([involved[0] - 1, *involved[1:]]) == "above"


@given(stories(troubles=(0, 2)), st.sampled_from(sorted(INDEX_TESTS)), st.sampled_from(FACTORS))
def test_both_sides_scaled_by_the_same_factor_keep_an_index(story, test, factor):
    """So a wrong clock or a wrong tape, the same for both sides and for the baseline, decides nothing."""
    scaled = story
    places = [place for place, one in measurements(story.document) if one["test"] == test]
    for place, body in own_bodies(story.document, "baseline"):
        found = enumerate(body["measurements"])
        places += [place._replace(path=(*place.path, "measurements", n)) for n, one in found if one["test"] == test]
    assume(places)
    for place in places:
        scaled = with_change(scaled, place, lambda one: scale(one, Decimal(factor)))
    keys = {key for key, one in criteria().criteria.items() if getattr(one, "is_two_sided", False)}

    for stage, before in answers(story).verdicts.items():
        compared = [row for row in before["reasons"] if row[0] in keys and row[4] is not None]

        assert [row for row in compared if row not in answers(scaled).verdicts[stage]["reasons"]] == []


def scale(one, factor):
    for trial in one.get("trials", [one] if "value" in one else []):
        if "value" in trial:
            trial["value"] = trial["value"] * factor


# Any numbers that are read, in any unit

SIZE = {
    "evertor_strength": {"N": "1", "kN": "1000", "kgf": "9.80665", "[lbf_av]": "4.4482216152605"},
    "triple_hop_distance": {"cm": "1", "m": "100", "mm": "0.1", "[in_i]": "2.54", "[ft_i]": "30.48"},
    "side_hop_time": {"s": "1", "ms": "0.001", "min": "60"},
}
MOST = {"evertor_strength": 2000, "triple_hop_distance": 1200, "side_hop_time": 300}


@st.composite
def measured_somehow(draw, test):
    """A value of up to twelve digits in one of the test's units, with what it is in the test's own."""
    unit = draw(st.sampled_from(sorted(SIZE[test])))
    size = Fraction(Decimal(SIZE[test][unit]))
    digits = draw(st.integers(1, 10**12 - 1))
    value = Decimal(digits).scaleb(draw(st.integers(-9, 0)))
    assume(0 < Fraction(value) * size <= MOST[test])
    return value, unit, Fraction(value) * size


@given(st.data(), st.sampled_from(sorted(SIZE)), st.booleans())
def test_any_numbers_in_any_units_are_compared_as_exact_fractions(data, test, is_with_baseline):
    drawn = {which: data.draw(measured_somehow(test)) for which in ("involved", "other", "before")}

    def pair(involved, other):
        return [
            builders.measured(test, side, value, value, unit=unit)
            for side, (value, unit, _) in (("left", involved), ("right", other))
        ]

    now = builders.battery(measurements=pair(drawn["involved"], drawn["other"]))
    base = builders.baseline("KB-0", "2026-08-14T18:00:00+02:00", pair(drawn["before"], drawn["before"]))
    file = builders.file(*([base] if is_with_baseline else []), now)
    verdict = builders.judge_file(file, "team_training")
    key, limit = INDEX_TESTS[test]
    key = {"triple_hop_distance": "triple-hop-85"}.get(test, key)
    involved, other, before = (drawn[which][2] for which in ("involved", "other", "before"))
    references = [other, before] if is_with_baseline else [other]
    ratios = [100 * (one / involved if test in LOWER else involved / one) for one in references]
    row = next(row for row in verdict["reasons"] if row[0] == key)

    assert Fraction(int(row[4]), int(row[5])) == min(ratios)
    assert (row[2] == "met") == (min(ratios) >= limit)
    assert (row[3] == "below_baseline") == (min(ratios) < limit and ratios[-1] == min(ratios) and is_with_baseline)
