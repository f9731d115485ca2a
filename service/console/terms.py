"""The words of the console, each in a sentence; the macro `term` links to them from every page."""

from flask import Response

from service.console.blueprint import blp, page
from service.console.glossary import GLOSSARY, anchor, sentence_of

blp.add_app_template_global(anchor, "anchor")
blp.add_app_template_global(sentence_of, "sentence_of")


@blp.get("/terms")
def terms() -> Response:
    """Show every word with its meaning."""
    return page("console/terms.html", parts=GLOSSARY)
