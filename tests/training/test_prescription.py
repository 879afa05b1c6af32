from __future__ import annotations

from decimal import Decimal
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.training.prescription import (
    MOST,
    MOST_TEXT,
    UNDERSTOOD,
    Amount,
    AmountKind,
    Base,
    Effort,
    LoadTarget,
    Mass,
    Prescription,
    PrescriptionError,
    SetGroup,
    parse,
    print_prescription,
)

CANONICAL = [
    ("4 x 6 @ RPE 7", "4 x 6 @ RPE 7"),
    ("4×6 @7", "4 x 6 @ RPE 7"),
    ("3*5 @ rpe 7,5", "3 x 5 @ RPE 7.5"),
    ("3 x 5 @ RPE 7-8", "3 x 5 @ RPE 7-8"),
    ("3 x 5 leaving 2", "3 x 5 leaving 2"),
    ("3 x 5 RIR 2", "3 x 5 leaving 2"),
    ("3 x 5 2 reps in reserve", "3 x 5 leaving 2"),
    ("3 x 5 to failure", "3 x 5 leaving 0"),
    ("3 x 5 at 82.5 %", "3 x 5 at 82.5 %"),
    ("3x5 82,5% of e1RM", "3 x 5 at 82.5 %"),
    ("3 x 5 at 70-75 %", "3 x 5 at 70-75 %"),
    ("5, 5, 5+ at 140 kg", "5, 5, 5+ at 140 kg"),
    ("5,5,5+ at 140", "5, 5, 5+ at 140 kg"),
    ("3 x 5 @ 225 lb", "3 x 5 at 225 lb"),
    ("100 kg x 5, 110 kg x 3", "1 x 5 at 100 kg, then 1 x 3 at 110 kg"),
    ("3 x 8-10", "3 x 8-10"),
    ("3 x 8 – 10 at 60 kg", "3 x 8-10 at 60 kg"),
    ("1 x 3 @ RPE 8, then 3 x 5 at 90 %", "1 x 3 @ RPE 8, then 3 x 5 at 90 % of top set"),
    ("1 x 3 @ RPE 8 then 3 x 5 at −10 %", "1 x 3 @ RPE 8, then 3 x 5 at 90 % of top set"),
    ("1 x 3 at 140 kg, then 3 x 5 at -20 kg", "1 x 3 at 140 kg, then 3 x 5 at top set - 20 kg"),
    ("1 x 3 at 140 kg, then 3 x 5 75 % of 1RM", "1 x 3 at 140 kg, then 3 x 5 at 75 % of e1RM"),
    ("3 x 5 at recent best + 2.5 kg", "3 x 5 at recent best + 2.5 kg"),
    ("3 x 5 at recent best+2,5", "3 x 5 at recent best + 2.5 kg"),
    ("3 x 5 at baseline + 2 %", "3 x 5 at baseline + 2 %"),
    ("3 x 5 at 102 % of the baseline", "3 x 5 at baseline + 2 %"),
    ("3 x 5 at 90 % of recent best", "3 x 5 at 90 % of recent best"),
    ("3 x 8 at bodyweight + 10 kg", "3 x 8 at bodyweight + 10 kg"),
    ("3 x 8 bw", "3 x 8 at bodyweight"),
    ("3 x 30 s", "3 x 30 s"),
    ("3 x 1.5 min", "3 x 90 s"),
    ("30, 30, 45 s", "30 s, 30 s, 45 s"),
    ("4 x 20 m at 60 kg", "4 x 20 m at 60 kg"),
    ("AMRAP at 60 kg", "1 x AMRAP at 60 kg"),
    ("3 x 10 each side at 20 kg", "3 x 10 each side at 20 kg"),
    ("3 x 5 at 140 kg @ RPE 8", "3 x 5 at 140 kg @ RPE 8"),
    ("3 x 5 @ RPE 8 at 140 kg", "3 x 5 at 140 kg @ RPE 8"),
    ("3 x 5 at 140 kg, rest 3 min", "3 x 5 at 140 kg, rest 3 min"),
    ("3 x 5 at 140 kg rest 2:30", "3 x 5 at 140 kg, rest 150 s"),
    ("3 x 5 at 140 kg, note: pause, then go # 1!", "3 x 5 at 140 kg, note pause, then go # 1!"),
]


