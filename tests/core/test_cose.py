"""COSE_Sign1 and keys: published examples, Ed25519 test sets, and every way to leave the frame."""

from __future__ import annotations

from base64 import urlsafe_b64decode
from hashlib import sha256

import cbor2
import cryptography_vectors
import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256
from hypothesis import given
from hypothesis import strategies as st

from passdesk.core import cbor, cose
from passdesk.core.cose import CoseError

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
PUBLIC = KEY.public_key()
KID = cose.key_id(PUBLIC)

# RFC 9052 appendix C.2.1: a COSE_Sign1 with ES256, its kid unprotected.
RFC_9052_C_2_1 = bytes.fromhex(
    "d28443a10126a10442313154546869732069732074686520636f6e74656e742e58408eb33e4ca31d1c465ab05aac"
    "34cc6b23d58fef5c083106c4d25a91aef0b0117e2af9a291aa32e14ab834dc56ed2a223444547e01f11d3b0916e5"
    "a4c345cacb36"
)
# The COSE working group's examples for RFC 8152, eddsa-sig-01: EdDSA (-8), its kid unprotected.
EDDSA_SIG_01 = bytes.fromhex(
    "d28445a201270300a10442313154546869732069732074686520636f6e74656e742e58407142fd2ff96d56db85be"
    "e905a76ba1d0b7321a95c8c4d3607c5781932b7afb8711497dfa751bf40b58b3bcc32300b1487f3db34085eef013"
    "bf08f4a44d6fef0d"
)
# RFC 8392 appendix A.3: a signed CWT with ES256.
RFC_8392_A_3 = bytes.fromhex(
    "d28443a10126a104524173796d6d657472696345434453413235365850a70175636f61703a2f2f61732e6578616d"
    "706c652e636f6d02656572696b77037818636f61703a2f2f6c696768742e6578616d706c652e636f6d041a5612ae"
    "b0051a5610d9f0061a5610d9f007420b7158405427c1ff28d23fbad1f29c4c7c6a555e601d6fa29f9179bc3d7438"
    "bacaca5acd08c8d4d4f96131680c429a01f85951ecee743a52b9b63632c57209120e1c9e30"
)


def es256_key(x: str, y: str) -> ec.EllipticCurvePublicKey:
    point = b"\x04" + urlsafe_b64decode(x + "=") + urlsafe_b64decode(y + "=")
    return ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)


def test_what_is_signed_is_what_the_standard_signs() -> None:
    # RFC 9052 appendix C.2.1 with the key of appendix C.7.1 named "11": its signature holds over
    # what `signature_input` builds.
    protected, _, payload, signature = cbor2.loads(RFC_9052_C_2_1).value
    signed = cose.signature_input(protected, payload)
    assert signed.hex() == (
        "846a5369676e61747572653143a101264054546869732069732074686520636f6e74656e742e"
    )
    key = es256_key(
        "usWxHK2PmfnHKwXPS54m0kTcGJ90UiglWiGahtagnv8", "IBOL-C3BttVivg-lSreASjpkttcsz-1rb7btKLv8EX4"
    )
    halves = int.from_bytes(signature[:32]), int.from_bytes(signature[32:])
    key.verify(encode_dss_signature(*halves), signed, ec.ECDSA(SHA256()))


def test_an_ed25519_example_of_the_working_group_verifies() -> None:
    # eddsa-sig-01, signed with the key of RFC 8032 section 7.1 test 1.
    protected, _, payload, signature = cbor2.loads(EDDSA_SIG_01).value
    secret, public, *_ = rfc_8032_vectors()[0]
    signed = cose.signature_input(protected, payload)
    Ed25519PublicKey.from_public_bytes(public).verify(signature, signed)
    assert Ed25519PrivateKey.from_private_bytes(secret).sign(signed) == signature


@pytest.mark.parametrize("message", [RFC_9052_C_2_1, EDDSA_SIG_01, RFC_8392_A_3])
def test_signed_messages_of_others_are_not_ours(message: bytes) -> None:
    assert cbor2.loads(message).tag == 18
    with pytest.raises(CoseError):
        cose.parse_sign1(message)


# --- Ed25519 -------------------------------------------------------------------------------------


def rfc_8032_vectors() -> list[tuple[bytes, bytes, bytes, bytes]]:
    """Secret key, public key, message and signature of the 1,024 tests that the RFC draws from."""
    with cryptography_vectors.open_vector_file("asymmetric/Ed25519/sign.input", "r") as lines:
        fields = [[bytes.fromhex(field) for field in line.split(":")[:4]] for line in lines]
    return [(secret[:32], public, text, signed[:64]) for secret, public, text, signed in fields]


