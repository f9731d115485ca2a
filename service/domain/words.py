"""Sentences for people: what a criterion is called, what its code means, what a hold says."""

from collections.abc import Sequence
from functools import lru_cache

from service.domain.catalogue import LOADING, Catalogue
from service.domain.codes import (
    AGE_UNKNOWN,
    AWAITING_RESPONSE,
    BEFORE_SETBACK,
    BELOW_BASELINE,
    DEFERRED,
    EVENT_COUNTED,
    EVIDENCE_GONE,
    EXCEPTION_ENDED,
    FACTS_CHANGED,
    FINDING_OPEN,
    GAVE_WAY,
    IS_NOT,
    LATE_EVIDENCE,
    MASKED,
    MET,
    MISSING_REFERENCE,
    MISSING_TEST,
    NOT_TODAY,
    OUTSIDE_SCOPE,
    PAIN_BEYOND_LIMIT,
    REFERENCE_LOST,
    REFERENCE_UNRELIABLE,
    SET_BACK,
    SETUP_DIFFERS,
    SIDES_UNCONFIRMED,
    STOPPED,
    TOO_FEW_MET,
    TOO_FEW_TRIALS,
    TOO_OLD,
    UNABLE,
    UNANSWERED,
    UNDECIDED,
)
from service.domain.criteria import (
    DIFFERENCE,
    FAILED_LANDINGS,
    INDEX,
    PERCENT_OF_BASELINE,
    RISE,
    VALUE,
    WORST_INSTABILITY,
    WORST_PAIN,
    CriteriaSet,
    Criterion,
    Group,
    ReferralQuestion,
)
from service.domain.numbers import ZERO, Pair, readable, rounded
from service.domain.units import NO_UNIT, PER_CENT

PLACES = 1
RATING_TOP = 10
KEPT = 4096
"""How many words about criteria are kept: they follow from the set alone and are asked for in every decision."""

METRIC_WORDS = {
    VALUE: "",
    INDEX: "limb symmetry index",
    DIFFERENCE: "side difference",
    PERCENT_OF_BASELINE: "per cent of baseline",
    FAILED_LANDINGS: "failed landings",
}
COMPARATOR_WORDS = {"at_least": "at least", "at_most": "at most"}

EVENT_WORDS = {"giving_way": "giving way", "setback": "a setback", "re_injury": "a re-injury"}

CODE_WORDS = {
    BEFORE_SETBACK: "was shown before the last setback and must be shown anew",
    GAVE_WAY: "the joint gave way",
    PAIN_BEYOND_LIMIT: "pain went beyond the limit",
    UNABLE: "was tried or clearly could not be done",
    MISSING_TEST: "was not measured",
    TOO_FEW_TRIALS: "has too few valid trials; a value that already sums up several goes with trials_summarised",
    REFERENCE_UNRELIABLE: "has no reliable other side to compare with",
    SETUP_DIFFERS: "was measured under a setup that differs from what it is compared with",
    MISSING_REFERENCE: "has neither the other side nor a baseline to compare with",
    AWAITING_RESPONSE: "waits for the answer of the next morning",
    UNANSWERED: "can't be read: pain, instability or medication was not answered",
    MASKED: "can't be read: medication masks pain",
}

ROUTE_WORDS = {
    "without_reference": "no usable other side or baseline",
    "without_equipment": "no equipment",
}

HOLD_WORDS = {
    FINDING_OPEN: "A referral sign is open ({asked}): it holds until a named person resolves it.",
    NOT_TODAY: "Not today: {title}.",
    DEFERRED: "Not today: {title} was deferred as not safe.",
    OUTSIDE_SCOPE: "Outside the scope: {scope}.",
    AGE_UNKNOWN: "Outside the scope: without a birth year nobody can tell whether this criteria set fits.",
    SIDES_UNCONFIRMED: "Left and right look swapped on {title}: the injured side did better. "
    "Correct or confirm the sides.",
}

