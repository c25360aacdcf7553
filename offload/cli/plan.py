"""``offload plan``: cards, drives and hours that a shoot needs, before it begins."""

import json
from fractions import Fraction
from typing import Annotated, Any

import typer

from offload.cli.options import JSON, SETTINGS

app = typer.Typer(rich_markup_mode=None, add_completion=False)


@app.command()
def plan(
    codec: Annotated[str, typer.Option(help="Such as prores-422-hq; else the brief's.")] = "",
    raster: Annotated[str, typer.Option(metavar="WxH", help="In pixels; else the brief's.")] = "",
    rate: Annotated[
        str, typer.Option(metavar="RATE", help="Frames a second on screen; else the brief's.")
    ] = "",
    sensor_rate: Annotated[
        str, typer.Option(metavar="RATE", help="Frames recorded a second, where it is another.")
    ] = "",
    channels: Annotated[
        int | None, typer.Option(help="Of sound in the camera; else the brief's, else 2.")
    ] = None,
    minutes: Annotated[
        str, typer.Option(metavar="MIN", help="Recorded a day, by all cameras together.")
    ] = "",
    film: Annotated[
        str, typer.Option(metavar="MIN", help="Length of the film; with --ratio, for --minutes.")
    ] = "",
    ratio: Annotated[str, typer.Option(metavar="N:1", help="Shooting ratio.")] = "",
    days: Annotated[int, typer.Option(min=1, max=1000, help="Of shooting.")] = 1,
    cameras: Annotated[int, typer.Option(min=1, max=100, help="That share the minutes.")] = 1,
    card: Annotated[str, typer.Option(metavar="SIZE", help="Of one card.")] = "256GB",
    drive: Annotated[str, typer.Option(metavar="SIZE", help="Of one drive.")] = "2TB",
    copies: Annotated[
        int | None, typer.Option(min=1, max=9, help="Of everything; else as the settings say.")
    ] = None,
    reserve: Annotated[
        str, typer.Option(metavar="SHARE", help="Of each drive that stays free.")
    ] = "10%",
    card_speed: Annotated[
        str, typer.Option(metavar="SPEED", help="Reading a card, such as 400MB/s.")
    ] = "",
    drive_speed: Annotated[
        str, typer.Option(metavar="SPEED", help="The slowest drive; else as measured here.")
    ] = "",
    data_rate: Annotated[
        str, typer.Option(metavar="MBIT", help="Megabits a second, as the camera's menu shows.")
    ] = "",
    settings: SETTINGS = "",
    as_json: JSON = False,
) -> int:
    """How many cards, drives and hours a shoot needs.

    Data rates are the published ones where there are any; else this production's own clips are
    measured. The plan says which. Sizes are decimal, as cards and drives are sold.
    """
    from offload.cli import plan_words as words
    from offload.cli.session import read_settings
    from offload.jobs.planning import given_speeds
    from offload.media.plan import Shoot
    from offload.media.rates import MEGA

    found = read_settings(settings, {})
    recording = _recording(found, codec, raster, rate, sensor_rate, channels)
    shoot = Shoot(
        _minutes_a_day(minutes, film, ratio, days),
        days,
        cameras,
        words.size("--card", card),
        words.size("--drive", drive),
        copies or found.copies.needed,
        words.share("--reserve", reserve),
    )
    given = words.number("--data-rate", data_rate) * MEGA if data_rate else None
    speeds = given_speeds(
        words.speed("--card-speed", card_speed) if card_speed else None,
        words.speed("--drive-speed", drive_speed) if drive_speed else None,
        found.copies.card_reads,
    )
    _say(_planned(found, recording, shoot, given, speeds), as_json=as_json)
    return 0


def _planned(settings: Any, recording: Any, shoot: Any, given: Any, speeds: Any) -> Any:
    """The sums, with what the ledger has measured where nothing was given."""
    from offload.cli.plan_view import Planned
    from offload.jobs.planning import measured_pace, own_clips, speeds_of_pace
    from offload.ledger.database import Ledger
    from offload.media.plan import Speeds, make_plan, rate_for

    with Ledger(settings.station.home) as ledger:
        data = rate_for(recording, own_clips(ledger, settings.production.name), given)
        pace = measured_pace(ledger) if speeds is None else None
    if pace is not None:
        speeds = speeds_of_pace(pace, settings.copies.card_reads)
    # Without a speed all but the hours is known; the view leaves those out.
    made = make_plan(recording, shoot, speeds or Speeds(1, 1, 1, 1), data)
    return Planned(recording, shoot, made, speeds)


def _say(planned: Any, *, as_json: bool) -> None:
    import shutil
    import sys

    from offload.cli.plan_view import as_json as plan_json
    from offload.cli.plan_view import lines

    if as_json:
        typer.echo(json.dumps(plan_json(planned)))
        return
    width = max(60, shutil.get_terminal_size().columns) if sys.stdout.isatty() else None
    typer.echo("\n".join(lines(planned, width)))


def _recording(
    settings: Any, codec: str, raster: str, rate: str, sensor_rate: str, channels: int | None
) -> Any:
    """What is recorded: as given, else as the brief asks for it."""
    from offload.cli import plan_words as words
    from offload.media.brief_settings import BriefError, brief_from
    from offload.media.plan import Recording

    try:
        brief = brief_from(settings.brief)
    except BriefError as error:
        raise settings.placed(f"brief.{error.key}", error) from error
    key = words.codec(codec) if codec else _only("--codec", [each.key for each in brief.codecs])
    width, height = words.raster(raster) if raster else _only("--raster", brief.rasters)
    playback = words.frame_rate("--rate", rate) if rate else brief.rate
    if playback is None:
        raise _missing("--rate")
    sensor = words.frame_rate("--sensor-rate", sensor_rate) if sensor_rate else playback
    if channels is None:
        # Sound is not recorded in the camera off-speed, as a rule; common practice, no source.
        channels = 0 if sensor != playback else max(brief.audio_channels, default=2)
    return Recording(
        key,
        width,
        height,
        playback,
        sensor,
        channels,
        brief.audio_rate_hz or 48_000,
        brief.audio_bits or 24,
    )


def _minutes_a_day(minutes: str, film: str, ratio: str, days: int) -> Fraction:
    from offload.cli import plan_words as words
    from offload.errors import UsageError
    from offload.media.plan import camera_minutes

    if minutes and not (film or ratio):
        return words.number("--minutes", minutes)
    if film and ratio and not minutes:
        return camera_minutes(words.number("--film", film), words.number("--ratio", ratio), days)
    raise UsageError(
        "how much is recorded is not clear",
        remedy="offload plan --minutes 180 for each day, or --film 15 --ratio 12:1 --days 4",
    )


def _only(option: str, found: Any) -> Any:
    if len(found) != 1:
        raise _missing(option, len(found))
    return found[0]


def _missing(option: str, found: int = 0) -> Exception:
    from offload.errors import UsageError

    why = f"the brief allows {found}" if found else "no brief says it"
    return UsageError(
        f"{option} is needed: {why}",
        remedy="offload plan --codec prores-422-hq --raster 3840x2160 --rate 24000/1001 ...",
    )
