"""XXH3-128 and XXH64 against the published table.

Source: xxHash repository, cli/xsum_sanity_check.c, commit b2e9dbb (2024-10-15); "abc" from the tests of python-xxhash.
"""

from __future__ import annotations

import hashlib

import pytest
import xxhash
import zstandard

from backupctl.share.hashing import SHA256, XXH3, Hashing, checksum

_P32 = 2654435761
_MASK = (1 << 64) - 1


def sanity_buffer(length: int) -> bytes:
    out, state = bytearray(), _P32
    for _ in range(length):
        out.append(state >> 56)
        state = state * 11400714785074694797 & _MASK
    return bytes(out)


def test_the_buffer_is_the_published_one() -> None:
    assert sanity_buffer(16).hex() == "0052929bb732a3242d00af950eecb893"


@pytest.mark.parametrize(
    ("length", "seed", "expected"),
    [
        (0, 0, "99AA06D3014798D86001C324468D497F"),
        (0, _P32, "92220AE55E14AB505444F7869C671AB0"),
        (1, 0, "A6CD5E9392000F6AC44BDFF4074EECDB"),
        (6, 0, "082AFE0B8162D12A3E7039BDDA43CFC6"),
        (24, 0, "0CE966E4678D37611E7044D28B1B901D"),
        (222, 0, "337E09641B948717F1AEBD597CEC6B3A"),
        (512, 0, "18D2D110DCC9BCA1617E49599013CB6B"),
        (2048, 0, "F736557FD47073A5DD59E2C3A5F038E0"),
        (2367, 0, "E89C0F6FF369B427CB37AEB9E5D361ED"),
        (2367, _P32, "D23AAE4B76C31ECB6F5360AE69C2F406"),
    ],
)
def test_segments_are_found_by_xxh3_128(length: int, seed: int, expected: str) -> None:
    data = sanity_buffer(length)
    assert Hashing(XXH3, seed).of(data).hex() == expected.lower()
    if seed == 0:
        assert checksum(data) == expected.lower()


def test_a_shelf_may_use_sha256() -> None:
    # FIPS 180-4, example "abc".
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert Hashing(SHA256, 5).of(b"abc").hex() == expected == hashlib.sha256(b"abc").hexdigest()
    assert checksum(b"abc") == "06b05ab6733a618578af5f94892f3950"


@pytest.mark.parametrize(
    ("length", "seed", "expected"),
    [
        (0, 0, "EF46DB3751D8E999"),
        (0, _P32, "AC75FDA2929B17EF"),
        (1, 0, "E934A84ADB052768"),
        (1, _P32, "5014607643A9B4C3"),
        (4, 0, "9136A0DCA57457EE"),
        (14, 0, "8282DCC4994E35C8"),
        (222, 0, "B641AE8CB691C174"),
        (222, _P32, "20CB8AB7AE10C14A"),
    ],
)
def test_xxh64(length: int, seed: int, expected: str) -> None:
    assert xxhash.xxh64_hexdigest(sanity_buffer(length), seed=seed) == expected.lower()


@pytest.mark.parametrize("length", [0, 1, 222, 2367])
def test_a_frame_ends_with_the_low_half_of_xxh64(length: int) -> None:
    """RFC 8878, section 3.1.1: Content_Checksum."""
    data = sanity_buffer(length)
    frame = zstandard.ZstdCompressor(level=3, write_checksum=True).compress(data)
    assert frame[-4:] == (xxhash.xxh64_intdigest(data) & 0xFFFFFFFF).to_bytes(4, "little")