WITHDRAWAL_WORDS = {
    EVIDENCE_GONE: "Something that it rests on was taken back or corrected; ask for the decision again.",
    FACTS_CHANGED: "The facts of the episode were corrected or reclassified; ask for the decision again.",
    FINDING_OPEN: "A referral sign is open that was not known: a named person resolves it first.",
    REFERENCE_LOST: "The other side was injured too, which was not known; ask for the decision again.",
    EXCEPTION_ENDED: "An exception that it needed has ended; what was waived is to be looked at again.",
    SET_BACK: "A setback came after what it rests on: that is to be shown anew.",
    EVENT_COUNTED: "An event came to be known that counts against it; ask for the decision again.",
    STOPPED: "Pain or giving way holds this stage now, which was not known.",
    LATE_EVIDENCE: "Something from before it was recorded after it and never judged; ask for the decision again.",
}

INTERVAL_WORDS = {
    "not_today": "nothing may stand against testing that day",
    "pain": "pain and stability need time to settle",
    "not_done": "something is still to be measured or answered",
    "mobility": "range and balance need time to change",
    "hops": "hops need time to change",
    "strength": "strength needs time to change",
    "sessions": "training sessions are still to come",
    "referral_outcome": "the outcome of the referral is awaited",
}

OUTSIDE_WORDS = {
    "conditions": "the condition is not one that this criteria set is made for",
    "age": "the athlete's age is outside what this criteria set is made for",
    "bilateral": "this criteria set is not made for both sides",
}


def listed(words: Sequence[str], last: str = "and") -> str:
    """Return words as a list in a sentence.

    >>> listed(["lunge", "heel rise", "side hop"])
    'lunge, heel rise and side hop'
    """
    if len(words) <= 1:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def with_unit(text: str, unit: str) -> str:
    """Return a figure with its unit; counts and scores have none."""
    return text if unit == NO_UNIT else f"{text} {unit}"


@lru_cache(maxsize=KEPT)
def label(key: str, criteria: CriteriaSet) -> str:
    """Return what a criterion is called in a sentence, made of its subject and its metric."""
    one = criteria.criteria[key]
    if isinstance(one, Group):
        return _group_label(one, criteria)
    if one.subject == "test":
        words = METRIC_WORDS[one.metric]
        return f"{one.test.title}, {words}" if words else one.test.title
    if one.subject == "tests":
        what = "worst pain" if one.metric == WORST_PAIN else "worst felt instability"
        return f"{what} in {_tests_label(one)}"
    if one.subject == "sessions":
        return _sessions_label(one, criteria.catalogue)
    if one.subject == "events":
        return listed([EVENT_WORDS[event] for event in one.events], "or") + _days(one)
    question = criteria.catalogue.questions[str(one.question)].title
    return f"{question}: rise on the morning after {one.after_named}" if one.metric == RISE else question


def _tests_label(one: Criterion) -> str:
    if one.is_class:
        return "loading tests" if one.class_name == LOADING else str(one.class_name)
    return listed([inside(test.title) for test in one.tests])


def short_label(key: str, criteria: CriteriaSet) -> str:
    """Return what a criterion is called where its parts stand beside it; a group has no title but its name."""
    one = criteria.criteria[key]
    if not isinstance(one, Group):
        return capital(label(key, criteria))
    needed = f"all {len(one.parts)}" if one.word == "all" else f"{one.needed} of {len(one.parts)}"
    return f"{_group_name(key)} ({needed})"


def _group_name(key: str) -> str:
    return capital(key.replace("-", " "))


def _group_label(one: Group, criteria: CriteriaSet) -> str:
    needed = "all" if one.word == "all" else str(one.needed)
    parts = "; ".join(inside(label(part, criteria)) for part in one.parts)
    return f"{_group_name(one.id)} ({needed} of: {parts})"


