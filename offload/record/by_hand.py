"""The text beside a record that says how to check it with stock tools, without this program.

Four commands: the signature on the chain, on the newest manifest, on the checksum list, and the
files against the list. They are run in the folder that holds the roll and ``records``. A test runs
exactly these commands out of this text.
"""

from collections.abc import Callable
from dataclasses import dataclass

from offload.record.mhl.naming import CHAIN_NAME, HISTORY_FOLDER
from offload.record.sshsig import NAMESPACE
from offload.record.sums import TOOLS
from offload.values.paths import join, shown, to_text

BY_HAND_NAME = b"check-by-hand.txt"

_WIDTH_FREE = "    "


@dataclass(frozen=True, slots=True)
class ByHand:
    """What the text is about.

    Attributes:
        roll: the roll's folder name.
        records: path of the folder with signatures and lists, from where the commands are run.
        manifest: name of the newest manifest.
        chain_signer: identity that has signed chain and newest manifest.
        list_name: name of the checksum list.
        list_algorithm: its algorithm, such as ``sha512``.
        list_signer: identity that has signed it.
        fingerprint: of the key of ``chain_signer``.
        unlisted: how many files the list cannot hold.
    """

    roll: bytes
    records: bytes
    manifest: bytes
    chain_signer: str
    list_name: bytes
    list_algorithm: str
    list_signer: str
    fingerprint: str
    unlisted: int = 0


def by_hand_text(about: ByHand, quoted: Callable[[bytes], str]) -> bytes:
    """The file, in UTF-8.

    Args:
        about: see there.
        quoted: one word as a shell has to be given it.
    """
    history = join(about.roll, HISTORY_FOLDER)
    list_path = join(about.records, about.list_name)
    verify = _Verifying(about, quoted)
    commands = (
        verify.command(about.chain_signer, CHAIN_NAME, join(history, CHAIN_NAME)),
        verify.command(about.chain_signer, about.manifest, join(history, about.manifest)),
        verify.command(about.list_signer, about.list_name, list_path),
        f"{TOOLS[about.list_algorithm]} -c --quiet {quoted(list_path)}",
    )
    text = _TEXT.format(
        roll=to_text(about.roll),
        chain=commands[0],
        manifest=commands[1],
        list=commands[2],
        files=commands[3],
        signers=to_text(join(about.records, b"allowed_signers")),
        signer=shown(about.chain_signer),
        fingerprint=about.fingerprint,
        left_out=_left_out(about),
    )
    return text.encode("utf-8")


def commands_in(text: bytes) -> list[str]:
    """The commands of such a text, in order: the lines that are indented by four blanks."""
    return [
        line.removeprefix(_WIDTH_FREE)
        for line in text.decode("utf-8").splitlines()
        if line.startswith(_WIDTH_FREE)
    ]


@dataclass(frozen=True, slots=True)
class _Verifying:
    about: ByHand
    quoted: Callable[[bytes], str]

    def command(self, signer: str, signed: bytes, message: bytes) -> str:
        """``ssh-keygen`` on the signature of one file."""
        identity = signer.encode("utf-8", "surrogateescape")
        signature = join(self.about.records, signed + b".sig")
        signers = join(self.about.records, b"allowed_signers")
        return (
            f"ssh-keygen -Y verify -f {self.quoted(signers)} -I {self.quoted(identity)} "
            f"-n {NAMESPACE} -s {self.quoted(signature)} < {self.quoted(message)}"
        )


def _left_out(about: ByHand) -> str:
    if not about.unlisted:
        return ""
    files = "1 file" if about.unlisted == 1 else f"{about.unlisted:,} files"
    return (
        f"\nThe names of {files} cannot stand in such a list; the manifest has them, and names\n"
        "on the card that are written otherwise here stand in names.json.\n"
    )


_TEXT = """\
How to check {roll} by hand, with tools that every system has

Open a terminal in the folder that holds {roll} and records, and give these four commands. Nothing
is changed by them.

1. Is the table of contents of the record what was signed?

    {chain}

2. Is the newest manifest what was signed? It names every file with its checksums.

    {manifest}

3. Is the checksum list what was signed?

    {list}

4. Are the files what the list says? This reads all of them. It says nothing when all is well.

    {files}
{left_out}
The first three answer: Good "offload-record" signature for {signer}.

Whose key that is stands in {signers}, and a forger could
have put it there. So ask the one who signed for the fingerprint of the key, by telephone, and
compare it with the one that the commands show:

{fingerprint}

A clearance-0001.json beside the lists says that the card could be erased then. It is in force only
together with the same file on the other drives that it names, and never where a withdrawn-0001.json
lies beside it on one of them. A descent-0001.json says which other copy this one was made from.
Their signatures are checked as in 1, with their own names.

A computer keeps what it has read. Plug the drive in anew before the fourth command, so that the
files are read from the drive and not from memory.
"""
