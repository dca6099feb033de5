"""Chips by ISO 11784, against what is published about the standard. Sources beside each check."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biobank.core import chip
from custody.core.refusal import Refused


def refused(typed: str, read=chip.read) -> str:
    with pytest.raises(Refused) as no:
        read(typed)
    assert no.value.sentence.endswith(".")
    return no.value.code


def test_thirty_eight_bits_hold_274877906944_numbers():
    """ISO 11784, number field of 38 bits: 274 877 906 944 values (slide on the standard, yumpu 34987219)."""
    assert chip.LARGEST + 1 == 274_877_906_944
    assert chip.read("985274877906943").text == "985274877906943"
    assert refused("985274877906944") == "chip_too_large"


def test_the_bits_stand_where_the_standard_puts_them():
    """Animal flag first, then 14 reserved, 1 for additional data, 10 for the prefix, 38 for the number (same
    slide). The packed number of 999 123456789012 was computed by hand from that layout."""
    assert chip.packed("999123456789012") == 0x8000F9DCBE991A14
    fields = "1" + "0" * 14 + "0" + f"{999:010b}" + f"{123456789012:038b}"
    assert len(fields) == 64 and int(fields, 2) == 0x8000F9DCBE991A14
    assert chip.read("8000F9DCBE991A14").text == "999123456789012"


@given(st.integers(1, 999), st.integers(0, chip.LARGEST))
def test_packing_undoes_unpacking(prefix: int, number: int):
    text = f"{prefix:03d}{number:012d}"
    assert chip.unpacked(chip.packed(text)) == (prefix, number)
    assert chip.read(f"{chip.packed(text):016X}").text == text


@given(st.integers(1, 999), st.integers(0, chip.LARGEST), st.integers(0, 2**14 - 1), st.booleans())
def test_reserved_bits_and_additional_data_change_no_number(prefix, number, reserved, more):
    bits = 1 << 63 | reserved << 49 | int(more) << 48 | prefix << 38 | number
    assert chip.unpacked(bits) == (prefix, number)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("900.215.000.000.000", "maker 900"),  # the shared maker's code, with a block (icar.org, misuse page)
        ("900.215.010.999.999", "maker 900"),
        ("958000000000001", "maker 958"),  # named as makers there, as are 981 and 992
        ("981000000000001", "maker 981"),
        ("992000000000001", "maker 992"),
        ("840003000000001", "country 840"),  # named as countries there, as is 804
        ("276000000000001", "country 276"),  # Germany (slide on the standard)
    ],
)
def test_prefixes_that_are_published_are_taken(typed: str, words: str):
    found = chip.read(typed)
    assert (found.words, found.warnings) == (words, ())
    assert found.text == typed.replace(".", "")


def test_the_registrar_calls_000_and_999_misuse():
    """icar.org, misuse page: any 000 prefix, and use of 999."""
    assert refused("000123456789012") == "chip_prefix"
    assert chip.read("999000000000101").warnings


@pytest.mark.parametrize("typed", ["", "12345", "98512345678901", "9851234567890123", "٩٨٥١٢٣٤٥٦٧٨٩٠١٢٣"])
def test_another_length_is_refused(typed: str):
    assert refused(typed) == "chip_length"


def test_the_letter_o_for_the_digit_0_is_said_plainly():
    with pytest.raises(Refused, match="letter O, which looks like the digit 0"):
        chip.read("98512345678901O")
    assert refused("98512345678901X") == "chip_not_digits"
    assert refused("LA985123456789012") == "chip_not_digits"


def test_ten_bits_can_say_more_than_any_prefix():
    """10 bits hold 0 to 1023; three digits end at 999 (printed form 3 + 12 digits, same sources)."""
    for prefix, code in [(999, None), (1000, "chip_prefix"), (1023, "chip_prefix"), (0, "chip_prefix")]:
        bits = f"{1 << 63 | prefix << 38 | 7:016X}"
        if code:
            assert refused(bits) == code
        else:
            assert chip.read(bits).text == "999000000000007"


def test_a_transponder_that_is_in_no_animal_is_refused():
    assert refused("0000F9DCBE991A14") == "chip_not_an_animal"


def test_older_chips_are_kept_as_read_and_doubted():
    assert chip.older("01C3B5A9F2").text == "01C3B5A9F2" and chip.older("01C3B5A9F2").warnings
    assert chip.older("123 456 789").text == "123456789"
    assert refused("01C3", chip.older) == "chip_length"
    assert refused("01C3B5A9FX", chip.older) == "chip_length"


@given(st.text(max_size=40))
def test_whatever_is_typed_is_a_chip_or_a_sentence(typed: str):
    try:
        assert len(chip.read(typed).text) == chip.DIGITS
    except Refused as no:
        assert no.code.startswith("chip_")
