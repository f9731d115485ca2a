"""An organisation that has one of everything, and for each operation a request that it is answered. All invented.

Every id, ref, name and text of its own that somebody might be shown begins with the mark.
"""

import re
from dataclasses import dataclass
from typing import Any

from service.use_cases.context import ADMINISTRATOR
from service.use_cases.criteria_reviews import follow_criteria
from tests import builders
from tests.clinic import SET, Clinic, created, new_clinic, small
from tests.tiny_set import own
from tests.world import Client

MARK = "quokka"
PUBLISHED, DRAFTED = f"{MARK}-sprain", f"{MARK}-draft"
FINDING = "cannot_take_four_steps"
LIMP = "walks-without-limp"
AFTER = "2026-11-20T20:00:00+01:00"
"""When the requests are sent."""


@dataclass(frozen=True)
class OneOfEach:
    """The clinic, its objects by the names that addresses have for them, and the answers that made them."""

    clinic: Clinic
    ids: dict[str, str]
    decision: dict[str, Any]
    draft: dict[str, Any]

    def address(self, path: str) -> str:
        """The address of an operation with real ids; a parameter that nothing real is known for fails."""
        own = {"set_id": DRAFTED if "criteria-drafts" in path else PUBLISHED}
        if path.endswith("/done"):
            own["task_id"] = self.ids["check_in_id"]
        if "calendar-keys" in path:
            own["key_id"] = self.ids["calendar_key_id"]
        if "criteria-reviews" in path:
            own["task_id"] = self.ids["review_id" if path.endswith("/done") else "other_review_id"]
        return re.sub(r"{(\w+)}", lambda found: (self.ids | own)[found.group(1)], path)

    def query(self, operation: str) -> dict[str, str]:
        """The arguments of an address that asks for one thing."""
        return {
            "GET /v1/batteries": {"ref": f"{MARK}-battery"},
            "GET /v1/athletes": {"ref": f"{MARK}-athlete"},
        }.get(operation, {})

    def headers(self, operation: str) -> dict[str, str]:
        """The headers of a change of what was seen."""
        seen = {"If-Match": f'"{self.draft["etag"]}"'}
        as_made = {"PUT /v1/webhooks/{webhook_id}": {"If-Match": '"1"'}}
        as_it_is = {"If-Match": "*"} if re.fullmatch("(PUT|DELETE) .*/reminder-plan", operation) else {}
        return seen if operation.endswith("criteria-drafts/{set_id}/{version}") else as_made.get(operation, as_it_is)

    def send(self, client: Client, operation: str, *, body: Any = None) -> Any:
        """Send an operation whole, so that only who sends it can stand against it."""
        method, path = operation.split(" ")
        body = self.bodies.get(operation) if body is None else body
        more = {"query_string": self.query(operation), "headers": self.headers(operation)}
        return client.open(method, self.address(path), body, **more)

    @property
    def bodies(self) -> dict[str, Any]:
        """The bodies of all operations that take one."""
        text = own(f"{MARK}-more")
        return {
            "POST /v1/evaluations": small("B", athlete={"ref": "x"}, episode={"ref": "x", **builders.EPISODE}),
            "POST /v1/batteries": battery("later", at="2026-11-20T19:30:00+01:00", occasion=f"{MARK}-evening"),
            "POST /v1/batteries/{battery_id}/confirmations": {"confirms": ["sides"]},
            "POST /v1/episodes/{episode_id}/decisions": {"target_stage": "rebuild"},
            "PUT /v1/episodes/{episode_id}/reminder-plan": {"steps": [{"when": "on_day", "to": ["clinicians"]}]},
            "POST /v1/episodes/{episode_id}/events": {"kind": "giving_way", "on": "2026-11-20"},
            "POST /v1/episodes/{episode_id}/findings/{finding}/resolution": {
                "as": "ruled_out",
                "rationale": "Radiographs without a fracture.",
            },
            "POST /v1/episodes/{episode_id}/exceptions": exception(),
            "POST /v1/episodes/{episode_id}/sign-offs": position(),
            "POST /v1/decisions/{decision_id}/sign-offs": sign_off(self.decision),
            "POST /v1/entries/{entry_id}/void": {"reason": "entered twice"},
            "POST /v1/athletes/{athlete_id}/events": {"kind": "ref_changed", "ref": f"{MARK}-other"},
            "POST /v1/athletes/{athlete_id}/erasure": {"scope": "default", "reason": "asked for"},
            "POST /v1/retests/{task_id}/reschedule": {"due_on": "2026-11-25", "reason": "Travels."},
            "POST /v1/retests/{task_id}/cancel": {"reason": "Seen elsewhere."},
            "POST /v1/retests/{task_id}/done": {"note": "Plays without pain."},
            "POST /v1/criteria-sets": {"id": SET, "version": 1, "in_force_from": "2020-01-01"},
            "POST /v1/criteria-sets/{set_id}/versions/{version}/retire": {
                "retired_from": "2026-11-20",
                "reason": "Mistyped.",
            },
            "POST /v1/criteria-reviews/{task_id}/reschedule": {"due_on": "2027-03-01", "reason": "After the congress."},
            "POST /v1/criteria-reviews/{task_id}/cancel": {"reason": "No longer used."},
            "POST /v1/criteria-reviews/{task_id}/done": {"note": "Nothing changes."},
            "POST /v1/criteria-drafts": {"source": text.source, "examples": text.examples},
            "PUT /v1/criteria-drafts/{set_id}/{version}": text_of(DRAFTED, title="Another title"),
            "POST /v1/criteria-drafts/{set_id}/{version}/publish": {"in_force_from": "2026-12-01"},
            "PUT /v1/organisation": {"name": f"{MARK}-club", "time_zone": "Europe/Vienna"},
            "PUT /v1/organisation/reminder-plan": {
                "at": "08:00",
                "steps": [{"when": "on_day", "to": ["administrators"]}],
            },
            "POST /v1/actors": person("another"),
            "PUT /v1/actors/{actor_id}/email": {"email": f"{MARK}@example.org"},
            "POST /v1/access-keys": {"actor_id": self.ids["actor_id"], "label": f"{MARK}-label"},
            "POST /v1/calendar-keys": {"label": f"{MARK}-label"},
            "POST /v1/webhooks": webhook(),
            "PUT /v1/webhooks/{webhook_id}": webhook() | {"events": ["task.due"], "state": "on"},
            "POST /v1/webhooks/{webhook_id}/rotate-secret": {"keep_previous_hours": 24},
        }


