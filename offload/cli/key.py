"""``offload key``: the key that signs the records here, and whose keys are believed."""

import json
import os
from typing import TYPE_CHECKING, Annotated

import typer

from offload.cli.options import JSON, SETTINGS

if TYPE_CHECKING:
    from offload.record.public_key import PublicKey
    from offload.settings import Settings

app = typer.Typer(
    rich_markup_mode=None,
    add_completion=False,
    invoke_without_command=True,
    no_args_is_help=False,
)

_FILE_LIMIT_BYTES = 1 << 20
_REVOKED_BEFORE = "This key was revoked before: nothing that it signed counts."


@app.callback()
def key(context: typer.Context, settings: SETTINGS = "", as_json: JSON = False) -> int:
    """Show the line that lets others check what is signed here, and its fingerprint.

    Send the line to whoever gets your drives, and let them compare the fingerprint by telephone.
    With a command: whose signatures are believed on this machine.
    """
    if context.invoked_subcommand is not None:
        return 0
    from offload.cli.session import identity, read_settings, signing_key
    from offload.record.signers import signer_line

    public = signing_key(read_settings(settings, {})).public
    line = signer_line(identity(), public)
    if as_json:
        found = {"type": "key", "line": line, "fingerprint": public.fingerprint}
        typer.echo(json.dumps(found))
    else:
        typer.echo(f"{line}\nfingerprint {public.fingerprint}")
    return 0


@app.command(short_help="Believe what a key signs.")
def trust(
    given: Annotated[
        list[str],
        typer.Argument(
            metavar="LINE|FILE",
            help="A public key line, or a file with one: .pub, or a drive's allowed_signers.",
        ),
    ],
    name: Annotated[str, typer.Option("--as", metavar="NAME", help="Whose key it is.")],
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Believe what a key signs. Compare its fingerprint with its owner by telephone first.

    Whoever can write on a drive can put any key there, so a drive's own list proves nothing.
    """
    from offload.cli.session import read_settings
    from offload.jobs.verify_trust import trust_key
    from offload.values.paths import shown

    found = read_settings(settings, {})
    public = _key_from(given)
    is_new = trust_key(found.station.home, public, name)
    words = "is believed from now on" if is_new else "was believed already"
    _tell(public, name, "trusted", f"What {shown(name)} signs with this key {words}.", as_json)
    return 0


@app.command(short_help="Believe nothing any more that a key signed.")
def revoke(
    given: Annotated[
        list[str],
        typer.Argument(
            metavar="NAME|LINE|FILE", help="A trusted signer's name, or a key as for trust."
        ),
    ],
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """Believe nothing any more that a key signed, whenever it did: it was lost or stolen."""
    from offload.cli.session import read_settings
    from offload.jobs.verify_trust import revoke_key

    found = read_settings(settings, {})
    keys = _keys_of(found, " ".join(given)) or [_key_from(given)]
    for public in keys:
        name = _name_of(found, public)
        is_new = revoke_key(found.station.home, public, name)
        sentence = "Nothing that this key signed counts from now on."
        _tell(public, name, "revoked", sentence if is_new else _REVOKED_BEFORE, as_json)
    return 0


@app.command("list", short_help="Whose signatures are believed here.")
def list_keys(settings: SETTINGS = "", as_json: JSON = False) -> int:
    """This station's own key, and everybody whose signatures are believed here."""
    from offload.cli.session import identity, read_settings
    from offload.jobs.verify_trust import own_public_key, read_trusted
    from offload.values.paths import shown

    found = read_settings(settings, {})
    home = found.station.home
    known = read_trusted(home)
    own = own_public_key(home, found.station.key)
    if own is not None:
        _row(own, identity(), "own", known.is_revoked(own), as_json)
    for entry in known.entries:
        _row(entry.key, entry.principals, "trusted", known.is_revoked(entry.key), as_json)
    named = {entry.key for entry in known.entries} | ({own} if own else set())
    for public in sorted(known.revoked - named, key=lambda each: each.fingerprint):
        _row(public, "", "revoked", True, as_json)
    for line in known.unread:
        text = f"line {line.line} of allowed_signers is passed over: {shown(line.why)}"
        typer.echo(json.dumps({"type": "notice", "text": text}) if as_json else text)
    return 0


def _key_from(given: list[str]) -> "PublicKey":
    """The key of a command line: the file of this name, or the words as a line."""
    from offload.errors import UsageError, reason
    from offload.jobs.verify_trust import key_in

    text = " ".join(given)
    path = os.fsencode(given[0])
    if len(given) == 1 and os.path.isfile(path):
        try:
            with open(path, "rb") as file:
                text = file.read(_FILE_LIMIT_BYTES).decode("utf-8", "replace")
        except OSError as error:
            raise UsageError(f"the file cannot be read: {reason(error)}", path=path) from error
    return key_in(text)


def _keys_of(settings: "Settings", name: str) -> "list[PublicKey]":
    """Every key that is trusted under this name."""
    from offload.jobs.verify_trust import read_trusted

    entries = read_trusted(settings.station.home).entries
    return [entry.key for entry in entries if entry.principals == name]


def _name_of(settings: "Settings", public: "PublicKey") -> str:
    from offload.jobs.verify_trust import read_trusted

    entries = read_trusted(settings.station.home).entries_of(public)
    return entries[0].principals if entries else ""


def _tell(public: "PublicKey", name: str, state: str, sentence: str, as_json: bool) -> None:
    from offload.values.paths import shown

    if as_json:
        found = {
            "type": "key",
            "name": shown(name),
            "fingerprint": public.fingerprint,
            "state": state,
        }
        typer.echo(json.dumps(found))
    else:
        typer.echo(f"{sentence}\nfingerprint {public.fingerprint}")


def _row(public: "PublicKey", name: str, state: str, is_revoked: bool, as_json: bool) -> None:
    from offload.values.paths import shown

    if as_json:
        found = {
            "type": "key",
            "name": shown(name),
            "fingerprint": public.fingerprint,
            "kind": public.kind,
            "state": state,
            "revoked": is_revoked,
        }
        typer.echo(json.dumps(found))
        return
    words = f"{state}, REVOKED" if is_revoked and state != "revoked" else state
    typer.echo(f"{shown(name) or '(no name)':<20} {words:<16} {public.kind} {public.fingerprint}")
