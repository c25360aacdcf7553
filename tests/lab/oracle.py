"""The independent checker: what really lies where, by plain tools and not by the package's code.

Reference tools: Python's ``hashlib`` (OpenSSL's SHA-256) over a plain walk, which is asserted to
say the same as ``find`` and ``sha256sum -z``; ``sha512sum -c``; ``ssh-keygen``; SQLite's ``PRAGMA
integrity_check``. It looks at the backing folders, behind any fault.
"""

import functools
import hashlib
import json
import os
import re
import sqlite3
import stat
import subprocess
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

SIGNED_FOR = "offload-record"
"""The namespace of the record's signatures, as its documentation gives it to ``ssh-keygen -n``."""

HALF_DONE = (b".incomplete", b".partial")
_LINE = re.compile(rb"([0-9a-f]{64})  (.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Content:
    """What lies below a folder.

    Attributes:
        files: SHA-256 of every file, by path.
        empty: the empty folders.
        names: for the folder of a roll, what its record says of names that could not be kept:
            path in the copy -> path on the card.
    """

    files: Mapping[bytes, str]
    empty: frozenset[bytes]
    names: Mapping[bytes, Mapping[bytes, bytes]] = field(default_factory=dict)

    def below(self, folder: bytes) -> "Content":
        """The part below one folder, with paths relative to it and names as on the card."""
        head = folder + b"/"
        names = self.names.get(folder, {})
        files = {
            _own(path[len(head) :], names): value
            for path, value in self.files.items()
            if path.startswith(head)
        }
        empty = frozenset(
            _own(path[len(head) :], names) for path in self.empty if path.startswith(head)
        )
        return Content(files, empty)

    def holds(self, truth: "Content", *, by_content: bool = False) -> bool:
        """Whether everything of ``truth`` is here, byte for byte, under its name.

        Args:
            by_content: under any name, each file once; empty folders apart.
        """
        if by_content:
            return not Counter(truth.files.values()) - Counter(self.files.values())
        if any(self.files.get(path) != value for path, value in truth.files.items()):
            return False
        return truth.empty <= self.empty

    def missing(self, truth: "Content") -> list[bytes]:
        """Paths of ``truth`` that are not here, or not equal."""
        return sorted(p for p, value in truth.files.items() if self.files.get(p) != value)


def content_of(root: Path, *, leaves_out: Iterable[bytes] = ()) -> Content:
    """Hash every regular file below ``root``; links are not followed, other mounts not entered.

    Args:
        root: the folder.
        leaves_out: names of files that are not taken, such as what a computer puts there.
    """
    skipped = frozenset(leaves_out)
    files: dict[bytes, str] = {}
    empty = set()
    top = os.fsencode(root)
    device = os.stat(top).st_dev
    for folder, folders, names, fd in os.fwalk(top, follow_symlinks=False, onerror=_raised):
        path = folder[len(top) + 1 :]
        kinds = [_mode_and_device(name, fd) for name in folders]
        folders[:] = [
            name
            for name, (mode, where) in zip(folders, kinds, strict=True)
            if stat.S_ISDIR(mode) and where == device
        ]
        if path and not kinds and not names:
            empty.add(path)
        for name in names:
            if name not in skipped and stat.S_ISREG(_mode_and_device(name, fd)[0]):
                files[path + b"/" + name if path else name] = _hash(name, fd)
    return Content(files, frozenset(empty), _recorded_names(root, files))


def content_by_tools(root: Path) -> Content:
    """The same by ``find`` and ``sha256sum``; slower."""
    files = _found(root, b"-type", b"f")
    empty = frozenset(_found(root, b"-type", b"d", b"-empty"))
    return Content(_hashes(root, files), empty, _recorded_names(root, files))


def copies_in(
    drive: Content, truth: Content, *, half_done: bool = False, by_content: bool = False
) -> list[bytes]:
    """Every folder of a drive that holds the whole truth.

    Args:
        drive: what lies on the drive.
        truth: what lay on the card.
        half_done: also folders under an unfinished name, which never count as copies.
        by_content: see :meth:`Content.holds`.
    """
    found = []
    for folder in _folders(drive):
        if not half_done and _is_half_done(folder):
            continue
        if drive.below(folder).holds(truth, by_content=by_content):
            found.append(folder)
    return _deepest(found)


def drives_with_copy(backings: Iterable[Path], truth: Content, *, by_content: bool = False) -> int:
    """On how many of these places every byte of the truth lies under a finished name."""
    return contents_with_copy(map(content_of, backings), truth, by_content=by_content)


def contents_with_copy(
    contents: Iterable[Content], truth: Content, *, by_content: bool = False
) -> int:
    """The same of what was found on the places."""
    return sum(bool(copies_in(seen, truth, by_content=by_content)) for seen in contents)


def record_faults(drive: Path) -> list[str]:
    """What stock tools say of every ``records/ROLL`` on a drive; empty when all is well.

    Reference tools: ``sha512sum -c`` and ``ssh-keygen -Y check-novalidate``.
    """
    said = []
    for records in sorted(drive.rglob("records/*")):
        base = records.parent.parent
        for sums in sorted(records.glob("*.sha512")):
            done = subprocess.run(
                ["sha512sum", "--check", "--quiet", "--strict", os.fspath(sums)],
                cwd=base,
                check=False,
                capture_output=True,
            )
            if done.returncode:
                said.append(f"{sums.name}: sha512sum -c fails")
        for signature in sorted(records.glob("*.sig")):
            if not _is_signed(records, signature):
                said.append(f"{signature.name}: ssh-keygen does not accept it")
    return said


def _is_signed(records: Path, signature: Path) -> bool:
    roll = records.parent.parent / records.name
    for place in (records, roll / "ascmhl"):
        message = place / signature.stem
        if message.is_file():
            return _accepts(message.read_bytes(), signature.read_bytes())
    return False


@functools.lru_cache(maxsize=64)
def _accepts(message: bytes, signature: bytes) -> bool:
    """What ``ssh-keygen`` says of the same bytes it says once; both drives mostly have the same."""
    with tempfile.NamedTemporaryFile(prefix="fault-lab-", suffix=".sig") as file:
        file.write(signature)
        file.flush()
        done = subprocess.run(
            ["ssh-keygen", "-Y", "check-novalidate", "-n", SIGNED_FOR, "-s", file.name],
            input=message,
            check=False,
            capture_output=True,
        )
    return done.returncode == 0


def half_done_under_final_name(drive: Content, truth: Content, roll: bytes) -> list[bytes]:
    """Folders that bear the roll's own name (or ``ROLL-N``) and do not hold all of it."""
    name = re.compile(re.escape(roll) + rb"(-\d+)?")
    found = []
    for folder in _folders(drive):
        parts = folder.split(b"/")
        if not name.fullmatch(parts[-1]) or b"records" in parts or _is_half_done(folder):
            continue
        if not drive.below(folder).holds(truth):
            found.append(folder)
    return found


def changed(before: Content, after: Content) -> list[bytes]:
    """Files that were there before and are not there now, or not equal."""
    return after.missing(before)


def ledger_faults(home: Path) -> list[str]:
    """What SQLite's own check says of every database below ``home``; empty when all is well."""
    said = []
    for path in sorted(home.rglob("*")):
        if path.is_file() and _is_database(path):
            said += [f"{path.name}: {row}" for row in _faults_of(path)]
    return said


def _faults_of(path: Path) -> list[str]:
    # Opened for writing: after a kill the log that lies beside it has to be taken in first.
    try:
        with closing(sqlite3.connect(f"file:{path}?mode=rw", uri=True)) as database:
            rows = [row[0] for row in database.execute("PRAGMA integrity_check")]
            broken = [f"foreign key: {row}" for row in database.execute("PRAGMA foreign_key_check")]
    except sqlite3.DatabaseError as error:
        return [str(error)]
    return [row for row in rows if row != "ok"] + broken


def _recorded_names(root: Path, files: Iterable[bytes]) -> dict[bytes, dict[bytes, bytes]]:
    """What every ``records/ROLL/names.json`` says of its roll."""
    found: dict[bytes, dict[bytes, bytes]] = {}
    for path in files:
        parts = path.split(b"/")
        if parts[-1] == b"names.json" and len(parts) > 2 and parts[-3] == b"records":
            place = Path(os.fsdecode(os.path.join(os.fsencode(root), path)))
            found[b"/".join([*parts[:-3], parts[-2]])] = _names_in(place)
    return found


def _names_in(place: Path) -> dict[bytes, bytes]:
    try:
        told = json.loads(place.read_bytes())
        return {_from_text(pair["drive"]): _from_text(pair["card"]) for pair in told["names"]}
    except (ValueError, KeyError, TypeError):
        # Damaged by a fault: then it speaks for no name.
        return {}


def _own(path: bytes, names: Mapping[bytes, bytes]) -> bytes:
    """The path on the card of a path in a copy."""
    if not path or path in names:
        return names.get(path, path)
    folder, slash, name = path.rpartition(b"/")
    return _own(folder, names) + slash + name


def _from_text(text: str) -> bytes:
    """Undo the record's escapes: a doubled backslash, and a byte as ``\\xNN``."""
    return re.sub(rb"\\(\\|x[0-9a-f]{2})", _escaped, text.encode())


def _escaped(found: "re.Match[bytes]") -> bytes:
    code = found.group(1).decode()
    return b"\\" if code == "\\" else bytes.fromhex(code[1:])


def _is_database(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


def _raised(error: OSError) -> None:
    raise error


def _mode_and_device(name: bytes, folder: int) -> tuple[int, int]:
    facts = os.stat(name, dir_fd=folder, follow_symlinks=False)
    return facts.st_mode, facts.st_dev


def _hash(name: bytes, folder: int) -> str:
    with open(os.open(name, os.O_RDONLY | os.O_NOFOLLOW, dir_fd=folder), "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _found(root: Path, *tests: bytes) -> list[bytes]:
    done = subprocess.run(
        [b"find", b".", b"-xdev", b"-mindepth", b"1", *tests, b"-print0"],
        cwd=root,
        check=True,
        capture_output=True,
    )
    return [path.removeprefix(b"./") for path in done.stdout.split(b"\0") if path]


def _hashes(root: Path, paths: list[bytes]) -> dict[bytes, str]:
    if not paths:
        return {}
    done = subprocess.run(
        ["xargs", "-0", "-r", "sha256sum", "-z", "--"],
        input=b"".join(b"./" + path + b"\0" for path in paths),
        cwd=root,
        check=True,
        capture_output=True,
    )
    hashes: dict[bytes, str] = {}
    for line in done.stdout.split(b"\0"):
        if line:
            found = _LINE.fullmatch(line)
            assert found is not None, line
            hashes[found.group(2).removeprefix(b"./")] = found.group(1).decode()
    assert len(hashes) == len(paths)
    return hashes


def _folders(content: Content) -> list[bytes]:
    folders: set[bytes] = set(content.empty)
    for path in content.files:
        parts = path.split(b"/")
        folders.update(b"/".join(parts[:count]) for count in range(1, len(parts)))
    return sorted(folders)


def _is_half_done(folder: bytes) -> bool:
    return any(part.endswith(HALF_DONE) for part in folder.split(b"/"))


def _deepest(folders: list[bytes]) -> list[bytes]:
    return [one for one in folders if not any(other.startswith(one + b"/") for other in folders)]


def same_bytes(one: Path, other: Path) -> bool:
    """Whether two files are equal, by ``cmp``."""
    done = subprocess.run(["cmp", "-s", os.fspath(one), os.fspath(other)], check=False)
    return done.returncode == 0
