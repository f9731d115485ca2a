"""Where a criterion's mark stands: right of the line is met, whichever way the comparison goes."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.console.strips import LINE, WIDTH, strip_of

SMALL = st.decimals(min_value=-500, max_value=500, places=2)


def reason(measured: object, threshold: object, margin: object) -> dict[str, object]:
    told = {"measured": measured, "threshold": threshold, "margin": margin}
    return {key: None if value is None else {"value": str(value), "unit": "%"} for key, value in told.items()}


@pytest.mark.parametrize(("margin", "side"), [("-0.01", -1), ("0", 0), ("0.01", 1)])
def test_the_eye_sees_on_which_side_of_the_line_a_value_lies(margin, side):
    found = strip_of(reason(90, 90, margin))

    assert found is not None
    assert (found.at > LINE) - (found.at < LINE) == side


@given(measured=SMALL, threshold=SMALL)
def test_every_mark_stays_on_its_strip_and_on_its_side(measured, threshold):
    margin = measured - threshold
    found = strip_of(reason(measured, threshold, margin))

    assert found is not None
    assert 0 <= found.at <= WIDTH
    assert (found.at - LINE) * float(margin) >= 0
    assert found.bar_from == min(LINE, found.at)


def test_a_value_further_off_is_drawn_further_off():
    places = [strip_of(reason(90 + off, 90, Decimal(off))).at for off in (-40, -20, -10, 0, 10, 20, 40)]

    assert places == sorted(places)
    assert len(set(places)) == len(places)


@pytest.mark.parametrize("figures", [(None, 90, None), (1, None, None)])
def test_what_was_not_assessed_has_no_strip(figures):
    assert strip_of(reason(*figures)) is None
