"""The closed lists: outcomes, statuses, codes of reasons (in the order in which they win) and kinds of hold."""

PASS, HOLD = "pass", "hold"

MET, NOT_MET, NOT_ASSESSED = "met", "not_met", "not_assessed"

BEFORE_SETBACK = "before_setback"
TOO_OLD = "too_old"
GAVE_WAY = "gave_way"
PAIN_BEYOND_LIMIT = "pain_beyond_limit"
UNABLE = "unable"
MISSING_TEST = "missing_test"
TOO_FEW_TRIALS = "too_few_trials"
REFERENCE_UNRELIABLE = "reference_unreliable"
SETUP_DIFFERS = "setup_differs"
MISSING_REFERENCE = "missing_reference"
AWAITING_RESPONSE = "awaiting_response"
BELOW_BASELINE = "below_baseline"
BELOW = "below"
ABOVE = "above"
IS_NOT = "is_not"
UNANSWERED = "unanswered"
MASKED = "masked"
UNDECIDED = "undecided"
TOO_FEW_MET = "too_few_met"

REASON_CODES = (
    BEFORE_SETBACK,
    TOO_OLD,
    GAVE_WAY,
    PAIN_BEYOND_LIMIT,
    UNABLE,
    MISSING_TEST,
    TOO_FEW_TRIALS,
    REFERENCE_UNRELIABLE,
    SETUP_DIFFERS,
    MISSING_REFERENCE,
    AWAITING_RESPONSE,
    BELOW_BASELINE,
    BELOW,
    ABOVE,
    IS_NOT,
    UNANSWERED,
    MASKED,
    UNDECIDED,
    TOO_FEW_MET,
    MET,
)
RANK = {code: rank for rank, code in enumerate(REASON_CODES)}

_NOT_MET_CODES = frozenset({GAVE_WAY, PAIN_BEYOND_LIMIT, UNABLE, BELOW_BASELINE, BELOW, ABOVE, IS_NOT, TOO_FEW_MET})
STATUS = {code: MET if code == MET else NOT_MET if code in _NOT_MET_CODES else NOT_ASSESSED for code in REASON_CODES}
SHORT = frozenset({BELOW_BASELINE, BELOW, ABOVE})

FINDING_OPEN, NOT_TODAY, OUTSIDE_SCOPE = "finding_open", "not_today", "outside_scope"
HOLD_KINDS = (FINDING_OPEN, NOT_TODAY, OUTSIDE_SCOPE, NOT_MET, NOT_ASSESSED, AWAITING_RESPONSE)
HOLD_RANK = {kind: rank for rank, kind in enumerate(HOLD_KINDS)}

DEFERRED, AGE_UNKNOWN, SIDES_UNCONFIRMED = "deferred", "age_unknown", "sides_unconfirmed"
HOLD_CODES = (
    FINDING_OPEN,
    NOT_TODAY,
    DEFERRED,
    OUTSIDE_SCOPE,
    AGE_UNKNOWN,
    GAVE_WAY,
    PAIN_BEYOND_LIMIT,
    UNANSWERED,
    SIDES_UNCONFIRMED,
)

EVIDENCE_GONE, FACTS_CHANGED, REFERENCE_LOST = "evidence_gone", "facts_changed", "reference_lost"
EXCEPTION_ENDED, SET_BACK, EVENT_COUNTED = "exception_ended", "set_back", "event_counted"
STOPPED, LATE_EVIDENCE = "stopped", "late_evidence"
WITHDRAWAL_CODES = (
    EVIDENCE_GONE,
    FACTS_CHANGED,
    FINDING_OPEN,
    REFERENCE_LOST,
    EXCEPTION_ENDED,
    SET_BACK,
    EVENT_COUNTED,
    STOPPED,
    LATE_EVIDENCE,
)


def kind_of(code: str) -> str:
    """Return the kind of hold that a reason's code means: its status, but awaiting_response for that code."""
    return AWAITING_RESPONSE if code == AWAITING_RESPONSE else STATUS[code]
