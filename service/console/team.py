"""The team page: every open episode, and what is due next."""

from flask import Response

from service.console.blueprint import blp, page


@blp.get("/team")
def team() -> Response:
    """Show the team."""
    return page("console/team.html")
