-- The first form of the ledger. Times are nanoseconds since 1970; paths and labels are bytes.

-- A card as material: hints (they may be shared by twins) and what was last listed on it.
CREATE TABLE cards (
  id INTEGER PRIMARY KEY,
  volume_id TEXT NOT NULL,
  label BLOB NOT NULL,
  size_bytes INTEGER NOT NULL,
  fs_type TEXT NOT NULL,
  code TEXT NOT NULL DEFAULT '',
  digest TEXT NOT NULL DEFAULT '',
  first_seen_ns INTEGER NOT NULL,
  last_seen_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX cards_by_hints ON cards (volume_id, label, size_bytes, last_seen_ns);
CREATE INDEX cards_by_label ON cards (label, last_seen_ns);
CREATE INDEX cards_by_code ON cards (code, last_seen_ns) WHERE code <> '';
CREATE INDEX cards_by_digest ON cards (digest, last_seen_ns) WHERE digest <> '';
CREATE INDEX cards_by_last_seen ON cards (last_seen_ns);

-- Listings, packed; one row for equal ones. content is the xxh128 of the unpacked form.
CREATE TABLE inventories (
  id INTEGER PRIMARY KEY,
  content BLOB NOT NULL UNIQUE,
  digest TEXT NOT NULL,
  files INTEGER NOT NULL,
  bytes INTEGER NOT NULL,
  entries BLOB NOT NULL,
  left_out BLOB NOT NULL
) STRICT;
CREATE INDEX inventories_by_digest ON inventories (digest);

-- Each time a card was mounted.
CREATE TABLE mountings (
  id INTEGER PRIMARY KEY,
  key TEXT NOT NULL UNIQUE,
  card INTEGER NOT NULL REFERENCES cards,
  inventory INTEGER REFERENCES inventories,
  mount_point BLOB NOT NULL,
  reader TEXT NOT NULL,
  arrived_ns INTEGER NOT NULL,
  left_ns INTEGER
) STRICT;
CREATE INDEX mountings_by_card ON mountings (card, arrived_ns);
CREATE INDEX mountings_by_inventory ON mountings (inventory);
CREATE INDEX mountings_present ON mountings (mount_point) WHERE left_ns IS NULL;

CREATE TABLE rolls (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL,
  card INTEGER NOT NULL REFERENCES cards,
  code TEXT NOT NULL,
  content_root BLOB NOT NULL,
  production TEXT NOT NULL,
  day TEXT NOT NULL,
  made_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX rolls_by_name ON rolls (name, made_ns);
CREATE INDEX rolls_by_code ON rolls (code, made_ns);
CREATE INDEX rolls_by_card ON rolls (card, made_ns);
CREATE INDEX rolls_by_day ON rolls (day, made_ns);
CREATE INDEX rolls_by_made ON rolls (made_ns);

-- Names that rolls had before; append-only.
CREATE TABLE names (
  id INTEGER PRIMARY KEY,
  roll INTEGER NOT NULL REFERENCES rolls,
  old TEXT NOT NULL,
  new TEXT NOT NULL,
  by TEXT NOT NULL,
  because TEXT NOT NULL,
  at_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX names_by_roll ON names (roll, at_ns);
CREATE INDEX names_by_old ON names (old, at_ns);

-- One row for each time a command or the station worked on a card.
CREATE TABLE offloads (
  id INTEGER PRIMARY KEY,
  key TEXT NOT NULL,
  kind TEXT NOT NULL,
  card INTEGER NOT NULL REFERENCES cards,
  inventory INTEGER NOT NULL REFERENCES inventories,
  digest TEXT NOT NULL,
  roll INTEGER REFERENCES rolls,
  continues INTEGER REFERENCES offloads,
  state TEXT NOT NULL,
  policy TEXT NOT NULL,
  checksums TEXT NOT NULL,
  mounting TEXT NOT NULL,
  host TEXT NOT NULL,
  pid INTEGER NOT NULL,
  started_ns INTEGER NOT NULL,
  changed_ns INTEGER NOT NULL,
  ended_ns INTEGER,
  answer TEXT NOT NULL DEFAULT '',
  verdict TEXT NOT NULL DEFAULT '',
  findings_beyond INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX offloads_by_card ON offloads (card, id);
CREATE INDEX offloads_by_digest ON offloads (digest, id);
CREATE INDEX offloads_by_roll ON offloads (roll, id);
CREATE INDEX offloads_by_mounting ON offloads (mounting, id);
CREATE INDEX offloads_by_key ON offloads (key, id);
CREATE INDEX offloads_by_inventory ON offloads (inventory);
CREATE INDEX offloads_by_continues ON offloads (continues);
CREATE INDEX offloads_by_started ON offloads (started_ns);
CREATE INDEX offloads_open ON offloads (id) WHERE ended_ns IS NULL;

-- Checksums and card states, in sync batches: columns of equal length (see columns.py). content
-- is the xxh128 of a row's columns: a flipped bit must not make a copy look proven.
CREATE TABLE files (
  id INTEGER PRIMARY KEY,
  offload INTEGER NOT NULL REFERENCES offloads,
  entries BLOB NOT NULL,
  states BLOB NOT NULL,
  checksums TEXT NOT NULL,
  digests BLOB NOT NULL,
  content BLOB NOT NULL
) STRICT;
CREATE INDEX files_by_offload ON files (offload, id);

-- A drive as a thing; marker is the random number in its marker file.
CREATE TABLE drives (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL,
  volume_id TEXT NOT NULL,
  marker TEXT NOT NULL,
  path BLOB NOT NULL,
  fs_type TEXT NOT NULL,
  devices TEXT NOT NULL,
  size_bytes INTEGER NOT NULL,
  free_bytes INTEGER NOT NULL,
  first_used_ns INTEGER NOT NULL,
  last_used_ns INTEGER NOT NULL,
  retired_ns INTEGER
) STRICT;
CREATE UNIQUE INDEX drives_in_use ON drives (name) WHERE retired_ns IS NULL;
CREATE INDEX drives_by_name ON drives (name, first_used_ns);
CREATE INDEX drives_by_volume ON drives (volume_id);

CREATE TABLE faults (
  id INTEGER PRIMARY KEY,
  drive INTEGER NOT NULL REFERENCES drives,
  offload INTEGER REFERENCES offloads,
  text TEXT NOT NULL,
  at_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX faults_by_drive ON faults (drive, at_ns);
CREATE INDEX faults_by_offload ON faults (offload);

-- What one offload did with one drive: the counts stand here, so that no face adds up files.
CREATE TABLE copies (
  id INTEGER PRIMARY KEY,
  offload INTEGER NOT NULL REFERENCES offloads,
  drive INTEGER NOT NULL REFERENCES drives,
  path BLOB NOT NULL,
  devices TEXT NOT NULL,
  mounting TEXT NOT NULL,
  state TEXT NOT NULL,
  read_back TEXT NOT NULL,
  proven_files INTEGER NOT NULL,
  written_bytes INTEGER NOT NULL,
  started_ns INTEGER NOT NULL,
  changed_ns INTEGER NOT NULL,
  failure TEXT NOT NULL,
  UNIQUE (offload, drive)
) STRICT;
CREATE INDEX copies_by_drive ON copies (drive, started_ns);

-- State and facts of the files of a copy, in sync batches (see columns.py).
CREATE TABLE copied (
  id INTEGER PRIMARY KEY,
  copy INTEGER NOT NULL REFERENCES copies,
  entries BLOB NOT NULL,
  states BLOB NOT NULL,
  facts BLOB NOT NULL,
  content BLOB NOT NULL
) STRICT;
CREATE INDEX copied_by_copy ON copied (copy, id);

CREATE TABLE findings (
  id INTEGER PRIMARY KEY,
  offload INTEGER NOT NULL REFERENCES offloads,
  code TEXT NOT NULL,
  text TEXT NOT NULL,
  path BLOB NOT NULL,
  drive TEXT NOT NULL,
  at_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX findings_by_offload ON findings (offload, id);

-- What persons decide; append-only. What was done about it stands in answered.
CREATE TABLE decisions (
  id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  card INTEGER REFERENCES cards,
  roll INTEGER REFERENCES rolls,
  code TEXT NOT NULL,
  path BLOB NOT NULL,
  checksum BLOB NOT NULL,
  value TEXT NOT NULL,
  by TEXT NOT NULL,
  because TEXT NOT NULL,
  at_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX decisions_by_card ON decisions (card, id);
CREATE INDEX decisions_by_roll ON decisions (roll, id);
CREATE INDEX decisions_by_kind ON decisions (kind, id);
CREATE TRIGGER decisions_stay BEFORE UPDATE ON decisions
BEGIN SELECT RAISE(ABORT, 'decisions are append-only'); END;
CREATE TRIGGER decisions_are_kept BEFORE DELETE ON decisions
BEGIN SELECT RAISE(ABORT, 'decisions are append-only'); END;
CREATE TABLE answered (
  decision INTEGER PRIMARY KEY REFERENCES decisions,
  outcome TEXT NOT NULL,
  at_ns INTEGER NOT NULL
) STRICT;

CREATE TABLE clearances (
  id INTEGER PRIMARY KEY,
  offload INTEGER NOT NULL REFERENCES offloads,
  card INTEGER NOT NULL REFERENCES cards,
  roll INTEGER REFERENCES rolls,
  digest TEXT NOT NULL,
  c4 TEXT NOT NULL,
  key TEXT NOT NULL,
  mounting TEXT NOT NULL,
  headline TEXT NOT NULL,
  at_ns INTEGER NOT NULL,
  voided_ns INTEGER,
  voided_because TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX clearances_by_digest ON clearances (digest, at_ns);
CREATE INDEX clearances_by_card ON clearances (card, at_ns);
CREATE INDEX clearances_by_roll ON clearances (roll, at_ns);
CREATE INDEX clearances_by_offload ON clearances (offload);
CREATE INDEX clearances_by_c4 ON clearances (c4);
