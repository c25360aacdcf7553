"""The length-prefixed binary form of SSH keys and signatures (RFC 4251, section 5)."""

import struct
from typing import Final

_LENGTH: Final = struct.Struct(">I")


class WireError(ValueError):
    """The bytes are not what they claim to be; by whoever made them."""


def string(data: bytes) -> bytes:
    """``data`` with its length in front, four bytes, big-endian."""
    return _LENGTH.pack(len(data)) + data


def number(value: int) -> bytes:
    """A non-negative integer as ``mpint``: shortest big-endian two's complement, length first."""
    return string(value.to_bytes(value.bit_length() // 8 + 1, "big") if value else b"")


class WireReader:
    """Reads one field after the other and never beyond the end."""

    __slots__ = ("_at", "_data")

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    @property
    def is_at_end(self) -> bool:
        """Whether everything was read."""
        return self._at == len(self._data)

    def raw(self, length: int) -> bytes:
        """The next ``length`` bytes.

        Raises:
            WireError: fewer are left.
        """
        end = self._at + length
        if end > len(self._data):
            raise WireError("it ends in the middle of a field")
        part = self._data[self._at : end]
        self._at = end
        return part

    def uint32(self) -> int:
        """The next four bytes as a number."""
        value: int = _LENGTH.unpack(self.raw(4))[0]
        return value

    def string(self) -> bytes:
        """The next string."""
        return self.raw(self.uint32())

    def number(self) -> int:
        """The next ``mpint``, which must be non-negative and in its shortest form.

        Raises:
            WireError: negative, or padded.
        """
        data = self.string()
        value = int.from_bytes(data, "big")
        if string(data) != number(value):
            raise WireError("a number is not in its shortest form")
        return value

    def finish(self) -> None:
        """Say that nothing may follow.

        Raises:
            WireError: bytes are left over.
        """
        if self._at != len(self._data):
            raise WireError("bytes follow after its end")
