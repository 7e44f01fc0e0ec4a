"""Vehicle identification numbers against the printed examples of the rule that made them."""

import hashlib
import hmac

import pytest

from service.domain.vin import check_digit, plain_vin, vin_hash, vin_notes


def codes(vin: str) -> list[str]:
    return [note.code for note in vin_notes(vin)]


@pytest.mark.parametrize(
    ("number", "digit"),
    [
        ("1G4AH59H_5G118341", "4"),  # 49 CFR 565, table V: 411 / 11 leaves 4
        ("1M8GDM9A_KP042788", "X"),  # the example most explanations of the rule print: 351 / 11 leaves 10
        ("1J9RP1A3_A1644345", "6"),  # the agency's outline for new manufacturers: 314 / 11 leaves 6
    ],
)
def test_the_check_digit_is_that_of_the_printed_examples(number, digit):
    assert check_digit(number.replace("_", "0")) == digit
    assert codes(number.replace("_", digit)) == []


def test_a_wrong_check_digit_is_noted_where_one_is_required():
    assert codes("1G4AH59H55G118341") == ["vin-check-digit"]


def test_a_car_from_elsewhere_needs_no_check_digit():
    assert codes("WG4AH59H55G118341") == []


@pytest.mark.parametrize("letter", "IOQ")
def test_letters_that_read_like_digits_are_noted(letter):
    assert codes(f"1G4AH59H45G11834{letter}") == ["vin-letters"]


def test_another_length_is_noted():
    assert codes("AB-1234") == ["vin-length"]


def test_spaces_hyphens_and_case_make_no_other_car():
    assert plain_vin(" 1g4ah59h4-5g118341\t") == "1G4AH59H45G118341"
    assert vin_hash("1g4 ah", b"k") == vin_hash("1G4-AH", b"k")


def test_the_hash_is_hmac_sha256_under_the_key():
    assert vin_hash("AB1", b"k") == hmac.digest(b"k", b"AB1", hashlib.sha256)
    assert vin_hash("AB1", b"k") != vin_hash("AB1", b"other")
