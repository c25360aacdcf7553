"""What Linux knows of the device below a file system: label, id, bus, model, reader.

Three sources, each filling what the ones before it left open: the device manager's database
(``/run/udev/data``), ``lsblk --json``, and, where no device manager runs, ``blkid --probe`` (needs
the right to read the device). Sources: udev(7), lsblk(8), blkid(8). All of it is outside text.
"""

import json
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from offload.volumes.block_tree import BlockTree, read_attribute
from offload.volumes.commands import Runner, run

_COMMAND_S = 5.0
_MAX_DATABASE = 1 << 16
_COLUMNS = "MAJ:MIN,LABEL,UUID,MODEL,VENDOR,SERIAL,TRAN"


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """What is known of one block device; empty where nothing is.

    Attributes:
        node: its node.
        label: label of the file system on it.
        volume_id: UUID or serial number of the file system on it.
        bus: how it is attached.
        model: the device's name.
        reader: the reader or enclosure around it.
    """

    node: bytes = b""
    label: str = ""
    volume_id: str = ""
    bus: str = ""
    model: str = ""
    reader: str = ""


@dataclass(frozen=True, slots=True)
class LinuxDevices:
    """Asks one machine about its devices.

    Attributes:
        tree: its block devices.
        run: runs a command.
        database: folder of the device manager's database.
    """

    tree: BlockTree = field(default_factory=BlockTree)
    run: Runner = run
    database: str = "/run/udev/data"

    def facts(self, devices: Iterable[str]) -> dict[str, DeviceFacts]:
        """What is known of each device (``major:minor``); commands run once for all of them."""
        wanted = tuple(dict.fromkeys(devices))
        listed = self._listed(wanted)
        return {device: self._facts(device, listed.get(device, {})) for device in wanted}

    def _facts(self, device: str, listed: Mapping[str, str]) -> DeviceFacts:
        node = self.tree.node(device)
        known = self._database(device)
        if not known.get("ID_FS_UUID_ENC") and not listed.get("uuid") and node:
            known = {**known, **self._probed(node)}
        usb = self.tree.usb_device(device)
        return DeviceFacts(
            node=node,
            label=_decoded(known.get("ID_FS_LABEL_ENC", "")) or listed.get("label", ""),
            volume_id=_decoded(known.get("ID_FS_UUID_ENC", "")) or listed.get("uuid", ""),
            bus=self._bus(device, listed, is_usb=bool(usb)),
            model=self._model(device, listed),
            reader=_reader(usb) if usb else "",
        )

    def _database(self, device: str) -> dict[str, str]:
        try:
            with open(f"{self.database}/b{device}", "rb") as file:
                text = file.read(_MAX_DATABASE).decode("utf-8", "surrogateescape")
        except OSError:
            return {}
        lines = (line[2:] for line in text.split("\n") if line.startswith("E:"))
        return _properties(lines)

    def _listed(self, devices: tuple[str, ...]) -> dict[str, dict[str, str]]:
        nodes = [node for node in map(self.tree.node, devices) if node]
        if not nodes:
            return {}
        outcome = self.run(["lsblk", "--json", "--nodeps", "-o", _COLUMNS, *nodes], _COMMAND_S)
        # A device that left in between makes the status 32; the others are listed all the same.
        return parse_lsblk(outcome.output)

    def _probed(self, node: bytes) -> dict[str, str]:
        outcome = self.run(["blkid", "--probe", "--output", "udev", node], _COMMAND_S)
        text = outcome.output.decode("utf-8", "surrogateescape")
        return _properties(text.split("\n")) if outcome.status == 0 else {}

    def _bus(self, device: str, listed: Mapping[str, str], *, is_usb: bool) -> str:
        if is_usb:
            return "usb"
        path = self.tree.path(self.tree.whole(device))
        for part, bus in _BUS_BY_PATH:
            if part in path:
                return bus
        return listed.get("tran", "")

    def _model(self, device: str, listed: Mapping[str, str]) -> str:
        names = [listed.get("vendor", ""), listed.get("model", "")]
        if not any(names):
            names = [self.tree.attribute(device, f"device/{key}") for key in ("vendor", "model")]
        if not any(names):
            names = [self.tree.attribute(device, "device/name")]
        # PCI and virtual devices give a vendor number, which tells a person nothing.
        return " ".join(name for name in names if name and not name.startswith("0x"))


_BUS_BY_PATH = (
    ("/nvme/", "nvme"),
    ("/mmc_host/", "sd"),
    ("/ata", "sata"),
    ("/virtio", "virtual"),
    ("/virtual/block/loop", "loop"),
    ("/virtual/block/zram", "memory"),
)


def parse_lsblk(output: bytes) -> dict[str, dict[str, str]]:
    """Columns by ``major:minor``, from ``lsblk --json``; empty when that is no such list."""
    try:
        parsed = json.loads(output.decode("utf-8", "surrogateescape"))
        entries = parsed["blockdevices"]
    except (ValueError, KeyError, TypeError):
        return {}
    found: dict[str, dict[str, str]] = {}
    for entry in entries if isinstance(entries, list) else ():
        if isinstance(entry, dict) and isinstance(entry.get("maj:min"), str):
            columns = {k: v.strip() for k, v in entry.items() if isinstance(v, str)}
            found[columns["maj:min"]] = columns
    return found


def _properties(lines: Iterable[str]) -> dict[str, str]:
    pairs = (line.partition("=") for line in lines)
    return {key: value for key, separator, value in pairs if separator}


def _decoded(text: str) -> str:
    """Undo the ``\\xNN`` of udev's encoded values; bytes that are no UTF-8 stay recoverable."""
    raw = os.fsencode(text) if "\\" in text else b""
    if not raw:
        return text
    plain = re.sub(rb"\\x([0-9a-fA-F]{2})", lambda found: bytes([int(found.group(1), 16)]), raw)
    return plain.decode("utf-8", "surrogateescape")


def _reader(usb: str) -> str:
    maker, product = (read_attribute(f"{usb}/{key}") for key in ("manufacturer", "product"))
    name = " ".join(part for part in (maker, product) if part)
    return f"{name or 'USB device'} at USB {os.path.basename(usb)}"
