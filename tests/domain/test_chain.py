"""The chain of an athlete's record holds, and says where it does not."""

from dataclasses import replace
from datetime import date

import pytest

from service.domain.chain import Head, broken_at, head_of, link

DAY = date(2026, 11, 20)
MOMENT = "2026-11-20T15:30:00.000000Z"
OTHER = "sha256:" + "0" * 64


def chain_of(length, *, last_kind="battery", scope=None):
    links = []
    for place in range(length):
        is_last = place == length - 1
        document = {"scope": scope} if is_last and scope else {"place": place}
        links.append(
            link(
                head_of(links),
                organisation="o",
                athlete="a",
                id_=f"entry-{place + 1}",
                kind=last_kind if is_last else "battery",
                episode="e",
                occurred_at=MOMENT,
                occurred_on=DAY,
                recorded_at=MOMENT,
                actor="someone",
                salt=f"salt-{place}",
                document=document,
                private={"ref": f"KB-{place}"},
            )
        )
    return links


def changed(links, place, **changes):
    return [replace(one, **changes) if one.sequence == place else one for one in links]


def nulled(links, *columns):
    """Every entry but the last without these parts, as an erasure leaves them."""
    return [replace(one, **dict.fromkeys(columns)) for one in links[:-1]] + links[-1:]


def test_a_chain_that_nobody_touched_is_intact():
    links = chain_of(4)

    assert broken_at(links, head_of(links)) is None


def test_an_empty_chain_is_intact():
    assert broken_at([], Head(0, None)) is None


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("organisation", "another"),
        ("athlete", "another"),
        ("id", "another"),
        ("kind", "event"),
        ("episode", "another"),
        ("episode", None),
        ("occurred_at", "2026-11-20T15:30:00.000001Z"),
        ("occurred_on", date(2026, 11, 21)),
        ("recorded_at", "2026-11-20T15:30:00.000001Z"),
        ("actor", "another"),
        ("format", 2),
        ("salt", "another"),
        ("document", '{"place":7}'),
        ("private", '{"ref":"KB-7"}'),
        ("document_digest", OTHER),
        ("private_digest", OTHER),
        ("previous_digest", OTHER),
        ("digest", OTHER),
        ("sequence", 7),
    ],
)
def test_any_change_of_an_entry_is_found_at_its_place(column, value):
    links = chain_of(4)
    head = head_of(links)

    assert broken_at(changed(links, 3, **{column: value}), head) == 3


def test_an_entry_resealed_by_hand_breaks_the_one_after_it():
    links = chain_of(4)
    resealed = link(
        head_of(links[:1]),
        organisation="o",
        athlete="a",
        id_="entry-2",
        kind="battery",
        episode="e",
        occurred_at=MOMENT,
        occurred_on=DAY,
        recorded_at=MOMENT,
        actor="someone",
        salt="salt-1",
        document={"place": 9},
        private={},
    )

    assert broken_at([links[0], resealed, *links[2:]], head_of(links)) == 3


def test_a_cut_tail_is_found_by_where_the_chain_is_known_to_end():
    links = chain_of(4)

    assert broken_at(links[:3], head_of(links)) == 4


def test_a_cut_entry_in_the_middle_is_found():
    links = chain_of(4)

    assert broken_at([*links[:1], *links[2:]], head_of(links)) == 2


def test_an_erasure_of_the_private_parts_leaves_the_chain_intact():
    links = chain_of(3, last_kind="erasure", scope="default")

    assert broken_at(nulled(links, "private"), head_of(links)) is None


def test_a_full_erasure_leaves_the_chain_intact():
    links = chain_of(3, last_kind="erasure", scope="full")

    assert broken_at(nulled(links, "private", "document", "salt"), head_of(links)) is None


@pytest.mark.parametrize("columns", [("private",), ("private", "document", "salt")])
def test_parts_that_are_gone_without_an_erasure_on_record_are_a_break(columns):
    links = chain_of(3)

    assert broken_at(nulled(links, *columns), head_of(links)) == 1


def test_a_default_erasure_does_not_cover_a_document_that_is_gone():
    links = chain_of(3, last_kind="erasure", scope="default")

    assert broken_at(nulled(links, "private", "document", "salt"), head_of(links)) == 1


def test_two_records_of_the_same_content_have_different_digests_of_it():
    one, other = chain_of(1)[0], chain_of(2)[1]

    assert one.document_digest != replace(other, document=one.document).document_digest
