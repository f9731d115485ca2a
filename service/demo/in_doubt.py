"""Stories of doubt about the measurement itself: sides, tape, a test that is always missing, a slip of the pen."""

from dataclasses import replace

from service.demo.story import (
    INVENTED,
    OTHER_PHYSIO,
    PASSED,
    PHYSICIAN,
    Decided,
    Excepted,
    Injury,
    Measured,
    Morning,
    Session,
    SidesConfirmed,
    SignedOff,
    Story,
    Visit,
    held,
)
from service.demo.usual import (
    CONFIDENCE,
    EIGHT,
    FORCE,
    LIFTS,
    LUNGE,
    PAIN,
    RISES,
    SIDE_HOP,
    TRIPLE,
    Figures,
    and_morning,
    first_look,
    hopping,
    instead,
    playing,
    rebuilding,
    running,
    training,
)

_JUMPER = Figures(lunge="10.9", rises=25, side_hop="9.40", eight="12.40")
_BETTER_INJURED = (
    Measured(SIDE_HOP, "8.3 8.0 8.1", "9.4 9.6 9.5", instability=1),
    Measured(EIGHT, "10.8 10.5 10.6", "12.4 12.5 12.6", instability=1),
)
SIDES_IN_DOUBT = Story(
    ref="NU-108",
    title="The injured side hops better by far: are the sides swapped?",
    turns=25,
    sex="male",
    injuries=(
        Injury(
            onset=-44,
            involved="left",
            steps=(
                first_look(-43),
                rebuilding(-36),
                *and_morning(running(-28, _JUMPER)),
                *and_morning(hopping(-20, _JUMPER)),
                # 117 % and 118 % in two tests.
                replace(
                    instead(training(-11, _JUMPER), *_BETTER_INJURED),
                    expected=held(
                        "not_assessed",
                        holds=(("not_assessed", "sides_unconfirmed", -11),),
                        side_hop_floor="met",
                        hop_choice="met",
                    ),
                ),
                Morning(-10, held("not_assessed", holds=(("not_assessed", "sides_unconfirmed", -11),))),
                # The tester looks at the video: this athlete takes off with the left leg.
                SidesConfirmed(-10, by=OTHER_PHYSIO),
                Decided(-10, "team_training", PASSED),
                SignedOff(-10, "agree", "team_training", "full_training", f"Sides seen on video {INVENTED}"),
                # Ten days later the sender says at once that the sides are right.
                replace(
                    instead(playing(-1, _JUMPER), *_BETTER_INJURED),
                    confirmed=True,
                    expected=held("awaiting_response", hops_two_of_three="met"),
                ),
            ),
        ),
    ),
)

_TAPED = Figures(lunge="9.6", rises=22, force=185, side_hop="9.00", eight="11.60")
TAPED_ONE_SIDE = Story(
    ref="NU-112",
    title="Taped on one side only",
    turns=28,
    sex="female",
    injuries=(
        Injury(
            onset=-39,
            involved="right",
            steps=(
                first_look(-38),
                rebuilding(-31),
                *and_morning(running(-23, _TAPED)),
                *and_morning(hopping(-15, _TAPED)),
                replace(
                    instead(
                        training(-7, _TAPED),
                        Measured(SIDE_HOP, "9.6 9.3 9.4", "9.3 9.0 9.1", pain=1, instability=1, support="tape"),
                    ),
                    expected=held("not_assessed", side_hop_floor="setup_differs", hop_choice="met"),
                ),
                SignedOff(
                    -7,
                    "override",
                    "team_training",
                    "modified_training",
                    f"Parts of training without contact until both sides are tested alike {INVENTED}",
                    overridden=("side-hop-floor",),
                    until=-2,
                    conditions=f"Taped on both sides, no contact {INVENTED}",
                    informed=("the athlete", "the head coach"),
                    by=PHYSICIAN,
                ),
                Morning(-6, held("not_assessed", side_hop_floor="setup_differs")),
                training(-2, _TAPED),
                Morning(-1, PASSED),
            ),
        ),
    ),
)

