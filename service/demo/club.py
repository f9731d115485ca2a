"""The invented club: its name, who works there, and its athletes' stories."""

from typing import NamedTuple
from zoneinfo import ZoneInfo

from service.demo.held_up import HELD_UP
from service.demo.in_doubt import IN_DOUBT
from service.demo.returning import RETURNING
from service.demo.story import INVENTED, OTHER_PHYSIO, PHYSICIAN, PHYSIO, RECORDS

ZONE_NAME = "Europe/Berlin"
ZONE = ZoneInfo(ZONE_NAME)
CLUB = f"Nordufer Sports Club {INVENTED}"

ADMINISTRATOR = "administrator"


class Person(NamedTuple):
    """Somebody who works at the club, or its records system (without a profession)."""

    name: str
    role: str
    profession: str | None = None


STAFF = {
    RECORDS: Person(f"Records system of the club {INVENTED}", "submitter"),
    PHYSIO: Person(f"Mara Beispiel {INVENTED}", "clinician", "physiotherapist"),
    OTHER_PHYSIO: Person(f"Jonas Muster {INVENTED}", "clinician", "physiotherapist"),
    PHYSICIAN: Person(f"Ida Probe {INVENTED}", "clinician", "physician"),
    ADMINISTRATOR: Person(f"Nora Exempel {INVENTED}", "administrator", "club manager"),
}

STORIES = tuple(sorted((*RETURNING, *HELD_UP, *IN_DOUBT), key=lambda story: story.ref))
