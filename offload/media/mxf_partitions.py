"""MXF partitions, the footer and the random index: that a recording was closed, and is all there.

Rules of SMPTE ST 377-1: each partition gives its own place, the place of the one before and of
the footer; a finished file has a closed header or, when the header was left open, the final
values in a closed footer. The random index, if present, is the last thing in the file.
"""

from dataclasses import dataclass
from struct import Struct

from offload.media.mxf_klv import Item, Klv, read_klv
from offload.media.packed import number
from offload.media.reading import BoundedReader
from offload.media.structure import Findings, MalformedError
from offload.values.clips import ClipCode

_CHECK = "partitions"
_PACK = Struct(">HHIQQQQQIQI")
_OPEN = (1, 3)
_COMPLETE = (3, 4)
_STATUS = {
    1: "open and incomplete",
    2: "closed and incomplete",
    3: "open and complete",
    4: "closed and complete",
}


@dataclass(frozen=True, slots=True)
class Partition:
    """One partition pack.

    Attributes:
        item: header, body or footer.
        status: 1 open incomplete, 2 closed incomplete, 3 open complete, 4 closed complete.
        start: where it begins in the file.
        this: where it says it begins, from the header partition.
        previous: where it says the one before begins.
        footer: where it says the footer begins; 0 where unknown.
        header_bytes: of header metadata in it.
        body_sid: stream of the essence in it; 0 without.
    """

    item: Item
    status: int
    start: int
    this: int
    previous: int
    footer: int
    header_bytes: int
    body_sid: int

    @property
    def is_open(self) -> bool:
        """Whether it was left as it is while recording."""
        return self.status in _OPEN


def read_partition(reader: BoundedReader, klv: Klv) -> Partition:
    """Read one partition pack.

    Raises:
        MalformedError: it is too short to be one.
    """
    if klv.length < _PACK.size:
        raise MalformedError(_CHECK, "a partition pack is too short", klv.start)
    values = _PACK.unpack(reader.need(klv.value, _PACK.size))
    _major, _minor, _grid, this, previous, footer, header_bytes = values[:7]
    return Partition(
        klv.item, klv.key[14], klv.start, this, previous, footer, header_bytes, values[10]
    )


def check_partitions(
    reader: BoundedReader,
    partitions: list[Partition],
    *,
    is_chain_whole: bool,
    has_final_metadata: bool,
    findings: Findings,
) -> None:
    """Check what the partitions say of each other and of the footer.

    Args:
        reader: the file.
        partitions: as far as the chain was followed; the header first.
        is_chain_whole: the chain was followed to the end of the file.
        has_final_metadata: the footer partition holds header metadata.
        findings: where flaws go.
    """
    header = partitions[0]
    run_in = header.start
    expected_previous = 0
    for partition in partitions:
        if partition.this != partition.start - run_in:
            findings.add(
                ClipCode.DAMAGED,
                _CHECK,
                f"a {partition.item.value} at byte {partition.start - run_in} "
                f"says it begins at byte {partition.this}",
                partition.start,
            )
        if partition.previous != expected_previous:
            findings.notice(
                ClipCode.DAMAGED,
                _CHECK,
                f"a {partition.item.value} says the one before it begins at byte "
                f"{partition.previous}; it begins at byte {expected_previous}",
                partition.start,
            )
        if partition.status not in _STATUS:
            findings.add(
                ClipCode.DAMAGED, _CHECK, "a partition of no known status", partition.start
            )
        expected_previous = partition.start - run_in
    _check_footer(reader, partitions, is_chain_whole, findings)
    _check_status(partitions, has_final_metadata, findings)


def _check_footer(
    reader: BoundedReader, partitions: list[Partition], is_chain_whole: bool, findings: Findings
) -> None:
    header, last = partitions[0], partitions[-1]
    announced = max((each.footer for each in partitions if not each.is_open), default=0)
    announced = announced or header.footer
    if last.item is Item.FOOTER:
        at = last.start - header.start
        if announced and announced != at:
            findings.add(
                ClipCode.DAMAGED,
                "footer",
                f"the footer is announced at byte {announced} and begins at byte {at}",
                last.start,
            )
        return
    if not announced:
        findings.add(
            ClipCode.UNFINISHED,
            "footer",
            "it has no footer and none is announced: the recording was not closed",
            header.start,
        )
        return
    found = read_klv(reader, header.start + announced)
    if found is None or found.item is not Item.FOOTER:
        is_behind = header.start + announced >= reader.size
        findings.add(
            ClipCode.CUT_SHORT if is_behind else ClipCode.DAMAGED,
            "footer",
            f"the footer announced at byte {announced} is not there",
            header.start + announced,
        )
    elif is_chain_whole:
        findings.add(
            ClipCode.DAMAGED, "footer", "the chain of items passes the footer by", found.start
        )


def _check_status(
    partitions: list[Partition], has_final_metadata: bool, findings: Findings
) -> None:
    header, last = partitions[0], partitions[-1]
    if not header.is_open:
        if header.status not in _COMPLETE:
            findings.note(
                ClipCode.UNFINISHED, "header-status", "its header is closed and incomplete"
            )
        return
    text = f"its header is {_STATUS[header.status]}"
    if last.item is Item.FOOTER and not last.is_open and has_final_metadata:
        findings.note(ClipCode.UNFINISHED, "header-status", f"{text}; the footer closes it")
    else:
        findings.add(
            ClipCode.UNFINISHED,
            "header-status",
            f"{text}: the recording was not closed",
            header.start,
        )


def check_random_index(
    reader: BoundedReader, klv: Klv | None, partitions: list[Partition], findings: Findings
) -> None:
    """The random index must list every partition and give its own length last.

    Args:
        reader: the file.
        klv: where it is; None where there is none, which the standard allows.
        partitions: all of them.
        findings: where flaws go.
    """
    if klv is None:
        findings.note(ClipCode.DAMAGED, "random-index", "it has no random index")
        return
    value = reader.need(klv.value, klv.length)
    if number(value, len(value) - 4, 4) != klv.end - klv.start or len(value) % 12 != 4:
        findings.add(
            ClipCode.DAMAGED, "random-index", "the random index does not add up", klv.start
        )
        return
    run_in = partitions[0].start
    listed = [
        (number(value, at, 4), number(value, at + 4, 8)) for at in range(0, len(value) - 4, 12)
    ]
    found = [(each.body_sid, each.start - run_in) for each in partitions]
    if listed != found:
        findings.notice(
            ClipCode.DAMAGED,
            "random-index",
            f"the random index lists {len(listed)} partitions that are not the {len(found)} found",
            klv.start,
        )