_BUSY = Figures(lunge="10.1", rises=27, force=230, eight="10.90")
_NO_LINES = Measured(SIDE_HOP, "not_done: time", "not_done: time")
_TRIPLE = Measured(TRIPLE, "540 552 548", "570 575 572", pain=1, instability=1)
ALWAYS_MISSING = Story(
    ref="NU-113",
    title="The side hop is missing again and again, and gets an exception",
    turns=33,
    sex="male",
    injuries=(
        Injury(
            onset=-46,
            involved="left",
            steps=(
                first_look(-45),
                rebuilding(-38),
                *and_morning(running(-29, _BUSY)),
                *and_morning(hopping(-20, _BUSY)),
                replace(
                    instead(training(-13, _BUSY), _NO_LINES),
                    expected=held("not_assessed", side_hop_floor="missing_test", hop_choice="met"),
                ),
                Morning(-12, held("not_assessed", side_hop_floor="missing_test")),
                replace(
                    instead(training(-9, _BUSY), _NO_LINES, _TRIPLE),
                    expected=held("not_assessed", side_hop_floor="missing_test", hop_choice="met"),
                ),
                Morning(-8, held("not_assessed", side_hop_floor="missing_test")),
                Excepted(
                    -8,
                    "team_training",
                    "side-hop-floor",
                    until=5,
                    reason=f"The hall is closed and no lines are at hand; two other hops are shown {INVENTED}",
                ),
                Decided(-8, "team_training", replace(PASSED, codes={"side-hop-floor": "missing_test"})),
                SignedOff(
                    -8, "agree", "team_training", "modified_training", f"With the exception, for a week {INVENTED}"
                ),
                # The exception was for team training. Competition asks the side hop again.
                replace(
                    instead(playing(-1, _BUSY), _NO_LINES, _TRIPLE, Measured(CONFIDENCE, "9")),
                    sessions=(
                        Session("modified", -7, 45),
                        Session("modified", -5, 60),
                        Session("match_speed_drill", -4, 3),
                        Session("full", -3, 75),
                    ),
                    expected=held(
                        "not_assessed",
                        "awaiting_response",
                        side_hop_floor="missing_test",
                        hops_two_of_three="met",
                        morning_after_test="awaiting_response",
                    ),
                ),
            ),
        ),
    ),
)

_TWO_DAYS = Figures(lunge="10.7", rises=24, force=210)
_FIRST_DAY = Visit(
    -4,
    None,
    None,
    (
        Measured(LUNGE, "9.6 9.7 9.8", "10.6 10.7 10.8"),
        Measured(RISES, "12", "24", pain=1),
        Measured(LIFTS, "6 5 6", "5 4 5"),
        Measured(FORCE, "194 199 196", "202 210 207"),
    ),
    at="10:00",
    by=OTHER_PHYSIO,
)
TWO_DAYS_AND_A_SLIP = Story(
    ref="NU-115",
    title="Tested on two days, and 21 heel rises written down as 12",
    turns=24,
    sex="male",
    injuries=(
        Injury(
            onset=-41,
            involved="right",
            steps=(
                first_look(-40),
                rebuilding(-32),
                *and_morning(running(-24, _TWO_DAYS)),
                *and_morning(hopping(-14, _TWO_DAYS)),
                # Strength and range on the first day; nobody asks for a decision yet.
                _FIRST_DAY,
                Morning(-3, None),
                replace(
                    training(-3, _TWO_DAYS),
                    measured=tuple(
                        one for one in training(-3, _TWO_DAYS).measured if one.test in (PAIN, SIDE_HOP, EIGHT)
                    ),
                    expected=held(
                        "not_met", heel_rise_floor="below", heel_rise_difference="above", lunge_symmetry="met"
                    ),
                ),
                Morning(-2, held("not_met", heel_rise_floor="below")),
                # The correction takes the place of the first day, and the decision that read it is withdrawn.
                replace(
                    _FIRST_DAY,
                    measured=(
                        *(one for one in _FIRST_DAY.measured if one.test != RISES),
                        Measured(RISES, "21", "24", pain=1),
                    ),
                    corrects=-4,
                    posted=-2,
                ),
                Decided(-2, "team_training", PASSED),
                SignedOff(
                    -2,
                    "stricter",
                    "hop_and_cut",
                    "none",
                    f"Passed; one more week of planned turns first {INVENTED}",
                    by=OTHER_PHYSIO,
                ),
            ),
        ),
    ),
)

IN_DOUBT = (SIDES_IN_DOUBT, TAPED_ONE_SIDE, ALWAYS_MISSING, TWO_DAYS_AND_A_SLIP)