def _sessions_label(one: Criterion, catalogue: Catalogue) -> str:
    kinds = listed([inside(catalogue.sessions[kind].title) for kind in one.sessions], "or")
    dose = "" if one.dose is None else f" of {one.dose} {one.dose_unit} or more"
    if one.metric == WORST_PAIN:
        return f"worst pain in the {one.take} {kinds}{dose}"
    if one.metric == RISE:
        return f"pain the morning after the {one.take} {kinds}{dose}"
    return f"days with {kinds}{dose}{_days(one)}"


def _days(one: Criterion) -> str:
    return "" if one.within_days is None else f" within {days_text(one.within_days)}"


@lru_cache(maxsize=KEPT)
def required(one: Criterion) -> str:
    """Return the comparator and threshold of a criterion that is compared: `at most 1.5 cm`."""
    assert one.threshold is not None
    text = readable(one.threshold, one.threshold, PLACES)
    return f"{COMPARATOR_WORDS[str(one.comparator)]} {with_unit(text, one.unit)}"


def answer_text(answer: object) -> str:
    """Return an answer for people."""
    if isinstance(answer, bool):
        return "yes" if answer else "no"
    return str(answer).replace("_", " ")


def figure_text(one: Criterion, measured: Pair) -> str:
    """Return a figure with as many places as its verdict needs, and its unit."""
    text = rounded(measured, PLACES) if one.threshold is None else readable(measured, one.threshold, PLACES)
    if text == "0" and (one.metric == FAILED_LANDINGS or one.subject == "events"):
        return "none"
    return with_unit(text, one.unit) + _of_scale(one)


def _of_scale(one: Criterion) -> str:
    """Return the top of the scale that a rating stands on: `2 of 10`."""
    if one.metric in (WORST_PAIN, WORST_INSTABILITY):
        return f" of {RATING_TOP}"
    if one.subject != "test" or one.metric != VALUE or one.test.quantity not in ("pain", "score"):
        return ""
    top = next((bound.text for bound in one.test.possible if not bound.is_lower), None)
    return "" if top is None else f" of {top}"


def statement(key: str, code: str, measured: Pair | None, criteria: CriteriaSet, *, because: str | None = None) -> str:
    """Return the sentence of a plain criterion; `because` is what stands behind a code without a figure."""
    one = criteria.criteria[key]
    assert isinstance(one, Criterion)
    name = capital(label(key, criteria))
    if measured is not None:
        return f"{name}: {figure_text(one, measured)}{_compared(one, code, measured)}."
    if code == MET:
        return f"{name}: {answer_text(one.answer)}, as required."
    if code == IS_NOT:
        return f"{name}: {answer_text(one.answer)} is required, and that is not the answer."
    return f"{name}: {because or code_text(one, code)}."


def code_text(one: Criterion, code: str) -> str:
    """Return what a code without a figure says of a criterion."""
    if code == MISSING_TEST and one.subject == "sessions":
        return "was not reported"
    return _too_old(one) if code == TOO_OLD else CODE_WORDS[code]


def _compared(one: Criterion, code: str, measured: Pair) -> str:
    """Return what a figure is compared with, and by how much it misses."""
    if one.threshold is None:
        return ""
    against = " of the baseline" if code == BELOW_BASELINE else ""
    word = "allowed" if one.comparator == "at_most" else "required"
    compared = f"{against}; {required(one)} is {word}"
    if code == MET:
        return compared
    return f"{compared}, {missed_by(one, measured)}"


def missed_by(one: Criterion, measured: Pair) -> str:
    """Return by how much a figure misses the threshold: `4.2 points short` of per cent, `0.2 cm too much`."""
    assert one.threshold is not None
    miss = measured.minus(one.threshold)
    size = Pair(abs(miss.numerator), miss.denominator)
    text = readable(size, Pair(ZERO), PLACES)
    text = f"{text} {'point' if text == '1' else 'points'}" if one.unit == PER_CENT else with_unit(text, one.unit)
    return f"{text} {'too much' if one.comparator == 'at_most' else 'short'}"