@pytest.mark.parametrize(("typed", "printed"), CANONICAL)
def test_what_lifters_write_is_read_and_shown_in_one_form(typed: str, printed: str) -> None:
    assert print_prescription(parse(typed, "kg")) == printed


def test_a_bare_load_is_in_the_unit_of_the_reader_and_keeps_it() -> None:
    read = parse("3 x 5 at 225", "lb")
    assert read.groups[0].load == LoadTarget("load", plus=Mass(Decimal(225), "lb"))
    assert parse(str(read), "kg") == read


def test_a_comma_between_digits_is_decimal_in_a_load_and_a_list_in_repetitions() -> None:
    read = parse("5,5,3 at 82,5 kg", "kg")
    assert [amount.low for amount in read.groups[0].sets] == [5, 5, 3]
    assert read.groups[0].load == LoadTarget("load", plus=Mass(Decimal("82.5"), "kg"))


def test_effort_scales_agree_in_the_middle_of_their_range() -> None:
    assert parse("3 x 5 @ RPE 7-8").groups[0].effort.rir == 2.5  # type: ignore[union-attr]
    assert parse("3 x 5 leaving 2-3").groups[0].effort.rir == 2.5  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("typed", "position", "words"),
    [
        ("", 0, "empty"),
        ("   ", 3, "empty"),
        ("hello", 0, "Expected sets and repetitions"),
        ("3 x 5 x 100", 6, "leave open which is the load"),
        ("100 kg x 5 x 3", 9, "one set"),
        ("3 x 5 at 8", 9, "RPE 8 or 8 kg"),
        ("3 x 5 at 100-110 kg", 9, "one load"),
        ("3 x 5 @ RPE 11", 8, "5 to 10"),
        ("3 x 5 @ RPE 8.2", 8, "halves"),
        ("3 x 5 at 90 % of top set", 17, "first group"),
        ("3 x 5 at -10 %", 9, "something to start from"),
        ("3 x 10-8", 4, "8-10"),
        ("31 x 5", 0, "1 to 30"),
        ("3 x 5.5 at 100 kg", 4, "whole number"),
        ("3 x 0", 4, "from 1 to"),
        ("3 x 5 at 1200 kg", 9, "1000 kg"),
        ("3 x 5 at 0 kg", 9, "not a load"),
        ("3 x 5 at 250 %", 9, "200 %"),
        ("3 x 5,", 5, "missing after the comma"),
        ("3 x 5 slowly", 6, "not understood"),
        ("3 x 5 ☃", 6, "no meaning"),
        ("3 x 5, note", 7, "empty"),
        ("3 x 5 at 100 kg, rest 3", 23, "min or s"),
        ("3 x 5 at bodyweight - 10 kg", 9, "Assistance"),
        ("3 x 5 at recent", 15, "“best”"),
        ("3 x 5, 30 s then", 16, "Expected sets"),
        ("3 x 5 at 1,2,3 kg", 9, "not a number"),
        ("3 x 5 at 100.0001 kg", 9, "three decimals"),
        ("3 x 5, note " + "a" * MOST_TEXT, 212, "too long"),
    ],
)
def test_what_is_not_understood_says_where_and_what_is(typed: str, position: int, words: str) -> None:
    with pytest.raises(PrescriptionError, match=words) as caught:
        parse(typed, "kg")
    assert caught.value.position == position
    assert str(caught.value).startswith(f"Character {position + 1}: ")


def test_every_example_in_the_help_sentence_is_understood() -> None:
    for example in UNDERSTOOD.removeprefix("Understood are, for example: ").rstrip(".").split("; "):
        assert print_prescription(parse(example, "kg"))


# --- generated prescriptions and generated text ------------------------------------------------------


def decimals(low: int, high: int, places: int = 2) -> st.SearchStrategy[Decimal]:
    scale = 10**places
    return st.integers(low * scale, high * scale).map(lambda n: Decimal(n) / scale)


