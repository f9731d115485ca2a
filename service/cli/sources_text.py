"""The publications behind the criteria of a decision, and whom the criteria set is for."""

from collections.abc import Iterator, Mapping
from typing import Any

from service.cli.layout import Paper
from service.domain.criteria import CriteriaSet
from service.domain.words import short_label

PRACTICE = "practice"


def sources_lines(answer: Mapping[str, Any], criteria: CriteriaSet, paper: Paper) -> list[str]:
    """Return what every criterion rests on, then the publications, then what the set says of itself."""
    reasons = {one["criterion"]: one for one in (*answer["reasons"], *answer["shown"])}
    lines = [paper.heading("WHAT THE CRITERIA REST ON")]
    for key, one in reasons.items():
        lines += paper.wrapped(f"{short_label(key, criteria)} [{key}]: {_support(one)}.", indent=2, hanging=2)
        why = criteria.document["criteria"][key].get("why")
        lines += paper.wrapped(why, indent=4) if why else []
    lines += ["", paper.heading("PUBLICATIONS")]
    for name in sorted({name for one in reasons.values() for name in (*one["sources"], *one["see"])}):
        lines += _publication(name, criteria.document["catalogue"]["sources"][name], paper)
    lines += ["", paper.heading("ABOUT THIS CRITERIA SET")]
    for key in ("intended_user", "population", "limits"):
        text = criteria.document[key]
        lines += paper.wrapped(f"{key.replace('_', ' ').capitalize()}: {text}", indent=2, hanging=2)
    return lines


def _support(one: Mapping[str, Any]) -> str:
    return "; ".join(_supports(one)) or "only shown"


def _supports(one: Mapping[str, Any]) -> Iterator[str]:
    if one.get("evidence") == PRACTICE:
        yield "practice, no publication gives this figure"
    elif one.get("evidence"):
        yield f"{one['evidence'].replace('_', ' ')}"
    if one["sources"]:
        yield f"figure from {', '.join(one['sources'])}"
    if one.get("grade"):
        yield f"grade {one['grade']}"
    if one["see"]:
        yield f"see also {', '.join(one['see'])}"


def _publication(name: str, source: Mapping[str, Any], paper: Paper) -> list[str]:
    doi = f" doi:{source['doi']}." if "doi" in source else ""
    status = "" if source["status"] == "verified" else " From memory: not evidence."
    kind = source["kind"].replace("_", " ")
    return paper.wrapped(f"{name}: {source['citation'].rstrip('.')}.{doi} ({kind}){status}", indent=2, hanging=2)
