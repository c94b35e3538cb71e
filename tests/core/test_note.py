"""Signed notes and checkpoints against published ones and a reader written from the text alone."""

from __future__ import annotations

import base64
import hashlib
import string

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from hypothesis import assume, given
from hypothesis import strategies as st

from passdesk.core.note import (
    MAX_NOTE_LENGTH,
    Checkpoint,
    NoteError,
    VerifierKey,
    open_note,
    parse_checkpoint,
    sign_note,
)

# Keys and note published with the Go project's note package (sumdb/note, its tests).
PETER = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"
ENOCH = "EnochRoot+af0cfe78+ATtqJ7zOtqQtYqOo0CpvDXNlMhV3HeJDpjrASKGLWdop"
TEXT = (
    "If you think cryptography is the answer to your problem,\n"
    "then you don't know what your problem is.\n"
)
BY_PETER = (
    "— PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6"
    "KE6RyyBwJnAM=\n"
)
BY_ENOCH = (
    "— EnochRoot rwz+eBzmZa0SO3NbfRGzPCpDckykFXSdeX+MNtCOXm2/5n2tiOHp+vAF1aGrQ5ovTG01oOTGwnWLox33WW"
    "d1RvMc+QQ=\n"
)
ZERO_SEED = Ed25519PrivateKey.from_private_bytes(bytes(32))  # the tests' generator of EnochRoot

# The example of C2SP tlog-checkpoint.
EXAMPLE = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n"

NAME = "example.com/records"
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
VERIFIER = VerifierKey(NAME, KEY.public_key().public_bytes_raw())
ROOT = bytes(range(32))

TEXTS = st.text(st.characters(min_codepoint=32, exclude_categories=["Cs"]) | st.just("\n")).map(
    lambda text: f"{text}\n"
)


def by_the_text_of_c2sp(note: bytes, name: bytes, public: bytes) -> bytes | None:
    """Return the text if `name` signed it: a reader of its own, from C2SP signed-note alone."""
    end_of_text = note.rindex(b"\n\n") + 1
    text, lines = note[:end_of_text], note[end_of_text + 1 :]
    key_id = hashlib.sha256(name + b"\x0a\x01" + public).digest()[:4]
    for line in lines.removesuffix(b"\n").split(b"\n"):
        dash, signer, signature = line.split(b" ")
        decoded = base64.standard_b64decode(signature)
        if (dash, signer, decoded[:4]) == ("—".encode(), name, key_id):
            try:
                Ed25519PublicKey.from_public_bytes(public).verify(decoded[4:], text)
            except InvalidSignature:
                return None
            return text
    return None


# Published values


@pytest.mark.parametrize("key", [PETER, ENOCH])
def test_a_published_note_opens_with_either_published_key(key: str) -> None:
    assert open_note(f"{TEXT}\n{BY_PETER}{BY_ENOCH}", VerifierKey.parse(key)) == TEXT


def test_signing_gives_the_published_signature() -> None:
    assert sign_note(TEXT, "EnochRoot", ZERO_SEED) == f"{TEXT}\n{BY_ENOCH}"


@pytest.mark.parametrize(
    "text",
    [
        PETER,
        ENOCH,
        # Of the tests of transparency-dev/formats; its base64 holds a plus.
        "TEST+7997405c+AQcC+FTVKf0jlTdHDY3rbevmnKxxPjigCXlVtGe6RIr6",
        # The example of C2SP signed-note v1.0.0.
        "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k",
    ],
)
def test_published_verifier_keys_are_read_and_written(text: str) -> None:
    key = VerifierKey.parse(text)
    assert key.format() == text
    assert key.key_id.hex() == text.split("+")[1]


def test_the_published_checkpoint_is_read_and_written() -> None:
    checkpoint = parse_checkpoint(EXAMPLE)
    assert (checkpoint.origin, checkpoint.size) == ("example.com/behind-the-sofa", 20852163)
    assert checkpoint.root.hex().startswith("0ac5186a91863e8e")
    assert checkpoint.text() == EXAMPLE


def test_a_checkpoint_has_exactly_these_bytes() -> None:
    # C2SP tlog-checkpoint: origin, size in decimal, root in standard base64, each with newline.
    text = Checkpoint("example.com/records", 0, hashlib.sha256(b"").digest()).text()
    assert text == "example.com/records\n0\n47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=\n"


