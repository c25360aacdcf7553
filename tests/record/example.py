"""The worked example that the tests of manifests share: card A001 of "Night Ferry", five things.

A manifest and a chain of the standard's form (ASC MHL 1.0, sections 6 and 7, appendix G). Hashes
were worked out apart from this program (xxhsum, md5sum, sha1sum, a C4 implementation).
"""

from dataclasses import replace
from datetime import datetime, timedelta, timezone

from offload.checksum import digest_of
from offload.record.mhl.model import (
    Action,
    Author,
    Creator,
    Hash,
    HashRecord,
    Head,
    Process,
)
from offload.record.mhl.tree import EmptyFolder, Item, tree_root

FILES = {
    b"Clips/A001C001.mov": b"abcd\n",
    b"Clips/A001C002.mov": b"def\n",
    b"Sidecar.txt": b"take 1 good\n",
    "Ünï.txt".encode(): b"",
}
EMPTY = b"Clips/Sub"
ZONE = timezone(timedelta(hours=2))
# 2024-05-01T09:55:00+02:00
MTIME_NS = 1714550100 * 10**9

HEAD = Head(
    Creator(
        datetime(2024, 5, 1, 10, 0, 5, tzinfo=ZONE),
        "cart1.example",
        "example",
        "0.1",
        (Author("A. Person", "dit@example.org", role="DIT"),),
        comment="copy of card A001",
    ),
    Process.TRANSFER,
    ignore=(".DS_Store", "ascmhl/"),
)

NAME = b"0001_A001_2024-05-01_080000Z.mhl"
MANIFEST = """<?xml version="1.0" encoding="UTF-8"?>
<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">
  <creatorinfo>
    <creationdate>2024-05-01T10:00:05+02:00</creationdate>
    <hostname>cart1.example</hostname>
    <tool version="0.1">example</tool>
    <author email="dit@example.org" role="DIT">A. Person</author>
    <comment>copy of card A001</comment>
  </creatorinfo>
  <processinfo>
    <process>transfer</process>
    <roothash>
      <content><xxh64>b0f3a38e39e473b9</xxh64></content>
      <structure><xxh64>4666efa86874de17</xxh64></structure>
    </roothash>
    <ignore><pattern>.DS_Store</pattern><pattern>ascmhl/</pattern></ignore>
  </processinfo>
  <hashes>
    <hash>
      <path size="5" lastmodificationdate="2024-05-01T09:55:00+02:00">Clips/A001C001.mov</path>
      <xxh64 action="original">0ea03b369a463d9d</xxh64>
    </hash>
    <hash>
      <path size="4" lastmodificationdate="2024-05-01T09:55:00+02:00">Clips/A001C002.mov</path>
      <xxh64 action="original">7680e5f98f4a80fd</xxh64>
    </hash>
    <directoryhash>
      <path lastmodificationdate="2024-05-01T09:55:00+02:00">Clips/Sub</path>
      <content><xxh64>ef46db3751d8e999</xxh64></content>
      <structure><xxh64>ef46db3751d8e999</xxh64></structure>
    </directoryhash>
    <directoryhash>
      <path lastmodificationdate="2024-05-01T09:55:00+02:00">Clips</path>
      <content><xxh64>b8b2365f9547cd77</xxh64></content>
      <structure><xxh64>c46a71848859c622</xxh64></structure>
    </directoryhash>
    <hash>
      <path size="12" lastmodificationdate="2024-05-01T09:55:00+02:00">Sidecar.txt</path>
      <xxh64 action="original">54a205e184fc07d5</xxh64>
    </hash>
    <hash>
      <path size="0" lastmodificationdate="2024-05-01T09:55:00+02:00">Ünï.txt</path>
      <xxh64 action="original">ef46db3751d8e999</xxh64>
    </hash>
  </hashes>
</hashlist>
""".encode()
MANIFEST_SHA256 = "8cb7e47a63e09da941ea211cad40a93bbed3157ff21e74361392c769440633cc"
MANIFEST_C4 = (
    "c41mchwAxe67UAgyyt4JFrDibsHSDGWzXy3T3DsF3LAgvspYDVeCBaPfPqKDozSDpKbYBNqDgkkHQ4HstuoCeC2hwn"
)
CHAIN = f"""<?xml version="1.0" encoding="UTF-8"?>
<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">
  <hashlist sequencenr="1">
    <path>0001_A001_2024-05-01_080000Z.mhl</path>
    <c4>{MANIFEST_C4}</c4>
  </hashlist>
</ascmhldirectory>
""".encode()
CHAIN_C4 = (
    "c412ma36uYHbXjf5oniySAEo2XVV3377DvKFCW1yR1tkbD3VK23RAwpVCDegbhFvfu4oxbpJ31kfQTpWsxwRiSbY9p"
)


def record(path: bytes, content: bytes, *algorithms: str) -> HashRecord:
    """The record of a file that is written down for the first time."""
    hashes = tuple(
        Hash(algorithm, digest_of(algorithm, content), Action.ORIGINAL)
        for algorithm in sorted(algorithms)
    )
    return HashRecord(path, hashes, len(content), MTIME_NS)


def items(*algorithms: str, files: dict[bytes, bytes] = FILES) -> list[Item]:
    """The example's items, sorted by path."""
    found: list[Item] = [record(path, content, *algorithms) for path, content in files.items()]
    found.append(EmptyFolder(EMPTY))
    return sorted(found, key=lambda item: item.path)


def head_with_root(*algorithms: str) -> Head:
    """The example's head, its root hash worked out."""
    return replace(HEAD, root=tree_root(items(*algorithms), algorithms))
