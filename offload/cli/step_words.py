"""What the steps of a run are called on a screen; ``{}`` is what is read: card or delivery."""

BEFORE = {
    "inventory": "listing the {}",
    "listing": "listing, and reading what is recorded",
    "preflight": "looking at the drives",
}
AFTERWARDS = {
    "record": "writing the record",
    "clips": "looking into the clips, on the copies",
    "last-look": "a last look at {} and drives",
}
GETTING_READY = "getting ready"
NOTHING_SAID = "Nothing is said of this delivery yet."
"""The first words while a delivery is received; those of a card are never said of one."""
