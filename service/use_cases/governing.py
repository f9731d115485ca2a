"""Which versions of criteria judge, and from when: adopt what ships, publish one's own, retire."""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from service.criteria_files import load_released
from service.domain.adoption import Adopted, is_retired
from service.domain.canonical import canonical, digest
from service.domain.errors import ConflictError, FieldError, NotFoundError, ReleasedVersionError
from service.store import criteria as store
from service.store.criteria import Draft, NewVersion
from service.store.database import Tx
from service.use_cases.choosing import SHIPPED
from service.use_cases.context import Caller, Context, Created
from service.use_cases.criteria_reviews import follow_criteria
from service.use_cases.criteria_text import Named, Text, check_text, named
from service.use_cases.drafting import PRECONDITION_FAILED, shipped_text, tag
from service.use_cases.events import news_of_criteria
from service.use_cases.governance import CONFLICTS, VERSION, Change, change, object_id, refuse_reserved
from service.use_cases.in_force import fit_as_well
from service.use_cases.outbox import tell_all
from service.use_cases.showing_criteria import version_answer

ADOPT = "POST /v1/criteria-sets"
PUBLISH = "POST /v1/criteria-drafts/publish"
RETIRE = "POST /v1/criteria-sets/retire"
ALREADY_RETIRED = "already_retired"


def adopt(
    context: Context, caller: Caller, body: Mapping[str, Any], *, key: str | None = None, shipped: Path = SHIPPED
) -> Created:
    """Let a shipped version judge from a day on: `id`, `version`, `in_force_from`, and the set that it `replaces`.

    The same again changes nothing.

    Raises:
        UnknownCriteriaSetError: no such version ships.
        ReleasedVersionError: it is adopted from another day, or with other content.
        ConflictError: the version or the day does not come after those adopted; another set fits its condition.
    """
    name = Named(body["id"], body["version"])
    text = canonical(load_released(shipped, *name))
    written = shipped_text(name, shipped)
    new = NewVersion(
        *name,
        digest=digest(text),
        document=text,
        source=written.source if written else None,
        examples=written.examples if written else None,
        in_force_from=body["in_force_from"],
    )

    def work(tx: Tx) -> Created:
        made = change(tx, context, caller)
        store.lock(tx, caller.organisation)
        id_ = object_id(caller, VERSION, name)
        if made.first(key, ADOPT, body, id_) is not None:
            return Created(version_answer(tx, caller, name, made.today), id_, replayed=True)
        is_new = _put_in_force(made, new, "adopt_criteria", body.get("replaces"))
        return Created(version_answer(tx, caller, name, made.today), id_, is_new=is_new)

    return context.database.write(work)


def publish(  # noqa: PLR0913 - a draft, from when, in whose place
    context: Context,
    caller: Caller,
    name: Named,
    body: Mapping[str, Any],
    *,
    key: str | None = None,
    shipped: Path = SHIPPED,
) -> Created:
    """Publish a draft that passes its check: `in_force_from`, and the set that it `replaces`. The draft goes.

    A draft that is published already, from the same day, changes nothing.

    Raises:
        CriteriaFaultsError: every fault of the check.
        NotFoundError: there is no such draft.
        ReleasedVersionError: the number is published with other content, or from another day.
        ConflictError: it was changed meanwhile; its id ships; its version or day does not come after the others;
            another set fits its condition.
    """
    draft = context.database.read(lambda tx: store.draft(tx, caller.organisation, *name))
    new = None if draft is None else _checked(Text(draft.source, draft.examples), name, body, shipped)

    def work(tx: Tx) -> Created:
        made = change(tx, context, caller)
        store.lock(tx, caller.organisation)
        id_ = object_id(caller, VERSION, name)
        sent = {**body, "id": name.set_id, "version": name.version}
        if made.first(key, PUBLISH, sent, id_) is not None:
            return Created(version_answer(tx, caller, name, made.today), id_, replayed=True)
        if draft is None or new is None:
            _require_published(made, name, body)
            return Created(version_answer(tx, caller, name, made.today), id_, is_new=False)
        _require_unchanged(made, draft)
        is_new = _publish(made, new, body, shipped)
        store.remove_draft(tx, caller.organisation, *name)
        return Created(version_answer(tx, caller, name, made.today), id_, is_new=is_new)

    return context.database.write(work)


def publish_text(
    context: Context, caller: Caller, text: Text, body: Mapping[str, Any], *, shipped: Path = SHIPPED
) -> Created:
    """Publish a text that passes its check, as `publish` does a draft; a draft of the same name stays.

    Raises:
        CriteriaFaultsError: every fault of the check.
        ReleasedVersionError: the number is published with other content, or from another day.
        ConflictError: its id ships; its version or day does not come after the others; another set fits its condition.
    """
    name = named(text.source) or Named("draft", 1)  # the check says what is wrong with a text that has no name
    new = _checked(text, name, body, shipped)

    def work(tx: Tx) -> Created:
        made = change(tx, context, caller)
        store.lock(tx, caller.organisation)
        is_new = _publish(made, new, body, shipped)
        answer = version_answer(tx, caller, name, made.today)
        return Created(answer, object_id(caller, VERSION, name), is_new=is_new)

    return context.database.write(work)


