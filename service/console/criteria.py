"""Criteria sets as a clinician reads them: stages, criteria, why, and where each figure comes from."""

from flask import Response

from service.console.blueprint import blp, page


@blp.get("/criteria")
def criteria() -> Response:
    """Show the page."""
    return page("console/criteria.html")
