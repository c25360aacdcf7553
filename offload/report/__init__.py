"""Pages and tables made from the ledger: a roll, a day, the whole production."""
