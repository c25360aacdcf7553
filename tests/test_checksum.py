"""Checksums against published vectors. Sources beside each."""

import hashlib

import pytest

from offload.checksum import (
    Hasher,
    Hashers,
    c4_digest,
    c4_id,
    digest_from_text,
    digest_of,
    digest_text,
)


def sanity_buffer(length: int) -> bytes:
    """The test buffer of the xxHash repository's sanity check."""
    state = 2654435761
    out = bytearray()
    for _ in range(length):
        out.append(state >> 56)
        state = state * 11400714785074694797 % 2**64
    return bytes(out)


# xxHash repository, sanity-check table (seed 0).
XXH = [
    ("xxh32", 0, "02cc5d05"),
    ("xxh32", 1, "cf65b03e"),
    ("xxh32", 14, "1208e7e2"),
    ("xxh32", 222, "5bd11dbd"),
    ("xxh64", 0, "ef46db3751d8e999"),
    ("xxh64", 1, "e934a84adb052768"),
    ("xxh64", 4, "9136a0dca57457ee"),
    ("xxh64", 14, "8282dcc4994e35c8"),
    ("xxh64", 222, "b641ae8cb691c174"),
    ("xxh3", 0, "2d06800538d394c2"),
    ("xxh3", 1, "c44bdff4074eecdb"),
    ("xxh3", 6, "27b56a84cd2d7325"),
    ("xxh3", 12, "a713daf0dfbb77e7"),
    ("xxh3", 24, "a3fe70bf9d3510eb"),
    ("xxh3", 48, "397da259ecba1f11"),
    ("xxh3", 403, "cdeb804d65c6dea4"),
    ("xxh3", 512, "617e49599013cb6b"),
    ("xxh3", 2048, "dd59e2c3a5f038e0"),
    ("xxh3", 2240, "6e73a90539cf2948"),
    ("xxh3", 2367, "cb37aeb9e5d361ed"),
    ("xxh128", 0, "99aa06d3014798d86001c324468d497f"),
    ("xxh128", 1, "a6cd5e9392000f6ac44bdff4074eecdb"),
    ("xxh128", 6, "082afe0b8162d12a3e7039bdda43cfc6"),
    ("xxh128", 12, "6e3efd8fc7802b18061a192713f69ad9"),
    ("xxh128", 24, "0ce966e4678d37611e7044d28b1b901d"),
    ("xxh128", 48, "a002ac4e5478227ef942219aed80f67b"),
    ("xxh128", 222, "337e09641b948717f1aebd597cec6b3a"),
    ("xxh128", 403, "1b6de21e332dd73dcdeb804d65c6dea4"),
    ("xxh128", 512, "18d2d110dcc9bca1617e49599013cb6b"),
    ("xxh128", 2048, "f736557fd47073a5dd59e2c3a5f038e0"),
    ("xxh128", 2240, "ccb134fbfa7ce49d6e73a90539cf2948"),
    ("xxh128", 2367, "e89c0f6ff369b427cb37aeb9e5d361ed"),
]

# RFC 1321 A.5, RFC 3174 7.3, FIPS 180-4 examples.
M56 = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"
TEXTS = [
    ("md5", b"", "d41d8cd98f00b204e9800998ecf8427e"),
    ("md5", b"abc", "900150983cd24fb0d6963f7d28e17f72"),
    ("md5", b"message digest", "f96b697d7cb7938d525a2f31aaf161d0"),
    ("sha1", b"abc", "a9993e364706816aba3e25717850c26c9cd0d89d"),
    ("sha1", M56, "84983e441c3bd26ebaae4aa1f95129e5e54670f1"),
    ("sha1", b"a" * 1_000_000, "34aa973cd4c4daa4f61eeb2bdbad27316534016f"),
    ("sha256", b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    ("sha256", b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    ("sha256", M56, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"),
    (
        "sha512",
        b"abc",
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
        "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
    ),
]

# Published C4 test data (the wording of SMPTE ST 2114 posted with it).
C4 = [
    (
        b"",
        "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT",
    ),
    (
        b"alfa",
        "c43zYcLni5LF9rR4Lg4B8h3Jp8SBwjcnyyeh4bc6gTPHndKuKdjUWx1kJPYhZxYt3zV6tQXpDs2shPsPYjgG81wZM1",
    ),
    (
        b"hello world",
        "c41yP4cqy7jmaRDzC2bmcGNZkuQb3VdftMk6YH7ynQ2Qw4zktKsyA9fk52xghNQNAdkpF9iFmFkKh2bNVG4kDWhsok",
    ),
    (
        b"foo",
        "c45xZeXwMSpqXjpDumcHMA6mhoAmGHkUo7r9WmN2UgSEQzj9KjgseaQdkEJ11fGb5S1WEENcV3q8RFWwEeVpC7Fjk2",
    ),
]


@pytest.mark.parametrize(("name", "length", "expected"), XXH)
def test_xxhash_sanity_table(name: str, length: int, expected: str) -> None:
    data = sanity_buffer(length)
    assert digest_text(name, digest_of(name, data)) == expected
    hasher = Hasher(name)
    for start in range(0, length, 7):  # in odd pieces
        hasher.update(data[start : start + 7])
    assert hasher.text() == expected


@pytest.mark.parametrize(("name", "data", "expected"), TEXTS)
def test_published_digests(name: str, data: bytes, expected: str) -> None:
    assert Hasher(name).text() != expected or not data
    assert digest_text(name, digest_of(name, data)) == expected
    assert digest_from_text(name, expected.upper()) == bytes.fromhex(expected)


@pytest.mark.parametrize(("data", "expected"), C4)
def test_published_c4_ids(data: bytes, expected: str) -> None:
    assert digest_text("c4", digest_of("c4", data)) == expected
    assert c4_digest(expected) == hashlib.sha512(data).digest()


@pytest.mark.parametrize(
    ("digest", "expected"),
    [
        (bytes(64), "c4" + "1" * 88),
        (bytes(63) + b"\x01", "c4" + "1" * 87 + "2"),
        (
            b"\xff" * 64,
            "c467rpwLCuS5DGA8KGZXKsVQ7dnPb9goRLoKfgGbLfQg9WoLUgNY77E2jT11fem3coV9nAkguBACzrU1iyZM4B8roQ",
        ),
    ],
)
def test_c4_at_its_limits(digest: bytes, expected: str) -> None:
    assert c4_id(digest) == expected  # published C4 test data; the middle one worked out by hand
    assert c4_digest(expected) == digest


@pytest.mark.parametrize(
    "text",
    ["c4" + "1" * 87, "c4" + "1" * 89, "c4" + "0" * 88, "C4" + "1" * 88, "c4" + "z" * 88, ""],
)
def test_c4_refuses_what_is_none(text: str) -> None:
    with pytest.raises(ValueError, match="C4"):
        c4_digest(text)


def test_unknown_name_lists_what_there_is() -> None:
    with pytest.raises(ValueError, match="xxh128"):
        Hasher("crc32")


def test_several_fed_together_agree_with_each_alone() -> None:
    data = sanity_buffer(5000)
    together = Hashers(["xxh128", "c4", "md5", "xxh128"])
    together.update(data[:1234])
    together.update(memoryview(data)[1234:])
    assert together.digests() == {name: digest_of(name, data) for name in ("xxh128", "c4", "md5")}


@pytest.mark.parametrize("text", ["ab " * 16, "0" * 31, "0" * 33, "0x" + "0" * 30, "zz" * 16, ""])
def test_hex_of_another_form_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="md5"):
        digest_from_text("md5", text)
