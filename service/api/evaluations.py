"""`/v1/evaluations`: judge without storing anything."""

from collections.abc import Mapping
from typing import Any

from schemas.battery import BatterySchema
from schemas.entries import EvaluationSchema
from schemas.evaluation import EvaluatedSchema, EvaluationQuerySchema
from service.api.access import caller, context
from service.api.blueprint import Answer, Blueprint
from service.api.examples import BATTERY
from service.api.examples_shown import EVALUATED
from service.api.reading import sent_body
from service.use_cases.evaluations import evaluate_body

DESCRIPTION = "Evaluations: a battery, or a file of entries, judged and answered; nothing is stored."
_BODY = {
    "required": True,
    "content": {
        "application/json": {"schema": {"anyOf": [BatterySchema, EvaluationSchema]}, "example": BATTERY},
    },
}

blp = Blueprint("evaluations", __name__, url_prefix="/v1/evaluations", description=DESCRIPTION)


@blp.post("")
@blp.doc(requestBody=_BODY)
@blp.answers(EvaluatedSchema, example=EVALUATED)
@blp.arguments(EvaluationQuerySchema, location="query")
def create(asked: Mapping[str, Any]) -> Answer:
    """Judge a battery, or a file of entries, without storing it.

    Nothing on record is mixed in: the body is all the evidence. It is judged by the `criteria_version` that it names
    (adopted, shipped or a draft), whether in force on the day or not; so a version is tried before it begins. Else it
    is judged by the one in force for the condition on the day. `detail=full` adds the arithmetic of every reason.
    """
    return evaluate_body(context(), caller(), sent_body(), detail=asked.get("detail"))
