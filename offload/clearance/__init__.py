"""Whether a card may be erased: rules over facts, the words for it, the statement that is signed.

No disk, no clock, no network: what is decided here can be decided again from the same facts.
"""

from offload.clearance.context import Context
from offload.clearance.decisions import content_checksum
from offload.clearance.holds import holds_table
from offload.clearance.rules import decide
from offload.clearance.shell import command_line, quoted

__all__ = ["Context", "command_line", "content_checksum", "decide", "holds_table", "quoted"]
