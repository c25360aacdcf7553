"""Directory and root hashes: ASC MHL 1.0, section 6.5.2 and appendix G; guidelines 2.5.

The tree and its changes are those of the worked example (``tests/record/example.py``).
"""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from offload.checksum import digest_from_text, digest_of, digest_text
from offload.record.mhl.model import FORMATS, Action
from offload.record.mhl.roots import (
    FileLeaf,
    FolderHashes,
    FolderLeaf,
    FolderTree,
    Leaf,
    NestedLeaf,
    depth_first,
    hash_of_hashes,
    root_of,
)
from tests.record.example import EMPTY, FILES
from tests.record.histories import Desk
from tests.record.plain_folder import PlainFolder

UNI = "Ünï.txt".encode()


def leaves(
    files: dict[bytes, bytes], empty: tuple[bytes, ...] = (EMPTY,), *algorithms: str
) -> list[Leaf]:
    names = algorithms or ("xxh64",)
    found: list[Leaf] = [
        FileLeaf(path, {name: digest_of(name, content) for name in names})
        for path, content in files.items()
    ]
    found += [FolderLeaf(path) for path in empty]
    return sorted(found, key=lambda leaf: leaf.path)


def root(files: dict[bytes, bytes], empty: tuple[bytes, ...] = (EMPTY,)) -> tuple[str, str]:
    hashes = root_of(leaves(files, empty), ["xxh64"])
    return hashes.content["xxh64"].hex(), hashes.structure["xxh64"].hex()


# Worked with xxhsum, md5sum, sha1sum and an independent C4 program: file, Clips, root.
VALUES = {
    "xxh64": (
        "0ea03b369a463d9d",
        "b8b2365f9547cd77",
        "c46a71848859c622",
        "b0f3a38e39e473b9",
        "4666efa86874de17",
    ),
    "md5": (
        "f5ac8127b3b6b85cdc13f237c6005d80",
        "e034e9a0bcd0bdcecc813320fb421508",
        "11b1fef1c39bdb2cb74555943a375afd",
        "f49476904fbaaa4430cd9ad41c7f3a2f",
        "4697f853bac45c75a96e762ef0999883",
    ),
    "c4": (
        "c43LpzjA4DGCZ4Y3HbXsL7TLfaCY7wTCC27X7KAirGFcKTg7f4B8aKx7qiLitCaf9wgpLJL6QQjfdKH4dMrk2z5SRG",
        "c448mFh2JdRjY8WrF6dLzeGdTR3k5AKXci1wTA275WTWfeZ6KRrTmGaDRSnQhBN2gSvgPUpF3mtcZ9rNs2y5PHhfBe",
        "c43YxjKAYWNcxzf3esZ27g7cAL4KDa9qYB2JdAMATaoKcem68WcnQvsQXpY2iMgjyWgza9HFNrHNK6U6JHyKa2ZpAL",
        "c42qMgiKr2Wv9Lttqok2fJfZoGLRsLmARCqkYMQQihdb4wg8T4E9xgTqLhiuStqCjVn12Mwcth6KdsbCrEh97fefER",
        "c43Rrm7TYc3ZpkZV8PdNF1dHSQ8dSWfmwmZeZXeL5MuoRE4eeVeARBBJ4rag8bUYDivhbuZJQnB4nGikMqbZCjj4mW",
    ),
    "sha1": (
        "",
        "",
        "",
        "f82a8528d6b6e95131317314fcc5b19a6b0838a8",
        "b75235ae826be0a89192c461414c75dee86ce949",
    ),
    "xxh3": ("", "", "", "595a5d92b604b1fb", "106b148b42959f4b"),
    "xxh128": (
        "",
        "",
        "",
        "d2118695ad454a227b3830326c08b3bd",
        "a35c4913dc2f451008422a2c39489970",
    ),
}


