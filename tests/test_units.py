"""Lengths and closure sizes: what is taken, what is refused and with which words, and how lengths are printed."""

from __future__ import annotations

import unicodedata
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from placecheck.errors import UsageProblem
from placecheck.units import (
    CIRCUMFERENCE_MM,
    CLOSURE_MM,
    MM_PER_INCH,
    ClosureSize,
    mm_and_inches,
    parse_card_bars_mm,
    parse_circumference_mm,
    parse_closure,
    parse_length_mm,
    sixteenths,
)


def refused(parse, text: str) -> UsageProblem:
    with pytest.raises(UsageProblem) as caught:
        parse(text)
    message = caught.value.problem.message
    assert "\n" not in message
    assert message.endswith((".", "?"))
    return caught.value


def test_inch_is_the_international_inch():
    # international yard and pound agreement, 1959: 1 in = 25.4 mm exactly; ISO/IEC 7810 ID-1 is 85.60 mm = 3.370 in
    assert parse_length_mm("1in") == 25.4
    assert parse_length_mm("3.370in") == pytest.approx(85.60, abs=0.005)


@pytest.mark.parametrize("sign", "¼½¾⅛⅜⅝⅞⅓⅔")
def test_signs_of_fractions_are_worth_what_unicode_says(sign):
    assert parse_length_mm(f"22{sign}in") == pytest.approx((22 + unicodedata.numeric(sign)) * 25.4)
    assert parse_length_mm(sign) == pytest.approx(unicodedata.numeric(sign) * 25.4)


def test_tapes_of_blocks_that_are_sold_and_no_others():
    """Child to extra large, 19 to 26 1/4 in (common practice, no published source)."""
    assert parse_circumference_mm("19in") == pytest.approx(482.6)
    assert parse_circumference_mm("26 1/4in") == pytest.approx(666.75)
    for text in ("18 3/4in", "26 1/2in"):
        assert refused(parse_circumference_mm, text).problem.code == "length-beyond-any-head"


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("22.75in", 577.85),
        ("22.75 in", 577.85),
        ("22 3/4 in", 577.85),
        ("22 3/4", 577.85),
        ("22¾", 577.85),
        ("22-3/4in", 577.85),
        ('22 3/4"', 577.85),
        ("22¾in", 577.85),
        ("22 ¾ inches", 577.85),
        ("57.8 cm", 578.0),
        ("57,8cm", 578.0),
        ("578mm", 578.0),
        ("  578 MM ", 578.0),
    ],
)
def test_lengths_as_people_write_them(text, mm):
    assert parse_circumference_mm(text) == pytest.approx(mm)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("57", "length-without-unit"),
        ("57in", "length-beyond-any-head"),
        ("22.75cm", "length-beyond-any-head"),
        ("0cm", "length-beyond-any-head"),
        ("", "length-unreadable"),
        ("in", "length-unreadable"),
        ("-22in", "length-unreadable"),
        ("22 5/4in", "length-unreadable"),
        ("3/0in", "length-unreadable"),
        ("22.75.1in", "length-unreadable"),
        ("1e3mm", "length-unreadable"),
        ("22 feet", "length-unreadable"),
        ("٥٧cm", "length-unreadable"),
        ("nan in", "length-unreadable"),
    ],
)
def test_refused_lengths(text, code):
    assert refused(parse_circumference_mm, text).problem.code == code


def test_inches_or_centimetres_is_asked_and_the_likely_unit_named():
    assert "did you mean 57cm?" in refused(parse_circumference_mm, "57").problem.message
    assert "did you mean 22.5in?" in refused(parse_circumference_mm, " 22,5 ").problem.message
    assert "57in" not in refused(parse_circumference_mm, "57").problem.message
    assert "inches or centimetres?" in refused(parse_circumference_mm, "12").problem.message
    assert "57cm" in refused(parse_circumference_mm, "57in").problem.message
    assert "22.75in" in refused(parse_circumference_mm, "22.75cm").problem.message
    assert refused(parse_circumference_mm, "57").exit_status == 2


def test_any_tape_reading_of_a_head_is_taken_in_either_unit():
    # Pheasant's British heads and ANSUR II means (from memory): circumferences of adults lie between 500 and 640 mm
    for mm in range(500, 641, 5):
        assert parse_circumference_mm(f"{mm / 10:g}cm") == pytest.approx(mm)
        assert parse_circumference_mm(f"{mm / MM_PER_INCH:.4f}in") == pytest.approx(mm, abs=0.01)


@given(whole=st.integers(19, 26), sixteenth=st.integers(0, 15), sep=st.sampled_from([" ", "-"]))
def test_fractions_read_exactly(whole, sixteenth, sep):
    exact = (whole + Fraction(sixteenth, 16)) * Fraction(254, 10)
    text = f"{whole}in" if sixteenth == 0 else f"{whole}{sep}{sixteenth}/16 in"
    assert parse_length_mm(text) == pytest.approx(float(exact), rel=1e-12)


