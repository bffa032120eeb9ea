"""The event chain recomputed by means of its own: another SHA-256, another canonical form, another program.

SHA-256 is FIPS 180-4; the canonical form is RFC 8785, whose number samples (appendix B) and object samples
(3.2.2, 3.2.3) stand here. The chain is taken from the printed lines of a replay, with nothing of ours but the
rule: SHA-256 of the hash before and the canonical event without hash, prev and at.
"""

import hashlib
import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import rfc8785
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from shared.chain import ZERO, event_hash
from station.cli import main

TRACES = Path(__file__).parents[1] / "data" / "traces"


# ---- SHA-256 after FIPS 180-4, sections 4.1.2, 4.2.2, 5 and 6.2

MASK = 0xFFFF_FFFF


def _primes(count: int) -> list[int]:
    found: list[int] = []
    number = 2
    while len(found) < count:
        if all(number % prime for prime in found):
            found.append(number)
        number += 1
    return found


def _root_bits(prime: int, power: int) -> int:
    """The first 32 bits of the fraction of a prime's square or cube root, in whole numbers only."""
    low, high = 0, prime << 32
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if middle**power <= prime << 32 * power else (low, middle - 1)
    return low & MASK


def _turn(word: int, by: int) -> int:
    return (word >> by | word << 32 - by) & MASK


def sha256(data: bytes) -> str:
    """FIPS 180-4 written out."""
    state = [_root_bits(prime, 2) for prime in _primes(8)]
    constants = [_root_bits(prime, 3) for prime in _primes(64)]
    padded = data + b"\x80" + bytes(-(len(data) + 9) % 64) + struct.pack(">Q", 8 * len(data))
    for start in range(0, len(padded), 64):
        w = list(struct.unpack(">16I", padded[start : start + 64]))
        for t in range(16, 64):
            low = _turn(w[t - 15], 7) ^ _turn(w[t - 15], 18) ^ w[t - 15] >> 3
            high = _turn(w[t - 2], 17) ^ _turn(w[t - 2], 19) ^ w[t - 2] >> 10
            w.append((w[t - 16] + low + w[t - 7] + high) & MASK)
        a, b, c, d, e, f, g, h = state
        for constant, word in zip(constants, w, strict=True):
            choose, majority = e & f ^ ~e & g, a & b ^ a & c ^ b & c
            first = h + (_turn(e, 6) ^ _turn(e, 11) ^ _turn(e, 25)) + choose + constant + word
            second = (_turn(a, 2) ^ _turn(a, 13) ^ _turn(a, 22)) + majority
            a, b, c, d, e, f, g, h = (first + second) & MASK, a, b, c, (d + first) & MASK, e, f, g
        state = [(old + new) & MASK for old, new in zip(state, (a, b, c, d, e, f, g, h), strict=True)]
    return "".join(f"{word:08x}" for word in state)


# ---- the canonical form after RFC 8785


def _number(value: float) -> str:
    """ECMAScript's number to string (RFC 8785, 3.2.2.3), from the shortest digits that Python prints."""
    if value == 0:
        return "0"
    mantissa, _, exponent = f"{abs(value)!r}".partition("e")
    before, _, after = mantissa.partition(".")
    digits = (before + after).lstrip("0").rstrip("0")
    point = int(exponent or 0) + len(before) - (len(before + after) - len((before + after).lstrip("0")))
    count = len(digits)
    if count <= point <= 21:
        text = digits + "0" * (point - count)
    elif 0 < point <= 21:
        text = f"{digits[:point]}.{digits[point:]}"
    elif -6 < point <= 0:
        text = "0." + "0" * -point + digits
    else:
        power = point - 1
        text = (
            digits[0] + ("." + digits[1:] if count > 1 else "") + f"e{'+' if power > 0 else '-'}{abs(power)}"
        )
    return ("-" if value < 0 else "") + text


def canonical(value: Any) -> str:
    """RFC 8785 written out: keys in order of their UTF-16 units, numbers as ECMAScript writes them."""
    if isinstance(value, dict):
        keys = sorted(value, key=lambda key: key.encode("utf-16-be"))
        return "{" + ",".join(f"{canonical(key)}:{canonical(value[key])}" for key in keys) + "}"
    if isinstance(value, list):
        return "[" + ",".join(canonical(item) for item in value) + "]"
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return _number(float(value))


