"""Whether a card may be erased: rules over facts, the words for it, the statement that is signed.

No disk, no clock, no network: what is decided here can be decided again from the same facts.
"""

from offload.clearance.context import Context
from offload.clearance.decisions import content_checksum
from offload.clearance.holds import holds_table
from offload.clearance.origin import ManifestName
from offload.clearance.rules import decide
from offload.clearance.shell import command_line, quoted
from offload.clearance.statement import CardName, Occasion, Statement, statement_of
from offload.clearance.statement_json import from_bytes, to_bytes
from offload.clearance.taken import StatementError

__all__ = [
    "CardName",
    "Context",
    "ManifestName",
    "Occasion",
    "Statement",
    "StatementError",
    "command_line",
    "content_checksum",
    "decide",
    "from_bytes",
    "holds_table",
    "quoted",
    "statement_of",
    "to_bytes",
]
