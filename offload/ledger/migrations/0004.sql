-- A recorder's card makes a roll each day: what an offload found to be on the card, roll by roll.
-- An offload without rows here is about one roll, its own.
CREATE TABLE card_rolls (
  offload INTEGER NOT NULL REFERENCES offloads,
  position INTEGER NOT NULL,
  roll INTEGER NOT NULL REFERENCES rolls,
  inventory INTEGER NOT NULL REFERENCES inventories,
  PRIMARY KEY (offload, position)
) STRICT, WITHOUT ROWID;
CREATE INDEX card_rolls_by_roll ON card_rolls (roll);
CREATE INDEX card_rolls_by_inventory ON card_rolls (inventory);
-- Where each of them lies on each drive of that offload.
CREATE TABLE roll_folders (
  copy INTEGER NOT NULL REFERENCES copies,
  position INTEGER NOT NULL,
  path BLOB NOT NULL,
  is_done INTEGER NOT NULL,
  PRIMARY KEY (copy, position)
) STRICT, WITHOUT ROWID;
