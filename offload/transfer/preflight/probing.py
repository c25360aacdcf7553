"""What a drive really does with names: pairs of test names in a folder of our own, then removed.

The kind of a file system says what its format can hold; driver, mount options and server may take
less. A handful of empty files in ``.offload-names`` at the top of the drive's folder shows it.
Nothing else on the drive is touched, and nothing is left, whatever happens; a folder left by a run
that was killed is taken over and cleared by the next one (a lock tells it from one in use).
"""

import contextlib
import errno
import fcntl
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from offload.errors import DriveError, reason
from offload.storage.root import Root
from offload.transfer.preflight.file_systems import FileSystemKind
from offload.transfer.preflight.names import NameRules, Unit
from offload.values.paths import join
from offload.values.portable import RESERVED_CHARACTERS

FOLDER = b".offload-names"
_FOLDERS = 9
_ABOUT_A_NAME = frozenset(
    {
        errno.EINVAL,
        errno.EILSEQ,
        errno.ENAMETOOLONG,
        errno.EEXIST,
        errno.ENOENT,
        errno.EISDIR,
        errno.EPERM,
        errno.EACCES,
        errno.ENOTSUP,
    }
)
_CHARACTERS = "".join(sorted(RESERVED_CHARACTERS - {"/"})) + "\x01"
_COMPOSED, _DECOMPOSED = "form-\u00e9".encode(), "form-e\u0301".encode()
_LONGEST = 255
_SHORTEST = 64


@dataclass(frozen=True, slots=True)
class ProbedNames:
    """What was seen on one drive.

    Attributes:
        tells_case: two names that differ in letter case alone are two files.
        tells_forms: two names that differ in Unicode normal form alone are two files.
        keeps_composed: a composed name is listed as it was given.
        keeps_decomposed: a decomposed one is.
        keeps_dot: a name that ends in a dot is.
        keeps_blank: a name that ends in a blank is.
        keeps_bytes: a name that is no UTF-8 is.
        refused: characters with which a name is not taken, or comes back changed.
        counts_units: 255 letters of two bytes each are taken.
        longest: characters (each one byte) of the longest name taken, at most 255.
    """

    tells_case: bool
    tells_forms: bool
    keeps_composed: bool
    keeps_decomposed: bool
    keeps_dot: bool
    keeps_blank: bool
    keeps_bytes: bool
    refused: frozenset[str]
    counts_units: bool
    longest: int


def probe_names(root: Root, folder: bytes = b"") -> ProbedNames:
    """Try names on a drive.

    Args:
        root: the drive.
        folder: an existing folder below it in which the test folder is made and removed.

    Raises:
        DriveError: the drive takes no file at all, fails in the middle, or something of the test
            could not be removed; the error names where.
    """
    try:
        with _scratch(root, folder) as scratch:
            return _probed(scratch)
    except OSError as error:
        raise DriveError(
            f"names could not be tried on the drive: {reason(error)}",
            path=join(root.path, join(folder, FOLDER)),
            meaning="Nothing of the card was written to this drive; the other drives go on.",
            remedy="Check that it can be written and is well, then the same command again. "
            "A folder of this name that is left can be deleted: it holds empty files only.",
        ) from error


def rules_for(kind: FileSystemKind, probed: ProbedNames | None) -> NameRules:
    """The rules for one drive: what its kind says, made stricter by what was seen.

    Only where the kind is not known, what was seen can also make them milder: an on-disk format
    that cannot hold two names is no better for a driver that lets them through.
    """
    rules = kind.names
    if probed is None:
        return rules
    if not kind.is_settled:
        rules = replace(
            rules,
            refused=frozenset(),
            refused_at_end=frozenset(),
            folds_case=False,
            folds_forms=False,
        )
    at_end = {".": probed.keeps_dot, " ": probed.keeps_blank}
    rules = replace(
        rules,
        refused=rules.refused | _with_controls(probed.refused),
        refused_at_end=rules.refused_at_end | {char for char, kept in at_end.items() if not kept},
        needs_utf8=rules.needs_utf8 or not probed.keeps_bytes,
        folds_case=rules.folds_case or not probed.tells_case,
        folds_forms=rules.folds_forms or not probed.tells_forms,
        only_ascii=not (probed.keeps_composed or probed.keeps_decomposed),
        form=_form(rules, probed),
    )
    return _limited(rules, probed)


def _form(rules: NameRules, probed: ProbedNames) -> Literal["NFC", "NFD", ""]:
    if probed.keeps_composed is probed.keeps_decomposed:
        return rules.form
    return "NFC" if probed.keeps_composed else "NFD"


def _with_controls(refused: frozenset[str]) -> frozenset[str]:
    # One control character stands for all of them.
    return refused | {chr(code) for code in range(0x20)} if "\x01" in refused else refused