@given(
    text=st.one_of(
        st.text(max_size=30),
        st.text("0123456789 ./,-x×\"'incm½¾", max_size=14),
        st.from_regex(r"[0-9]{1,3}[ .,/x-][0-9]{1,3}"),
    ),
    parse=st.sampled_from([parse_circumference_mm, parse_closure, parse_card_bars_mm]),
)
def test_any_text_is_a_sane_length_or_one_sentence(text, parse):
    try:
        value = parse(text)
    except UsageProblem as error:
        sentence = error.problem.message
    else:
        sentence = None
        if parse is parse_circumference_mm:
            assert CIRCUMFERENCE_MM[0] <= value <= CIRCUMFERENCE_MM[1]
        elif parse is parse_closure:
            assert all(CLOSURE_MM[0] <= side <= CLOSURE_MM[1] for side in (value.width_mm, value.length_mm))
    assert sentence is None or sentence.endswith((".", "?"))


@given(value=st.floats(481, 669), unit=st.sampled_from([("mm", 1), ("cm", 10), ("in", 25.4)]))
def test_units_agree(value, unit):
    name, factor = unit
    assert parse_circumference_mm(f"{value / factor:.6f}{name}") == pytest.approx(value, abs=1e-4)


@pytest.mark.parametrize(
    ("text", "width", "length"),
    [
        ("5x5", 127.0, 127.0),
        ("4x4", 101.6, 101.6),
        ("13x4", 330.2, 101.6),
        ("2x6", 50.8, 152.4),
        ("5 x 5 in", 127.0, 127.0),
        ("5 × 5", 127.0, 127.0),
        ("5X5", 127.0, 127.0),
        ("12.7x12.7cm", 127.0, 127.0),
        ("127x127mm", 127.0, 127.0),
        ("5in x 127mm", 127.0, 127.0),
        ("12.7cm x 10", 127.0, 100.0),
        ("4½x4½", 114.3, 114.3),
        ("4 1/2 x 5 1/2 in", 114.3, 139.7),
    ],
)
def test_closure_sizes(text, width, length):
    size = parse_closure(text)
    assert (size.width_mm, size.length_mm) == pytest.approx((width, length))
    assert parse_closure(size.label) == size


@pytest.mark.parametrize(
    ("text", "same"),
    [("5x5in", True), ("12.7x12.7cm", True), ("127.9x127mm", True), ("5x13cm", False), ("5x4", False), ("4x5", False)],
)
def test_one_size_however_it_was_written(text, same):
    assert parse_closure(text).same_as(parse_closure("5x5")) == same


@pytest.mark.parametrize("text", ["5", "x5", "5x", "5x5x5", "fivexfive", "5x5 furlongs"])
def test_refused_closures(text):
    assert refused(parse_closure, text).problem.code == "closure-unreadable"


def test_every_size_that_is_sold_is_taken():
    assert parse_closure("1x16") == ClosureSize(25.4, 16 * 25.4, "1x16")


@pytest.mark.parametrize("text", ["127x127", "0x5", "5x0.5", "50x5cm", "17x4"])
def test_closures_beyond_any(text):
    assert refused(parse_closure, text).problem.code == "closure-beyond-any"


def test_card_bars():
    assert parse_card_bars_mm("99.2x99.5") == (99.2, 99.5)
    assert parse_card_bars_mm("9.92x9.95cm") == pytest.approx((99.2, 99.5))
    assert refused(parse_card_bars_mm, "99.2").problem.code == "card-bars-unreadable"
    assert parse_card_bars_mm("3 15/16x3 15/16") == pytest.approx((100.0125, 100.0125))  # no tape has 1/16 mm
    assert parse_card_bars_mm("85.1x114.9") == (85.1, 114.9)
    for text in ("20x20", "84.9x99", "99x115.1"):  # beyond 15 %, and be it one of the two
        assert refused(parse_card_bars_mm, text).problem.code == "card-bars-beyond"


@pytest.mark.parametrize(
    ("mm", "text"),
    [
        (0.5, "less than 1/16 in"),
        (1.6, "1/16 in"),
        (3.2, "1/8 in"),
        (-3.2, "1/8 in"),
        (6.35, "1/4 in"),
        (25.2, "1 in"),
        (25.4, "1 in"),
        (30.2, "1 3/16 in"),
    ],
)
def test_sixteenths(mm, text):
    assert sixteenths(mm) == text


@given(st.floats(0.8, 300))
def test_printed_fraction_is_the_nearest_sixteenth(mm):
    words = sixteenths(mm).removesuffix(" in").removeprefix("less than ").split()
    value = sum((Fraction(word) for word in words), Fraction(0))
    assert abs(float(value) * MM_PER_INCH - mm) <= MM_PER_INCH / 32 + 1e-9


def test_bench_length_has_both():
    assert mm_and_inches(-6.5) == "6.5 mm (1/4 in)"


@given(st.floats(0, 300))
def test_one_length_has_one_fraction(mm):
    """That of the tenths shown: 5.55 and 5.64 mm both read 5.6 mm, so both 1/4 in, which 5.6 is nearest to."""
    shown = mm_and_inches(mm).split(" mm ")[0]
    assert mm_and_inches(mm) == mm_and_inches(float(shown))
    assert mm_and_inches(5.551) == mm_and_inches(5.64) == "5.6 mm (1/4 in)"
