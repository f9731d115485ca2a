"""How an evaluation is asked for, and what it answers."""

from schemas import fields, query_fields
from schemas.decision import OUTCOMES, DecisionSchema
from schemas.document import DocumentSchema

FULL = "full"

# What is answered where a file ends with a follow-up that came too late to be judged.
ALWAYS = ("outcome", "target_stage", "summary", "caution", "criteria_set", "engine", "service_version")


class EvaluationQuerySchema(DocumentSchema):
    """How much is told: `full` adds the arithmetic of every reason."""

    detail = query_fields.Choice((FULL,))


class EvaluatedSchema(DecisionSchema):
    """A decision that is not stored: it has no ids of ours.

    `outcome` is null, and there are no reasons, where a file ends with a follow-up that came too late to be judged.
    """

    class Meta(DocumentSchema.Meta):
        """Only what is stored has these."""

        exclude = ("id", "battery_id", "created", "standing", "digest", "previous_digest", "performed_at", "decided_at")

    outcome = fields.Choice(OUTCOMES, required=True, allow_none=True)

    def on_bind_field(self, field_name: str, field_obj: object) -> None:
        """Ask for nothing that is not always answered."""
        super().on_bind_field(field_name, field_obj)  # type: ignore[arg-type]
        field_obj.required = field_name in ALWAYS  # type: ignore[attr-defined]