# RFC 8032 section 7.1: the secret keys of TEST 1, TEST 2, TEST 3 and TEST 1024 and the start of
# their signatures. `cryptography-vectors` carries the whole of them.
RFC_8032_TESTS = {
    "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60": "e5564300c360ac72",
    "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb": "92a009a9f0d4cab8",
    "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7": "6291d657deec2402",
    "f5e5767cf153319517630f226876b86c8160cc583bc013744c6bf255f5cc0ee5": "0aab4c900501b3e2",
}


def test_the_vectors_hold_those_of_the_standard() -> None:
    by_secret = {secret.hex(): signed for secret, _, _, signed in rfc_8032_vectors()}
    for secret, start in RFC_8032_TESTS.items():
        assert by_secret[secret].hex().startswith(start)


def test_keys_and_signatures_are_those_of_the_standard() -> None:
    for secret, public, text, signature in rfc_8032_vectors():
        key = Ed25519PrivateKey.from_private_bytes(secret)
        assert key.public_key().public_bytes_raw() == public
        assert key.sign(text) == signature
        key.public_key().verify(signature, text)


# The Wycheproof set, testvectors_v1/ed25519_test.json: its key, four of its valid signatures (tcId
# 1, 2, 3 and 9), and its classes of invalid ones, built here from the same numbers.
WYCHEPROOF_KEY = Ed25519PublicKey.from_public_bytes(
    bytes.fromhex("7d4d0e7f6153a69b6242b522abbee685fda4420f8834b108c3bdae369ef549fa")
)
WYCHEPROOF_VALID = {
    "": "d4fbdb52bfa726b44d1786a8c0d171c3e62ca83c9e5bbe63de0bb2483f8fd6cc"
    "1429ab72cafc41ab56af02ff8fcc43b99bfe4c7ae940f60f38ebaa9d311c4007",
    "78": "d80737358ede548acb173ef7e0399f83392fe8125b2ce877de7975d8b726ef5b"
    "1e76632280ee38afad12125ea44b961bf92f1178c9fa819d020869975bcbe109",
    "54657374": "7c38e026f29e14aabd059a0f2db8b0cd783040609a8be684db12f82a27774ab0"
    "7a9155711ecfaf7f99f277bad0c6ae7e39d4eef676573336a5c51eb6f946b30d",
    "ff" * 16: "5dbd7360e55aa38e855d6ad48c34bd35b7871628508906861a7c4776765ed7d1"
    "e13d910faabd689ec8618b78295c8ab8f0e19c8b4b43eb8685778499e943ae04",
}
ORDER = 2**252 + 27742317777372353535851937790883648493
PRIME = 2**255 - 19


def number(value: int) -> bytes:
    return value.to_bytes(32, "little")


def altered(signature: bytes) -> dict[str, bytes]:
    r, s = signature[:32], int.from_bytes(signature[32:], "little")
    return {
        "empty": b"",
        "S missing": r,
        "cut by one": signature[:-1],
        "one byte more": signature + b"\0",
        "a zero before": b"\0" + signature,
        "written twice": signature + signature,
        "R and S swapped": signature[32:] + r,
        "S plus the order": r + number(s + ORDER),
        "S plus twice the order": r + number(s + 2 * ORDER),
        "S plus eight times the order": r + number(s + 8 * ORDER),
        "S with its top bit": r + number(s | 1 << 255),
        "R with its sign turned": r[:31] + bytes([r[31] ^ 0x80]) + signature[32:],
        "R with a bit turned": bytes([r[0] ^ 1]) + signature[1:],
        "all ones": b"\xff" * 64,
    }


@pytest.mark.parametrize(("text", "signature"), WYCHEPROOF_VALID.items())
def test_valid_signatures_of_the_wycheproof_set_hold(text: str, signature: str) -> None:
    WYCHEPROOF_KEY.verify(bytes.fromhex(signature), bytes.fromhex(text))


@pytest.mark.parametrize("change", altered(bytes(64)))
@pytest.mark.parametrize(("text", "signature"), WYCHEPROOF_VALID.items())
def test_altered_signatures_are_refused(text: str, signature: str, change: str) -> None:
    with pytest.raises(InvalidSignature):
        WYCHEPROOF_KEY.verify(altered(bytes.fromhex(signature))[change], bytes.fromhex(text))


