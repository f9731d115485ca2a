"""The due page: retests and the questions of the morning after."""

from flask import Response

from service.console.blueprint import blp, page


@blp.get("/due")
def due() -> Response:
    """Show the page."""
    return page("console/due.html")
