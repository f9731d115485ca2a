"""Who calls: valid keys open, all others do not; nothing crosses from one organisation to another."""

import threading
from dataclasses import replace
from datetime import date, timedelta

import pytest

from service.domain.errors import (
    ConflictError,
    DatabaseUnavailableError,
    InvalidDocumentError,
    KeyReusedError,
    NotFoundError,
)
from service.store import access
from service.store.ids import new_id
from service.use_cases.access import authenticate, operator
from service.use_cases.access_keys import create_access_key, list_access_keys, revoke_access_key, show_access_key
from service.use_cases.actors import create_actor, disable_actor, list_actors, show_actor
from service.use_cases.audit import list_audit
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, PERSON, ROLES, SUBMITTER
from service.use_cases.organisations import change_organisation, list_organisations, show_organisation
from tests.world import World, new_key, new_world

PERSON_BODY = {"kind": "person", "display_name": "Invented Person", "profession": "nurse", "roles": ["clinician"]}


@pytest.fixture
def world(database_url: str) -> World:
    return new_world(database_url)


def key_id(presented: str) -> str:
    text = presented.split("_")[1]
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


def actions(world: World, **asked: object) -> list[str]:
    return [row["action"] for row in list_audit(world.context, world.administrator, asked, limit=100).items]


@pytest.mark.parametrize("role", ROLES)
def test_a_key_tells_who_calls(world, role):
    caller = authenticate(world.context, world.keys[role])

    assert caller is not None
    assert (caller.organisation, caller.roles) == (world.organisation, {role})
    assert caller.zone.key == "Europe/Berlin"


def test_a_clinician_is_known_with_name_and_profession(world):
    caller = authenticate(world.context, world.keys[CLINICIAN])

    assert caller is not None
    assert (caller.kind, caller.name, caller.profession) == (PERSON, "Invented Clinician", "physiotherapist")


SPOILED = {
    "another letter": lambda key: key[:-1] + ("A" if key[-1] != "A" else "B"),
    "a letter less": lambda key: key[:-1],
    "a letter more": lambda key: key + "x",
    "another id": lambda key: "rts_" + "0" * 32 + "_" + key.split("_", 2)[2],
    "a longer id": lambda key: key.replace("rts_", "rts_0", 1),
    "another prefix": lambda key: key.replace("rts_", "key_", 1),
    "no secret": lambda key: "_".join(key.split("_", 2)[:2]),
    "an empty secret": lambda key: "_".join([*key.split("_", 2)[:2], ""]),
    "nothing": lambda _key: "",
    "nothing between": lambda _key: "rts__",
    "capitals": lambda key: key.upper(),
    "a letter that is no ASCII": lambda key: key + "é",
    "half a letter": lambda key: key + "\ud800",
}


@pytest.mark.parametrize("spoil", SPOILED.values(), ids=SPOILED)
def test_what_is_not_exactly_a_key_opens_nothing(world, spoil):
    assert authenticate(world.context, spoil(world.keys[SUBMITTER])) is None


def test_a_key_is_valid_until_its_end_and_not_at_it(world):
    end = world.clock.now + timedelta(days=1)
    key = new_key(world.context, world.organisation, expires_at=end, **PERSON_BODY)

    assert authenticate(world.at(end - timedelta(microseconds=1)).context, key) is not None
    assert authenticate(world.at(end).context, key) is None
    assert authenticate(world.at(end + timedelta(seconds=1)).context, key) is None


def test_a_revoked_key_opens_nothing_and_stays_revoked_when_it_was(world):
    id_ = key_id(world.keys[SUBMITTER])
    first = revoke_access_key(world.context, world.administrator, id_)
    world.at(world.clock.now + timedelta(hours=1))

    assert revoke_access_key(world.context, world.administrator, id_) == first
    assert first["state"] == "revoked"
    assert authenticate(world.context, world.keys[SUBMITTER]) is None
    assert actions(world, action="revoke_access_key") == ["revoke_access_key"]