@pytest.mark.parametrize("r", [0, 1, ORDER, PRIME])
@pytest.mark.parametrize("s", [0, 1, ORDER - 1, ORDER, PRIME])
@pytest.mark.parametrize("text", ["3f", *WYCHEPROOF_VALID])
def test_signatures_of_special_numbers_are_refused(text: str, r: int, s: int) -> None:
    with pytest.raises(InvalidSignature):  # tcId 10 to 29 with "3f"
        WYCHEPROOF_KEY.verify(number(r) + number(s), bytes.fromhex(text))


# --- keys ----------------------------------------------------------------------------------------


def test_the_thumbprint_is_that_of_the_standard() -> None:
    # RFC 9679 section 6: the required fields of an EC2 key, their encoding and its SHA-256.
    x = "65eda5a12577c2bae829437fe338701a10aaa375e1bb5b5de108de439c08551d"
    y = "1e52ed75701163f7f9e40ddf9f341b3dc9ba860af7e0ca7ca7e9eecd0084d19c"
    required: dict[int, cbor.Value] = {
        -3: bytes.fromhex(y),
        -2: bytes.fromhex(x),
        -1: 1,
        1: 2,
    }
    assert cbor.encode(required).hex() == f"a401022001215820{x}225820{y}"
    assert cose.thumbprint_of(required).hex() == (
        "496bd8afadf307e5b08c64b0421bf9dc01528a344a43bda88fadd1669da253ec"
    )


def test_the_thumbprint_of_an_ed25519_key_is_that_of_another_implementation() -> None:
    # The key of RFC 8032 section 7.1 test 1; the value was computed with a tool by one of the
    # authors of draft-ietf-cose-key-thumbprint.
    _, public, *_ = rfc_8032_vectors()[0]
    key = Ed25519PublicKey.from_public_bytes(public)
    expected = "866eefbd6718c8846cd7ddfe43fc74ab1daac4538ff8514ea2ec2d410a415743"
    assert cose.thumbprint(key).hex() == expected
    assert cose.thumbprint(key) == sha256(bytes.fromhex("a301012006215820") + public).digest()
    assert cose.key_id(key).hex() == expected[:8]


def test_a_key_set_names_each_key_and_its_only_algorithm() -> None:
    other = Ed25519PrivateKey.from_private_bytes(bytes(32)).public_key()
    keys = cbor.decode(cose.key_set([PUBLIC, other]))
    assert keys == [
        # RFC 9052 section 7.1: kty 1 is OKP, crv 6 is Ed25519; alg -19 is RFC 9864.
        {1: 1, 2: cose.key_id(key), 3: -19, -1: 6, -2: key.public_bytes_raw()}
        for key in (PUBLIC, other)
    ]


# --- the frame -----------------------------------------------------------------------------------


def message(
    *,
    tag: int | None = 18,
    protected: object = None,
    unprotected: object = None,
    payload: object = b"payload",
    signature: object = bytes(64),
    more: tuple[object, ...] = (),
) -> bytes:
    """Return a message built with another encoder, with parts of any kind."""
    parts = [
        cbor.encode({1: -19, 4: KID}) if protected is None else protected,
        {} if unprotected is None else unprotected,
        payload,
        signature,
        *more,
    ]
    return cbor2.dumps(parts if tag is None else cbor2.CBORTag(tag, parts))


@pytest.mark.parametrize("size", [0, 1, 23, 24, 63, 255, 256, 65535, 65536, 100_000])
def test_a_message_is_what_another_encoder_writes_and_is_read_back(size: int) -> None:
    payload = bytes(size)
    signed = cose.sign1(payload, KEY)
    parsed = cose.parse_sign1(signed)
    assert message(payload=payload, signature=parsed.signature) == signed
    assert (parsed.kid, parsed.payload) == (KID, payload)
    PUBLIC.verify(parsed.signature, parsed.to_be_verified)


def test_the_exact_bytes_of_a_message() -> None:
    # Pinned, since readers in the field know this frame.
    assert cose.sign1(b"pass", KEY).hex() == (
        "d284" + "49a201320444be5de2f4" + "a0" + "4470617373" + "5840"
        "9cbc6133d7c61c89c0d4ff2cb11b20cdfe2f8b356a6aa19bc43c1bc7a667c5dd"
        "29748415332d6c1953b91c984dd44e1368c1809fde6755d0d3b13c4dbbcf0707"
    )


