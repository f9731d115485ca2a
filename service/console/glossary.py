"""The words of the console and of the trade, each in one plain sentence: no synonyms stand beside them."""

from collections.abc import Mapping

GLOSSARY: Mapping[str, Mapping[str, str]] = {
    "People and records": {
        "organisation": "A clinic, a club or a school; every record belongs to exactly one, and nothing crosses over.",
        "athlete": "The person tested, known by a reference that says nothing about who it is.",
        "episode": "One injury of one athlete: the condition, the injured side, and the day on which it began.",
        "injured side": "The side on which the injury is; where both sides are injured, each is tested as injured.",
        "other side": "The side that is not injured: the usual reference, but only while it is healthy itself.",
        "record": "The athlete's list of entries, to which is only added: what was made in error is taken back, "
        "and stays to be seen.",
        "entry": "One thing on the record: a battery, a decision, a sign-off, an event, an exception and so on.",
        "void": "An entry that a person took back because it was made in error; it counts no more.",
        "clinician": "A qualified professional who enters batteries, reads decisions and signs off.",
        "administrator": "Who looks after the organisation: criteria versions, the reminder plan, people and webhooks.",
    },
    "Testing": {
        "battery": "What was measured and answered at one visit: session check, tests, setup, and what happened since.",
        "baseline": "A battery taken while the athlete was uninjured; later results can be compared with it.",
        "occasion": "The batteries of one episode on one date; the two sides of a test come from one occasion.",
        "test": "A physical test or a score, done the same way each time; its protocol says how.",
        "protocol": "How a test is done, and what makes a trial invalid.",
        "measurement": "One test on one side: measured, unable, not done or deferred, the last three with the reason.",
        "unable": "The test was tried, or clearly could not be done, because of pain or because the joint gave way.",
        "not done": "The test was left out: no time, no equipment, or the athlete did not want to.",
        "deferred": "The test was put off because it is not safe today.",
        "trial": "One attempt at a test; an invalid one names its cause and is left out of the result, "
        "its pain and its giving way are not.",
        "setup": "Support, footwear, surface and the like; what is compared must be measured under the same setup.",
        "session check": "Short questions before any test: limp, swelling, pain at rest, medication; they may end in "
        "not today.",
        "not today": "What forbids loading tests on this day; the answer is hold, whatever was measured before.",
        "referral screen": "Questions about signs that need a physician, asked once an episode and after a re-injury.",
        "finding": "A question of the referral screen that was answered yes: it holds until a named person resolves "
        "it.",
        "ruled out": "A finding that was examined and was not there.",
        "released": "A finding that was there, was treated, and allows loading again.",
        "confirmed": "A finding that is there: it stays open, and cancels what was measured before.",
        "session": "One training or exercise session between two batteries: kind, date, how long, pain, next morning.",
        "follow-up": "The question on the morning after: how much the joint hurts at rest after yesterday's load.",
        "setback": "A worsening, giving way, a re-injury or a confirmed finding: what was measured before it must be "
        "shown anew.",
        "giving way": "The joint buckled or rolled over by itself.",
        "re-injury": "The same joint was injured again; the referral screen is asked anew.",
        "measurement error": "How far a result may lie from the true one by chance alone, as a publication found it; "
        "a change smaller than that may be none.",
    },
    "Criteria": {
        "criteria set": "The stages and their criteria for one condition, in numbered versions that never change.",
        "version": "One fixed text of a criteria set; a decision names the version that judged it, for ever.",
        "in force": "The version that judges on a day; from its first day until a newer one begins or it is retired.",
        "stage": "A step of the way back: from protected loading to competition.",
        "gate": "The entry to a stage; all criteria asked there must be met.",
        "criterion": "One requirement at a gate: what is measured, the threshold, and how old the evidence may be.",
        "threshold": "The figure that a result must reach or may not exceed; exactly on it is met.",
        "limb symmetry index": "The injured side as a percentage of the other; where less is better, such as a time, "
        "the other side as a percentage of the injured.",
        "side difference": "By how much the two sides differ, in the unit of the test.",
        "per cent of baseline": "The result as a percentage of the athlete's own before the injury.",
        "without a reference": "Neither the other side nor a baseline can be compared with, so that another criterion "
        "is judged in place of this one; it says less.",
        "common practice": "What experienced clinicians do; no published source gives this figure.",
        "grade": "How near the evidence for a threshold is: A, found in this very condition; B, in other patients or "
        "in a page quoting it; C, from memory, convention or judgement.",
        "pain rule": "Up to which pain a load may rise, may stay, or must fall.",
    },
    "Decisions": {
        "decision": "Pass or hold for one gate, from what was on record at a moment, with the reason for each "
        "criterion.",
        "pass": "Every criterion asked is met and nothing else holds; it is not permission to play.",
        "hold": "Not yet: at least one criterion is not met or not assessed, or something else stands against it.",
        "met": "The result is on the right side of the threshold, or exactly on it.",
        "not met": "The result is on the wrong side of the threshold.",
        "not assessed": "Nothing on record can tell: not measured, too old, or not comparable; it holds like not met.",
        "awaiting": "An answer is still to come, such as that of the next morning.",
        "standing": "What has become of a decision since: it stands, or it is expired, superseded, withdrawn or void.",
        "expired": "A pass that is too old to be acted on; test again.",
        "superseded": "A newer decision on the same stage has taken its place.",
        "withdrawn": "Something became known that the decision did not see, such as a setback; it no longer stands.",
        "supported stage": "The highest stage with a pass that still counts; it stands beside the position and does "
        "not move it.",
        "position": "The stage and the participation that a named professional has set, with date and conditions.",
        "participation": "What the athlete takes part in: nothing, modified training, full training, restricted "
        "competition or competition.",
        "step back proposed": "The decisions on record support less than the position; a professional looks at it.",
        "lapsed": "The position had an end date, and that is past: it holds no more until somebody sets it anew.",
        "sign-off": "What a named professional makes of a decision; only a sign-off moves the position.",
        "agree": "The professional decides as the decision says.",
        "stricter": "The professional keeps the athlete further back than the decision would.",
        "override": "The professional decides against a hold: with reasons, conditions and an end date; it never "
        "counts as a gate met.",
        "defer": "The professional does not decide yet, and says why; the decision goes on waiting.",
        "override review": "A second look that each override asks for within 72 hours: signing off again is one.",
        "exception": "One criterion waived at one stage for one athlete until a date; it is shown every time.",
        "digest": "A fingerprint of a text: if one letter were changed it would be another.",
        "caution": "The banner that goes with every decision, wherever it is shown.",
    },
    "What is due": {
        "task": "Anything with a due date: a retest, a follow-up, a referral outcome, a review or a check-in.",
        "retest": "A due date, with some days to spare, for testing again.",
        "referral outcome": "What came of a finding that was referred: due until a named person resolves it.",
        "check-in": "How it goes 2, 6 and 12 weeks after the return: a battery answers it, or a note that says it is "
        "done.",
        "criteria review": "A look, once a year, at what was published since a version of criteria came into force.",
        "window": "The days after the due date in which it is still in time.",
        "upcoming": "The due date is still to come.",
        "overdue": "The last day of the window is past, and nothing was done.",
        "reminder": "What tells people and systems that a task is due; it says nothing clinical.",
        "reminder plan": "When to remind of a task and whom: days before, on the day, and once it is overdue.",
        "calendar feed": "An address from which a calendar reads what is due; whoever has it can read it, until it is "
        "revoked.",
    },
    "What is sent": {
        "webhook": "An address of another system that is told what happens; a message names things by their ids alone.",
        "delivery": "One message on its way to a webhook or a person; each try carries the same id.",
        "waiting": "The next try of a delivery is still to come.",
        "delivered": "The receiver took the message.",
        "dead": "The last try of a delivery failed; it is sent again only by hand.",
        "dropped": "A delivery that was let go: there was nobody or nothing to tell any more, or a mail came too late.",
        "secret": "What signs the messages to a webhook, so that its receiver knows whose they are; it is shown once.",
    },
}

TERMS: Mapping[str, str] = {word: said for part in GLOSSARY.values() for word, said in part.items()}


def anchor(word: str) -> str:
    """Return where a word stands on its page.

    >>> anchor("supported stage")
    'supported-stage'
    """
    return word.replace(" ", "-")


def sentence_of(word: str) -> str:
    """Return what a word means; a word that stands nowhere is a fault of the page that uses it."""
    return TERMS[word]