@pytest.mark.parametrize("algorithm", FORMATS)
def test_worked_example_in_every_format(algorithm: str) -> None:
    tree = FolderTree([algorithm])
    closed: list[FolderHashes] = []
    for leaf in leaves(FILES, (EMPTY,), algorithm):
        closed += tree.add(leaf)
    closed += tree.finish()
    assert [folder.path for folder in closed] == [b"Clips/Sub", b"Clips", b""]
    found = [
        digest_text(algorithm, digest_of(algorithm, b"abcd\n")),
        digest_text(algorithm, closed[1].content[algorithm]),
        digest_text(algorithm, closed[1].structure[algorithm]),
        digest_text(algorithm, closed[2].content[algorithm]),
        digest_text(algorithm, closed[2].structure[algorithm]),
    ]
    assert [
        value if wanted else "" for value, wanted in zip(found, VALUES[algorithm], strict=True)
    ] == list(VALUES[algorithm])
    nothing = digest_of(algorithm, b"")
    assert closed[0].content[algorithm] == closed[0].structure[algorithm] == nothing


def test_steps_of_clips_in_xxh64() -> None:
    hashes = ["ef46db3751d8e999", "0ea03b369a463d9d", "7680e5f98f4a80fd"]
    joined = b"".join(bytes.fromhex(text) for text in hashes)
    assert hash_of_hashes("xxh64", joined).hex() == "b8b2365f9547cd77"
    element = b"A001C001.mov" + bytes.fromhex("0ea03b369a463d9d")
    assert element.hex() == "41303031433030312e6d6f760ea03b369a463d9d"
    assert digest_of("xxh64", element).hex() == "e37cc5e4fc02184d"
    elements = ["e37cc5e4fc02184d", "4c3a45cdc887fc7a", "cdccb54c67c17557"]
    joined = b"".join(bytes.fromhex(text) for text in elements)
    assert hash_of_hashes("xxh64", joined).hex() == "c46a71848859c622"


def moved(old: bytes, new: bytes) -> dict[bytes, bytes]:
    return {(new if path == old else path): content for path, content in FILES.items()}


# The example's table of changes: what is done to the tree, root content, root structure (xxh64).
CHANGES = [
    ("none", FILES, (EMPTY,), "b0f3a38e39e473b9", "4666efa86874de17"),
    (
        "rename-clip",
        moved(b"Clips/A001C001.mov", b"Clips/X.mov"),
        (EMPTY,),
        "b0f3a38e39e473b9",
        "4f88de0f5f1922cc",
    ),
    (
        "rename-sidecar",
        moved(b"Sidecar.txt", b"Sidecar2.txt"),
        (EMPTY,),
        "b0f3a38e39e473b9",
        "bf5db37c1aa430bd",
    ),
    (
        "decomposed-name",
        moved(UNI, b"U\xcc\x88ni\xcc\x88.txt"),
        (EMPTY,),
        "b0f3a38e39e473b9",
        "566b4a3a6e4bf155",
    ),
    (
        "move-up",
        moved(b"Clips/A001C001.mov", b"A001C001.mov"),
        (EMPTY,),
        "604c704513dc0c5c",
        "92b9a839607241ba",
    ),
    (
        "changed-content",
        {**FILES, b"Clips/A001C001.mov": b"abce\n"},
        (EMPTY,),
        "5935517a230ee6f1",
        "6760f783012e69f0",
    ),
    ("empty-folder-gone", FILES, (), "5f3f9fe18ce3daf9", "f0738aa94b4988f2"),
]


@pytest.mark.parametrize(
    ("files", "empty", "content", "structure"),
    [row[1:] for row in CHANGES],
    ids=[row[0] for row in CHANGES],
)
def test_changes_to_the_tree(
    files: dict[bytes, bytes], empty: tuple[bytes, ...], content: str, structure: str
) -> None:
    assert root(files, empty) == (content, structure)


@pytest.mark.parametrize(
    ("name", "content"), [(b".DS_Store", b"x"), (b".DS_Store", b"y"), (b"Clips/.DS_Store", b"x")]
)
def test_ignored_item_takes_no_part(tmp_path: Path, name: bytes, content: bytes) -> None:
    """The example's table of changes: add or change .DS_Store (section 6.5.2)."""
    desk = Desk(PlainFolder(tmp_path))
    desk.put({**FILES, name: content})
    desk.hash({b"": [*FILES, name]}, empty={b"": [EMPTY]}, folder_formats=("xxh64",))
    found = desk.history().newest_root
    assert found is not None
    assert found.content[0].digest.hex() == "b0f3a38e39e473b9"
    assert found.structure[0].digest.hex() == "4666efa86874de17"


