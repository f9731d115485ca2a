"""The one body of every error (RFC 9457). It documents and tests what is written; nothing is written through it."""

from marshmallow import fields as marshmallow_fields

from schemas import fields
from schemas.document import DocumentSchema, list_of, nested

LOWEST_STATUS, HIGHEST_STATUS = 400, 599
MOST_LINES = 1_000_000


class FieldProblemSchema(DocumentSchema):
    """One fault: where it is, its code, what mends it.

    The place is a JSON pointer into the body (`#/measurements/0/value`), an argument of the address (`?limit`) or a
    header (`Idempotency-Key`); of a criteria set it is a path inside the `file`, which stands on the `line`.
    """

    pointer = fields.Text(required=True)
    code = fields.name(required=True)
    detail = fields.Text(required=True)
    file = fields.Text()
    line = fields.Whole(least=1, most=MOST_LINES)


class ProblemSchema(DocumentSchema):
    """Why a request was refused: a code for programs, a sentence for people, and every fault at its place."""

    type = fields.Text(required=True)
    title = fields.Text(required=True)
    status = fields.Whole(least=LOWEST_STATUS, most=HIGHEST_STATUS, required=True)
    detail = fields.Text(required=True)
    code = fields.name(required=True)
    request_id = fields.Text(required=True)
    errors = list_of(nested(FieldProblemSchema), required=True)
    facts = marshmallow_fields.Dict()