def test_the_keys_of_a_disabled_actor_open_nothing(world):
    first = disable_actor(world.context, world.administrator, world.submitter.actor)
    world.at(world.clock.now + timedelta(hours=1))

    assert disable_actor(world.context, world.administrator, world.submitter.actor) == first
    assert authenticate(world.context, world.keys[SUBMITTER]) is None
    assert show_access_key(world.context, world.administrator, key_id(world.keys[SUBMITTER]))["state"] == (
        "actor_disabled"
    )
    assert actions(world, action="disable_actor") == ["disable_actor"]


def test_a_key_for_another_purpose_opens_no_api(world):
    minted = replace(_stored(world, SUBMITTER), id=new_id(world.clock.now), purpose="calendar")
    world.context.database.write(lambda tx: access.add_key(tx, minted))
    secret = world.keys[SUBMITTER].split("_", 2)[2]

    assert authenticate(world.context, f"rts_{minted.id.replace('-', '')}_{secret}") is None


def _stored(world: World, role: str) -> access.AccessKey:
    found = world.context.database.read(lambda tx: access.key(tx, world.organisation, key_id(world.keys[role])))
    assert found is not None
    return found


def test_a_secret_is_told_once_and_never_stored(world):
    created = create_access_key(world.context, world.administrator, {"actor_id": world.submitter.actor}, key="k")
    again = create_access_key(world.context, world.administrator, {"actor_id": world.submitter.actor}, key="k")
    secret = created.answer["secret"].split("_", 2)[2]

    assert (again.id, again.replayed, again.answer["secret"]) == (created.id, True, None)
    assert "revoke this key and make another" in again.answer["note"]
    shown = show_access_key(world.context, world.administrator, created.id)
    assert "secret" not in shown
    stored = world.context.database.read(lambda tx: access.key(tx, world.organisation, created.id))
    assert secret not in repr(stored)


def test_the_day_of_the_last_use_is_the_organisations_and_is_written_once_a_day(world):
    world.at("2026-11-20T23:30:00+00:00")  # the 21st in Berlin
    authenticate(world.context, world.keys[SUBMITTER])
    assert _stored(world, SUBMITTER).last_used_on == date(2026, 11, 21)

    writes = Counting(world.context.database)
    counted = replace(world.context, database=writes)
    for _ in range(3):
        assert authenticate(counted, world.keys[SUBMITTER]) is not None
    assert writes.count == 0
    world.at("2026-11-22T12:00:00+01:00")
    for _ in range(3):
        assert authenticate(counted, world.keys[SUBMITTER]) is not None
    assert writes.count == 1
    assert _stored(world, SUBMITTER).last_used_on == date(2026, 11, 22)


def test_a_use_that_can_not_be_noted_is_still_let_in(world):
    world.at("2026-11-23T12:00:00+01:00")
    refusing = replace(world.context, database=Counting(world.context.database, refuses=True))

    assert authenticate(refusing, world.keys[SUBMITTER]) is not None


class Counting:
    """A database that counts its writes, or refuses them."""

    def __init__(self, database, *, refuses=False):
        self.read = database.read
        self._database, self._refuses = database, refuses
        self.count = 0

    def write(self, work):
        self.count += 1
        if self._refuses:
            message = "busy"
            raise DatabaseUnavailableError(message)
        return self._database.write(work)


def test_nothing_of_another_organisation_is_seen_or_changed(world, database_url):
    other = new_world(database_url)
    key, actor = key_id(other.keys[SUBMITTER]), other.submitter.actor
    ours = (world.context, world.administrator)

    for refused in (
        lambda: show_access_key(*ours, key),
        lambda: revoke_access_key(*ours, key),
        lambda: show_actor(*ours, actor),
        lambda: disable_actor(*ours, actor),
    ):
        with pytest.raises(NotFoundError):
            refused()
    with pytest.raises(InvalidDocumentError) as refusal:
        create_access_key(*ours, {"actor_id": actor}, key="k")
    assert refusal.value.errors[0][:2] == ("#/actor_id", "unknown_name")
    assert key not in {one["id"] for one in list_access_keys(*ours, limit=100).items}
    assert actor not in {one["id"] for one in list_actors(*ours, limit=100).items}
    assert authenticate(other.context, other.keys[SUBMITTER]) is not None


