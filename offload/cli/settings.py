"""``offload settings``: what is in force, and where each value comes from."""

import json

import typer

from offload.cli.options import JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def settings(settings: SETTINGS = "", as_json: JSON = False) -> int:
    """Print the settings in force, each with where it comes from."""
    from offload.cli.screen import Screen
    from offload.cli.session import read_settings
    from offload.settings import Origin
    from offload.values.paths import shown, to_text

    found = read_settings(settings, {})
    where = to_text(found.path) if found.path else "no file; all values are defaults"
    screen = Screen()
    # A value has the room that there is; a longer one pushes its origin on.
    room = max(1, min(36, screen.width - 45)) if screen.is_terminal else 36
    if not as_json:
        typer.echo(f"settings file: {where}")
    for source in found.sources:
        origin = source.origin.value
        if source.origin is Origin.FILE:
            origin = f"line {source.line}"
        value = shown(_text(source.value))
        if as_json:
            line = {"type": "setting", "key": source.key, "value": value, "origin": origin}
            typer.echo(json.dumps(line))
        else:
            typer.echo(f"{source.key:<28} {value:<{room}} {origin}")
    return 0


def _text(value: object) -> str:
    if isinstance(value, bytes):
        return value.decode("utf-8", "surrogateescape")
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_text(each) for each in value) + "]"
    return str(value)
