"""Signatures, against the vector of the design and against the package that Standard Webhooks publishes."""

import base64
import json
import time

from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook

from service.reminders.signing import signature

SECRET = "whsec_Y3JpdGVyaWEtc2VydmljZS10ZXN0LXZlY3Rvci0zMmI="  # noqa: S105 - invented
BODY = (
    b'{"type":"retest.due","timestamp":"2026-12-08T06:00:00Z",'
    b'"data":{"retest_id":"rt_55","due_on":"2026-12-08","href":"/v1/retests/rt_55"}}'
)


def test_a_known_message_has_the_signature_that_the_published_library_gives_it():
    signed = signature([SECRET], id_="msg_rt55_due_1", timestamp=1796709600, body=BODY)

    assert signed == "v1,sRnZAjxSpvtv2ejrYzM33qsvgyofENHKc814uo6oho0="


@given(keys=st.lists(st.binary(min_size=24, max_size=64), min_size=1, max_size=2), said=st.text())
def test_the_published_library_accepts_every_signature_by_each_secret(keys, said):
    secrets, now = [f"whsec_{base64.b64encode(key).decode()}" for key in keys], int(time.time())
    body = json.dumps({"said": said})
    signed = signature(secrets, id_="msg_1", timestamp=now, body=body.encode())
    headers = {"webhook-id": "msg_1", "webhook-timestamp": str(now), "webhook-signature": signed}

    assert all(Webhook(one).verify(body, headers) == {"said": said} for one in secrets)
