"""Frozen values as JSON documents and back, by the types that their classes declare.

For columns that are read whole and never searched. Bytes become hex, fractions ``n/d``, enums
their values; a document that does not fit its class is refused, whatever it holds.
"""

import json
from dataclasses import fields, is_dataclass
from enum import Enum
from fractions import Fraction
from types import NoneType, UnionType
from typing import Any, TypeVar, cast, get_args, get_origin, get_type_hints

Made = TypeVar("Made")


def to_document(value: Any) -> str:
    """A value as JSON text."""
    return json.dumps(_plain(value), separators=(",", ":"))


def from_document(kind: type[Made], text: str) -> Made:
    """The value that :func:`to_document` was given.

    Fields that are missing get their defaults, so that an older document can be read.

    Raises:
        ValueError: the text is no document of this class.
    """
    try:
        return cast(Made, _made(kind, json.loads(text)))
    except (TypeError, KeyError, RecursionError, ZeroDivisionError) as error:
        raise ValueError(f"not a document of {kind.__name__}: {error}") from error


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    return value.hex() if isinstance(value, bytes) else value


def _made(kind: Any, found: Any) -> Any:
    origin = get_origin(kind)
    if origin is UnionType:
        return _either(get_args(kind), found)
    if origin is tuple:
        if not isinstance(found, list):
            raise ValueError("not a list")
        return tuple(_made(get_args(kind)[0], each) for each in found)
    if is_dataclass(kind):
        return _instance(cast(type[Any], kind), found)
    if issubclass(kind, Enum | Fraction):
        return kind(found)
    if kind is bytes:
        return bytes.fromhex(found)
    if kind is float and type(found) is int:
        return float(found)
    if type(found) is not kind:
        raise ValueError(f"{found!r} is no {kind.__name__}")
    return found


def _either(kinds: tuple[Any, ...], found: Any) -> Any:
    if found is None and NoneType in kinds:
        return None
    (kind,) = (each for each in kinds if each is not NoneType)
    return _made(kind, found)


def _instance(kind: type[Any], found: Any) -> Any:
    if not isinstance(found, dict):
        raise ValueError(f"no document of {kind.__name__}")
    hints = get_type_hints(kind)
    return kind(**{name: _made(hints[name], value) for name, value in found.items()})
