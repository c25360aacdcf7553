"""The tag files of a BagIt bag, read (RFC 8493, section 2)."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

from offload.checksum import digest_size
from offload.errors import RecordError, reason
from offload.record.bags import Bag, BagFile
from offload.record.folder import Folder
from offload.values.findings import Finding
from offload.values.paths import join

DECLARATION_NAME = b"bagit.txt"
PAYLOAD = b"data"

ALGORITHMS = ("md5", "sha1", "sha256", "sha512")

_LINE_LIMIT_BYTES = 65536
_BOM = b"\xef\xbb\xbf"
_MANIFEST = re.compile(rb"(tag)?manifest-([a-z0-9]+)\.txt")
_ENTRY = re.compile(rb"([0-9A-Fa-f]+)[ \t]+(.+)", re.DOTALL)
_TAG_MANIFEST = re.compile(rb"tagmanifest-[a-z0-9]+\.txt")
_VERSION = re.compile(r"bagit-version:\s*(\d+)\.(\d+)\s*", re.IGNORECASE)
_ENCODING = re.compile(r"tag-file-character-encoding:\s*(\S+)\s*", re.IGNORECASE)
_OXUM = re.compile(rb"payload-oxum[ \t]*:[ \t]*(\d{1,19})\.(\d{1,19})[ \t]*", re.IGNORECASE)
_PERCENT = re.compile(rb"%(0[DdAa]|25)")
_DRIVE = re.compile(rb"[A-Za-z]:")
_ENDS = re.compile(rb"\r\n|\r|\n")


def payload_of(folder: Folder, path: bytes = b"") -> Iterator[bytes]:
    """Every file below a bag's ``data/``, relative to the bag.

    Raises:
        OSError: a folder cannot be listed.
    """
    waiting = [PAYLOAD]
    while waiting:
        place = waiting.pop()
        inner = set(folder.folders(join(path, place)))
        for one in folder.names(join(path, place)):
            if one in inner:
                waiting.append(join(place, one))
            else:
                yield join(place, one)


def read_bag(folder: Folder, path: bytes = b"") -> Bag:
    """Read the tag files of a bag.

    Raises:
        OSError: its folder cannot be listed.
    """
    reading = _Reading(folder, path)
    reading.run()
    return Bag(
        path,
        reading.version,
        reading.files,
        reading.oxum,
        tuple(sorted(reading.payload_algorithms)),
        tuple(reading.faults),
        tuple(reading.notices),
    )


@dataclass(slots=True)
class _Reading:
    """A bag while it is read."""

    folder: Folder
    path: bytes
    version: str = ""
    files: dict[bytes, BagFile] = field(default_factory=dict)
    oxum: tuple[int, int] | None = None
    payload_algorithms: set[str] = field(default_factory=set)
    faults: list[Finding] = field(default_factory=list)
    notices: list[Finding] = field(default_factory=list)

    def run(self) -> None:
        names = self.folder.names(self.path)
        self._declaration(names)
        manifests = sorted(name for name in names if _MANIFEST.fullmatch(name))
        for name in manifests:
            self._manifest(name)
        if not any(not name.startswith(b"tag") for name in manifests):
            self._fault("bag-malformed", "has no payload manifest")
        self._check_tag_manifests(manifests)
        self._check_everywhere()
        if b"bag-info.txt" in names:
            self._info()
        if b"fetch.txt" in names:
            self._fault("bag-fetch", "has files that still have to be fetched", b"fetch.txt")

    def _fault(self, code: str, text: str, name: bytes = b"") -> None:
        self.faults.append(Finding(code, text, join(self.path, name)))

    def _notice(self, code: str, text: str, name: bytes) -> None:
        finding = Finding(code, text, join(self.path, name))
        if finding not in self.notices:
            self.notices.append(finding)

    def _declaration(self, names: list[bytes]) -> None:
        if DECLARATION_NAME not in names:
            self._fault("bag-malformed", "is not there", DECLARATION_NAME)
            return
        lines = [text.decode("utf-8", "replace") for _, text in self._lines(DECLARATION_NAME)]
        version = _VERSION.fullmatch(lines[0]) if lines else None
        encoding = _ENCODING.fullmatch(lines[1]) if len(lines) > 1 else None
        if version is None or encoding is None or len(lines) != 2:
            self._fault("bag-malformed", "is not the two lines of a declaration", DECLARATION_NAME)
            return
        self.version = f"{version.group(1)}.{version.group(2)}"
        if encoding.group(1).upper() not in ("UTF-8", "US-ASCII", "ASCII"):
            self._fault("bag-malformed", "names an encoding that is not UTF-8", DECLARATION_NAME)

    def _lines(self, name: bytes) -> Iterator[tuple[int, bytes]]:
        """Lines that have anything in them; LF, CR and CRLF end one."""
        try:
            with self.folder.open(join(self.path, name)) as stream:
                yield from self._numbered(name, stream)
        except (OSError, RecordError) as error:
            why = error.what if isinstance(error, RecordError) else reason(error)
            self._fault("bag-malformed", f"cannot be read: {why}", name)

    def _numbered(self, name: bytes, stream: BinaryIO) -> Iterator[tuple[int, bytes]]:
        number = 0
        rest = b""
        while chunk := stream.read(_LINE_LIMIT_BYTES):
            if not number and not rest and chunk.startswith(_BOM):
                self._notice("bag-tolerated", "begins with a byte order mark", name)
                chunk = chunk[len(_BOM) :]
            # A CR at the end of a piece may be half a line end.
            cut = (rest + chunk).removesuffix(b"\r")
            tail = (rest + chunk)[len(cut) :]
            *lines, last = _ENDS.split(cut)
            for line in lines:
                number += 1
                if line:
                    yield number, line
            rest = last + tail
            if len(rest) > _LINE_LIMIT_BYTES:
                raise RecordError("a line is far too long")
        for line in _ENDS.split(rest):
            number += 1
            if line:
                yield number, line

    def _manifest(self, name: bytes) -> None:
        found = _MANIFEST.fullmatch(name)
        assert found is not None
        is_tag, algorithm = found.group(1) is not None, found.group(2).decode("ascii")
        if algorithm not in ALGORITHMS:
            what = f"is made with {algorithm}, which is not supported"
            self._fault("bag-checksum-unsupported", what, name)
            return
        if not is_tag:
            self.payload_algorithms.add(algorithm)
        for number, line in self._lines(name):
            self._entry(name, number, line, algorithm, is_tag)

    def _entry(self, name: bytes, number: int, line: bytes, algorithm: str, is_tag: bool) -> None:
        entry = _ENTRY.fullmatch(line.removeprefix(b"\\"))
        if entry is None or len(entry.group(1)) != 2 * digest_size(algorithm):
            self._fault("bag-malformed", f"line {number} is no entry", name)
            return
        written = self._tolerated(name, line, entry.group(2))
        path = _decoded(written)
        is_payload = path.startswith(PAYLOAD + b"/")
        if not _is_safe(path):
            self._fault("bag-unsafe-path", f"line {number} leads out of the bag", name)
        elif is_payload and is_tag:
            self._fault("bag-malformed", f"line {number}: its file lies in data/", name)
        elif not is_payload and not is_tag:
            self._fault("bag-malformed", f"line {number}: its file does not lie in data/", name)
        elif is_tag and _TAG_MANIFEST.fullmatch(path):
            self._fault("bag-malformed", f"line {number} lists a tag manifest", name)
        else:
            digest = bytes.fromhex(entry.group(1).decode("ascii"))
            self._add(name, number, BagFile(path, {algorithm: digest}, is_tag, written))

    def _tolerated(self, name: bytes, line: bytes, written: bytes) -> bytes:
        """A path without what checksum tools put round it and a bag does not allow."""
        if line.startswith(b"\\"):
            self._notice("bag-tolerated", "has lines escaped as checksum tools do", name)
        if written.startswith(b"*"):
            self._notice("bag-tolerated", "has the flags of checksum tools before names", name)
            written = written[1:]
        if written.startswith(b"./"):
            self._notice("bag-tolerated", "has paths that begin with ./", name)
            written = written[2:]
        return written

    def _add(self, name: bytes, number: int, entry: BagFile) -> None:
        file = self.files.setdefault(entry.path, entry)
        if file is entry:
            return
        if file.digests.keys() & entry.digests.keys():
            self._fault("bag-malformed", f"line {number} lists a file twice", name)
        else:
            file.digests.update(entry.digests)

    def _check_tag_manifests(self, manifests: list[bytes]) -> None:
        """Every tag manifest lists every payload manifest (section 2.2.1)."""
        payload = [name for name in manifests if not name.startswith(b"tag")]
        for name in manifests:
            algorithm = name.rpartition(b"-")[2].removesuffix(b".txt").decode("ascii")
            if not name.startswith(b"tag") or algorithm not in ALGORITHMS:
                continue
            for listed in payload:
                file = self.files.get(listed)
                if file is None or algorithm not in file.digests:
                    self._fault("bag-malformed", "does not list every payload manifest", name)
                    break

    def _check_everywhere(self) -> None:
        """In version 1.0 every payload manifest lists every payload file (section 2.1.3)."""
        for file in self.files.values():
            if not file.is_tag and set(file.digests) != self.payload_algorithms:
                self._fault(
                    "bag-not-listed-everywhere", "is not in every payload manifest", file.path
                )

    def _info(self) -> None:
        found = [
            match for _, line in self._lines(b"bag-info.txt") if (match := _OXUM.fullmatch(line))
        ]
        if len(found) > 1:
            self._fault("bag-malformed", "has Payload-Oxum more than once", b"bag-info.txt")
        elif found:
            self.oxum = (int(found[0].group(1)), int(found[0].group(2)))


def _decoded(written: bytes) -> bytes:
    """A path as it is on disk: CR, LF and percent were encoded, and nothing else (2.1.3)."""
    return _PERCENT.sub(lambda found: bytes.fromhex(found.group(1).decode("ascii")), written)


def _is_safe(path: bytes) -> bool:
    parts = path.split(b"/")
    return not (
        path.startswith((b"/", b"~", b"\\\\"))
        or _DRIVE.match(path)
        or b"\0" in path
        or any(part in (b"", b".", b"..") for part in parts)
    )
