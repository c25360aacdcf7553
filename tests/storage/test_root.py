"""One held folder: no link followed, no pipe waited on, and the card that was opened stays it.

Sources: open(2) (``O_NOFOLLOW``, ``O_NOATIME``, ``O_NONBLOCK`` on a pipe), POSIX ``openat``.
"""

import errno
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from offload.storage.root import Root, walk_folders
from tests.lab.cards import links, others, write_tree
from tests.lab.faultfs import Fault, FaultFs
from tests.lab.images import EXT4, Rack


def open_descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


@pytest.fixture
def card(tmp_path: Path) -> Path:
    folder = tmp_path / "card"
    (folder / "CLIPS/A001").mkdir(parents=True)
    (folder / "CLIPS/A001/C1.mov").write_bytes(b"clip")
    (tmp_path / "other").mkdir()
    (tmp_path / "other/C1.mov").write_bytes(b"of another card")
    return folder


@pytest.fixture
def root(card: Path) -> Iterator[Root]:
    with Root(os.fsencode(card)) as held:
        yield held


# --- the same card


def test_another_card_at_the_same_path_is_not_read(card: Path, root: Root) -> None:
    card.rename(card.parent / "moved")
    (card.parent / "other").rename(card)
    assert root.names(b"") == [b"CLIPS"]
    assert root.read_small(b"CLIPS/A001/C1.mov", 100) == b"clip"


def test_a_folder_moved_away_is_still_the_one_in_hand(card: Path, root: Root) -> None:
    root.folder(b"CLIPS/A001")
    (card / "CLIPS").rename(card / "OLD")
    (card / "CLIPS").mkdir()
    assert root.names(b"CLIPS/A001") == [b"C1.mov"]
    root.forget_folders()
    with pytest.raises(FileNotFoundError):
        root.names(b"CLIPS/A001")


def test_another_handle_is_of_the_same_folder_and_lives_alone(card: Path) -> None:
    first = Root(os.fsencode(card))
    card.rename(card.parent / "moved")
    with first.again() as second:
        first.close()
        assert second.read_small(b"CLIPS/A001/C1.mov", 100) == b"clip"
        assert second.device == (card.parent / "moved").stat().st_dev


# --- nothing is followed, nothing is waited on


@pytest.mark.parametrize("target", ["../other", "/etc", "A001", ".", "CLIPS"])
def test_a_folder_that_is_a_link_is_never_entered(card: Path, root: Root, target: str) -> None:
    (card / "LINKED").symlink_to(target)
    for reach in (root.names, root.folder, root.scan):
        with pytest.raises(OSError) as caught:
            reach(b"LINKED")
        assert caught.value.errno in (errno.ELOOP, errno.ENOTDIR)
    with pytest.raises(OSError):
        root.open_file(b"LINKED/C1.mov")


def test_a_folder_that_becomes_a_link_is_not_entered_either(card: Path, root: Root) -> None:
    root.forget_folders()
    (card / "CLIPS").rename(card / "OLD")
    (card / "CLIPS").symlink_to("../other")
    with pytest.raises(OSError):
        root.open_file(b"CLIPS/C1.mov")


def test_a_file_that_is_a_link_is_never_read(card: Path, root: Root) -> None:
    (card / "C2.mov").symlink_to("CLIPS/A001/C1.mov")
    with pytest.raises(OSError) as caught:
        root.open_file(b"C2.mov")
    assert caught.value.errno == errno.ELOOP
    assert root.link_target(b"C2.mov") == b"CLIPS/A001/C1.mov"


def test_a_listing_tells_of_the_link_and_not_of_what_it_names(card: Path, root: Root) -> None:
    (card / "inside").symlink_to("CLIPS/A001/C1.mov")
    (card / "nowhere").symlink_to("gone")
    found = dict(root.scan(b""))
    for name in (b"inside", b"nowhere"):
        facts = found[name]
        assert isinstance(facts, os.stat_result) and stat.S_ISLNK(facts.st_mode)


def test_what_a_link_says_comes_back_byte_for_byte(tmp_path: Path) -> None:
    items = links()
    write_tree(tmp_path / "links", items)
    with Root(os.fsencode(tmp_path / "links")) as root:
        for item in items:
            if item.kind == "link":
                assert root.link_target(item.path) == item.target


def test_pipes_sockets_and_devices_are_refused_at_once(tmp_path: Path) -> None:
    items = others()
    write_tree(tmp_path / "odd", items)
    with Root(os.fsencode(tmp_path / "odd")) as root:
        before = open_descriptors()
        for item in items:
            with pytest.raises(OSError):
                root.open_file(item.path)
        with pytest.raises(OSError) as caught:
            root.open_file(b"OTHERS")
        assert caught.value.errno == errno.EINVAL
        # The folder's own handle is kept for speed; a refused entry leaves none behind.
        assert open_descriptors() <= before + 1


