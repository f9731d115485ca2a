"""`/v1/audit`: who did what, and when."""

from collections.abc import Mapping
from typing import Any

from schemas.access import AuditQuerySchema, AuditRowSchema
from schemas.query_fields import page_of
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.pages import page_in_time, place_in_time
from service.use_cases.audit import list_audit

DESCRIPTION = "The audit log: who did what and who read about whom. It can't be changed."
EXAMPLE = {
    "id": "01990a5e-0c1f-7d3a-9f57-2b1f6a0c9d12",
    "at": "2026-08-01T07:05:00.000000Z",
    "actor": {"id": "01990a5d-ac96-774b-bcce-b302099a8057", "display_name": "Kim Invented"},
    "action": "revoke_access_key",
    "object_kind": "access_key",
    "object_id": "01990a5e-0c1f-7d3a-9f57-2b1f6a0c9d11",
    "athlete_id": None,
    "request_id": "invented-request-1",
    "detail": None,
}

blp = Blueprint("audit", __name__, url_prefix="/v1/audit", description=DESCRIPTION)


@blp.get("")
@blp.answers(page_of(AuditRowSchema), example={"items": [EXAMPLE], "next": None})
@blp.arguments(AuditQuerySchema, location="query")
def every(asked: Mapping[str, Any]) -> Answer:
    """List the audit log, newest first.

    `from` and `to` are days of the organisation, both included.
    """
    return page_in_time(list_audit(context(), caller(), asked, after=place_in_time(asked), limit=asked["limit"]))