def test_the_signature_covers_the_header_as_received() -> None:
    parsed = cose.parse_sign1(message())
    protected = cbor.encode({1: -19, 4: KID})
    assert parsed.to_be_verified == cbor2.dumps(["Signature1", protected, b"", b"payload"])


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(message(tag=None), id="no tag"),
        pytest.param(message(tag=17), id="tag of a COSE_Mac0"),
        pytest.param(message(tag=98), id="tag of a COSE_Sign"),
        pytest.param(b"\xd8\x3d" + message(), id="tag of a CWT around it"),
        pytest.param(b"\xd8\x12" + message(tag=None), id="the tag longer than needed"),
        pytest.param(message(more=(b"",)), id="a fifth part"),
        pytest.param(message() + b"\0", id="bytes behind it"),
        pytest.param(b"\0" + message(), id="bytes before it"),
        pytest.param(message()[:-1], id="cut short"),
        pytest.param(message(unprotected={5: b""}), id="something unprotected"),
        pytest.param(message(unprotected=b""), id="unprotected is no map"),
        pytest.param(message(protected=b""), id="nothing protected"),
        pytest.param(message(protected=cbor.encode({1: -19})), id="no kid"),
        pytest.param(message(protected=cbor.encode({4: KID})), id="no algorithm"),
        pytest.param(message(protected=cbor.encode({1: -8, 4: KID})), id="the older EdDSA"),
        pytest.param(message(protected=cbor.encode({1: -7, 4: KID})), id="ES256"),
        pytest.param(message(protected=cbor.encode({1: 0, 4: KID})), id="reserved algorithm"),
        pytest.param(message(protected=cbor.encode({1: None, 4: KID})), id="no such algorithm"),
        pytest.param(message(protected=cbor.encode({1: 5, 4: KID})), id="a MAC"),
        pytest.param(message(protected=cbor.encode({1: "Ed25519", 4: KID})), id="by name"),
        pytest.param(message(protected=cbor.encode({1: -19, 4: KID[:3]})), id="a shorter kid"),
        pytest.param(message(protected=cbor.encode({1: -19, 4: KID + b"\0"})), id="a longer kid"),
        pytest.param(message(protected=cbor.encode({1: -19, 4: "abcd"})), id="a kid in text"),
        pytest.param(message(protected=b"\xa2\x04\x44" + KID + b"\x01\x32"), id="out of order"),
        pytest.param(message(protected=b"\xa2\x01\x38\x12\x04\x44" + KID), id="longer than needed"),
        pytest.param(
            message(protected=cbor.encode({1: -19, 2: [1], 4: KID})), id="a critical header"
        ),
        pytest.param(message(protected={1: -19, 4: KID}), id="protected is no byte string"),
        pytest.param(message(payload=None), id="a detached payload"),
        pytest.param(message(payload="payload"), id="a payload in text"),
        pytest.param(message(payload={}), id="a payload that is a map"),
        pytest.param(message(signature=bytes(63)), id="a shorter signature"),
        pytest.param(message(signature=bytes(65)), id="a longer signature"),
        pytest.param(message(signature=b""), id="no signature"),
        pytest.param(message(signature="\0" * 64), id="a signature in text"),
        pytest.param(
            message().replace(b"\x47payload", b"\x58\x07payload"), id="length longer than needed"
        ),
        pytest.param(
            message().replace(b"\x47payload", b"\x5f\x47payload\xff"), id="indefinite payload"
        ),
        pytest.param(message().replace(b"\xd2\x84", b"\xd2\x9f") + b"\xff", id="indefinite array"),
    ],
)
def test_a_message_in_any_other_form_is_refused(data: bytes) -> None:
    with pytest.raises(CoseError):
        cose.parse_sign1(data)


@given(st.binary(max_size=120))
def test_any_bytes_are_read_or_refused_and_nothing_else(data: bytes) -> None:
    try:
        parsed = cose.parse_sign1(data)
    except CoseError:
        return
    assert message(payload=parsed.payload, signature=parsed.signature) == data


@given(st.binary(max_size=70), st.data())
def test_each_byte_of_a_message_counts(payload: bytes, data: st.DataObject) -> None:
    signed = bytearray(cose.sign1(payload, KEY))
    at = data.draw(st.integers(0, len(signed) - 1))
    signed[at] ^= data.draw(st.integers(1, 255))
    try:
        parsed = cose.parse_sign1(bytes(signed))
    except CoseError:
        return
    assert parsed.kid != KID or at > 12
    with pytest.raises(InvalidSignature):
        PUBLIC.verify(parsed.signature, parsed.to_be_verified)
