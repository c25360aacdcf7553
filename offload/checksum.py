"""Checksums by their standard names, several fed in one pass, and C4 IDs.

Sources: xxHash specification (seed 0, canonical big-endian text), RFC 1321, RFC 3174, FIPS 180-4,
SMPTE ST 2114 for the C4 ID (SHA-512 in base 58, prefix ``c4``, 90 characters).
"""

import hashlib
import re
from collections.abc import Callable, Iterable
from typing import Protocol

import xxhash

ALPHABET_C4 = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
_C4_DIGITS = 88
_C4_FORM = re.compile(r"c4[1-9A-HJ-NP-Za-km-z]{88}")
_HEX = re.compile(r"[0-9A-Fa-f]+")
_C4_VALUES = {char: value for value, char in enumerate(ALPHABET_C4)}

COMPARE = "xxh128"
"""What copies are compared by, always worked out beside whatever else is asked for: it costs a
memory read and finds accidents; the signature vouches by c4 (design, decision 12)."""


class _State(Protocol):
    def update(self, data: bytes, /) -> None: ...
    def digest(self) -> bytes: ...


def _md5() -> _State:
    return hashlib.md5(usedforsecurity=False)


def _sha1() -> _State:
    return hashlib.sha1(usedforsecurity=False)


# Canonical digests of xxhash are big-endian already, so raw bytes and hex text agree for all.
_ALGORITHMS: dict[str, Callable[[], _State]] = {
    "c4": hashlib.sha512,
    "md5": _md5,
    "sha1": _sha1,
    "sha256": hashlib.sha256,
    "sha512": hashlib.sha512,
    "xxh128": xxhash.xxh3_128,
    "xxh3": xxhash.xxh3_64,
    "xxh32": xxhash.xxh32,
    "xxh64": xxhash.xxh64,
}

NAMES = tuple(sorted(_ALGORITHMS))
"""Every algorithm that can be read; lists from elsewhere may ask for any of them."""


class Hasher:
    """One running checksum. Feeding is sequential; one thread at a time."""

    __slots__ = ("_state", "name")

    def __init__(self, name: str) -> None:
        """
        Raises:
            ValueError: no algorithm of this name; the message lists the ones there are.
        """
        if name not in _ALGORITHMS:
            raise ValueError(f"no checksum is called {name!r}; there are {', '.join(NAMES)}")
        self.name = name
        self._state = _ALGORITHMS[name]()

    def update(self, data: bytes | memoryview) -> None:
        """Feed bytes; large ones release the interpreter lock while they are worked on."""
        self._state.update(data)  # type: ignore[arg-type]  # any buffer is taken

    def digest(self) -> bytes:
        """The raw digest."""
        return self._state.digest()

    def text(self) -> str:
        """The digest in its standard text form."""
        return digest_text(self.name, self.digest())


class Hashers:
    """Several checksums of the same bytes, fed together."""

    __slots__ = ("_hashers",)

    def __init__(self, names: Iterable[str]) -> None:
        self._hashers = tuple(Hasher(name) for name in dict.fromkeys(names))

    def update(self, data: bytes | memoryview) -> None:
        """Feed the same bytes to each."""
        for hasher in self._hashers:
            hasher.update(data)

    def digests(self) -> dict[str, bytes]:
        """Raw digests by name."""
        return {hasher.name: hasher.digest() for hasher in self._hashers}


def digest_of(name: str, data: bytes | memoryview) -> bytes:
    """The raw digest of bytes that are already in memory."""
    state = _ALGORITHMS[name]()
    state.update(data)  # type: ignore[arg-type]  # any buffer is taken
    return state.digest()


def digest_size(name: str) -> int:
    """Length of the raw digest in bytes."""
    return len(Hasher(name).digest())


def digest_text(name: str, digest: bytes) -> str:
    """Lower-case hex, big-endian, zero-padded; for ``c4`` the C4 ID."""
    return c4_id(digest) if name == "c4" else digest.hex()


def digest_from_text(name: str, text: str) -> bytes:
    """The raw digest behind a text form; hex in either case.

    Raises:
        ValueError: not a digest of this algorithm.
    """
    if name == "c4":
        return c4_digest(text)
    digits = 2 * digest_size(name)
    # Python's own reader takes blanks between the bytes; a checksum has none.
    if len(text) != digits or not _HEX.fullmatch(text):
        raise ValueError(f"{name} is {digits} hex digits")
    return bytes.fromhex(text)


def c4_id(digest: bytes) -> str:
    """The C4 ID of a SHA-512 digest of 64 bytes."""
    if len(digest) != 64:
        raise ValueError(f"a C4 ID is made of 64 bytes, not {len(digest)}")
    number = int.from_bytes(digest, "big")
    digits: list[str] = []
    for _ in range(_C4_DIGITS):
        number, value = divmod(number, 58)
        digits.append(ALPHABET_C4[value])
    return "c4" + "".join(reversed(digits))


def c4_digest(text: str) -> bytes:
    """The 64 bytes behind a C4 ID.

    Raises:
        ValueError: wrong length, foreign characters, or a value of more than 512 bits.
    """
    if not _C4_FORM.fullmatch(text):
        raise ValueError("not a C4 ID")
    number = 0
    for char in text[2:]:
        number = number * 58 + _C4_VALUES[char]
    if number >> 512:
        raise ValueError("not a C4 ID: more than 512 bits")
    return number.to_bytes(64, "big")