def masses(low: int = 1) -> st.SearchStrategy[Mass]:
    return st.builds(Mass, decimals(low, 400), st.sampled_from(["kg", "lb"]))


@st.composite
def amounts(draw: st.DrawFn, kind: AmountKind) -> Amount:
    low = draw(st.integers(1, MOST[kind]))
    high = draw(st.just(low) | st.integers(low, MOST[kind]))
    return Amount(low, high, kind, draw(st.booleans()))


@st.composite
def loads(draw: st.DrawFn, follows: bool) -> LoadTarget:
    base: Base = draw(st.sampled_from([b for b in get_args(Base) if follows or b != "top set"]))
    if base == "load":
        return LoadTarget(base, plus=draw(masses()))
    if base == "bodyweight":
        return LoadTarget(base, plus=draw(st.none() | masses()))
    percent = draw(st.just(Decimal(100)) | decimals(1, 199))
    if draw(st.booleans()):
        return LoadTarget(base, percent, percent + draw(decimals(0, 1)) + Decimal("0.01"))
    plus = draw(st.none() | masses())
    if plus is not None and draw(st.booleans()):
        plus = Mass(-plus.value, plus.unit)
    return LoadTarget(base, percent, None, plus)


@st.composite
def efforts(draw: st.DrawFn) -> Effort:
    scale = draw(st.sampled_from(["RPE", "RIR"]))
    low = draw(st.integers(10 if scale == "RPE" else 0, 20))
    high = draw(st.integers(low, 20))
    return Effort(scale, Decimal(low) / 2, Decimal(high) / 2)


@st.composite
def groups(draw: st.DrawFn, follows: bool) -> SetGroup:
    kind = draw(st.sampled_from(get_args(AmountKind)))
    one = amounts(kind)
    sets = draw(
        st.lists(one, min_size=1, max_size=4).map(tuple) | st.tuples(one, st.integers(1, 8)).map(_repeat)
    )
    load = draw(st.none() | loads(follows))
    return SetGroup(sets, load, draw(st.none() | efforts()), draw(st.booleans()))


def _repeat(pair: tuple[Amount, int]) -> tuple[Amount, ...]:
    return (pair[0],) * pair[1]


@st.composite
def prescriptions(draw: st.DrawFn) -> Prescription:
    first = draw(groups(follows=False))
    rest = draw(st.lists(groups(follows=True), max_size=2))
    words = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=8)
    note = " ".join(draw(st.lists(words, max_size=3))).removeprefix(":").strip()
    return Prescription((first, *rest), draw(st.none() | st.integers(0, 3600)), note)


@given(prescriptions(), st.sampled_from(["kg", "lb"]))
def test_a_printed_prescription_is_read_back_as_itself(written: Prescription, unit: str) -> None:
    text = print_prescription(written)
    if len(text) > MOST_TEXT:
        with pytest.raises(PrescriptionError, match="too long"):
            parse(text, unit)  # type: ignore[arg-type]
        return
    assert parse(text, unit) == written  # type: ignore[arg-type]
    assert print_prescription(parse(text, unit)) == text  # type: ignore[arg-type]


FRAGMENTS = (
    "3|5|8-10|5+|x|×|at|@|RPE|7|leaving|2|then|,|;|82,5|%|kg|lb|recent best|baseline|+|-|top set|of|"
    "each side|rest|min|s|m|note|AMRAP|100|e1RM|RIR|in reserve|bodyweight"
)
WORDS = st.sampled_from(FRAGMENTS.split("|"))


@given(st.lists(WORDS, max_size=12).map(" ".join) | st.text(max_size=30))
def test_any_text_is_read_or_refused_with_a_place_in_it(typed: str) -> None:
    failure: PrescriptionError | None = None
    try:
        read = parse(typed, "kg")
    except PrescriptionError as error:
        failure = error
    if failure is None:
        assert parse(print_prescription(read), "lb") == read
    else:
        assert 0 <= failure.position <= len(typed)
        assert failure.sentence.endswith((".", "…"))