def test_printed_text_of_hashes_is_not_what_is_hashed() -> None:
    """Appendix G decodes each string: who hashes the text gets the values of the wrong reading."""

    def of_text(parts: list[str]) -> str:
        return digest_of("xxh64", "".join(sorted(parts)).encode()).hex()

    def element(name: bytes, text: str) -> str:
        return digest_of("xxh64", name + text.encode()).hex()

    clips = {b"A001C001.mov": b"abcd\n", b"A001C002.mov": b"def\n", b"Sub": b""}
    files = {name: digest_of("xxh64", content).hex() for name, content in clips.items()}
    top = {b"Sidecar.txt": b"take 1 good\n", UNI: b""}
    others = {name: digest_of("xxh64", content).hex() for name, content in top.items()}
    content = of_text([of_text(list(files.values())), *others.values()])
    inner = of_text([element(name, text) for name, text in files.items()])
    structure = of_text([element(b"Clips", inner), *(element(n, t) for n, t in others.items())])
    assert (content, structure) == ("0911770025eecb1d", "51469c1feef09744")
    assert root(FILES) != (content, structure)


def test_failed_file_counts_with_what_was_found(tmp_path: Path) -> None:
    """Section 6.5.2 leaves it open: the actual new hash, not the recorded one."""
    desk = Desk(PlainFolder(tmp_path))
    desk.put(FILES)
    for content in (b"abcd\n", b"abce\n"):
        desk.put({b"Clips/A001C001.mov": content})
        desk.hash({b"": FILES}, empty={b"": [EMPTY]}, folder_formats=("xxh64",))
    known = desk.history().lookup(b"Clips/A001C001.mov")
    assert known is not None
    assert known.newest.hashes[0].action is Action.FAILED
    found = desk.history().newest_root
    assert found is not None
    assert found.content[0].digest.hex() == "5935517a230ee6f1"
    assert found.structure[0].digest.hex() == "6760f783012e69f0"


def test_nested_root_is_used_again() -> None:
    nested = root_of(leaves(FILES), ["xxh64"])
    report = FileLeaf(b"report.txt", {"xxh64": digest_of("xxh64", b"ok\n")})
    assert report.digests["xxh64"].hex() == "fd316542cb8360d2"
    hashes = root_of([NestedLeaf(b"A001", nested.content, nested.structure), report], ["xxh64"])
    assert hashes.content["xxh64"].hex() == "370dd92c5f18c42d"
    assert hashes.structure["xxh64"].hex() == "75ff7ea714ea75b0"
    # The same as if its files had been hashed here.
    below = leaves(
        {b"A001/" + path: content for path, content in FILES.items()}, (b"A001/" + EMPTY,)
    )
    assert root_of([*below, report], ["xxh64"]) == hashes


def test_equal_files_count_twice() -> None:
    # Appendix G: equal hash strings stay.
    assert root({b"a": b"x", b"b": b"x"}, ()) != root({b"a": b"x"}, ())


def test_string_order_is_byte_order_for_c4() -> None:
    # So raw digests may be sorted where appendix G sorts strings.
    digests = [digest_of("c4", bytes([n])) for n in range(64)]
    by_text = sorted(digests, key=lambda digest: digest_text("c4", digest))
    assert by_text == sorted(digests)


def test_file_not_hashed_leaves_out_all_above() -> None:
    # Section 6.5.2: directory hashes only where every file below was hashed.
    tree = FolderTree(["md5", "xxh64"])
    some = {"md5": bytes(16), "xxh64": bytes(8)}
    closed = [*tree.add(FileLeaf(b"a/b", some)), *tree.add(FileLeaf(b"a/c/d", {}))]
    closed += [*tree.add(FileLeaf(b"e/f", {"md5": bytes(16)})), *tree.finish()]
    formats = {folder.path: sorted(folder.content) for folder in closed}
    assert formats == {b"a/c": [], b"a": [], b"e": ["md5"], b"": []}
    assert closed[-1].as_root() is None


