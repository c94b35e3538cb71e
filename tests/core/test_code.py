"""The code: its exact form, what may be appended to it, and everything that it must not be."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given
from hypothesis import strategies as st

from passdesk.core import base45, cbor, code, cose
from passdesk.core.code import (
    BadSignatureError,
    Claims,
    ClaimsError,
    CodeError,
    CodeTooLongError,
    Daily,
    Proof,
    UnknownKeyError,
    UnreadableCodeError,
)

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER_KEY = Ed25519PrivateKey.from_private_bytes(bytes(32))
KID = cose.key_id(KEY.public_key())
OTHER_KID = cose.key_id(OTHER_KEY.public_key())
KEYS = {KID: KEY.public_key(), OTHER_KID: OTHER_KEY.public_key()}

USUAL = Claims(
    code_id=bytes(range(16)),
    valid_from_s=1_893_488_400,
    valid_until_s=1_893_520_800,
    entry_limit=4,
    door_groups=(1, 3, 300),
)
ALL_WEEK = 0b1111111

CLAIMS = st.builds(
    Claims,
    code_id=st.binary(min_size=16, max_size=16),
    valid_from_s=st.integers(1, 2**33),
    valid_until_s=st.integers(2**33 + 1, code.MAX_TIME_S),
    entry_limit=st.integers(0, code.MAX_ENTRY_LIMIT),
    door_groups=st.sets(st.integers(1, 255), max_size=2).map(lambda groups: tuple(sorted(groups))),
    proof=st.integers(0, 7).map(Proof),
    daily=st.none()
    | st.builds(
        Daily,
        first_minute=st.integers(0, 719),
        end_minute=st.integers(720, 1440),
        weekdays=st.integers(1, 127),
    ),
)


def fields(*values: cbor.Value) -> bytes:
    """Return the payload of a usual pass whose array has these fields."""
    return claims_set({-65537: list(values)})


def claims_set(changes: dict[cbor.Key, cbor.Value]) -> bytes:
    """Return the payload of a usual pass with these claims changed or added."""
    usual = cbor.decode(code.payload_of(USUAL))
    assert isinstance(usual, dict)
    return cbor.encode(usual | changes, max_depth=9)


# --- the form ------------------------------------------------------------------------------------


def test_the_claim_keys_are_those_of_the_standard() -> None:
    # RFC 8392 appendix A.1: iss 1, sub 2, aud 3, exp 4, nbf 5, iat 6, cti 7.
    example = bytes.fromhex(
        "a70175636f61703a2f2f61732e6578616d706c652e636f6d02656572696b77037818636f61703a2f2f6c696768"
        "742e6578616d706c652e636f6d041a5612aeb0051a5610d9f0061a5610d9f007420b71"
    )
    claims = cbor.decode(example)
    assert claims == {
        1: "coap://as.example.com",
        2: "erikw",
        3: "coap://light.example.com",
        4: 1444064944,
        5: 1443944944,
        6: 1443944944,
        7: bytes.fromhex("0b71"),
    }
    assert cbor.encode(claims) == example
    ours = cbor.decode(code.payload_of(USUAL))
    assert isinstance(ours, dict)
    assert (ours[4], ours[5], ours[7]) == (USUAL.valid_until_s, USUAL.valid_from_s, USUAL.code_id)
    with pytest.raises(UnreadableCodeError):
        code.claims_of(example)


@pytest.mark.parametrize(
    ("claims", "array"),
    [
        (USUAL, "83" + "04" + "83010319012c" + "00"),
        (replace(USUAL, entry_limit=0, door_groups=()), "83" + "00" + "80" + "00"),
        (
            replace(USUAL, proof=Proof.PIN | Proof.ESCORT_NEEDED),
            "83" + "04" + "83010319012c" + "03",
        ),
        (replace(USUAL, proof=Proof.ESCORT_PASS), "83" + "04" + "83010319012c" + "04"),
        (
            replace(USUAL, daily=Daily(8 * 60, 18 * 60, 0b0011111)),
            "84" + "04" + "83010319012c" + "00" + "831901e0190438181f",
        ),
    ],
)
def test_the_exact_bytes_of_the_claims(claims: Claims, array: str) -> None:
    # Pinned, since codes in the field have this form.
    assert code.payload_of(claims).hex() == (
        "a4" + "041a70dcd5a0" + "051a70dc5710" + "0750000102030405060708090a0b0c0d0e0f"
        "3a00010000" + array
    )


def test_the_text_is_the_prefix_and_base45_of_the_message() -> None:
    text = code.mint(USUAL, KEY)
    assert text == "VP1:" + base45.encode(cose.sign1(code.payload_of(USUAL), KEY))
    assert set(text) <= set(base45.ALPHABET)


@given(CLAIMS)
def test_what_is_minted_is_read(claims: Claims) -> None:
    text = code.mint(claims, KEY)
    assert code.read(text, KEYS) == claims
    parsed = code.parse(text)
    assert (parsed.claims, parsed.kid) == (claims, KID)
    assert code.claims_of(code.payload_of(claims)) == claims


@given(CLAIMS)
def test_a_stored_payload_is_shown_again_as_the_same_text(claims: Claims) -> None:
    assert code.sign_payload(code.payload_of(claims), KEY) == code.mint(claims, KEY)


def test_a_usual_code_needs_about_125_bytes() -> None:
    assert size_of(USUAL) == 126


# --- the limits ----------------------------------------------------------------------------------


LONGEST = replace(USUAL, door_groups=tuple(range(1, 24)))
TOO_LONG = replace(USUAL, door_groups=(*range(1, 23), 200))


def size_of(claims: Claims) -> int:
    return len(cose.sign1(code.payload_of(claims), KEY))


def test_a_code_of_144_bytes_is_the_longest() -> None:
    assert size_of(LONGEST) == 144
    text = code.mint(LONGEST, KEY)
    assert len(text) == code.MAX_TEXT_LENGTH == 220
    assert code.read(text, KEYS) == LONGEST


def test_a_pass_that_needs_more_is_refused_naming_the_doors() -> None:
    assert size_of(TOO_LONG) == 145
    with pytest.raises(CodeTooLongError, match="wider door group") as caught:
        code.mint(TOO_LONG, KEY)
    assert caught.value.field == "doors"
    assert caught.value.message == str(caught.value)


def test_a_longer_code_is_not_read_even_if_it_was_signed() -> None:
    message = cose.sign1(code.payload_of(TOO_LONG), KEY)
    with pytest.raises(UnreadableCodeError):
        code.parse("VP1:" + base45.encode(message))


def test_the_length_is_looked_at_before_anything_is_decoded(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def decode(text: str) -> bytes:
        pytest.fail(f"{len(text)} characters were decoded")

    monkeypatch.setattr(base45, "decode", decode)
    with pytest.raises(UnreadableCodeError):
        code.parse("VP1:" + "0" * 217)


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("code_id", {"code_id": bytes(15)}),
        ("code_id", {"code_id": bytes(17)}),
        ("valid_from", {"valid_from_s": 0}),
        ("valid_from", {"valid_from_s": -1}),
        ("valid_from", {"valid_from_s": 2**40}),
        ("valid_until", {"valid_until_s": 2**40}),
        ("valid_until", {"valid_until_s": USUAL.valid_from_s}),
        ("valid_until", {"valid_until_s": USUAL.valid_from_s - 1}),
        ("entry_limit", {"entry_limit": -1}),
        ("entry_limit", {"entry_limit": 2**32}),
        ("doors", {"door_groups": (0,)}),
        ("doors", {"door_groups": (-1,)}),
        ("doors", {"door_groups": (2**32,)}),
        ("doors", {"door_groups": (2, 1)}),
        ("doors", {"door_groups": (1, 1)}),
    ],
)
def test_claims_out_of_bounds_are_refused_by_name(field: str, changes: dict[str, Any]) -> None:
    with pytest.raises(ClaimsError) as caught:
        replace(USUAL, **changes)
    assert caught.value.field == field
    assert caught.value.message.endswith(".")


@pytest.mark.parametrize(
    "numbers",
    [
        (-1, 600, ALL_WEEK),
        (600, 600, ALL_WEEK),
        (600, 599, ALL_WEEK),
        (600, 1441, ALL_WEEK),
        (600, 700, 0),
        (600, 700, 128),
        (600, 700, -1),
    ],
)
def test_daily_limits_out_of_bounds_are_refused(numbers: tuple[int, int, int]) -> None:
    with pytest.raises(ClaimsError) as caught:
        Daily(*numbers)
    assert caught.value.field == "daily"


def test_the_bounds_themselves_are_allowed() -> None:
    largest = Claims(
        code_id=b"\xff" * 16,
        valid_from_s=code.MAX_TIME_S - 1,
        valid_until_s=code.MAX_TIME_S,
        entry_limit=code.MAX_ENTRY_LIMIT,
        door_groups=(1, code.MAX_DOOR_GROUP),
        proof=Proof(7),
        daily=Daily(0, 1440, ALL_WEEK),
    )
    assert code.claims_of(code.payload_of(largest)) == largest
    smallest = Claims(bytes(16), 1, 2, 0, (), Proof(0), Daily(0, 1, 1))
    assert code.read(code.mint(smallest, KEY), KEYS) == smallest


# --- what may be appended ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "values",
    [
        (4, [1, 3, 300], 0, None, 1),
        (4, [1, 3, 300], 0, None, "later"),
        (4, [1, 3, 300], 0, None, None, {1: [2]}),
    ],
)
def test_fields_that_a_later_version_appends_are_ignored(values: tuple[cbor.Value, ...]) -> None:
    text = code.sign_payload(fields(*values), KEY)
    assert code.read(text, KEYS) == USUAL


def test_a_field_behind_the_daily_limits_leaves_them_as_they_are() -> None:
    daily = Daily(480, 1080, 0b0011111)
    payload = fields(4, [1, 3, 300], 0, [480, 1080, 0b0011111], "more")
    assert code.claims_of(payload) == replace(USUAL, daily=daily)


def test_a_code_shown_again_keeps_what_a_later_version_appended() -> None:
    payload = fields(4, [1, 3, 300], 0, None, "more")
    assert code.parse(code.sign_payload(payload, KEY)).message.payload == payload


@pytest.mark.parametrize(
    "payload",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(b"\x80", id="an array"),
        pytest.param(b"\xa0", id="no claims"),
        pytest.param(claims_set({1: "issuer"}), id="a claim more"),
        pytest.param(claims_set({-65538: 0}), id="a private claim more"),
        pytest.param(
            code.payload_of(USUAL).replace(b"\x3a\x00\x01\x00\x00", b"\x3a\x00\x01\x00\x01"),
            id="another private claim instead",
        ),
        pytest.param(claims_set({4: "1893520800"}), id="exp as text"),
        pytest.param(claims_set({4: None}), id="exp null"),
        pytest.param(claims_set({4: USUAL.valid_from_s}), id="exp not after nbf"),
        pytest.param(claims_set({4: 2**40}), id="exp too late"),
        pytest.param(claims_set({5: True}), id="nbf true"),
        pytest.param(claims_set({5: 0}), id="nbf zero"),
        pytest.param(claims_set({5: -1}), id="nbf negative"),
        pytest.param(claims_set({7: bytes(15)}), id="cti short"),
        pytest.param(claims_set({7: "0123456789abcdef"}), id="cti as text"),
        pytest.param(claims_set({-65537: {0: 4, 1: [1], 2: 0}}), id="the pass as a map"),
        pytest.param(fields(), id="no fields"),
        pytest.param(fields(4, [1]), id="two fields"),
        pytest.param(fields(-1, [1], 0), id="entry limit negative"),
        pytest.param(fields(2**32, [1], 0), id="entry limit too large"),
        pytest.param(fields(None, [1], 0), id="entry limit null"),
        pytest.param(fields(True, [1], 0), id="entry limit true"),
        pytest.param(fields(4, 1, 0), id="door groups as a number"),
        pytest.param(fields(4, None, 0), id="door groups null"),
        pytest.param(fields(4, [0], 0), id="door group zero"),
        pytest.param(fields(4, [2**32], 0), id="door group too large"),
        pytest.param(fields(4, ["1"], 0), id="door group as text"),
        pytest.param(fields(4, [True], 0), id="door group true"),
        pytest.param(fields(4, [3, 1], 0), id="door groups out of order"),
        pytest.param(fields(4, [1, 1], 0), id="door group twice"),
        pytest.param(fields(4, [1], 8), id="a proof that is not known"),
        pytest.param(fields(4, [1], -1), id="proof negative"),
        pytest.param(fields(4, [1], False), id="proof false"),
        pytest.param(fields(4, [1], None), id="proof null"),
        pytest.param(fields(4, [1], 0, None), id="daily null instead of left out"),
        pytest.param(fields(4, [1], 0, None, None), id="a last field null"),
        pytest.param(fields(4, [1], 0, 0), id="daily as a number"),
        pytest.param(fields(4, [1], 0, []), id="daily empty"),
        pytest.param(fields(4, [1], 0, [480, 1080]), id="daily of two"),
        pytest.param(fields(4, [1], 0, [480, 1080, 31, 0]), id="daily of four"),
        pytest.param(fields(4, [1], 0, [480, 1080, "31"]), id="daily with text"),
        pytest.param(fields(4, [1], 0, [480, 1080, True]), id="daily with true"),
        pytest.param(fields(4, [1], 0, [1080, 480, 31]), id="daily ends before it starts"),
        pytest.param(fields(4, [1], 0, [480, 1080, 0]), id="daily on no day"),
        pytest.param(fields(4, [1], 0, None, [[[[0]]]]), id="an appended field nested too deep"),
        pytest.param(code.payload_of(USUAL) + b"\0", id="bytes behind it"),
    ],
)
def test_claims_in_any_other_form_are_unreadable_even_if_signed(payload: bytes) -> None:
    with pytest.raises(UnreadableCodeError):
        code.claims_of(payload)
    with pytest.raises(UnreadableCodeError):
        code.read(code.sign_payload(payload, KEY), KEYS)


# --- reading -------------------------------------------------------------------------------------


TEXT = code.mint(USUAL, KEY)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="nothing"),
        pytest.param("VP1:", id="the prefix alone"),
        pytest.param(TEXT[4:], id="no prefix"),
        pytest.param("VP2:" + TEXT[4:], id="another version"),
        pytest.param("vp1:" + TEXT[4:], id="the prefix in lower case"),
        pytest.param("VP1" + TEXT[4:], id="no colon"),
        pytest.param(TEXT.lower(), id="lower case"),
        pytest.param(" " + TEXT, id="a space before"),
        pytest.param(TEXT + " ", id="a space behind"),
        pytest.param(TEXT + "\n", id="a line end behind"),
        pytest.param(TEXT[:-1], id="cut short"),
        pytest.param(TEXT + "0", id="a character more"),
        pytest.param(TEXT + "00", id="a byte more"),
        pytest.param(TEXT * 2, id="twice"),
        pytest.param("VP1:" + TEXT, id="the prefix twice"),
        pytest.param("https://example.org/" + TEXT, id="as a link"),
        pytest.param("VP1:" + "É" * 100, id="letters outside ASCII"),
    ],
)
def test_a_text_in_any_other_form_is_unreadable(text: str) -> None:
    with pytest.raises(UnreadableCodeError):
        code.read(text, KEYS)


def test_a_code_of_another_installation_is_unknown() -> None:
    with pytest.raises(UnknownKeyError, match=KID.hex()):
        code.read(TEXT, {OTHER_KID: OTHER_KEY.public_key()})
    with pytest.raises(UnknownKeyError):
        code.read(TEXT, {})


def test_a_code_under_a_false_key_id_is_not_ours() -> None:
    with pytest.raises(BadSignatureError):
        code.read(TEXT, {KID: OTHER_KEY.public_key()})


def test_a_longer_stay_does_not_fit_an_older_signature() -> None:
    longer = replace(USUAL, valid_until_s=USUAL.valid_until_s + 86_400)
    signature = code.parse(TEXT).message.signature
    forged = cose.sign1(code.payload_of(longer), KEY)[:-64] + signature
    text = "VP1:" + base45.encode(forged)
    assert code.parse(text).claims == longer
    with pytest.raises(BadSignatureError):
        code.read(text, KEYS)


def test_what_is_unreadable_is_so_before_its_key_or_signature_matters() -> None:
    unreadable = code.sign_payload(fields(4, [1], 8), OTHER_KEY)
    with pytest.raises(UnreadableCodeError):
        code.read(unreadable, {})


@pytest.mark.parametrize("error", [UnreadableCodeError, UnknownKeyError, BadSignatureError])
def test_one_except_clause_catches_all_that_can_be_wrong_with_a_code(
    error: type[Exception],
) -> None:
    assert issubclass(error, CodeError)


def test_every_single_wrong_character_is_refused() -> None:
    for at in range(len(TEXT)):
        for character in "0AZ :":
            changed = TEXT[:at] + character + TEXT[at + 1 :]
            if changed != TEXT:
                with pytest.raises(CodeError):
                    code.read(changed, KEYS)


@given(st.text(max_size=240) | st.text(alphabet=base45.ALPHABET, max_size=240).map("VP1:".__add__))
def test_any_text_is_refused_and_raises_nothing_else(text: str) -> None:
    with pytest.raises(CodeError):
        code.read(text, KEYS)


@given(st.binary(max_size=63))
def test_any_payload_is_read_or_unreadable_and_nothing_else(payload: bytes) -> None:
    try:
        claims = code.claims_of(payload)
    except UnreadableCodeError:
        return
    assert code.payload_of(claims) == payload
