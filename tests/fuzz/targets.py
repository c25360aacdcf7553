"""The readers of what comes from outside, each as a function of bytes that may raise what it says.

A reader may refuse with the errors it declares. Anything else that it raises, a run of more than
five seconds, or memory without bound is a finding.
"""

import functools
import io
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from offload.clearance.statement_json import from_bytes
from offload.clearance.taken import StatementError
from offload.errors import RecordError, SettingsError, UsageError
from offload.jobs.lease import RUN_NAME, read_run
from offload.jobs.opening import MARKER, read_marker
from offload.media import avchd, damage
from offload.media.camera_sheet import decode_sheet, parse_sheet
from offload.media.reading import BytesReader
from offload.record.mhl.chain import read_chain
from offload.record.mhl.ignore import Ignore
from offload.record.mhl.read import ManifestReader
from offload.record.signature import judge
from offload.record.signers import read_signers
from offload.record.sums import read_sums
from offload.record.tagfiles import payload_of, read_bag
from offload.settings.reading import load
from offload.settings.values import Given
from offload.storage.root import Root
from offload.transfer.preflight.name_map import NameMap
from offload.values.clips import ClipCode
from tests.fuzz import seeds

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
BAG_FILES = (b"bagit.txt", b"manifest-sha256.txt", b"tagmanifest-md5.txt", b"bag-info.txt")


class WrongError(AssertionError):
    """A reader gave an answer that it must not give."""


@dataclass(frozen=True, slots=True)
class Target:
    """One reader.

    Attributes:
        run: reads the bytes.
        refusals: the errors that the reader declares.
        seeds: real content to begin with.
        largest_bytes: longest input that is tried.
        words: tokens that are worth putting in.
    """

    run: Callable[[bytes], object]
    refusals: tuple[type[Exception], ...]
    seeds: Callable[[], list[bytes]]
    largest_bytes: int = 1 << 14
    words: tuple[bytes, ...] = ()


def _manifest(data: bytes) -> None:
    """Read twice, the second time in a way that leaves every record to the parser."""
    try:
        found = _records(data)
    except RecordError:
        found = None
    # In a section ``<hash>`` is a text like any other, and not the same with a blank in it.
    if b"<hash>" in data and b"<![CDATA[" not in data:
        try:
            by_parser = _records(data.replace(b"<hash>", b"<hash >"))
        except RecordError:
            by_parser = None
        if found != by_parser:
            raise WrongError("records taken from the bytes are not those of the parser")


def _records(data: bytes) -> tuple[object, ...]:
    reader = ManifestReader(io.BytesIO(data), b"0001_A001_2026-11-24_080000Z.mhl")
    return (tuple(reader), reader.references, reader.head)


def _chain(data: bytes) -> None:
    for is_collection in (False, True):
        try:
            read_chain(io.BytesIO(data), b"ascmhl_chain.xml", is_collection=is_collection)
        except RecordError:
            if is_collection:
                raise


def _sums(data: bytes) -> None:
    for name in (b"A001.md5", b"A001.xxhsum", b"list.sha1", b"SHA512SUMS"):
        for _ in read_sums(io.BytesIO(data), name):
            pass


class _Files:
    """A folder in memory: files by name, and ``data`` with two files in it."""

    def __init__(self, files: dict[bytes, bytes]) -> None:
        self._files = {**files, b"data/A001C001.mov": b"abcd\n", b"data/Clips/a.mov": b""}

    @contextmanager
    def open(self, path: bytes) -> Iterator[BinaryIO]:
        if path not in self._files:
            raise FileNotFoundError(2, "not there", path)
        yield io.BytesIO(self._files[path])

    def names(self, path: bytes) -> list[bytes]:
        below = [one for one in self._files if not path or one.startswith(path + b"/")]
        at = len(path) + 1 if path else 0
        return sorted({one[at:].split(b"/")[0] for one in below})

    def folders(self, path: bytes) -> list[bytes]:
        return [name for name in self.names(path) if self.is_folder(_below(path, name))]

    def is_folder(self, path: bytes) -> bool:
        return any(one.startswith(path + b"/") for one in self._files)


def _below(folder: bytes, name: bytes) -> bytes:
    return folder + b"/" + name if folder else name


def _bag(data: bytes) -> None:
    """The files of a bag, one after the other, with a zero byte between."""
    parts = data.split(b"\0", len(BAG_FILES) - 1)
    folder = _Files(dict(zip(BAG_FILES, parts, strict=False)))
    bag = read_bag(folder)
    bag.locate(payload_of(folder))
    bag.oxum_matches(5, 2)


