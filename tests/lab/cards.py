"""Card trees: small true ones of the short film "Night Ferry", hostile ones, random ones.

A tree is a tuple of :class:`Item`, plain data; :func:`write_tree` puts it on a disk through folder
descriptors, so that no path is too long. Every random tree comes from its seed alone.
"""

import os
import random
import socket
import stat
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from hypothesis import strategies as st

from tests.lab import clips

SHOT_AT_NS = 1_795_528_931_000_000_000
"""A time within the shoot: 24 Nov 2026, 13:22:11 UTC."""

FILE, FOLDER, LINK, PIPE, SOCKET, CHARACTER, BLOCK, HARD = (
    "file",
    "folder",
    "link",
    "pipe",
    "socket",
    "character",
    "block",
    "hard",
)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing in a tree.

    Attributes:
        path: bytes, relative to the tree's root; folders above are made.
        kind: ``file``, ``folder``, ``link``, ``pipe``, ``socket``, ``character`` or ``block``
            (device nodes), ``hard`` (a second name of an earlier file).
        content: of a file.
        target: of a link, any bytes; of a hard link, the earlier file's path.
        mtime_ns: modification time; 0 leaves it as it comes.
    """

    path: bytes
    kind: str = FILE
    content: bytes = b""
    target: bytes = b""
    mtime_ns: int = SHOT_AT_NS


# --- true cards


def write_roll(root: Path, *, roll: str = "A001", clip_count: int = 3, frames: int = 12) -> None:
    """A camera's card: clips with their sidecars, an index, an empty folder, one scratch sound.

    Args:
        root: the card's top folder, made where it is missing.
        roll: camera letter and number.
        clip_count: number of clips.
        frames: pictures in each clip (about 10 KB each at this size).
    """
    folder = root / "CLIPS"
    folder.mkdir(parents=True, exist_ok=True)
    (root / "TRASHED").mkdir(exist_ok=True)
    lines = []
    for number in range(1, clip_count + 1):
        name = f"{roll}C{number:03d}"
        clips.write_prores(
            folder / f"{name}.mov",
            frames=frames,
            timecode=f"13:{number:02d}:11:00",
            reel=roll,
            seed=number * 7 + sum(roll.encode()),
        )
        (folder / f"{name}.xml").write_text(f"<clip><name>{name}</name></clip>\n")
        lines.append(f"{name}.mov\n")
    clips.write_wave(folder / f"{roll}S01.wav", seconds=0.25)
    (root / "INDEX.TXT").write_text("".join(lines))
    _set_times(root)


def write_sound_roll(root: Path, *, roll: str = "S001", takes: int = 2) -> None:
    """A sound recorder's card: one wave file a take and a report."""
    folder = root / roll
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(1, takes + 1):
        clips.write_wave(folder / f"{roll}T{number:02d}.wav", seconds=0.2, hertz=200.0 + number)
    (folder / f"{roll}.csv").write_text("take,scene\n1,12A\n2,12B\n")
    _set_times(root)


def plain_roll(*, files: int = 4, size_bytes: int = 70_000, seed: int = 1) -> tuple[Item, ...]:
    """A card of random bytes under clip names: the smallest that exercises everything.

    Sizes differ, lie off every block boundary, and one file and one folder are empty.
    """
    source = random.Random(seed)
    items = [
        Item(b"CLIPS/A001C%03d.mov" % number, content=source.randbytes(size_bytes + 13 * number))
        for number in range(1, files + 1)
    ]
    items.append(Item(b"CLIPS/A001C%03d.xml" % 1, content=b"<clip/>\n"))
    items.append(Item(b"EMPTY.BIN"))
    items.append(Item(b"TRASHED", FOLDER))
    return tuple(items)


# --- hostile cards

NAMES = (
    b"new\nline.mov",
    b"return\r.mov",
    b"tab\t.mov",
    b"bell\x07.mov",
    b"clear\x1b[2J\x1b[H.mov",
    b"title\x1b]0;SAFE TO ERASE\x07.mov",
    b"c1\xc2\x9b31m.mov",
    "right\u202evom.mov".encode(),
    "zero\u200bwidth.mov".encode(),
    "line\u2028sep.mov".encode(),
    b"[bold]take.mov",
    b"[red]1.mov",
    b"<script>alert(1)<",
    b"&amp;&lt;.mov",
    b"]]>.mov",
    b"quote'\".mov",
    b"back\\slash.mov",
    b"\\n.mov",
    b"per%20cent%s.mov",
    b"{brace}{0}.mov",
    b"star*?.mov",
    b"[ab]*.mov",
    b"~home.mov",
    b"$HOME.mov",
    b"`id`.mov",
    b"semi;colon|pipe.mov",
    b"colon:two.mov",
    b"-rf",
    b"--to",
    b" lead.mov",
    b"trail.mov ",
    b"trail.",
    b"...",
    b".hidden.mov",
    b"._REAL.mov",
    b"#comment.mov",
    b"not-utf8-\xff\xfe.mov",
    b"\x80",
    b"latin-\xe9.mov",
    b"cut-\xe2\x82.mov",
    b"surrogate-\xed\xa0\x80.mov",
    "caf\u00e9.mov".encode(),
    "cafe\u0301.mov".encode(),
    b"CLIP.mov",
    b"clip.mov",
    b"CON",
    b"nul.mov",
    b"COM1.mov",
    b"x" * 255,
    b"y" * 251 + b".mov",
    b"\xd1\x8f" * 127,
    b"ascmhl",
    b"records",
    b"d41d8cd98f00b204e9800998ecf8427e  other.mov",
    b"*binary.mov",
)
"""Names that have broken lists, screens, markup, shells, patterns or file systems elsewhere."""