# --- what cannot be told is not "no"


def test_missing_is_no_and_an_error_is_not(
    card: Path, root: Root, faulty: Callable[..., FaultFs]
) -> None:
    assert root.exists(b"CLIPS/A001/C1.mov")
    assert root.exists(b"")
    assert not root.exists(b"CLIPS/A001/C2.mov")
    assert not root.exists(b"CLIPS/A001/C1.mov/below")
    fs = faulty("card-2")
    (fs.backing / "C1.mov").write_bytes(b"clip")
    with Root(os.fsencode(fs.root)) as broken:
        fs.plan(Fault("getattr", count=0, path="C1.mov"))
        with pytest.raises(OSError) as caught:
            broken.exists(b"C1.mov")
        assert caught.value.errno == errno.EIO


def test_a_broken_link_is_there(card: Path, root: Root) -> None:
    (card / "gone").symlink_to("nowhere")
    assert root.exists(b"gone")


def test_an_entry_without_facts_keeps_its_error(faulty: Callable[..., FaultFs]) -> None:
    fs = faulty("card-1")
    for name in ("C1.mov", "C2.mov"):
        (fs.backing / name).write_bytes(b"clip")
    with Root(os.fsencode(fs.root)) as root:
        fs.plan(Fault("getattr", count=0, path="C1.mov"))
        found = dict(root.scan(b""))
    broken, whole = found[b"C1.mov"], found[b"C2.mov"]
    assert isinstance(broken, OSError) and broken.errno == errno.EIO
    assert isinstance(whole, os.stat_result) and whole.st_size == 4


def test_a_folder_that_cannot_be_listed_is_an_error(faulty: Callable[..., FaultFs]) -> None:
    fs = faulty("card-1")
    (fs.backing / "CLIPS").mkdir()
    with Root(os.fsencode(fs.root)) as root:
        fs.plan(Fault("readdir", count=0, path="CLIPS"))
        with pytest.raises(OSError):
            root.scan(b"CLIPS")
        with pytest.raises(OSError):
            walk_folders(root)
        fs.plan(Fault("getattr", count=0, path="CLIPS"))
        with pytest.raises(OSError):
            walk_folders(root)


# --- writing


def test_a_new_file_never_takes_a_name_in_use(card: Path, root: Root) -> None:
    for taken in (b"CLIPS/A001/C1.mov", b"CLIPS/A001"):
        with pytest.raises(FileExistsError):
            root.create_file(taken, os.O_RDWR)
    (card / "lead").symlink_to("../other/new.mov")
    with pytest.raises(FileExistsError):
        root.create_file(b"lead", os.O_RDWR)
    assert not (card.parent / "other/new.mov").exists()
    assert (card / "CLIPS/A001/C1.mov").read_bytes() == b"clip"


def test_folders_are_made_from_the_outside_and_named(card: Path, root: Root) -> None:
    assert root.make_folders(b"CLIPS/B/C/D") == [b"CLIPS/B", b"CLIPS/B/C", b"CLIPS/B/C/D"]
    assert root.make_folders(b"CLIPS/B/C/D") == []
    assert (card / "CLIPS/B/C/D").is_dir()


def test_a_file_in_the_way_of_a_folder_is_an_error(card: Path, root: Root) -> None:
    with pytest.raises(NotADirectoryError):
        root.make_folders(b"CLIPS/A001/C1.mov/below")
    assert (card / "CLIPS/A001/C1.mov").read_bytes() == b"clip"


