"""Who gets into the console, for how long, and from where a form may be sent."""

import re
from datetime import timedelta
from urllib.parse import urlsplit

import pytest

from service.console.door import COOKIE
from service.use_cases.access_keys import list_access_keys, revoke_access_key
from service.use_cases.audit import list_audit
from service.use_cases.console_sessions import LONGEST
from service.use_cases.context import ADMINISTRATOR, CLINICIAN, SUBMITTER
from tests.console.signed_in import Reader, signed_in, text_of, visitor
from tests.world import World, new_key, new_world

OWN_SITE = {"Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def world(database_url: str) -> World:
    return new_world(database_url)


def is_in(reader: Reader) -> bool:
    response = reader.get("/console/terms")
    assert response.status_code == 200 or "/console/sign-in" in response.headers["Location"]
    return bool(response.status_code == 200)


def test_a_clinicians_key_opens_the_console_and_the_audit_log_says_so(world):
    reader = signed_in(world)

    assert "Invented Clinician, physiotherapist" in text_of(reader.page("/console/terms"))
    rows = list_audit(world.context, world.administrator, {}, limit=10).items
    assert "sign_in" in [one["action"] for one in rows]


@pytest.mark.parametrize("key", ["", "rts_nothing", "rts_" + "0" * 32 + "_" + "x" * 43])
def test_what_is_no_key_opens_nothing(world, key):
    response = visitor(world).post("/console/sign-in", data={"key": key})

    assert response.status_code == 401
    assert COOKIE not in response.headers.get("Set-Cookie", "")


def test_a_systems_key_opens_nothing_because_no_person_reads_with_it(world):
    assert visitor(world).post("/console/sign-in", data={"key": world.keys[SUBMITTER]}).status_code == 401


NAVIGATION = {
    CLINICIAN: ["Team", "Due", "Criteria", "Terms"],
    ADMINISTRATOR: ["Criteria", "Settings", "Terms"],
}


@pytest.mark.parametrize("role", NAVIGATION)
def test_a_person_is_led_to_the_pages_that_the_role_opens_and_to_no_other(world, role):
    reader = signed_in(world, role)
    shown = re.search(r'<nav aria-label="Pages">(.*?)</nav>', reader.page("/console/terms"), re.DOTALL)
    assert shown

    assert text_of(shown.group(1)).split() == NAVIGATION[role]
    for path in re.findall(r'href="([^"]+)"', shown.group(1)):
        assert reader.get(path).status_code in {200, 303}
    assert reader.get(reader.get("/console/").headers["Location"]).status_code in {200, 303}


def test_who_is_clinician_and_administrator_sees_the_pages_of_both(world):
    person = {"kind": "person", "display_name": "Invented Lead", "profession": "physiotherapist"}
    key = new_key(world.context, world.organisation, roles=[CLINICIAN, ADMINISTRATOR], **person)
    flask = visitor(world)
    flask.post("/console/sign-in", data={"key": key})

    for path in ("/console/team", "/console/due", "/console/settings/webhooks", "/console/criteria"):
        assert flask.get(path).status_code == 200


@pytest.mark.parametrize(
    ("role", "closed", "whom"),
    [
        (ADMINISTRATOR, "/console/team", "Only for clinicians"),
        (ADMINISTRATOR, "/console/due", "Only for clinicians"),
        (CLINICIAN, "/console/settings", "Only for administrators"),
        (CLINICIAN, "/console/settings/deliveries", "Only for administrators"),
    ],
)
def test_a_page_that_is_not_for_a_person_says_for_whom_it_is(world, role, closed, whom):
    response = signed_in(world, role).get(closed)

    assert response.status_code == 403
    assert whom in text_of(response.text)
    assert f"Invented {role.capitalize()}, {role}." in text_of(response.text)


def test_no_route_of_the_console_is_open_by_default(world):
    app = visitor(world).application
    routes = {rule.endpoint for rule in app.url_map.iter_rules() if rule.endpoint.startswith("console.")}

    assert routes <= app.extensions["rts-roles"].keys()
    open_ = {one for one in routes if app.extensions["rts-roles"][one] == {"anybody"}}
    assert open_ == {f"console.{one}" for one in ("sign_in", "signed_in", "print_margin", "nowhere", "static")}


def test_the_cookie_is_out_of_reach_for_scripts_and_other_sites(world):
    sent = visitor(world).post("/console/sign-in", data={"key": world.keys[CLINICIAN]}).headers["Set-Cookie"]

    assert {"HttpOnly", "SameSite=Lax", "Path=/console"} <= {part.strip() for part in sent.split(";")}


def test_behind_tls_the_cookie_never_leaves_in_the_clear(world):
    data = {"key": world.keys[CLINICIAN]}
    sent = visitor(world).post("/console/sign-in", data=data, base_url="https://localhost").headers["Set-Cookie"]

    assert "Secure" in [part.strip() for part in sent.split(";")]


def test_who_does_nothing_for_an_hour_signs_in_again(world):
    reader = signed_in(world)
    began = world.clock.now
    world.at(began + timedelta(minutes=59))
    assert is_in(reader)
    world.at(began + timedelta(minutes=118))
    assert is_in(reader)
    world.at(began + timedelta(minutes=179))

    assert not is_in(reader)


def test_nobody_stays_in_for_ever_by_being_busy(world):
    reader = signed_in(world)
    began = world.clock.now
    for minutes in range(0, int(LONGEST.total_seconds() // 60) + 1, 30):
        world.at(began + timedelta(minutes=minutes))
        assert is_in(reader)
    world.at(began + LONGEST + timedelta(seconds=1))

    assert not is_in(reader)


def test_a_revoked_key_ends_its_sessions_at_once(world):
    reader = signed_in(world)
    keys = list_access_keys(world.context, world.administrator, limit=10).items
    [own] = [one for one in keys if one["actor"]["id"] == world.clinician.actor]

    revoke_access_key(world.context, world.administrator, own["id"])

    assert not is_in(reader)


def test_who_signs_out_is_out_also_where_the_cookie_was_kept(world):
    reader = signed_in(world)
    kept = reader.flask.get_cookie(COOKIE, path="/console").value

    reader.done("/console/sign-out", {})

    reader.flask.set_cookie(COOKIE, kept, path="/console")
    assert not is_in(reader)


@pytest.mark.parametrize("token", ["", "0" * 64, "ä"])
def test_a_form_without_its_token_does_nothing(world, token):
    reader = signed_in(world)

    assert reader.send("/console/sign-out", {}, token=token).status_code == 403
    assert is_in(reader)


@pytest.mark.parametrize(
    "headers", [{"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Origin": "https://example.org"}]
)
def test_a_form_from_another_site_does_nothing(world, headers):
    reader = signed_in(world)
    data = {"form_token": reader.token()}

    assert reader.flask.post("/console/sign-out", data=data, headers=headers).status_code == 403
    assert (
        visitor(world).post("/console/sign-in", data={"key": world.keys[CLINICIAN]}, headers=headers).status_code == 403
    )
    assert is_in(reader)


def test_a_form_is_not_read_by_another_persons_token(world):
    mine, other = signed_in(world), signed_in(world)

    assert mine.send("/console/sign-out", {}, token=other.token()).status_code == 403


def test_the_way_back_after_signing_in_is_kept(world):
    sent_to = visitor(world).get("/console/team?sort=athlete").headers["Location"]

    assert urlsplit(sent_to).path == "/console/sign-in"
    assert visitor(world).get(sent_to).text.count('value="/console/team?sort=athlete"') == 1


@pytest.mark.parametrize(
    "then",
    ["https://example.org/", "//example.org/console/", "/v1/decisions", "/\\example.org", "javascript:alert(1)", ""],
)
def test_the_way_back_never_leads_elsewhere(world, then):
    data = {"key": world.keys[CLINICIAN], "then": then}
    response = visitor(world).post("/console/sign-in", data=data, headers=OWN_SITE)

    assert response.headers["Location"] == "/console/"


def test_who_is_sent_to_sign_in_is_told_what_comes_next(world):
    asked = visitor(world).get("/console/due", follow_redirects=True).text

    assert "the page that was asked for comes next" in text_of(asked)
    assert "comes next" not in text_of(visitor(world).get("/console/", follow_redirects=True).text)


@pytest.mark.parametrize("path", ["/console/nothing", "/console/athletes/none"])
def test_an_address_that_is_none_is_answered_as_a_page(world, path):
    response = signed_in(world).get(path)

    assert (response.status_code, response.mimetype) == (404, "text/html")
    assert "To the first page" in text_of(response.text)


def test_no_page_is_kept_by_the_browser_or_framed_by_anybody(world):
    headers = signed_in(world).get("/console/terms").headers

    assert headers["Cache-Control"] == "no-store"
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert "unsafe" not in headers["Content-Security-Policy"]