@given(TEXTS)
def test_what_is_signed_here_opens_by_the_text_of_the_standard(text: str) -> None:
    note = sign_note(text, NAME, KEY)
    assert by_the_text_of_c2sp(note.encode(), NAME.encode(), VERIFIER.public) == text.encode()
    assert open_note(note, VERIFIER) == text


# Notes that do not open


NOTE = sign_note(TEXT, NAME, KEY)
BY_US = NOTE.removeprefix(f"{TEXT}\n")


def test_the_note_opens_beside_signatures_of_strangers() -> None:
    namesake = BY_PETER.replace("PeterNeumann", NAME)
    assert open_note(f"{TEXT}\n{BY_PETER}{namesake}{BY_US}{BY_ENOCH}", VERIFIER) == TEXT


def test_sixteen_signatures_of_the_largest_kind_are_accepted() -> None:
    # C2SP signed-note, 'Format': at least 16, each up to nearly 5 kB.
    stranger = f"— stranger {base64.b64encode(bytes(5000)).decode()}\n"
    assert open_note(f"{TEXT}\n{stranger * 15}{BY_US}", VERIFIER) == TEXT


@pytest.mark.parametrize(
    ("verifier", "message"),
    [
        (VerifierKey("example.com/other", VERIFIER.public), "not signed by example.com/other"),
        (VerifierKey(NAME, VerifierKey.parse(PETER).public), "not signed by example.com/records"),
    ],
    ids=["wrong name", "wrong key id"],
)
def test_a_note_of_another_key_does_not_open(verifier: VerifierKey, message: str) -> None:
    with pytest.raises(NoteError, match=message):
        open_note(NOTE, verifier)


def signature_line(signature: bytes) -> str:
    return f"— {NAME} {base64.b64encode(VERIFIER.key_id + signature).decode()}\n"


@given(st.integers(0, 511))
def test_no_bit_of_the_signature_can_be_changed(bit: int) -> None:
    flipped = (int.from_bytes(KEY.sign(TEXT.encode()), "big") ^ 1 << bit).to_bytes(64, "big")
    with pytest.raises(NoteError, match="is wrong"):
        open_note(f"{TEXT}\n{signature_line(flipped)}", VERIFIER)


@given(st.integers(0, len(TEXT) - 1), st.sampled_from(string.ascii_letters))
def test_no_character_of_the_text_can_be_changed(place: int, letter: str) -> None:
    altered = TEXT[:place] + letter + TEXT[place + 1 :]
    assume(altered != TEXT)
    with pytest.raises(NoteError):
        open_note(f"{altered}\n{BY_US}", VERIFIER)


@pytest.mark.parametrize("order", [1, -1])
def test_a_wrong_signature_in_our_name_spoils_a_right_one(order: int) -> None:
    lines = [signature_line(bytes(64)), BY_US][::order]
    with pytest.raises(NoteError, match="is wrong"):
        open_note(f"{TEXT}\n{''.join(lines)}", VERIFIER)


@pytest.mark.parametrize(
    "note",
    [
        "",
        TEXT,
        f"{TEXT}\n",
        NOTE[:-1],
        f"{NOTE[:-1]}x",
        f"{NOTE}\n",
        f"{TEXT}{BY_US}",
        f"{TEXT}\n-- {BY_US[2:]}",
        f"{TEXT}\n{BY_US.replace('— ', '—  ')}",
        f"{TEXT}\n{BY_US[:-2]}\n",
        f"{TEXT}\n— two words {BY_US.split()[-1]}\n",
        f"{TEXT}\n— a+b {BY_US.split()[-1]}\n",
        f"{TEXT}\n{BY_US}— stranger !!!!\n",
        f"{TEXT}\n{BY_US}— stranger x08go/==\n",
        f"{TEXT}\n{BY_US}— stranger x08gow==\n",
    ],
    ids=lambda note: repr(note[-30:]),
)
def test_a_malformed_note_does_not_open(note: str) -> None:
    with pytest.raises(NoteError):
        open_note(note, VERIFIER)


def test_signature_lines_without_a_text_are_no_note() -> None:
    with pytest.raises(NoteError, match="a note is text"):
        open_note(signature_line(KEY.sign(b"\n")), VERIFIER)


@pytest.mark.parametrize("character", ["\x00", "\t", "\r", "\x1f", "\ud800"], ids=repr)
def test_control_characters_are_neither_signed_nor_opened(character: str) -> None:
    with pytest.raises(NoteError, match="control character"):
        sign_note(f"a{character}\n", NAME, KEY)
    with pytest.raises(NoteError, match="control character"):
        open_note(f"a{character}\n\n{BY_US}", VERIFIER)


