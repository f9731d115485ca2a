"""Criteria reviews among the settings: when each set is looked at again; rescheduled, cancelled or done."""

from collections.abc import Mapping
from functools import partial

from flask import Response

from service.api.access import caller, context
from service.console.blueprint import blp, go_to, page
from service.console.several import CANCEL, DONE, RESCHEDULE, Act, Outcome, carried_out, shown, status_of
from service.console.words import words
from service.domain.errors import ServiceError
from service.use_cases import criteria_reviews as use_case
from service.use_cases.context import Created
from service.use_cases.criteria_reviews import change_review, list_reviews, show_review


def _act(route: str) -> Act:
    def act(id_: str, body: Mapping[str, object], key: str) -> Created:
        return change_review(context(), caller(), id_, route, body, key=key)

    return act


_ACTS = {RESCHEDULE: _act(use_case.RESCHEDULE), CANCEL: _act(use_case.CANCEL), DONE: _act(use_case.DONE)}


@blp.get("/settings/reviews")
def reviews() -> Response:
    """Show the reviews that are to come, and those that are over."""
    return _shown()


@blp.post("/settings/reviews")
def change_reviews() -> Response:
    """Reschedule, cancel or finish every review that is ticked."""
    return carried_out(_ACTS, _name_of, show=_shown, back=partial(go_to, "reviews"))


def _name_of(id_: str) -> str:
    one = show_review(context(), caller(), id_)
    return f"{words(one['set_id'])}, version {one['version']}"


def _shown(error: ServiceError | None = None, outcome: Outcome | None = None) -> Response:
    items = list_reviews(context(), caller())
    return page(
        "console/settings_reviews.html",
        status_of(error, outcome) or 200,
        open_ones=[one for one in items if one["state"] == "open"],
        closed=[one for one in reversed(items) if one["state"] != "open"],
        **shown(error, outcome),
    )
