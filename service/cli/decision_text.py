"""A decision for a clinician with an athlete waiting: verdict, caution, what is not met, figures, what comes next."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.cli.criteria_rows import SECTIONS, asked_count, criterion_rows, shown_lines, table
from service.cli.layout import Paper, minute
from service.cli.sources_text import sources_lines
from service.domain.catalogue import BOTH
from service.domain.codes import PASS
from service.domain.criteria import CriteriaSet
from service.domain.standing import IS_VOID, STANDING
from service.domain.words import capital, days_text, inside, listed
from service.use_cases.answer import NOT_READ
from service.use_cases.evaluate import Evaluation


@dataclass(frozen=True, slots=True)
class Options:
    """What the reader asked to see beside the decision."""

    has_working: bool = False
    has_sources: bool = False


def decision_text(
    answer: Mapping[str, Any], evaluation: Evaluation, file: Mapping[str, Any], options: Options, paper: Paper
) -> str:
    """Return a decision as text.

    Args:
        answer: the decision as it is answered, with its working where that was asked for.
        evaluation: what it was made from.
        file: the file of entries.
        options: what else is shown.
        paper: what it is written on.
    """
    blocks = [
        _verdict(answer, evaluation, file, paper),
        _caution(answer, paper),
        *_criteria(answer, evaluation, paper),
        *_what_next(answer, evaluation, paper),
        _caution_points(answer, paper),
        *([sources_lines(answer, evaluation.criteria, paper)] if options.has_sources else []),
        list(_footer(evaluation, options, paper)),
    ]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def not_judged_text(answer: Mapping[str, Any], criteria: CriteriaSet, file: Mapping[str, Any], paper: Paper) -> str:
    """Return what is said where a file ends with a follow-up told too late."""
    why = capital(answer["summary"].removeprefix("Not judged: "))
    heading = paper.heading(f"NOT JUDGED: {criteria.gate(answer['target_stage']).title}")
    episode = file["episode"]
    who = _who(file, episode["condition"], episode["involved_side"])
    blocks = [
        [heading, *paper.wrapped(capital(", ".join(who))), "", *paper.wrapped(why)],
        _caution(answer, paper),
        _caution_points(answer, paper),
        _judged_by(criteria, paper),
    ]
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _verdict(answer: Mapping[str, Any], evaluation: Evaluation, file: Mapping[str, Any], paper: Paper) -> list[str]:
    gate = evaluation.criteria.gate(answer["target_stage"])
    facts, judged = evaluation.evidence.facts, evaluation.evidence.judged
    who = _who(file, facts.condition, facts.involved_side)
    who.append(f"tested on {judged.on}" if judged is not None else "not tested")
    outcome = f"{answer['outcome'].upper()}{_no_longer(answer)}"
    lines = [paper.heading(f"{outcome}: {gate.title}"), *paper.wrapped(capital(", ".join(who)))]
    if not evaluation.verdict["posted"]:
        lines += paper.wrapped(
            f"Judged on what was stored at {minute(answer['as_of'])}; today is {evaluation.verdict['today']}."
        )
    if "standing" in answer:
        lines += paper.wrapped(_standing(answer["standing"]))
    for flag in answer["data_quality"]:
        if flag["code"] == NOT_READ:
            lines += paper.wrapped(f"But {flag['detail']}. --as-of judges what is stored.")
    return [*lines, "", *paper.wrapped(capital(answer["summary"].partition(": ")[2]))]


def _no_longer(answer: Mapping[str, Any]) -> str:
    """Return what has become of a decision on record that does not stand any more: it is the first thing to know."""
    state = answer.get("standing", {}).get("state", STANDING)
    return "" if state == STANDING else f", {state.upper()}"


def _standing(standing: Mapping[str, Any]) -> str:
    """Return until when a decision on record stands, and whether a professional has signed it off."""
    state = capital(standing["state"])
    if standing["state"] == IS_VOID:
        return f"{state}."
    until = f" until {standing['until']}" if standing["until"] and standing["state"] == STANDING else ""
    signed = "no professional has signed it off" if standing["awaiting_sign_off"] else "signed off"
    because = f" {standing['because']['detail']}" if "because" in standing else ""
    return f"{state}{until}; {signed}.{because}"


def _who(file: Mapping[str, Any], condition: str, involved_side: str) -> list[str]:
    side = "both sides" if involved_side == BOTH else involved_side
    ref = file["athlete"].get("ref")
    return [*([f"athlete {ref}"] if ref else []), condition.replace("_", " "), side]


def _caution(answer: Mapping[str, Any], paper: Paper) -> list[str]:
    return paper.wrapped(answer["caution"]["text"], first="Caution: ")


def _caution_points(answer: Mapping[str, Any], paper: Paper) -> list[str]:
    return [paper.heading("CAUTION"), *paper.bullets(answer["caution"]["points"])]


def _criteria(answer: Mapping[str, Any], evaluation: Evaluation, paper: Paper) -> Iterator[list[str]]:
    if answer["holds"]:
        holds = [line for hold in answer["holds"] for line in _hold(hold, paper)]
        yield [paper.heading("HOLDS, WHATEVER THE CRITERIA SAY"), *holds]
    rows = criterion_rows(answer, evaluation)
    for section, lines in table(rows, paper).items():
        if lines:
            yield [paper.heading(f"{SECTIONS[section]} ({asked_count(rows, section)})"), *lines]
    shown = shown_lines(answer, evaluation.criteria, paper)
    if shown:
        yield [paper.heading("ONLY SHOWN, decides nothing"), *shown]
    flags = [f"{capital(flag['detail'])}." for flag in answer["data_quality"] if flag["code"] != NOT_READ]
    if flags:
        yield [paper.heading("LOOK AGAIN"), *paper.bullets(flags)]


def _hold(hold: Mapping[str, Any], paper: Paper) -> list[str]:
    action = [] if hold["action"] is None else paper.wrapped(hold["action"], indent=4, first="DO: ")
    return [*paper.bullets([hold["statement"]]), *action]


def _what_next(answer: Mapping[str, Any], evaluation: Evaluation, paper: Paper) -> Iterator[list[str]]:
    steps = answer["next_steps"]
    stage = _of_stage(answer, evaluation)
    for heading, key in (
        ("DO NOW, without testing", "now"),
        ("WORK ON", "work_on"),
        (f"MAY CONTINUE{stage}", "may_continue"),
        (f"NOT YET{stage}", "not_yet"),
        ("WITH THIS PASS", "on_pass"),
    ):
        if steps[key]:
            why = _without_store(answer, paper) if key == "may_continue" else []
            yield [paper.heading(heading), *why, *paper.bullets(steps[key])]
    when = [*_retest(answer, paper), *_follow_up(answer, evaluation, paper)]
    if when:
        yield [paper.heading("NEXT DATES"), *when]


def _of_stage(answer: Mapping[str, Any], evaluation: Evaluation) -> str:
    """Return whose lines these are on a hold: without a store nobody knows which gates were passed before."""
    stage = answer["next_steps"]["stage"]
    if answer["outcome"] == PASS or stage is None:
        return ""
    return f", as in {evaluation.criteria.gate(stage).title}"


def _without_store(answer: Mapping[str, Any], paper: Paper) -> list[str]:
    is_of_record = "standing" in answer
    if answer["outcome"] == PASS or answer["supported_stage"] is not None or is_of_record:
        return []
    return paper.wrapped("(A file alone tells of no gate passed before, so this is the first stage.)", indent=2)


def _retest(answer: Mapping[str, Any], paper: Paper) -> Iterator[str]:
    retest = answer["retest"]
    if retest is None:
        return
    window = f", or up to {days_text(retest['window_days'])} later" if retest["window_days"] else ""
    yield from paper.bullets([f"Test again on {retest['due_on']}{window}; {retest['because']}."])
    for one in retest["sooner"]:
        yield from paper.wrapped(f"Sooner, from {one['due_on']}: {one['what']}.", indent=4, hanging=2)


def _follow_up(answer: Mapping[str, Any], evaluation: Evaluation, paper: Paper) -> Iterator[str]:
    follow_up = answer["follow_up"]
    if follow_up is not None:
        questions = evaluation.criteria.catalogue.questions
        asked = listed([inside(questions[question].title) for question in follow_up["asks"]])
        yield from paper.bullets([f"Ask on the morning of {follow_up['due_on']}: {asked}."])


def _judged_by(criteria: CriteriaSet, paper: Paper) -> list[str]:
    judged_by = f"Criteria: {criteria.document['title']}, {criteria.id}/{criteria.version}, engine {criteria.engine}."
    return paper.wrapped(judged_by, hanging=2)


def _footer(evaluation: Evaluation, options: Options, paper: Paper) -> Iterator[str]:
    yield from _judged_by(evaluation.criteria, paper)
    more = {
        "--working": ("the arithmetic", options.has_working),
        "--sources": ("the publications", options.has_sources),
    }
    hints = [f"{option} shows {what}" for option, (what, is_shown) in more.items() if not is_shown]
    if hints:
        yield from paper.wrapped(f"{listed(hints)}.")