def hostile_tree(*, is_deep: bool = True) -> tuple[Item, ...]:
    """Every odd name and every kind of thing, each file with content of its own."""
    items = [Item(b"NAMES/" + name, content=b"clip " + name) for name in NAMES]
    items += [Item(b"FOLDERS/" + name + b"/a.mov", content=name) for name in NAMES]
    items += [Item(b"EMPTY/" + name, FOLDER) for name in NAMES[:8]]
    # A closing mark needs a folder: the slash in it is the path's own.
    items.append(Item(b"MARKUP/[bold]take[/bold].mov", content=b"closed"))
    items.append(Item(b"MARKUP/A[/b].mov", content=b"closed too early"))
    items += links() + others()
    if is_deep:
        # Longer than PATH_MAX (4096): only a walk by folder descriptors reaches it.
        items.append(Item(b"/".join([b"d" * 95] * 45) + b"/deep.mov", content=b"deep"))
    return tuple(items)


def links() -> list[Item]:
    """Links of every kind; nothing behind any of them belongs to the card."""
    targets = (
        (b"inside", b"../NAMES/CLIP.mov"),
        (b"outside", b"/etc/passwd"),
        (b"above", b"../../../../etc"),
        (b"nowhere", b"no such file"),
        (b"itself", b"itself"),
        (b"folder", b".."),
        (b"device", b"/dev/zero"),
        (b"process", b"/proc/self/fd/0"),
        (b"odd\n\xff", b"tar\n\x1b[2Jget\xff"),
        (b"long", b"z" * 1000),
    )
    items = [Item(b"LINKS/" + name, LINK, target=target) for name, target in targets]
    items.append(Item(b"LINKS/hard-1", content=b"one file, two names"))
    items.append(Item(b"LINKS/hard-2", HARD, target=b"LINKS/hard-1"))
    return items


def others() -> list[Item]:
    """Pipes, sockets and device nodes: opening one may hang or reach another disk."""
    return [
        Item(b"OTHERS/pipe", PIPE),
        Item(b"OTHERS/pipe.mov", PIPE),
        Item(b"OTHERS/socket", SOCKET),
        Item(b"OTHERS/null", CHARACTER),
        Item(b"OTHERS/disk", BLOCK),
    ]


def random_tree(seed: int, *, entries: int = 40, largest_bytes: int = 200_000) -> tuple[Item, ...]:
    """A random hostile tree; equal seeds give equal trees.

    Args:
        seed: everything comes from it.
        entries: number of things, before those are left out that cannot stand beside another.
        largest_bytes: of a file; most are small, some empty, some whole blocks.
    """
    source = random.Random(seed)
    folders = [b""]
    items: list[Item] = []
    for _ in range(entries):
        parent = source.choice(folders)
        name = _random_name(source)
        path = parent + b"/" + name if parent else name
        if source.random() < 0.2 and path.count(b"/") < 12:
            folders.append(path)
            items.append(Item(path, FOLDER))
        else:
            items.append(_random_item(source, path, largest_bytes))
    return without_conflicts(items)


def without_conflicts(items: Iterable[Item]) -> tuple[Item, ...]:
    """The items that can stand together: first come, first served, no file under a file."""
    kept: dict[bytes, Item] = {}
    folders: set[bytes] = set()
    for item in items:
        above = _folders_above(item.path)
        if any(folder in kept and kept[folder].kind != FOLDER for folder in above):
            continue
        if item.path in kept or (item.path in folders and item.kind != FOLDER):
            continue
        kept[item.path] = item
        folders.update(above)
    return tuple(kept.values())


def trees(*, max_items: int = 12, max_bytes: int = 300) -> st.SearchStrategy[tuple[Item, ...]]:
    """Trees for properties: files, folders, links and pipes under any names at all."""
    any_name = st.binary(min_size=1, max_size=20).map(_as_name)
    name = st.one_of(st.sampled_from(NAMES), any_name)
    path = st.lists(name, min_size=1, max_size=4).map(b"/".join)
    content = st.binary(max_size=max_bytes)
    time = st.integers(0, 2**31 - 1).map(lambda second: second * 10**9)
    file = st.builds(Item, path, st.just(FILE), content, st.just(b""), time)
    folder = st.builds(Item, path, st.just(FOLDER))
    link = st.builds(Item, path, st.just(LINK), target=any_name)
    pipe = st.builds(Item, path, st.just(PIPE))
    one = st.one_of(file, file, file, folder, link, pipe)
    return st.lists(one, max_size=max_items).map(without_conflicts)


