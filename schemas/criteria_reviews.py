"""Reviews of criteria as they are answered."""

from schemas import fields, query_fields
from schemas.document import DocumentSchema, list_of, nested
from schemas.reason import count
from schemas.tasks import CLOSED_BECAUSE, STATES, STATUSES


class CriteriaReviewSchema(DocumentSchema):
    """A review of a version of criteria: due on a date, in time until the last day of its window."""

    id = query_fields.Id(required=True)
    set_id = fields.slug(required=True)
    version = count(required=True)
    due_on = fields.Day(required=True)
    window_days = count(required=True)
    last_day = fields.Day(required=True)
    overdue = fields.Flag(required=True)
    status = fields.Choice(STATUSES, required=True)
    state = fields.Choice(STATES, required=True)
    closed_because = fields.Choice(CLOSED_BECAUSE, required=True, allow_none=True)
    updated_at = fields.Moment(required=True)


class CriteriaReviewsSchema(DocumentSchema):
    """Every review of an organisation, the first due first."""

    items = list_of(nested(CriteriaReviewSchema), required=True)
