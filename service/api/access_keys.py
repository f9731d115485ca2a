"""`/v1/access-keys`: by which actors are known; a secret is told once."""

from collections.abc import Mapping
from typing import Any

from flask import url_for

from schemas.access import AccessKeyAnswerSchema, AccessKeySchema, CreatedAccessKeySchema
from schemas.query_fields import PageQuerySchema, page_of
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.pages import page_in_time, place_in_time
from service.api.reading import idempotency_key
from service.use_cases.access_keys import (
    KEEP_IT,
    create_access_key,
    list_access_keys,
    revoke_access_key,
    show_access_key,
)
from service.use_cases.context import Created

DESCRIPTION = "Access keys of actors. A secret is told once, when its key is made; only its digest is stored."
SENT = {
    "actor_id": "01990a5d-ac96-774b-bcce-b302099a8057",
    "label": "Invented record system",
    "expires_at": "2027-08-01T00:00:00+02:00",
}
ANSWERED = {
    "id": "01990a5e-0c1f-7d3a-9f57-2b1f6a0c9d11",
    "actor": {"id": SENT["actor_id"], "display_name": "Kim Invented"},
    "roles": ["clinician"],
    "purpose": "api",
    "label": SENT["label"],
    "state": "valid",
    "created_at": "2026-08-01T07:05:00.000000Z",
    "expires_at": "2027-07-31T22:00:00.000000Z",
    "revoked_at": None,
    "last_used_on": None,
}
MADE = ANSWERED | {"secret": "rts_01990a5e0c1f7d3a9f572b1f6a0c9d11_an-invented-secret", "note": KEEP_IT}

blp = Blueprint("access_keys", __name__, url_prefix="/v1/access-keys", description=DESCRIPTION)


@blp.get("")
@blp.answers(page_of(AccessKeyAnswerSchema), example={"items": [ANSWERED], "next": None})
@blp.arguments(PageQuerySchema, location="query")
def every(asked: Mapping[str, Any]) -> Answer:
    """List the access keys, newest first."""
    return page_in_time(list_access_keys(context(), caller(), after=place_in_time(asked), limit=asked["limit"]))


@blp.post("")
@blp.creates(CreatedAccessKeySchema, at=lambda made: url_for("access_keys.show", key_id=made.id), example=MADE)
@blp.arguments(AccessKeySchema, example=SENT)
def create(body: Mapping[str, Any]) -> Created:
    """Make an access key.

    `secret` is what its holder sends as `Authorization: Bearer`. It is told this once: where the same request is sent
    again, `secret` is null, and `note` says so.
    """
    return create_access_key(context(), caller(), body, key=idempotency_key())


@blp.get("/<id:key_id>")
@blp.answers(AccessKeyAnswerSchema, example=ANSWERED)
def show(key_id: str) -> Answer:
    """Show an access key, without its secret."""
    return show_access_key(context(), caller(), key_id)


@blp.post("/<id:key_id>/revoke")
@blp.answers(
    AccessKeyAnswerSchema, example=ANSWERED | {"state": "revoked", "revoked_at": "2026-11-20T15:30:00.000000Z"}
)
def revoke(key_id: str) -> Answer:
    """Close an access key at once, for good.

    Doing it again changes nothing. It is refused where nobody could administer the organisation any more.
    """
    return revoke_access_key(context(), caller(), key_id)
