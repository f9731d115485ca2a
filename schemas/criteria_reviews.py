"""Reviews of criteria as they are answered."""

from schemas import fields, query_fields
from schemas.document import DocumentSchema, list_of, nested
from schemas.reason import count
from schemas.tasks import TimesSchema


class CriteriaReviewSchema(TimesSchema):
    """A review of a version of criteria."""

    id = query_fields.Id(required=True)
    set_id = fields.slug(required=True)
    version = count(required=True)


class CriteriaReviewsSchema(DocumentSchema):
    """Every review of an organisation, the first due first."""

    items = list_of(nested(CriteriaReviewSchema), required=True)