def _too_old(one: Criterion) -> str:
    if one.within_days is None:
        return "was not shown on this occasion"
    return f"was last shown more than {days_text(one.within_days)} ago"


def days_text(days: int) -> str:
    """Return a number of days: `1 day`, `7 days`."""
    return f"{days} {'day' if days == 1 else 'days'}"


def group_statement(name: str, code: str, counted: str, open_parts: Sequence[str]) -> str:
    """Return the sentence of a group; one that can't be decided says what would decide it."""
    if code == MET:
        return f"{name}: {counted}."
    if code == TOO_FEW_MET:
        return f"{name}: only {counted}."
    assert code == UNDECIDED
    return f"{name}: {counted}; {listed([inside(part) for part in open_parts], 'or')} would decide it."


def routed_statement(key: str, route: str, target: str, criteria: CriteriaSet) -> str:
    """Return the sentence of a criterion in whose place another was judged."""
    return f"{capital(label(key, criteria))}: {ROUTE_WORDS[route]}, so {inside(target)} was judged in its place."


def hold_statement(code: str, about: str, criteria: CriteriaSet) -> str:
    """Return the sentence of a hold that is no stop."""
    if code == UNANSWERED:
        return f"Not answered: {question_text(about, criteria)}"
    return HOLD_WORDS[code].format(
        title=inside(title_of(about, criteria)),
        asked=_asked(about, criteria),
        scope=OUTSIDE_WORDS.get(about),
    )


def about_text(about: str, criteria: CriteriaSet) -> str:
    """Return what a hold or an unmet criterion is about, as it stands inside a sentence."""
    if about in criteria.criteria:
        return inside(label(about, criteria))
    return inside(title_of(about, criteria)) if referral_of(about, criteria) is None else _asked(about, criteria)


def retest_because(interval: str, what: str) -> str:
    """Return why testing again waits: the interval of the set, and what it is for."""
    return f"{INTERVAL_WORDS.get(interval, interval.replace('_', ' '))}: {what}"


def referral_of(about: str, criteria: CriteriaSet) -> ReferralQuestion | None:
    """Return the question of the referral screen of that name, None where the set has none."""
    return next((one for one in criteria.referral if one.id == about), None)


def question_text(about: str, criteria: CriteriaSet) -> str:
    """Return a question as it is asked; one of another set is known by its name only."""
    asked = referral_of(about, criteria)
    if asked is not None:
        return asked.ask
    known = criteria.catalogue.questions.get(about)
    return known.ask if known is not None else about.replace("_", " ")


def _asked(about: str, criteria: CriteriaSet) -> str:
    return f'"{question_text(about, criteria)}" was answered yes'


def title_of(about: str, criteria: CriteriaSet) -> str:
    """Return the title of a test, a question or a kind of event; what the set does not know has its name only."""
    if about in criteria.catalogue.tests:
        return criteria.catalogue.tests[about].title
    if about in criteria.catalogue.questions:
        return criteria.catalogue.questions[about].title
    return EVENT_WORDS.get(about, about.replace("_", " "))


def inside(text: str) -> str:
    """Return a title as it stands inside a sentence: `T-test` keeps its capital.

    >>> inside("Side hop"), inside("T-test")
    ('side hop', 'T-test')
    """
    return text[:1].lower() + text[1:] if text[1:2].isalpha() and text[1:2].islower() else text


def capital(text: str) -> str:
    """Return a text with a capital first letter."""
    return text[:1].upper() + text[1:]


REMINDS_ONLY = "Reminders hold no findings and no verdicts; what was measured and advised stands on the record."
"""What a mail and a calendar say of themselves."""

_TASKS = {
    "retest": "retest",
    "follow_up": "question of the morning after",
    "override_review": "review of an override",
    "referral_outcome": "outcome of a referral",
    "check_in": "check-in after return",
    "criteria_review": "review of a criteria set",
}


def task_title(kind: str) -> str:
    """Return what a kind of task is called within a sentence."""
    return _TASKS[kind]
