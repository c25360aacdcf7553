"""``offload key``: the line that lets others check what this station signs."""

import json

import typer

from offload.cli.options import JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def key(settings: SETTINGS = "", as_json: JSON = False) -> int:
    """Show the line for an allowed_signers file, and the fingerprint to compare by voice."""
    from offload.cli.session import identity, read_settings, signing_key
    from offload.record.sshsig import NAMESPACE

    public = signing_key(read_settings(settings, {})).public
    line = f'{identity()} namespaces="{NAMESPACE}" {public.line()}'
    if as_json:
        found = {"type": "key", "line": line, "fingerprint": public.fingerprint}
        typer.echo(json.dumps(found))
    else:
        typer.echo(f"{line}\nfingerprint {public.fingerprint}")
    return 0