def _limited(rules: NameRules, probed: ProbedNames) -> NameRules:
    limit = max(_SHORTEST, min(rules.limit, probed.longest))
    if rules.unit is not Unit.BYTES and not probed.counts_units:
        return replace(rules, unit=Unit.BYTES, limit=limit)
    return replace(rules, limit=limit)


class _Scratch:
    """The folder with test names, open."""

    def __init__(self, root: Root, folder: bytes) -> None:
        self._root = root
        self._folder = folder

    def makes(self, name: bytes) -> bool:
        """Whether an empty file of this name can be made where none is yet.

        Raises:
            OSError: the drive failed; that says nothing about names.
        """
        flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY
        try:
            os.close(self._root.open_file(join(self._folder, name), flags))
        except OSError as error:
            if error.errno in _ABOUT_A_NAME:
                return False
            raise
        return True

    def keeps(self, name: bytes) -> bool:
        """Whether a file of this name can be made and is listed under exactly this name."""
        return self.makes(name) and name in self.names()

    def names(self) -> set[bytes]:
        """What the drive lists."""
        return set(self._root.names(self._folder))

    def forget(self, name: bytes) -> None:
        """Remove one test file, by the name it was given."""
        with contextlib.suppress(FileNotFoundError):
            self._root.remove_file(join(self._folder, name))


def _probed(scratch: _Scratch) -> ProbedNames:
    if not scratch.makes(b"plain"):
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))
    tells_case = scratch.makes(b"Case") and scratch.makes(b"cASE")
    keeps_composed = scratch.keeps(_COMPOSED)
    # The first must be out of the way for the second to be seen by itself.
    tells_forms = scratch.makes(_DECOMPOSED)
    scratch.forget(_DECOMPOSED)
    scratch.forget(_COMPOSED)
    refused = {char for char in _CHARACTERS if not scratch.keeps(f"has-{char}-in".encode())}
    return ProbedNames(
        tells_case=tells_case and {b"Case", b"cASE"} <= scratch.names(),
        tells_forms=tells_forms,
        keeps_composed=keeps_composed,
        keeps_decomposed=scratch.keeps(_DECOMPOSED),
        keeps_dot=scratch.makes(b"dot") and scratch.keeps(b"dot."),
        keeps_blank=scratch.makes(b"blank") and scratch.keeps(b"blank "),
        keeps_bytes=scratch.keeps(b"bytes-\xff"),
        refused=frozenset(refused),
        counts_units=scratch.keeps("\u0436".encode() * _LONGEST),
        longest=_longest(scratch),
    )


def _longest(scratch: _Scratch) -> int:
    """By halving; nearly always the first try fits."""
    fits, too_long = 0, _LONGEST + 1
    tried = _LONGEST
    while too_long - fits > 1:
        if scratch.keeps(b"x" * tried):
            fits = tried
        else:
            too_long = tried
        tried = (fits + too_long) // 2
    return fits


@contextlib.contextmanager
def _scratch(root: Root, folder: bytes) -> Iterator[_Scratch]:
    path, lock = _taken(root, folder)
    try:
        yield _Scratch(root, path)
    finally:
        try:
            _clear(root, path)
            root.remove_folder(path)
        finally:
            os.close(lock)


def _taken(root: Root, folder: bytes) -> tuple[bytes, int]:
    """A test folder that nobody else is using, and the lock that says so."""
    for number in range(1, _FOLDERS + 1):
        path = join(folder, FOLDER if number == 1 else b"%s-%d" % (FOLDER, number))
        with contextlib.suppress(FileExistsError):
            os.mkdir(path.rpartition(b"/")[2], 0o700, dir_fd=root.folder(folder))
        # Another run may have removed it this very moment; then the next number is tried.
        with contextlib.suppress(FileNotFoundError):
            root.forget_folders()
            # As a folder: such a descriptor is kept also on a drive that answers nothing any more.
            flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
            lock = os.open(b".", flags, dir_fd=root.folder(path))
            is_taken = False
            try:
                is_taken = _is_ours(lock) and _is_still(root, path, lock) and _clear(root, path)
            finally:
                if not is_taken:
                    os.close(lock)
            if is_taken:
                return path, lock
    raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))


def _is_still(root: Root, path: bytes, lock: int) -> bool:
    """Whether the folder that was locked is the one that has this name."""
    return root.exists(path) and os.path.samestat(root.facts(path), os.fstat(lock))


def _is_ours(lock: int) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        # A file system without locks; two runs at one moment on it would only spoil each other's
        # answer towards the stricter rules.
        return True
    return True


def _clear(root: Root, path: bytes) -> bool:
    """Remove our empty files; False when something else lies there, which is left alone."""
    for name, facts in root.scan(path):
        if isinstance(facts, OSError) or not stat.S_ISREG(facts.st_mode) or facts.st_size:
            return False
        root.remove_file(join(path, name))
    return True
