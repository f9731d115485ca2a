"""The visits about which there is nothing remarkable: a gate for which all is shown, from an athlete's own figures."""

from dataclasses import dataclass, replace
from decimal import Decimal

from service.demo.story import PASSED, Check, Measured, Morning, Screen, Session, Visit

LUNGE, RISES, LIFTS = "weight_bearing_lunge_distance", "heel_rise_repetitions", "foot_lifts_eyes_closed"
ON_THE_SPOT, FORCE = "single_hops_on_the_spot", "evertor_strength"
SIDE_HOP, EIGHT, TRIPLE = "side_hop_time", "figure_of_eight_hop_time", "triple_hop_distance"
PAIN, CONFIDENCE, T_TEST = "pain_worst_24h", "confidence", "t_test_time"

CM, HUNDREDTH = Decimal("0.1"), Decimal("0.01")


@dataclass(frozen=True, slots=True)
class Figures:
    """What an athlete's other side does.

    Attributes:
        lunge: the weight-bearing lunge in cm.
        rises: single-leg heel rises.
        lifts: foot lifts with the eyes closed.
        force: evertor strength in N.
        side_hop: the side hop in s.
        eight: the figure-of-eight hop in s.
    """

    lunge: str = "10.4"
    rises: int = 24
    lifts: int = 4
    force: int = 200
    side_hop: str = "8.80"
    eight: str = "11.00"


def instead(visit: Visit, *rows: Measured) -> Visit:
    """Return a visit with other rows for some tests; what was not measured there is added."""
    named = {one.test for one in rows}
    return replace(visit, measured=(*(one for one in visit.measured if one.test not in named), *rows))


def without(visit: Visit, *tests: str) -> Visit:
    """Return a visit in which some tests were left out."""
    return replace(visit, measured=tuple(one for one in visit.measured if one.test not in tests))


def and_morning(visit: Visit) -> tuple[Visit, Morning]:
    """Return a visit and the quiet morning after it, which changes nothing in what is answered."""
    return visit, Morning(visit.day + 1, visit.expected)


def first_look(day: int) -> Visit:
    """Return the first visit: the referral screen is answered in full with no."""
    return Visit(day, "protected_loading", PASSED, check=Check(rest=3, swelling=True, limp=True), screen=Screen())


def rebuilding(day: int, *, pain: int = 3) -> Visit:
    """Return a visit at which walking is even and the pain of the day is bearable."""
    return Visit(day, "rebuild", PASSED, (Measured(PAIN, str(pain)),), check=Check(rest=1))


def running(day: int, figures: Figures) -> Visit:
    """Return a visit at which the ankle bends, the calf lifts, and half an hour of walking left no trace."""
    return Visit(
        day,
        "running",
        PASSED,
        (
            Measured(PAIN, "2"),
            Measured(LUNGE, _lunge(figures, short="2.0"), _lunge(figures), pain=1),
            Measured(RISES, str(figures.rises * 3 // 5), str(figures.rises), pain=1),
        ),
        sessions=(Session("brisk_walk", day - 2, 30),),
    )


def hopping(day: int, figures: Figures) -> Visit:
    """Return a visit at which range, calf and balance come near the other side, before the first impact."""
    return Visit(
        day,
        "hop_and_cut",
        PASSED,
        (
            Measured(PAIN, "1"),
            Measured(LUNGE, _lunge(figures, short="1.0"), _lunge(figures)),
            Measured(RISES, str(figures.rises - 4), str(figures.rises), pain=1),
            Measured(LIFTS, _lifts(figures.lifts + 2), _lifts(figures.lifts)),
            Measured(ON_THE_SPOT, "9", "11", pain=1, instability=1),
        ),
        sessions=(Session("easy_run", day - 2, 20),),
    )


def training(day: int, figures: Figures) -> Visit:
    """Return a visit at which strength and hops come near the other side; range, calf and balance are carried over."""
    force = figures.force
    return Visit(
        day,
        "team_training",
        PASSED,
        (
            Measured(PAIN, "1"),
            Measured(FORCE, _force(force * 94 // 100), _force(force)),
            Measured(SIDE_HOP, _time(figures.side_hop, "1.10"), _time(figures.side_hop), pain=1, instability=1),
            Measured(EIGHT, _time(figures.eight, "1.08"), _time(figures.eight), pain=1, instability=1),
        ),
        sessions=(Session("cutting_drill", day - 2, 3),),
    )


def playing(day: int, figures: Figures) -> Visit:
    """Return a visit at which all is shown for competition but the morning after, after eight days of training."""
    return Visit(
        day,
        "competition",
        None,
        (
            Measured(PAIN, "0"),
            Measured(CONFIDENCE, "8"),
            Measured(SIDE_HOP, _time(figures.side_hop, "1.05"), _time(figures.side_hop), instability=1),
            Measured(EIGHT, _time(figures.eight, "1.04"), _time(figures.eight), instability=1),
        ),
        sessions=(
            Session("modified", day - 8, 45),
            Session("modified", day - 6, 60),
            Session("match_speed_drill", day - 4, 3),
            Session("full", day - 3, 75),
        ),
    )


def _lunge(figures: Figures, *, short: str = "0") -> str:
    middle = Decimal(figures.lunge) - Decimal(short)
    return f"{middle - CM} {middle} {middle + CM}"


def _lifts(fewest: int) -> str:
    return f"{fewest + 1} {fewest} {fewest + 1}"


def _force(best: int) -> str:
    return f"{best - 8} {best} {best - 3}"


def _time(other: str, factor: str = "1") -> str:
    best = (Decimal(other) * Decimal(factor)).quantize(HUNDREDTH)
    return f"{best + 3 * CM} {best} {best + CM}"
