"""JSON taken apart strictly: every value of its type and in its bounds, nothing left over."""

import re
from collections.abc import Callable
from datetime import datetime
from typing import Any, TypeVar

from offload.values.paths import shown

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")
_HEX = re.compile(r"([0-9a-f]{2})*")
_LARGEST = 2**64 - 1

T = TypeVar("T")


class StatementError(ValueError):
    """These bytes are no clearance in the one form there is; by whoever wrote or changed them."""


class Taken:
    """A JSON object that is taken apart key by key; what is left over at the end is an error."""

    def __init__(self, value: object, where: str) -> None:
        if not isinstance(value, dict):
            raise StatementError(f"{where}: not an object")
        self._rest = dict(value)
        self._where = where

    @property
    def names(self) -> list[str]:
        """Keys that are not taken yet."""
        return sorted(self._rest)

    def text(self, name: str) -> str:
        """Text without anything that could harm a screen."""
        value = self._take(name)
        if not isinstance(value, str):
            raise self._error(name, "not text")
        bare = value.replace("\\", "")
        if shown(bare) != bare:
            raise self._error(name, "has characters that cannot be shown")
        return value

    def texts(self, name: str) -> tuple[str, ...]:
        """A list of such text."""
        inner = Taken({str(at): each for at, each in enumerate(self.items(name))}, name)
        return tuple(inner.text(str(at)) for at in range(len(inner.names)))

    def number(self, name: str, *, least: int = 0) -> int:
        """A whole number that fits 64 bits."""
        value = self._take(name)
        if type(value) is not int or not least <= value <= _LARGEST:
            raise self._error(name, f"not a whole number from {least}")
        return value

    def truth(self, name: str) -> bool:
        """``true`` or ``false``."""
        value = self._take(name)
        if type(value) is not bool:
            raise self._error(name, "neither true nor false")
        return value

    def number_or_null(self, name: str) -> int | None:
        """A whole number, or ``null`` where it is not known."""
        return None if self._took_null(name) else self.number(name)

    def hexadecimal(self, name: str, length: int) -> bytes:
        """So many bytes, in lower-case digits."""
        value = self._take(name)
        if not isinstance(value, str) or len(value) != 2 * length or not _HEX.fullmatch(value):
            raise self._error(name, f"not {2 * length} hexadecimal digits")
        return bytes.fromhex(value)

    def moment(self, name: str) -> datetime:
        """A moment in UTC, to the second."""
        value = self._take(name)
        if not isinstance(value, str) or not _TIME.fullmatch(value):
            raise self._error(name, "not a time such as 2026-11-24T14:32:08Z")
        return datetime.fromisoformat(value)

    def items(self, name: str) -> list[Any]:
        """A list of anything."""
        value = self._take(name)
        if not isinstance(value, list):
            raise self._error(name, "not a list")
        return value

    def part(self, name: str) -> "Taken":
        """An object below this one."""
        return Taken(self._take(name), name)

    def part_or_null(self, name: str) -> "Taken | None":
        """An object below this one, or ``null`` where there is none."""
        return None if self._took_null(name) else self.part(name)

    def part_or_text(self, name: str, text: str) -> "Taken | None":
        """An object below this one, or the one text that stands for none."""
        if self._rest.get(name) != text:
            return self.part(name)
        del self._rest[name]
        return None

    def parts(self, name: str, read: "Callable[[Taken], T]") -> tuple[T, ...]:
        """A list of objects, each read by ``read``."""
        return tuple(read(Taken(each, name)) for each in self.items(name))

    def exactly(self, name: str, value: str | int) -> None:
        """One value and no other, of the same type."""
        found = self._take(name)
        if found != value or type(found) is not type(value):
            raise self._error(name, f"not {value}")

    def ended(self, made: T) -> T:
        """``made``, when nothing is left over."""
        self.end()
        return made

    def end(self) -> None:
        """Nothing may be left over."""
        if self._rest:
            raise self._error(self.names[0], "does not belong there")

    def _took_null(self, name: str) -> bool:
        if self._rest.get(name, "") is not None:
            return False
        del self._rest[name]
        return True

    def _take(self, name: str) -> object:
        if name not in self._rest:
            raise self._error(name, "is missing")
        return self._rest.pop(name)

    def _error(self, name: str, what: str) -> StatementError:
        return StatementError(f"{shown(self._where)}.{shown(name)}: {what}")