def test_the_same_idempotency_key_makes_one_actor(world):
    first = create_actor(world.context, world.administrator, PERSON_BODY, key="one")
    again = create_actor(world.context, world.administrator, dict(reversed(PERSON_BODY.items())), key="one")

    assert again == replace(first, replayed=True)
    with pytest.raises(KeyReusedError):
        create_actor(world.context, world.administrator, PERSON_BODY | {"display_name": "Other"}, key="one")
    with pytest.raises(KeyReusedError):
        create_access_key(world.context, world.administrator, {"actor_id": first.id}, key="one")


def test_a_refused_key_does_not_spend_its_idempotency_key(world):
    past = {"actor_id": world.submitter.actor, "expires_at": world.clock.now}
    with pytest.raises(InvalidDocumentError) as refusal:
        create_access_key(world.context, world.administrator, past, key="k")
    assert refusal.value.errors[0][:2] == ("#/expires_at", "out_of_range")

    mended = past | {"expires_at": world.clock.now + timedelta(seconds=1)}
    assert not create_access_key(world.context, world.administrator, mended, key="k").replayed


def first_administrator(world: World) -> str:
    listed = list_access_keys(world.context, world.administrator, limit=100).items
    return next(str(one["id"]) for one in listed if one["actor"]["display_name"] == "First administrator")


def test_the_last_administrators_key_is_neither_revoked_nor_its_holder_disabled(world):
    ours = (world.context, world.administrator)
    revoke_access_key(*ours, first_administrator(world))

    with pytest.raises(ConflictError) as revoking:
        revoke_access_key(*ours, key_id(world.keys[ADMINISTRATOR]))
    with pytest.raises(ConflictError) as disabling:
        disable_actor(*ours, world.administrator.actor)
    assert {revoking.value.code, disabling.value.code} == {"last_administrator_key"}
    assert authenticate(world.context, world.keys[ADMINISTRATOR]) is not None

    another = new_key(
        world.context, world.organisation, kind="person", display_name="Invented Second", roles=[ADMINISTRATOR]
    )
    assert disable_actor(*ours, world.administrator.actor)["disabled_at"] is not None
    assert authenticate(world.context, another) is not None


def test_a_key_that_has_ended_is_nobodys_last_one(world):
    ours = (world.context, world.administrator)
    end = world.clock.now + timedelta(days=1)
    new_key(
        world.context, world.organisation, expires_at=end, kind="system", display_name="Short", roles=[ADMINISTRATOR]
    )
    revoke_access_key(*ours, first_administrator(world))
    world.at(end)

    with pytest.raises(ConflictError):
        revoke_access_key(*ours, key_id(world.keys[ADMINISTRATOR]))


def test_the_operator_takes_back_even_the_last_key(world):
    by = operator(world.context, world.organisation)
    revoke_access_key(world.context, by, first_administrator(world))
    revoke_access_key(world.context, by, key_id(world.keys[ADMINISTRATOR]))

    assert authenticate(world.context, world.keys[ADMINISTRATOR]) is None


def test_two_administrators_who_revoke_each_other_leave_one(world):
    ids = [key_id(world.keys[ADMINISTRATOR]), first_administrator(world)]
    outcomes: list[str] = []
    start = threading.Barrier(2)

    def revoke(id_: str) -> None:
        start.wait()
        try:
            revoke_access_key(world.context, world.administrator, id_)
            outcomes.append("revoked")
        except ConflictError as error:
            outcomes.append(error.code)

    threads = [threading.Thread(target=revoke, args=(id_,)) for id_ in ids]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert sorted(outcomes) == ["last_administrator_key", "revoked"]


def test_the_operator_is_one_actor_who_holds_no_key_and_stays(world):
    by = operator(world.context, world.organisation)

    assert operator(world.context, world.organisation) == by
    assert by.roles == set(ROLES)
    with pytest.raises(InvalidDocumentError):
        create_access_key(world.context, world.administrator, {"actor_id": by.actor}, key="k")
    with pytest.raises(ConflictError) as refusal:
        disable_actor(world.context, world.administrator, by.actor)
    assert refusal.value.code == "operator_stays"