def one_of_each(url: str) -> OneOfEach:
    """Make one of everything through the API."""
    clinic = new_clinic(url)
    admin = clinic.administrator
    assert admin.put("/v1/organisation", {"name": f"{MARK}-club", "time_zone": "Europe/Berlin"}).status_code == 200
    decision = clinic.post_battery(held())
    clinic.at("2026-11-20T18:10:00+01:00")
    clinic.post(f"/v1/decisions/{decision['id']}/sign-offs", sign_off(decision))
    clinic.post(f"/v1/episodes/{decision['episode_id']}/exceptions", exception())
    clinic.post(f"/v1/batteries/{decision['battery_id']}/confirmations", {"confirms": ["sides"]})
    back = clinic.post_battery(well())
    clinic.post(f"/v1/episodes/{back['episode_id']}/sign-offs", returned())
    actor = clinic.post("/v1/actors", person("actor"), ADMINISTRATOR)["id"]
    key = clinic.post("/v1/access-keys", {"actor_id": actor, "label": f"{MARK}-label"}, ADMINISTRATOR)["id"]
    calendar = clinic.post("/v1/calendar-keys", {"label": f"{MARK}-label"})["id"]
    clinic.post("/v1/criteria-drafts", text_of(PUBLISHED), ADMINISTRATOR)
    begins = {"in_force_from": "2026-01-01"}
    clinic.post(f"/v1/criteria-drafts/{PUBLISHED}/1/publish", begins, ADMINISTRATOR)
    draft = created(admin.post("/v1/criteria-drafts", text_of(DRAFTED)))
    told = created(admin.post("/v1/webhooks", webhook()))["id"]
    delivery = created(admin.post(f"/v1/webhooks/{told}/test"))["id"]
    world = clinic.world
    world.context.database.write(
        lambda tx: follow_criteria(tx, world.organisation, world.administrator.zone, world.clock())
    )
    review, other_review = (one["id"] for one in clinic.found("tasks", kind="criteria_review"))
    ids = {f"{name}_id": decision[f"{name}_id"] for name in ("athlete", "episode", "battery")} | {
        "decision_id": decision["id"],
        "entry_id": decision["battery_id"],
        "task_id": decision["retest"]["id"],
        "check_in_id": clinic.found("tasks", kind="check_in")[0]["id"],
        "review_id": review,
        "other_review_id": other_review,
        "actor_id": actor,
        "key_id": key,
        "calendar_key_id": calendar,
        "webhook_id": told,
        "delivery_id": delivery,
        "finding": FINDING,
        "version": "1",
    }
    clinic.at(AFTER)
    return OneOfEach(clinic, ids, decision, draft)


