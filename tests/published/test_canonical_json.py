"""RFC 8785 (JSON Canonicalization Scheme): the tables and examples printed in the RFC."""

from __future__ import annotations

import json
import struct

import pytest
import rfc8785

from edge.keep import chain, minutes

# RFC 8785, appendix B: IEEE 754 bits (hex) -> ECMAScript text. The rows that are no numbers (NaN, Infinity) are below.
NUMBERS = {
    "0000000000000000": "0",
    "8000000000000000": "0",
    "0000000000000001": "5e-324",
    "8000000000000001": "-5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308",
    "ffefffffffffffff": "-1.7976931348623157e+308",
    "4340000000000000": "9007199254740992",
    "c340000000000000": "-9007199254740992",
    "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af5": "9.999999999999997e+22",
    "44b52d02c7e14af6": "1e+23",
    "44b52d02c7e14af7": "1.0000000000000001e+23",
    "444b1ae4d6e2ef4e": "999999999999999700000",
    "444b1ae4d6e2ef4f": "999999999999999900000",
    "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001",
    "41b3de4355555553": "333333333.3333332",
    "41b3de4355555554": "333333333.33333325",
    "41b3de4355555555": "333333333.3333333",
    "41b3de4355555556": "333333333.3333334",
    "41b3de4355555557": "333333333.33333343",
    "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}

# RFC 8785, section 3.2.2: the example input, and 3.2.4: its canonical bytes.
EXAMPLE = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
EXAMPLE_BYTES = bytes.fromhex(
    "7b226c69746572616c73223a5b6e756c6c2c747275652c66616c73655d2c226e756d62657273223a5b3333333333333333332e333333333333"
    "332c31652b33302c342e352c302e3030322c31652d32375d2c22737472696e67223a22e282ac245c75303030665c6e4127425c225c5c5c5c5c"
    "222f227d"
)

# RFC 8785, section 3.2.3: sorting by UTF-16 code units.
SORTED_IN = {
    "\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One",
    "\U0001f600": "Emoji: Grinning Face", "\u0080": "Control", "\u00f6": "Latin Small Letter O With Diaeresis",
}  # fmt: skip
SORTED_OUT = [
    "Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign", "Emoji: Grinning Face",
    "Hebrew Letter Dalet With Dagesh",
]  # fmt: skip


@pytest.mark.parametrize("bits", NUMBERS)
def test_number_of_appendix_b(bits):
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert rfc8785.dumps(number).decode() == NUMBERS[bits]
    assert chain.canonical({"x": number}) == f'{{"x":{NUMBERS[bits]}}}'
    assert minutes.row_text(("x",), (number,)).decode() == f'{{"x":{NUMBERS[bits]}}}'


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000"])
def test_numbers_that_appendix_b_forbids_are_never_written(bits):
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    with pytest.raises(rfc8785.FloatDomainError):
        rfc8785.dumps(number)
    assert chain.canonical({"x": number}) == '{"x":null}'  # unknown, never a number


def test_the_example_of_the_rfc_byte_for_byte():
    assert chain.canonical(json.loads(EXAMPLE)).encode() == EXAMPLE_BYTES


def test_keys_are_sorted_by_utf_16_code_units():
    assert list(json.loads(chain.canonical(SORTED_IN)).values()) == SORTED_OUT