def retire(
    context: Context, caller: Caller, name: Named, body: Mapping[str, Any], *, key: str | None = None
) -> Created:
    """Retire a version from a day on, for a `reason`; the day may lie in the past. Decisions made keep it.

    Raises:
        NotFoundError: it is not adopted.
        ConflictError: already_retired, from another day or for another reason.
    """

    def work(tx: Tx) -> Created:
        made = change(tx, context, caller)
        store.lock(tx, caller.organisation)
        id_ = object_id(caller, VERSION, name)
        sent = {**body, "id": name.set_id, "version": name.version}
        if made.first(key, RETIRE, sent, id_) is not None:
            return Created(version_answer(tx, caller, name, made.today), id_, replayed=True)
        one = _adopted(made, name)
        if one is None:
            what = "adopted criteria version"
            raise NotFoundError(what, str(name))
        is_new = _retire(made, one, body["retired_from"], body["reason"])
        follow_criteria(tx, caller.organisation, caller.zone, made.now)
        return Created(version_answer(tx, caller, name, made.today), id_, is_new=is_new)

    return context.database.write(work)


def _checked(text: Text, name: Named, body: Mapping[str, Any], shipped: Path) -> NewVersion:
    """Return the version of a text, resolved; checking takes seconds and so happens outside every transaction."""
    refuse_reserved(name.set_id, shipped)
    criteria = check_text(text, name, shipped=shipped).criteria
    return NewVersion(
        *name,
        digest=criteria.digest,
        document=canonical(criteria.document),
        source=text.source,
        examples=text.examples,
        in_force_from=body["in_force_from"],
    )


def _require_published(made: Change, name: Named, body: Mapping[str, Any]) -> None:
    """Accept that a draft is gone where it was published from this very day."""
    known = _adopted(made, name)
    if known is None:
        what = "criteria draft"
        raise NotFoundError(what, str(name))
    if known.in_force_from != body["in_force_from"]:
        message = f"{name} is published, in force from {known.in_force_from}, and never changes"
        raise ReleasedVersionError(message)
    _require_same_replaced(made, known, body.get("replaces"))


def _require_unchanged(made: Change, draft: Draft) -> None:
    now = store.draft(made.tx, made.organisation, draft.set_id, draft.version)
    if now is None or tag(now) != tag(draft):
        message = "the draft was changed while it was checked; look at it and publish it again"
        raise ConflictError(PRECONDITION_FAILED, message)


def _publish(made: Change, new: NewVersion, body: Mapping[str, Any], shipped: Path) -> bool:
    """Add a checked version; tell whether anything changed."""
    refuse_reserved(new.set_id, shipped)
    return _put_in_force(made, new, "publish_criteria", body.get("replaces"))


def _put_in_force(made: Change, new: NewVersion, action: str, replaced: str | None) -> bool:
    """Add a version and retire the set that it replaces; tell whether anything changed."""
    is_new = _add(made, new, action)
    one = next(one for one in store.adopted(made.tx, made.organisation, new.set_id) if one.version == new.version)
    if not is_new:
        _require_same_replaced(made, one, replaced)
        return False
    if replaced is not None:
        _replace(made, replaced, one)
    _require_alone(made, one)
    follow_criteria(made.tx, made.organisation, made.caller.zone, made.now)
    _tell(made, one)
    return True


def _tell(made: Change, one: Adopted) -> None:
    id_ = object_id(made.caller, VERSION, Named(one.set_id, one.version))
    tell_all(made.tx, made.organisation, [news_of_criteria(id_, one.set_id, one.version, made.now)], made.now)


def _add(made: Change, new: NewVersion, action: str) -> bool:
    """Add a version; False where it stands there already, from the same day and with the same content."""
    name = Named(new.set_id, new.version)
    others = store.adopted(made.tx, made.organisation, new.set_id)
    for one in others:
        if one.version == new.version:
            _require_same(one, new)
            return False
    _require_order(others, new, made.today)
    store.adopt(made.tx, made.organisation, new, by=made.caller.actor, at=made.now)
    made.note(action, VERSION, str(name), f"in force from {new.in_force_from}, {new.digest}")
    return True


def _require_same(one: Adopted, new: NewVersion) -> None:
    if one.digest != new.digest:
        message = f"{one.name} stands there with other content and never changes; give yours the next number"
        raise ReleasedVersionError(message)
    if one.in_force_from != new.in_force_from:
        message = f"{one.name} is in force from {one.in_force_from}, which never changes; retire it, or adopt the next"
        raise ReleasedVersionError(message)


