"""Which physical devices the bytes of a volume lie on: computed, not believed.

Rules:

* Two volumes are shown to be separate only when both are known and share no identity below.
* A disk has several identities: its number, its unit (controller, target or card), its serial
  number, and the enclosure around it. Any one in common is one too many. The same disk under a new
  number, and two units in one enclosure or behind one bridge, are so never two.
* Known is only what is on the list: a disk by way of USB, SATA, SAS, NVMe, SD or FireWire on a real
  machine. A controller that hides its disks, a virtual machine's disks, an own share, plain FUSE
  and everything else are "not shown to be separate".
"""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Physical:
    """What a volume's bytes lie on.

    Attributes:
        devices: identities such as ``disk:8:0``, ``usb:…``, ``serial:…``, ``server:10.0.0.7``.
        is_known: nothing else can be below; if not, nothing shows the volume separate from another.
        is_ram: some of it lies in memory.
        is_network: another machine, or this one as a server, holds it.
        counters: block devices that the file system itself reads from (``major:minor``, or the
            system's own name for them): their read counters must grow when it is read past the
            cache.
        nodes: their device nodes, in the same order; empty bytes where there is none.
        disks: the disks at the very bottom, named like the counters.
        reason: why it is not known, or what it is; a phrase.
    """

    devices: frozenset[str] = frozenset()
    is_known: bool = False
    is_ram: bool = False
    is_network: bool = False
    counters: tuple[str, ...] = ()
    nodes: tuple[bytes, ...] = ()
    disks: frozenset[str] = frozenset()
    reason: str = ""

    def is_separate_from(self, other: "Physical") -> bool:
        """Whether the two are shown to be on separate devices, neither of them memory."""
        if not (self.is_known and other.is_known) or self.is_ram or other.is_ram:
            return False
        return bool(self.devices) and bool(other.devices) and not self.devices & other.devices


RAM = Physical(
    devices=frozenset({"memory"}),
    is_known=True,
    is_ram=True,
    reason="it lies in this computer's memory",
)


def together(parts: Iterable[Physical]) -> Physical:
    """Several devices that all hold a part of one file system."""
    all_parts = tuple(parts)
    unknown = [part for part in all_parts if not part.is_known]
    return Physical(
        devices=frozenset().union(*(part.devices for part in all_parts)),
        is_known=bool(all_parts) and not unknown,
        is_ram=any(part.is_ram for part in all_parts),
        is_network=any(part.is_network for part in all_parts),
        counters=tuple(dict.fromkeys(name for part in all_parts for name in part.counters)),
        nodes=tuple(dict.fromkeys(node for part in all_parts for node in part.nodes)),
        disks=frozenset().union(*(part.disks for part in all_parts)),
        reason=(unknown or all_parts)[0].reason if all_parts else "nothing shows what it lies on",
    )
