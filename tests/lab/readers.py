"""Two readers of media that are not ours: ``ffprobe`` and the MediaInfo library.

Both are needed by the tests: ``apt-get install ffmpeg``; MediaInfo comes with ``pymediainfo``.
"""

import json
import subprocess
from pathlib import Path
from typing import Any

from pymediainfo import MediaInfo


def ffprobe(path: Path) -> dict[str, Any]:
    """What ``ffprobe`` says: ``format``, and ``video``, ``audio`` and ``data`` as lists."""
    command = ["ffprobe", "-v", "error", "-show_streams", "-show_format", "-of", "json", str(path)]
    said = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    found: dict[str, Any] = {"format": said["format"], "video": [], "audio": [], "data": []}
    for stream in said["streams"]:
        found[stream["codec_type"]].append(stream)
    return found


def ffprobe_count(path: Path) -> int:
    """Pictures that ``ffprobe`` decodes."""
    command = ["ffprobe", "-v", "error", "-count_frames", "-select_streams", "v:0"]
    command += ["-show_entries", "stream=nb_read_frames", "-of", "json", str(path)]
    said = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    return int(said["streams"][0]["nb_read_frames"])


def mediainfo(path: Path) -> dict[str, list[dict[str, Any]]]:
    """What MediaInfo says, tracks by their type in small letters."""
    found: dict[str, list[dict[str, Any]]] = {}
    for track in MediaInfo.parse(str(path)).tracks:
        found.setdefault(track.track_type.lower(), []).append(track.to_data())
    return found
