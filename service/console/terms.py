"""The words of the console, each in a sentence."""

from flask import Response

from service.console.blueprint import blp, page


@blp.get("/terms")
def terms() -> Response:
    """Show the page."""
    return page("console/terms.html")
