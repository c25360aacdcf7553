"""The numbered steps from one form of the ledger to the next, one SQL file each."""