def _signature(data: bytes) -> None:
    judgement = judge(seeds.MESSAGE, data, _known_signers(), at=NOW)
    if judgement.is_good and b"".join(data.split()) not in _good_signatures():
        raise WrongError("a signature that nobody made is good")


@functools.cache
def _good_signatures() -> frozenset[bytes]:
    return frozenset(b"".join(each.split()) for each in seeds.signatures())


@functools.cache
def _known_signers():  # type: ignore[no-untyped-def]
    return read_signers(seeds.signers()[0])


def _signers(data: bytes) -> None:
    content, _, revoked = data.partition(b"\0")
    read_signers(content, revoked)


def _clearance(data: bytes) -> None:
    from_bytes(data)


@functools.cache
def _folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="offload-fuzz-"))


def _lease(data: bytes) -> None:
    folder = _folder() / "lease"
    folder.mkdir(exist_ok=True)
    for name in (RUN_NAME, MARKER):
        (folder / name.decode()).write_bytes(data)
    with Root(bytes(folder)) as root:
        read_run(root, b"")
        read_marker(root)


def _names(data: bytes) -> None:
    NameMap.from_json(data)


def _settings(data: bytes) -> None:
    path = _folder() / "offload.toml"
    path.write_bytes(data)
    home = bytes(_folder())
    load(Given(home, home, home, settings_option=bytes(path)))


def _ignore(data: bytes) -> None:
    patterns, _, path = data.partition(b"\0")
    ignore = Ignore(patterns.decode("utf-8", "replace").split("\n"))
    ignore.ignores(path or b"Clips/A001C001.mov")
    ignore.for_nested(b"day/A001")


def _sheet(data: bytes) -> None:
    parse_sheet(decode_sheet(data))


def _clip(suffix: bytes, data: bytes) -> None:
    for is_whole in (False, True):
        report = damage.check(BytesReader(data), b"A001C001" + suffix, is_whole=is_whole)
        for finding in report.findings:
            # Whatever a check raised of its own, caught and told as a finding, is a crash here.
            if finding.code == ClipCode.UNCHECKED and "(" in finding.text:
                raise WrongError(finding.text)
            if not finding.text.isprintable():
                raise WrongError("a text that can move the cursor")


def _avchd(data: bytes) -> None:
    avchd.packets_of(data)
    avchd.seamless_runs(data)


def _of_clip(suffix: str, *names: str, words: tuple[bytes, ...] = ()) -> Target:
    run = functools.partial(_clip, suffix.encode())
    made = functools.partial(seeds.clips, names)
    return Target(run, (), made, 1 << 18, words)


_XML = (
    b"<hash>",
    b"</hash>",
    b"<!--",
    b"-->",
    b"<![CDATA[",
    b"]]>",
    b"xmlns=",
    b"&#10;",
    b"<path>",
)
_BOXES = (b"moov", b"mdat", b"stsz", b"stco", b"co64", b"stsc", b"stts", b"trak", b"moof", b"trun")
_RIFF = (
    b"RIFF",
    b"RF64",
    b"WAVE",
    b"fmt ",
    b"data",
    b"ds64",
    b"bext",
    b"iXML",
    b"\xff\xff\xff\xff",
)

TARGETS = {
    "manifest": Target(_manifest, (), seeds.manifests, 1 << 16, _XML),
    "chain": Target(_chain, (RecordError,), seeds.chains, words=_XML),
    "list": Target(_sums, (RecordError,), seeds.lists),
    "bag": Target(_bag, (RecordError,), seeds.bags),
    "signature": Target(_signature, (), seeds.signatures),
    "signers": Target(_signers, (RecordError,), seeds.signers),
    "ignore": Target(_ignore, (), seeds.patterns),
    "clearance": Target(_clearance, (StatementError,), seeds.clearances),
    "lease": Target(_lease, (), seeds.leases),
    "names": Target(_names, (RecordError,), seeds.name_maps),
    "settings": Target(_settings, (SettingsError,), seeds.settings),
    "sheet": Target(_sheet, (UsageError,), seeds.sheets),
    "bmff": _of_clip(".mov", "mov", "fragments", "mp4", words=_BOXES),
    "mxf": _of_clip(".mxf", "mxf", "op-atom"),
    "riff": _of_clip(".wav", "wave", words=_RIFF),
    "mpegts": _of_clip(".mts", "mts"),
    "frames": _of_clip(".dpx", "dpx", "tiff", "dng", "exr", "jpeg-2000"),
    "avchd": Target(_avchd, (), seeds.playlists),
}