# ---- what stands above, against the standards

VECTORS = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
]


@pytest.mark.parametrize(("data", "digest"), VECTORS)
@pytest.mark.parametrize("function", [sha256, lambda data: hashlib.sha256(data).hexdigest()])
def test_sha256_is_the_vector_when_its_message_is_hashed(
    function: Callable[[bytes], str], data: bytes, digest: str
) -> None:
    """The two SHA-256 of this file give the vectors published with FIPS 180-4."""
    assert function(data) == digest


NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
    ("43143ff3c1cb0959", "1424953923781206.2"),
]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_hash_covers_numbers_as_the_standard_writes_them_when_hashed(bits: str, text: str) -> None:
    """Every sample of RFC 8785, appendix B, is hashed in exactly its published form."""
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    covered = f'{ZERO}{{"v":{text}}}'.encode()
    assert event_hash(ZERO, {"v": number}) == hashlib.sha256(covered).hexdigest()
    assert canonical({"v": number}) == f'{{"v":{text}}}'


OBJECTS = [
    pytest.param(
        r'{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        r' "string": "\u20ac$\u000F\u000aA' + "'" + r'\u0042\u0022\u005c\\\"\/",'
        r' "literals": [null, true, false]}',
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        + r'"string":"€$\u000f\nA' + "'" + r'B\"\\\\\"/"}',
        id="literals, numbers and strings (3.2.2)",
    ),
    pytest.param(
        r'{"\u20ac": 1, "\r": 2, "\ufb33": 3, "1": 4, "\ud83d\ude00": 5, "\u0080": 6, "\u00f6": 7}',
        '{"\\r":2,"1":4,"\u0080":6,"ö":7,"€":1,"😀":5,"\ufb33":3}',
        id="order of keys (3.2.3)",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("source", "form"), OBJECTS)
def test_hash_covers_objects_as_the_standard_writes_them_when_hashed(source: str, form: str) -> None:
    """The samples of RFC 8785, 3.2.2 and 3.2.3, are hashed in their canonical form, in UTF-8."""
    fields = json.loads(source)
    assert event_hash(ZERO, fields) == hashlib.sha256((ZERO + form).encode()).hexdigest()
    assert canonical(fields) == form


def test_hash_of_nothing_covers_an_empty_object_when_only_outside_fields_are_given() -> None:
    """hash, prev and at stay outside: what is left of such an event is an empty object."""
    outside = {"hash": "x", "prev": "y", "at": "2026-03-02T08:30:00Z"}
    assert event_hash(ZERO, outside) == sha256(ZERO.encode() + b"{}")


# ---- the printed chain

LINES = CliRunner().invoke(main, ["replay", str(TRACES / "fan-dies.csv")]).stdout.splitlines()


def by_library(value: Any) -> bytes:
    """The canonical form of the rfc8785 package."""
    return rfc8785.dumps(value)


def by_hand(value: Any) -> bytes:
    """The canonical form of this file."""
    return canonical(value).encode()


@pytest.mark.parametrize("form", [by_library, by_hand])
@pytest.mark.parametrize("digest", [sha256, lambda data: hashlib.sha256(data).hexdigest()])
def test_printed_chain_holds_when_another_program_recomputes_it(
    form: Callable[[Any], bytes], digest: Callable[[bytes], str]
) -> None:
    """From the printed lines alone, each hash follows from the one before, starting with zeros."""
    assert len(LINES) > 15
    prev = "0" * 64
    for seq, line in enumerate(LINES, start=1):
        event = json.loads(line)
        covered = {key: value for key, value in event.items() if key not in ("hash", "prev", "at")}
        found = digest(prev.encode("ascii") + form(covered))
        assert (event["seq"], event["prev"], event["hash"]) == (seq, prev, found)
        prev = found


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=4), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from(["kind", "unit", "values", "é", "😀", "\ufb33"]), json_values))
def test_hash_is_that_of_the_other_canonical_form_whatever_the_event(fields: dict[str, Any]) -> None:
    """Any JSON object is hashed over the form that this file writes by hand."""
    assert event_hash(ZERO, fields) == hashlib.sha256(ZERO.encode() + by_hand(fields)).hexdigest()
