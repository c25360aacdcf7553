"""Small pieces of sentences: counts, grouped names, outside text made safe."""

from collections.abc import Sequence

from offload.values.paths import shown, to_text

THE_CARD_ITSELF = "the card's top folder"


def counted(number: int, noun: str) -> str:
    """``1 file``, ``2 files``, ``40,000 files``."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def grouped(paths: Sequence[bytes]) -> str:
    """``A003C011.mov``, ``A003C011.mov and A003C012.mov``, ``A003C011.mov and 37 more``."""
    if not paths:
        return "the card"
    first = path_text(paths[0])
    if len(paths) == 1:
        return first
    return f"{first} and {path_text(paths[1]) if len(paths) == 2 else f'{len(paths) - 1:,} more'}"


def path_text(path: bytes) -> str:
    """A path for a sentence; the root has no name of its own."""
    return to_text(path) if path else THE_CARD_ITSELF


def safe(text: str) -> str:
    """A name from outside (drive, label, roll, person) made safe to show."""
    try:
        return shown(text)
    except UnicodeEncodeError:  # half of a surrogate pair, which stands for no byte either
        return shown(text.encode("utf-8", "replace").decode("utf-8"))


def listed(names: Sequence[str]) -> str:
    """``A``, ``A and B``, ``A, B and C``; outside names are escaped."""
    escaped = [safe(name) for name in names]
    if len(escaped) < 2:
        return "".join(escaped)
    return f"{', '.join(escaped[:-1])} and {escaped[-1]}"


def phrase(text: str) -> str:
    """A phrase of another step: escaped there already, so only what could still harm is escaped.

    A backslash stays single: it is one of ours, from the escaping done before.
    """
    return "\\".join(safe(part) for part in text.split("\\"))