def battery(ref: str, **changes: Any) -> dict[str, Any]:
    athlete = {"ref": f"{MARK}-athlete", "new": True, "birth_year": 2000}
    episode = {"ref": f"{MARK}-episode", "new": True, **builders.EPISODE}
    told = {"tester": f"{MARK}-tester", "occasion": f"{MARK}-day"}
    return small(f"{MARK}-{ref}", **{"athlete": athlete, "episode": episode, **told, **changes})


def held() -> dict[str, Any]:
    """A battery of a hold: the athlete limps, and a finding is open."""
    limps = builders.SESSION_CHECK | {"limp": True}
    return battery("battery", session_check=limps, referral=builders.referral_answers() | {FINDING: True})


def well() -> dict[str, Any]:
    """A battery of another athlete, without a finding."""
    named = {"ref": f"{MARK}-well", "new": True}
    return battery("well", athlete={**named, "birth_year": 2000}, episode={**named, **builders.EPISODE})


def sign_off(decision: dict[str, Any]) -> dict[str, Any]:
    said = {"rationale": f"{MARK}-rationale", "informed": [f"{MARK}-coach"]}
    return {"decision_digest": decision["digest"], "determination": "defer", **said}


def exception() -> dict[str, Any]:
    return {"stage": "rebuild", "criterion": LIMP, "until": "2026-11-27", "reason": f"{MARK}-reason"}


def position() -> dict[str, Any]:
    at = {"stage": "protected_loading", "participation": "none"}
    return {"position": at, "conditions": f"{MARK}-conditions", "rationale": f"{MARK}-rationale"}


def returned() -> dict[str, Any]:
    at = {"stage": "competition", "participation": "competition"}
    return {"position": at, "valid_until": "2027-06-30", "rationale": f"{MARK}-rationale"}


def webhook() -> dict[str, Any]:
    """A webhook of a host that has no address, so that nothing is asked of a network."""
    return {"url": f"https://{MARK}.invalid/{MARK}-path", "label": f"{MARK}-label"}


def person(name: str) -> dict[str, Any]:
    told = {"display_name": f"{MARK}-{name}", "registration": f"{MARK}-registration", "email": f"{MARK}-1@example.org"}
    return {"kind": "person", "profession": "nurse", "roles": ["clinician"], **told}


def text_of(set_id: str, *, title: str = f"{MARK}-title") -> dict[str, str]:
    text = own(set_id, **{"A tiny set": title})
    return {"source": text.source, "examples": text.examples}
