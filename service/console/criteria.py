"""Criteria sets as a clinician reads them: stages, criteria, why, and where each figure comes from."""

from flask import Response, request

from service.api.access import caller, context
from service.console.blueprint import blp, page
from service.console.criteria_view import beside_view, test_view, version_view
from service.use_cases.criteria_text import Named
from service.use_cases.reading_criteria import read_test, read_version
from service.use_cases.showing_criteria import list_sets


@blp.get("/criteria")
def criteria() -> Response:
    """Show every set with its versions: which judges, which comes next, which was retired."""
    return page("console/criteria.html", found=list_sets(context(), caller()))


@blp.get("/criteria/<set_id>/<int:version>")
def criteria_version(set_id: str, version: int) -> Response:
    """Show one version; `beside` names another of the same set to compare it with."""
    found = read_version(context(), caller(), Named(set_id, version))
    other = request.args.get("beside", type=int)
    if other is not None:
        second = read_version(context(), caller(), Named(set_id, other))
        stages = beside_view(found.criteria, second.criteria)
        return page("console/criteria_beside.html", found=found, second=second, stages=stages)
    return page("console/criteria_version.html", found=found, shown=version_view(found.criteria))


@blp.get("/tests/<test_id>")
def test_help(test_id: str) -> Response:
    """Show how a test is done, as the version of a digest says, else as the newest one does."""
    found = read_test(context(), caller(), test_id, request.args.get("digest"))
    return page("console/test_help.html", found=found, test=test_view(found.id, found.criteria))
