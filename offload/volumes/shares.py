"""What a share lies on: the server, by address; an own share lies on the own disks."""

from collections.abc import Callable
from dataclasses import replace

from offload.volumes import kinds
from offload.volumes.separation import Physical
from offload.volumes.servers import Servers, server_name
from offload.volumes.volume import Volume


def physical_of_share(
    volume: Volume, servers: Servers, own_disks: Callable[[], Physical]
) -> Physical:
    """What a network file system lies on.

    Args:
        volume: the share as it is mounted here.
        servers: finds addresses.
        own_disks: all disks of this machine together; asked only where they are concerned.
    """
    addresses = servers.addresses(volume)
    found = Physical(
        devices=frozenset(f"server:{address}" for address in addresses)
        | frozenset(f"card:{card}" for card in servers.cards(addresses)),
        is_network=True,
    )
    if volume.fs_type not in kinds.ADDRESSED or not addresses:
        name = server_name(volume) or volume.fs_type
        return replace(found, reason=f"nothing shows which machine serves {name}")
    if servers.is_own(addresses):
        # Nobody tells which of the disks, and a share may be handed on from another server.
        reason = "this computer itself serves it, from one of its own disks"
        return replace(_with(found, own_disks()), reason=reason)
    if volume.option(b"fsc") is not None:
        # nfs(5) and mount.cifs(8): what was read stays on a local disk, and is read from there.
        reason = "a server holds it, and a disk of this computer keeps what was read"
        return replace(_with(found, own_disks()), is_known=True, reason=reason)
    return replace(found, is_known=True, reason="a server holds it")


def _with(share: Physical, disks: Physical) -> Physical:
    return replace(share, devices=share.devices | disks.devices, disks=disks.disks)