def test_a_note_that_is_too_long_is_neither_signed_nor_opened() -> None:
    longest = "a" * (MAX_NOTE_LENGTH - len(f"\n\n{BY_US}"))
    assert open_note(sign_note(f"{longest}\n", NAME, KEY), VERIFIER) == f"{longest}\n"
    with pytest.raises(NoteError, match="at most"):
        sign_note(f"{longest}a\n", NAME, KEY)
    with pytest.raises(NoteError, match="at most"):
        open_note(f"{longest}a\n\n{BY_US}", VERIFIER)


@pytest.mark.parametrize("text", ["", "a", "a\nb"])
def test_a_text_that_does_not_end_its_last_line_is_not_signed(text: str) -> None:
    with pytest.raises(NoteError, match="newline"):
        sign_note(text, NAME, KEY)


# Names, keys and checkpoints that are none


@pytest.mark.parametrize(
    "name", ["", "two words", "a+b", "a\nb", "a\u00a0b", "a\u2003b", "a\x00b", "a\udfffb"], ids=repr
)
def test_a_name_has_no_space_plus_or_newline(name: str) -> None:
    with pytest.raises(NoteError, match="is no name"):
        sign_note(TEXT, name, KEY)
    with pytest.raises(NoteError, match="is no name"):
        Checkpoint(name, 0, ROOT)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "PeterNeumann",
        "PeterNeumann+c74f20a3",
        "+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
        "PeterNeumann+c74f20a4+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
        "PeterNeumann+C74F20A3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
        "PeterNeuman+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
        "PeterNeumann+c74f20a3+AVpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
        "PeterNeumann+c74f20a3+Ahpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
        "PeterNeumann+c74f20a3+GlzZBxQ8OExB6DDFvOEqqIF+xWSaqr8sMTiLNbLXRNY=",
        "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10T",
        f"{PETER}\n",
    ],
    ids=repr,
)
def test_what_is_no_verifier_key_is_refused(text: str) -> None:
    with pytest.raises(NoteError):
        VerifierKey.parse(text)


def test_a_public_key_of_another_length_is_refused() -> None:
    with pytest.raises(NoteError, match="32 bytes, this one has 31"):
        VerifierKey(NAME, bytes(31))


@given(st.integers(0, 10**19 - 1), st.binary(min_size=32, max_size=32))
def test_every_checkpoint_is_read_as_written(size: int, root: bytes) -> None:
    checkpoint = Checkpoint(NAME, size, root)
    assert parse_checkpoint(checkpoint.text()) == checkpoint


def test_extension_lines_are_ignored() -> None:
    assert parse_checkpoint(f"{EXAMPLE}opaque\nlines too\n") == parse_checkpoint(EXAMPLE)


@pytest.mark.parametrize("size", [-1, 10**19])
def test_a_checkpoint_has_a_size(size: int) -> None:
    with pytest.raises(NoteError, match=f"cannot have {size}"):
        Checkpoint(NAME, size, ROOT)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n\n\n",
        EXAMPLE[:-1],
        f"{EXAMPLE}\n",
        f"{EXAMPLE}\nopaque\n",
        EXAMPLE.replace("\n", "\r\n"),
        EXAMPLE.replace("sofa", "so fa"),
        EXAMPLE.replace("20852163", "020852163"),
        EXAMPLE.replace("20852163", "+20852163"),
        EXAMPLE.replace("20852163", "2_0852163"),
        EXAMPLE.replace("20852163", "٢"),
        EXAMPLE.replace("20852163", "00"),
        EXAMPLE.replace("20852163", "9" * 20),
        EXAMPLE.replace("CsUY", "CsU-"),
        EXAMPLE.replace("CsUY", "AAAACsUY"),
        EXAMPLE.replace("CsUY", " CsUY"),
        EXAMPLE.replace("q2I=", "q2J="),  # the same bytes written another way
        EXAMPLE.replace("q2I=", "q2I"),
        EXAMPLE.replace("CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n", ""),
    ],
    ids=repr,
)
def test_what_is_no_checkpoint_is_refused(text: str) -> None:
    with pytest.raises(NoteError):
        parse_checkpoint(text)


@given(st.text())
def test_any_other_text_is_refused(text: str) -> None:
    with pytest.raises(NoteError):
        open_note(text, VERIFIER)
    with pytest.raises(NoteError):
        VerifierKey.parse(text)
    with pytest.raises(NoteError):
        parse_checkpoint(text)
