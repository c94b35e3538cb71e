"""What a guest reads at a door."""

from __future__ import annotations

import re

import pytest

from passdesk.core import wording
from passdesk.core.reasons import Reason
from passdesk.core.wording import Words, granted, refused

EVERY = [
    *(pytest.param(refused(reason), id=reason) for reason in Reason),
    pytest.param(granted(leaving=False), id="entering"),
    pytest.param(granted(leaving=True), id="leaving"),
]
HAS_TIME = (Reason.TOO_EARLY, Reason.EXPIRED)
# Words of the machinery, which say nothing to a guest or too much.
INSIDE_WORDS = """
    signature signed key register withdrawn revoked barred list lockdown bundle credential passback
    anti-passback requirement approval permit count limit id none error
"""


@pytest.mark.parametrize("words", EVERY)
def test_a_headline_has_at_most_three_words(words: Words) -> None:
    assert 1 <= len(words.headline.split()) <= 3
    assert words.headline[0].isupper()
    assert not words.headline.endswith(".")


@pytest.mark.parametrize("words", EVERY)
def test_sentences_are_one_or_two_and_end_with_a_full_stop(words: Words) -> None:
    sentences = re.findall(r"[A-Z][^.]*\.", words.sentence)
    assert " ".join(sentences) == words.sentence
    assert 1 <= len(sentences) <= 2


@pytest.mark.parametrize("words", EVERY)
def test_no_reason_leaks_to_the_door(words: Words) -> None:
    text = f"{words.headline} {words.sentence}".lower()
    assert not [reason for reason in Reason if reason.value in text]
    assert not set(re.findall(r"[a-z-]+", text)) & set(INSIDE_WORDS.split())


@pytest.mark.parametrize("words", EVERY)
def test_no_number_and_no_gap_is_left_in_the_words(words: Words) -> None:
    assert not re.search(r"[0-9{}<>#_]", words.headline + words.sentence)


@pytest.mark.parametrize("reason", Reason)
def test_a_refusal_says_what_to_do_next(reason: Reason) -> None:
    next_steps = r"\b(desk|please|your invitation says|try again)\b"
    assert re.search(next_steps, refused(reason).sentence, re.IGNORECASE)


def test_somebody_who_is_barred_reads_what_anybody_reads_who_has_to_wait() -> None:
    assert refused(Reason.BARRED) == refused(Reason.REQUIREMENT_MISSING)
    assert refused(Reason.BARRED).headline == "Please wait"


def test_a_door_does_not_tell_which_codes_are_real() -> None:
    guessed = (Reason.UNKNOWN_KEY, Reason.BAD_SIGNATURE, Reason.UNKNOWN_PASS, Reason.WITHDRAWN)
    assert len({refused(reason) for reason in guessed}) == 1


def test_a_fault_of_the_reader_is_not_laid_to_the_pass() -> None:
    assert refused(Reason.CLOCK_WRONG) == refused(Reason.RULES_STALE)
    assert refused(Reason.CLOCK_WRONG) != refused(Reason.UNKNOWN_PASS)
    assert "This reader" in refused(Reason.CLOCK_WRONG).sentence


@pytest.mark.parametrize("reason", HAS_TIME)
def test_who_comes_at_the_wrong_time_is_told_the_time(reason: Reason) -> None:
    assert "14 May, 10:00" in refused(reason, "14 May, 10:00").sentence
    assert "on your invitation" in refused(reason).sentence


@pytest.mark.parametrize("reason", [r for r in Reason if r not in HAS_TIME])
def test_nobody_else_is_told_the_time(reason: Reason) -> None:
    assert refused(reason, "14 May, 10:00") == refused(reason)


def test_a_time_with_braces_is_shown_as_it_is() -> None:
    assert "{time}{0}" in refused(Reason.TOO_EARLY, "{time}{0}").sentence


def test_who_comes_in_and_who_leaves_read_different_words() -> None:
    assert granted(leaving=False) == Words("Come in", "Please come in.")
    assert granted(leaving=True) == Words("Goodbye", "You can leave.")


def test_every_reason_has_words_and_nothing_else_has() -> None:
    assert set(wording._REFUSED) == set(Reason)
