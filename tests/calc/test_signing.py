"""Signatures held against RFC 4231 and the tests of Standard Webhooks' reference libraries."""

import json

import pytest

from orders.calc.signing import key_of, mac, secret_text, sign, to_sign, verify

# RFC 4231, test case 1: 20 bytes of 0x0b over "Hi There".
RFC_4231_1 = "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"
# The sign test of the standard's reference libraries (standard-webhooks/standard-webhooks).
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
MESSAGE = {"message_id": "msg_p5jXN8AQM9LWM0D4loKWxJek", "timestamp": 1614265330}
BODY = '{"test": 2432232314}'
SIGNED = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_the_hash_is_that_of_the_rfc():
    assert mac(key=b"\x0b" * 20, data=b"Hi There").hex() == RFC_4231_1


def test_a_signature_is_that_of_the_reference_libraries():
    assert sign(keys=[key_of(SECRET)], body=BODY, **MESSAGE) == SIGNED


def test_every_live_key_signs_and_either_is_enough():
    old, new = key_of(SECRET), b"n" * 32
    header = sign(keys=[new, old], body=BODY, **MESSAGE)
    assert header.split()[1] == SIGNED
    for key in (old, new):
        assert verify(key=key, body=BODY, header=header, now=1614265340, **MESSAGE)
    assert not verify(key=b"x" * 32, body=BODY, header=header, now=1614265340, **MESSAGE)


@pytest.mark.parametrize(
    ("body", "now"),
    [(BODY + " ", 1614265340), (BODY, 1614265330 + 301), (BODY, 1614265330 - 301)],
)
def test_another_body_or_another_hour_is_refused(body, now):
    assert not verify(key=key_of(SECRET), body=body, header=SIGNED, now=now, **MESSAGE)


def test_the_edge_of_the_tolerance_is_still_in():
    assert verify(key=key_of(SECRET), body=BODY, header=SIGNED, now=1614265630, **MESSAGE)


def test_a_secret_is_shown_and_read_back():
    assert key_of(secret_text(key=b"k" * 32)) == b"k" * 32
    with pytest.raises(ValueError, match="not base64"):
        key_of("whsec_not base64!")


def test_the_published_cases(farm_checks):
    found = json.loads((farm_checks / "10_webhooks_hmac.json").read_text())["cases"]
    done = 0
    for case in found:
        given, wanted = case["inputs"], case["expected"]
        if "key_hex" in given:
            data = bytes.fromhex(given["data_hex"])
            assert mac(key=bytes.fromhex(given["key_hex"]), data=data).hex() == wanted["mac_hex"]
        elif "headers" in given:
            heads = given["headers"]
            assert wanted["verified"] == verify(
                key=key_of(given["secret"]), message_id=heads["webhook-id"],
                timestamp=int(heads["webhook-timestamp"]), body=given["body"],
                header=heads["webhook-signature"], now=given["now"],
            ), case["id"]  # fmt: skip
        elif "secret" in given:
            assert wanted["signature"] == sign(
                keys=[key_of(given["secret"])], message_id=given["id"],
                timestamp=given["timestamp"], body=given["body"],
            )  # fmt: skip
        else:
            text = to_sign(message_id=given["id"], timestamp=given["timestamp"], body=given["body"])
            assert text.decode() == wanted["to_sign"]
        done += 1
    assert done == len(found) == 8