@pytest.mark.parametrize("kind", ["folder", "file", "link"])
def test_another_run_makes_the_folder_at_the_same_moment(
    card: Path, root: Root, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """A folder will do; anything else is in the way, and nothing may be written beyond it."""
    real = os.mkdir

    def another_is_faster(name: bytes, mode: int, *, dir_fd: int) -> None:
        if kind == "folder":
            real(name, mode, dir_fd=dir_fd)
        elif kind == "file":
            (card / "day").write_bytes(b"")
        else:
            (card / "day").symlink_to("../other")
        real(name, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "mkdir", another_is_faster)
    if kind == "folder":
        assert root.make_folders(b"day") == []
        assert (card / "day").is_dir()
    else:
        with pytest.raises(OSError):
            root.make_folders(b"day")


def test_only_an_empty_folder_is_removed(card: Path, root: Root) -> None:
    with pytest.raises(OSError):
        root.remove_folder(b"CLIPS/A001")
    assert (card / "CLIPS/A001/C1.mov").exists()
    root.remove_file(b"CLIPS/A001/C1.mov")
    root.folder(b"CLIPS/A001")
    root.remove_folder(b"CLIPS/A001")
    assert not root.exists(b"CLIPS/A001")


def test_a_folder_removed_and_made_again_is_the_new_one(card: Path, root: Root) -> None:
    root.make_folders(b"run/below")
    root.folder(b"run/below")
    root.remove_folder(b"run/below")
    root.remove_folder(b"run")
    root.make_folders(b"run/below")
    os.close(root.create_file(b"run/below/new", os.O_WRONLY))
    assert (card / "run/below/new").exists()


def test_a_small_file_that_is_large_is_refused(card: Path, root: Root) -> None:
    (card / "list").write_bytes(bytes(5000))
    assert root.read_small(b"list", 5000) == bytes(5000)
    with pytest.raises(OSError) as caught:
        root.read_small(b"list", 4999)
    assert caught.value.errno == errno.EFBIG


# --- handles


def test_many_folders_and_deep_ones_use_few_handles(card: Path) -> None:
    deep = b"/".join([b"d"] * 1200)
    with Root(os.fsencode(card)) as root:
        before = open_descriptors()
        for number in range(300):
            (card / f"F{number}").mkdir()
            root.folder(b"F%d" % number)
        root.make_folders(deep)
        assert open_descriptors() - before <= 70
        os.close(root.create_file(deep + b"/C1.mov", os.O_WRONLY))
        assert len(walk_folders(root)) == 1 + 300 + 2 + 1200
        for level in range(1200, 0, -1):
            folder = b"/".join([b"d"] * level)
            if level == 1200:
                root.remove_file(folder + b"/C1.mov")
            root.remove_folder(folder)


@pytest.mark.lab
def test_a_closed_root_lets_the_card_go(rack: Rack) -> None:
    volume = rack.volume(EXT4)
    (volume.root / "CLIPS").mkdir()
    with Root(os.fsencode(volume.root)) as root:
        with root.again() as twin:
            twin.folder(b"CLIPS")
        root.folder(b"CLIPS")
    volume.unmount()
    assert not os.path.ismount(volume.root)


# --- reading leaves no trace


def test_reading_stamps_no_access_time_where_the_system_agrees(
    rack: Rack, monkeypatch: pytest.MonkeyPatch
) -> None:
    volume = rack.volume(EXT4, is_mounted=False)
    volume.mount(options=("strictatime",))
    (volume.root / "CLIPS").mkdir()
    clip = volume.root / "CLIPS/C1.mov"
    clip.write_bytes(b"clip")
    for path in (volume.root, volume.root / "CLIPS", clip):
        os.utime(path, ns=(1_000_000_000, 1_000_000_000))

    def stamps() -> list[int]:
        return [p.stat().st_atime_ns for p in (volume.root, volume.root / "CLIPS", clip)]

    with Root(os.fsencode(volume.root), keep_times=True) as root, root.again() as twin:
        for held in (root, twin):
            assert held.scan(b"") and held.scan(b"CLIPS")
            assert held.read_small(b"CLIPS/C1.mov", 10) == b"clip"
        assert root.keeps_times and twin.keeps_times
    assert stamps() == [1_000_000_000] * 3
    # Without the wish the same reading is seen, so the test above can fail.
    with Root(os.fsencode(volume.root)) as root:
        assert root.read_small(b"CLIPS/C1.mov", 10) == b"clip"
    assert clip.stat().st_atime_ns != 1_000_000_000


@pytest.mark.parametrize("own", [(), (".",), (".", "CLIPS", "CLIPS/A001")])
def test_a_foreign_card_is_read_all_the_same(card: Path, own: tuple[str, ...]) -> None:
    """Only its owner may ask for it (open(2), ``O_NOATIME``): the system's refusal is no end."""
    for name in own:
        os.chown(card / name, 65534, 65534)
    child = os.fork()
    if not child:
        code = 1
        try:
            # The folders above are the test's own; what lies at hand can still be opened.
            os.chdir(card)
            os.setgid(65534)
            os.setuid(65534)
            with Root(b".", keep_times=True) as root:
                is_read = root.read_small(b"CLIPS/A001/C1.mov", 10) == b"clip"
                code = 0 if is_read and not root.keeps_times else 2
        finally:
            os._exit(code)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


@pytest.mark.parametrize("error", ["EIO", "ENODEV"])
def test_a_folder_whose_facts_cannot_be_had_is_not_kept_open(
    faulty: Callable[..., FaultFs], error: str
) -> None:
    """A card that is left open cannot be ejected."""
    card = faulty("card")
    before = open_descriptors()
    refused = 0
    # Some of its questions come before the opening, and at least one after it.
    for nth in range(1, 5):
        card.plan(Fault("getattr", nth=nth, count=0, errno=error))
        try:
            Root(os.fsencode(card.root)).close()
        except OSError:
            refused += 1
        assert open_descriptors() == before
    assert refused
