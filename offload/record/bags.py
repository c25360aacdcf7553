"""BagIt bags: what one says of itself, and what it is worth against what is there.

Source: RFC 8493. Fetching is not supported: a bag that still has to fetch is incomplete.
"""

import unicodedata
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import Enum

from offload.values.findings import Finding


@dataclass(frozen=True, slots=True)
class BagFile:
    """One file that a bag lists.

    Attributes:
        path: on disk, relative to the bag.
        digests: raw, by algorithm: every manifest that lists it.
        is_tag: it stands in a tag manifest.
        written: the path as it is written in the manifest.
    """

    path: bytes
    digests: dict[str, bytes]
    is_tag: bool = False
    written: bytes = b""


@dataclass(frozen=True, slots=True)
class Bag:
    """A bag as it says it is.

    Attributes:
        path: of its base folder.
        version: such as ``1.0``; empty where it does not say.
        files: payload and tag files that are listed, by path.
        oxum: octets and number of payload files, where ``bag-info.txt`` says it.
        algorithms: of the payload manifests.
        faults: why the bag is not even well-formed, or not complete as far as its tag files tell:
            ``bag-malformed``, ``bag-unsafe-path``, ``bag-not-listed-everywhere``, ``bag-fetch``,
            ``bag-checksum-unsupported``.
        notices: tolerated deviations.
    """

    path: bytes
    version: str
    files: dict[bytes, BagFile]
    oxum: tuple[int, int] | None
    algorithms: tuple[str, ...]
    faults: tuple[Finding, ...]
    notices: tuple[Finding, ...]

    def locate(self, payload: Iterable[bytes]) -> "Located":
        """Find the listed payload files among those that are there.

        Tools in use forget to encode ``%``, and some file systems give back another Unicode normal
        form: such a file is found all the same, with a notice.

        Args:
            payload: paths relative to the bag of every file below ``data/``.
        """
        extra = set(payload)
        files: dict[bytes, BagFile] = {}
        waiting: list[BagFile] = []
        for file in self.files.values():
            if file.is_tag:
                continue
            if file.path in extra:
                extra.remove(file.path)
                files[file.path] = file
            else:
                waiting.append(file)
        return _located(files, waiting, extra)

    def oxum_matches(self, total_bytes: int, files: int) -> bool | None:
        """Whether the payload has the size the bag claims; None where it claims none.

        A wrong one makes the bag not valid even where every checksum is right: say both.
        """
        return None if self.oxum is None else self.oxum == (total_bytes, files)


@dataclass(frozen=True, slots=True)
class Located:
    """The payload of a bag as it is there.

    Attributes:
        files: what is listed and there, by its path on disk.
        missing: listed and not there, sorted; extra: there and not listed. With either the bag is
            incomplete.
        notices: files found under another form of their name.
    """

    files: dict[bytes, BagFile]
    missing: tuple[bytes, ...]
    extra: tuple[bytes, ...]
    notices: tuple[Finding, ...]


def _located(files: dict[bytes, BagFile], waiting: list[BagFile], extra: set[bytes]) -> Located:
    by_form = {_normal(path): path for path in extra} if waiting else {}
    missing: list[bytes] = []
    notices: list[Finding] = []
    for file in waiting:
        path = file.written if file.written in extra else by_form.get(_normal(file.path), b"")
        if path not in extra:
            missing.append(file.path)
            continue
        extra.remove(path)
        files[path] = file
        notices.append(Finding("bag-name-form", "is listed under another form of its name", path))
    return Located(files, tuple(sorted(missing)), tuple(sorted(extra)), tuple(notices))


def _normal(path: bytes) -> str:
    return unicodedata.normalize("NFC", path.decode("utf-8", "surrogateescape"))


class BagLevel(Enum):
    """How good a bag is (RFC 8493, section 3), worst first."""

    MALFORMED = "malformed"
    """A tag file cannot be understood, or names a path outside the bag."""
    INCOMPLETE = "incomplete"
    """Something is missing, listed nowhere, or not listed in every manifest."""
    NOT_VALID = "not-valid"
    """Complete, and a checksum or the claimed size of the payload is wrong."""
    VALID = "valid"


_MALFORMED = frozenset({"bag-malformed", "bag-unsafe-path"})


def bag_level(
    bag: Bag,
    located: Located,
    *,
    missing_tags: Collection[bytes],
    differing: Collection[bytes],
    payload_bytes: int,
) -> BagLevel:
    """How good a bag is, once every file of it has been read.

    Args:
        bag: as it was read.
        located: its payload.
        missing_tags: tag files that are listed and not there, or could not be read.
        differing: payload and tag files of which any checksum is wrong, or that could not be read.
        payload_bytes: sum of the sizes of the payload files that are there.
    """
    if any(fault.code in _MALFORMED for fault in bag.faults):
        return BagLevel.MALFORMED
    if bag.faults or located.missing or located.extra or missing_tags:
        return BagLevel.INCOMPLETE
    if differing or bag.oxum_matches(payload_bytes, len(located.files)) is False:
        return BagLevel.NOT_VALID
    return BagLevel.VALID
