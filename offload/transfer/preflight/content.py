"""What is on the card already says that it will be held, whatever the drives do."""

from collections.abc import Iterator

from offload.transfer.preflight.problems import MOST_PATHS, Problem, held_later
from offload.values.entries import Entries, Kind

_NO_FILES = {
    Kind.PIPE: "not-copied",
    Kind.SOCKET: "not-copied",
    Kind.DEVICE: "not-copied",
    Kind.UNREADABLE: "not-listed",
    Kind.MOUNT: "inner-mount",
}

_SAID = {
    "not-copied": (
        "{count} on the card cannot be copied: a pipe, a socket or a device is no file.",
        "Tell the camera team; a camera does not write such things.",
    ),
    "not-listed": (
        "{count} on the card could not be listed, and nobody knows what is in there.",
        "See that you may read the card, or use another reader, then the same command.",
    ),
    "inner-mount": (
        "{count} on the card cannot be seen, because another file system is mounted over it.",
        "Unmount what is mounted inside the card, then the same command.",
    ),
}


def about_content(entries: Entries) -> Iterator[Problem]:
    """Holds that can be foretold from the listing alone."""
    found: dict[str, list[bytes]] = {}
    counts = dict.fromkeys(_SAID, 0)
    has_file = False
    for entry in entries:
        has_file = has_file or entry.kind is Kind.FILE
        code = _NO_FILES.get(entry.kind)
        if code:
            counts[code] += 1
            if counts[code] <= MOST_PATHS:
                found.setdefault(code, []).append(entry.path)
    if not has_file:
        yield held_later(
            "nothing-to-prove",
            "There is no file on this card that could be copied and proven.",
            "See in the camera whether this is the right card.",
        )
    for code, (text, remedy) in _SAID.items():
        if counts[code]:
            count = "1 entry" if counts[code] == 1 else f"{counts[code]} entries"
            yield held_later(code, text.format(count=count), remedy, paths=tuple(found[code]))