# --- putting them down


def write_tree(root: Path, items: Iterable[Item], *, skip_refused: bool = False) -> list[Item]:
    """Put a tree on a disk; returns what was written.

    Args:
        root: its top folder, made where it is missing.
        items: the tree.
        skip_refused: leave out what this file system refuses (exFAT has no pipes, no ``?``)
            instead of failing.
    """
    root.mkdir(parents=True, exist_ok=True)
    written: list[Item] = []
    top = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        for item in items:
            try:
                _write_item(top, item)
            except OSError:
                if not skip_refused:
                    raise
                continue
            written.append(item)
    finally:
        os.close(top)
    return written


def files_of(items: Iterable[Item]) -> dict[bytes, bytes]:
    """Path and content of every regular file, second names included."""
    found = {item.path: item.content for item in items if item.kind == FILE}
    for item in items:
        if item.kind == HARD and item.target in found:
            found[item.path] = found[item.target]
    return found


def _write_item(top: int, item: Item) -> None:
    parent, _, name = item.path.rpartition(b"/")
    folder = _open_folder(top, parent)
    try:
        _make(folder, name, item, top)
        if item.mtime_ns and item.kind not in (HARD, FOLDER):
            times = (item.mtime_ns, item.mtime_ns)
            os.utime(name, ns=times, dir_fd=folder, follow_symlinks=False)
    finally:
        os.close(folder)


def _make(folder: int, name: bytes, item: Item, top: int) -> None:
    if item.kind == FILE:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
        with open(os.open(name, flags, 0o644, dir_fd=folder), "wb") as file:
            file.write(item.content)
    elif item.kind == FOLDER:
        os.close(_open_folder(folder, name))
    elif item.kind == LINK:
        os.symlink(item.target, name, dir_fd=folder)
    elif item.kind == HARD:
        os.link(item.target, name, src_dir_fd=top, dst_dir_fd=folder)
    elif item.kind == PIPE:
        os.mkfifo(name, 0o644, dir_fd=folder)
    elif item.kind == SOCKET:
        _make_socket(folder, name)
    else:
        # The null device, and a block device number that no driver serves.
        is_block = item.kind == BLOCK
        mode = (stat.S_IFBLK if is_block else stat.S_IFCHR) | 0o644
        os.mknod(name, mode, os.makedev(240, 0) if is_block else os.makedev(1, 3), dir_fd=folder)


def _make_socket(folder: int, name: bytes) -> None:
    made = socket.socket(socket.AF_UNIX)
    try:
        made.bind(b"/proc/self/fd/%d/" % folder + name)
    finally:
        made.close()


def _open_folder(top: int, path: bytes) -> int:
    """A descriptor of the folder at ``path``, made where it is missing, one level at a time."""
    here = os.dup(top)
    for part in path.split(b"/") if path else []:
        try:
            os.mkdir(part, 0o755, dir_fd=here)
        except FileExistsError:
            pass
        except OSError:
            os.close(here)
            raise
        flags = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC | os.O_NOFOLLOW
        try:
            below = os.open(part, flags, dir_fd=here)
        finally:
            os.close(here)
        here = below
    return here


def _folders_above(path: bytes) -> list[bytes]:
    parts = path.split(b"/")
    return [b"/".join(parts[:count]) for count in range(1, len(parts))]


def _random_name(source: random.Random) -> bytes:
    draw = source.random()
    if draw < 0.4:
        return source.choice(NAMES)
    if draw < 0.7:
        return b"A001C%03d.mov" % source.randrange(1, 400)
    return _as_name(source.randbytes(source.randrange(1, 60)))


def _random_item(source: random.Random, path: bytes, largest_bytes: int) -> Item:
    draw = source.random()
    if draw < 0.05:
        return Item(path, LINK, target=_as_name(source.randbytes(source.randrange(1, 30))))
    if draw < 0.08:
        return Item(path, source.choice((PIPE, SOCKET, CHARACTER)))
    size = source.choice((0, 1, 511, 4096, 4097, 65536, source.randrange(largest_bytes + 1)))
    mtime_ns = source.choice((0, SHOT_AT_NS, source.randrange(2**31) * 10**9 + 999_999_999))
    return Item(path, content=source.randbytes(min(size, largest_bytes)), mtime_ns=mtime_ns)


def _as_name(raw: bytes) -> bytes:
    name = raw.replace(b"/", b"_").replace(b"\0", b"_")
    return name + b"_" if name in (b".", b"..") else name


def _set_times(root: Path) -> None:
    for folder, names, files in os.walk(root):
        for name in [*names, *files]:
            os.utime(os.path.join(folder, name), ns=(SHOT_AT_NS, SHOT_AT_NS))


def with_times(items: Iterable[Item], mtime_ns: int) -> tuple[Item, ...]:
    """The same tree, every file with another time."""
    return tuple(replace(item, mtime_ns=mtime_ns) for item in items)