def test_the_operator_of_an_organisation_without_one_is_made_once(world):
    made = new_id(world.clock.now)
    one = access.Organisation(made, "Invented, as a backup of old", "UTC", world.clock.now)
    world.context.database.write(lambda tx: access.add_organisation(tx, one))
    found: set[str] = set()
    start = threading.Barrier(4)

    def ask() -> None:
        start.wait()
        found.add(operator(world.context, made).actor)

    threads = [threading.Thread(target=ask) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 1


def test_there_is_no_operator_of_an_unknown_organisation(world):
    with pytest.raises(NotFoundError):
        operator(world.context, world.submitter.actor)


def test_a_disabled_actor_gets_no_key(world):
    disable_actor(world.context, world.administrator, world.submitter.actor)

    with pytest.raises(InvalidDocumentError) as refusal:
        create_access_key(world.context, world.administrator, {"actor_id": world.submitter.actor}, key="k")
    assert refusal.value.errors[0][:2] == ("#/actor_id", "conflicts")


def test_an_organisation_changes_its_name_and_zone_and_says_so_in_the_audit_log(world):
    body = {"name": "Invented club", "time_zone": "Asia/Tokyo"}
    changed = change_organisation(world.context, world.administrator, body)
    change_organisation(world.context, world.administrator, body)

    assert show_organisation(world.context, world.administrator) == changed
    assert changed | body == changed
    rows = list_audit(world.context, world.administrator, {"action": "change_organisation"}, limit=10).items
    assert len(rows) == 1
    assert "time_zone: Europe/Berlin -> Asia/Tokyo" in rows[0]["detail"]
    caller = authenticate(world.context, world.keys[SUBMITTER])
    assert caller is not None
    assert caller.zone.key == "Asia/Tokyo"


def test_the_organisation_is_listed_for_the_operator(world):
    assert world.organisation in {one["id"] for one in list_organisations(world.context)}


def test_lists_come_in_pages_without_a_gap_though_all_were_made_at_one_moment(world):
    made = {create_actor(world.context, world.administrator, PERSON_BODY, key=str(n)).id for n in range(7)}
    seen: list[str] = []
    page = list_actors(world.context, world.administrator, limit=3)
    seen += [one["id"] for one in page.items]
    while page.after is not None:
        page = list_actors(world.context, world.administrator, after=page.after, limit=3)
        seen += [one["id"] for one in page.items]

    assert len(seen) == len(set(seen)) == 7 + 5
    assert made < set(seen)


def test_the_audit_log_is_filtered_by_who_did_what_and_on_which_days_of_the_organisation(world):
    world.at("2026-11-23T23:30:00+00:00")  # the 24th in Berlin
    made = create_actor(world.context, replace(world.administrator, request_id="r-1"), PERSON_BODY, key="k")
    of = {"actor": world.administrator.actor}

    def found(**asked: object) -> list[object]:
        return [row["object_id"] for row in list_audit(world.context, world.administrator, asked, limit=10).items]

    assert found(**of) == [made.id]
    assert found(**of, action="create_actor", from_=date(2026, 11, 24), to=date(2026, 11, 24)) == [made.id]
    assert found(**of, to=date(2026, 11, 23)) == []
    assert found(**of, from_=date(2026, 11, 25)) == []
    assert found(**of, action="revoke_access_key") == []
    assert found(athlete=made.id) == []
    row = list_audit(world.context, world.administrator, of, limit=1).items[0]
    assert (row["request_id"], row["detail"]) == ("r-1", "person: clinician")
    assert row["actor"] == {"id": world.administrator.actor, "display_name": "Invented Administrator"}


def test_no_row_of_the_audit_log_has_a_secret(world):
    rows = repr(list_audit(world.context, world.administrator, {}, limit=100))

    assert not any(key.split("_", 2)[2] in rows for key in world.keys.values())