def _require_order(others: list[Adopted], new: NewVersion, today: date) -> None:
    """Refuse a version that does not come after all others; one withdrawn before it began holds no day.

    Only the first version of a set may begin in the past: history from before the service is judged by it.
    """
    faults = []
    greatest = max(others, key=lambda one: one.version, default=None)
    if greatest is not None and new.version < greatest.version:
        detail = f"version {new.version} does not come after {greatest.name}; take a number above {greatest.version}"
        faults.append(FieldError("#/version", CONFLICTS, detail))
    latest = max((one.in_force_from for one in others if not one.is_withdrawn), default=None)
    if latest is not None and new.in_force_from <= latest:
        detail = f"another version is in force from {latest}; choose a later day"
        faults.append(FieldError("#/in_force_from", CONFLICTS, detail))
    elif others and new.in_force_from < today:
        detail = f"only the first version of a set may begin in the past; choose {today} or a later day"
        faults.append(FieldError("#/in_force_from", CONFLICTS, detail))
    if faults:
        raise ConflictError(CONFLICTS, "; ".join(one.detail for one in faults), errors=faults)


def _replace(made: Change, set_id: str, new: Adopted) -> None:
    """Retire every version of another set from the day on which the new one begins."""
    others = store.adopted(made.tx, made.organisation, set_id)
    if set_id == new.set_id:
        detail = f"a version replaces the earlier ones of {set_id} by itself; leave replaces out"
        raise _refused(detail)
    if not others:
        detail = f"no version of {set_id} is adopted; leave replaces out, or name another set"
        raise _refused(detail)
    for one in others:
        if one.retired_from is None:
            _retire(made, one, new.in_force_from, _replaced_by(new))
        elif one.retired_from > new.in_force_from and not one.is_withdrawn:
            detail = f"{one.name} is to be retired from {one.retired_from} on, which never changes; begin then or later"
            raise _refused(detail)


def _replaced_by(new: Adopted) -> str:
    return f"replaced by {new.name}"


def _require_same_replaced(made: Change, one: Adopted, replaced: str | None) -> None:
    """Refuse a version that stands there already where it is now to replace another set than it did, or none.

    A set of which it had nothing left to retire may be named again.
    """
    adopted = [other for other in store.adopted(made.tx, made.organisation) if other.set_id != one.set_id]
    done = {other.set_id for other in adopted if other.reason == _replaced_by(one)}
    left = {other.set_id for other in adopted if not is_retired(other, one.in_force_from)}
    wanted = set() if replaced is None else {replaced}
    if wanted == done or (not done and wanted <= {other.set_id for other in adopted} - left):
        return
    what = f"replaced {', '.join(done)}" if done else "replaced no set"
    detail = f"{one.name} stands there already and {what}, which never changes; send that, or retire a set by itself"
    raise _refused(detail)


def _require_alone(made: Change, new: Adopted) -> None:
    """Refuse a version that shares a condition with another set on any day: it would judge no battery without a name.

    A set comes into force only where one of its versions begins, so no other day has to be looked at.
    """
    begins = {one.in_force_from for one in store.adopted(made.tx, made.organisation)}
    faults: dict[str, FieldError] = {}
    for day in sorted(day for day in begins if day >= new.in_force_from):
        for other in fit_as_well(made.tx, made.organisation, new, day):
            faults.setdefault(other.set_id, FieldError("#/replaces", CONFLICTS, _overlap(new, other, day)))
    if faults:
        raise ConflictError(CONFLICTS, "; ".join(one.detail for one in faults.values()), errors=list(faults.values()))


def _overlap(new: Adopted, other: Adopted, day: date) -> str:
    mend = f"name {other.set_id} as what it replaces, or retire that first"
    if other.retired_from is not None:
        mend = f"begin on {other.retired_from}, from when that is retired, or later"
    return f"{other.name} fits a condition of {new.name} and is in force on {day} too; {mend}"


def _refused(detail: str) -> ConflictError:
    return ConflictError(CONFLICTS, detail, errors=[FieldError("#/replaces", CONFLICTS, detail)])


def _retire(made: Change, one: Adopted, retired_from: date, reason: str) -> bool:
    """Retire a version; False where it is retired already, from the same day and for the same reason."""
    if one.retired_from is not None:
        if (one.retired_from, one.reason) == (retired_from, reason):
            return False
        detail = f"{one.name} is retired from {one.retired_from} on ({one.reason}), which never changes"
        raise ConflictError(ALREADY_RETIRED, detail)
    store.retire(
        made.tx,
        made.organisation,
        one,
        retired_from=retired_from,
        reason=reason,
        by=made.caller.actor,
        at=made.now,
    )
    made.note("retire_criteria", VERSION, one.name, f"from {retired_from}: {reason}")
    return True


def _adopted(made: Change, name: Named) -> Adopted | None:
    versions = store.adopted(made.tx, made.organisation, name.set_id)
    return next((one for one in versions if one.version == name.version), None)