def test_order_by_bytes_and_by_folders_agree() -> None:
    files = {b"a-b": b"1", b"a/x": b"2", b"a/y/z": b"3", b"a.b/c": b"4", b"a": b""}
    del files[b"a"]
    by_bytes = leaves(files, ())
    by_folder = sorted(by_bytes, key=lambda leaf: depth_first(leaf.path))
    assert [leaf.path for leaf in by_bytes] != [leaf.path for leaf in by_folder]
    assert root_of(by_bytes, FORMATS[-1:]) == root_of(by_folder, FORMATS[-1:])


@pytest.mark.parametrize(
    "paths", [[b"a/b", b"c", b"a/d"], [b"a", b"a"], [b"b", b"a"]], ids=["torn", "twice", "back"]
)
def test_leaves_out_of_order_are_our_mistake(paths: list[bytes]) -> None:
    with pytest.raises(RuntimeError, match="order"):
        root_of([FileLeaf(path, {}) for path in paths], ["md5"])


def test_format_outside_the_standard_is_refused() -> None:
    with pytest.raises(ValueError, match="sha256"):
        FolderTree(["sha256"])


def test_nested_root_in_another_format_leaves_out_what_is_above() -> None:
    """Section 6.5.2, note 1: its newest root is taken only where the format fits."""
    nested = root_of(leaves(FILES), ["xxh64"])
    files = FileLeaf(b"report.txt", {"md5": bytes(16), "xxh64": bytes(8)})
    hashes = root_of([NestedLeaf(b"A001", nested.content, nested.structure), files], ["md5"])
    assert hashes.as_root() is None


def test_folder_of_many_files_is_sorted_in_parts() -> None:
    digests = [digest_of("xxh64", n.to_bytes(4, "big")) for n in range(10_000)]
    whole = digest_of("xxh64", b"".join(sorted(digests)))
    assert hash_of_hashes("xxh64", b"".join(digests)) == whole


names = st.text(alphabet="ab-.~é", min_size=1, max_size=3).filter(lambda t: t not in (".", ".."))
trees = st.recursive(
    st.binary(max_size=2),
    lambda inner: st.dictionaries(names, inner, max_size=4),
    max_leaves=12,
).filter(lambda tree: isinstance(tree, dict))


def naive(tree: dict[str, object], algorithm: str) -> tuple[bytes, bytes]:
    """Straight from appendix G, with text where the text has text."""
    contents, structures = [], []
    for child, value in tree.items():
        if isinstance(value, dict):
            content, structure = naive(value, algorithm)
        else:
            assert isinstance(value, bytes)
            content = structure = digest_of(algorithm, value)
        contents.append(digest_text(algorithm, content))
        element = digest_of(algorithm, child.encode() + structure)
        structures.append(digest_text(algorithm, element))
    joined = [
        b"".join(digest_from_text(algorithm, text) for text in sorted(texts))
        for texts in (contents, structures)
    ]
    return digest_of(algorithm, joined[0]), digest_of(algorithm, joined[1])


def flat(tree: dict[str, object], above: bytes = b"") -> list[Leaf]:
    found: list[Leaf] = []
    for child, value in tree.items():
        path = above + child.encode()
        if isinstance(value, dict):
            found += flat(value, path + b"/") or [FolderLeaf(path)]
        else:
            assert isinstance(value, bytes)
            digests = {name: digest_of(name, value) for name in ("xxh64", "c4")}
            found.append(FileLeaf(path, digests))
    return found


@settings(max_examples=60)
@given(trees, st.booleans())
def test_any_tree_as_the_appendix_says(tree: dict[str, object], by_folder: bool) -> None:
    key = (lambda leaf: depth_first(leaf.path)) if by_folder else (lambda leaf: leaf.path)
    hashes = root_of(sorted(flat(tree), key=key), ["c4", "xxh64"])
    for algorithm in ("xxh64", "c4"):
        content, structure = naive(tree, algorithm)
        assert (hashes.content[algorithm], hashes.structure[algorithm]) == (content, structure)
